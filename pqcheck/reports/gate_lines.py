"""One line per finding for machines and for people in a hurry: what failed, against what, and what is known about it.

Shared by the gate's text, its annotations and its JUnit file, so that all of them say the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal

from msgspec import Struct

from pqcheck.compare import Change, Comparison, key_of, label_of
from pqcheck.findings import Finding, Findings, Verdict
from pqcheck.reports.words import VERDICT_WORDS, by_loss, clock, limit_text, number

Bases = Mapping[tuple[str, str], Decimal]
"""Amperes that are 100 % for a rule, by table and rule."""

_WORST_FIRST = (Verdict.FAIL, Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.WAIVED, Verdict.PASS)


class Cell(Struct, frozen=True):
    """One operating point of one scenario (`point` empty where there is none), with what belongs to it."""

    scenario: str
    point: str
    findings: tuple[Finding, ...]
    result: Findings
    bases: Bases
    changes: Mapping[tuple[str, str, str], Change]

    @property
    def name(self) -> str:
        """Scenario and operating point."""
        return f"{self.scenario}, {self.point}" if self.point else self.scenario

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of the cell; inconclusive when nothing was judged."""
        present = {one.verdict for one in self.required}
        return next((verdict for verdict in _WORST_FIRST if verdict in present), Verdict.INCONCLUSIVE)

    @property
    def required(self) -> list[Finding]:
        """Findings that decide."""
        return [one for one in self.findings if one.required]

    def with_verdict(self, *verdicts: Verdict) -> list[Finding]:
        """Required findings with these verdicts, worst first."""
        return by_loss([one for one in self.required if one.verdict in verdicts])

    @property
    def doubts(self) -> list[Finding]:
        """What was found against the recording or the spectrum itself."""
        bad = (Verdict.REFUSED, Verdict.INCONCLUSIVE)
        return [one for one in self.findings if one.kind == "recording" and one.verdict in bad]

    def change(self, finding: Finding) -> Change | None:
        """What the baseline says about a finding."""
        return self.changes.get(key_of(finding))


def cells_of(
    results: Sequence[Findings], comparisons: Sequence[Comparison | None] = (), bases: Sequence[Bases] = ()
) -> list[Cell]:
    """Every operating point of every scenario, worst first."""
    cells = []
    for at, result in enumerate(results):
        comparison = comparisons[at] if comparisons else None
        changes = {} if comparison is None else _by_key(comparison.changes)
        points = sorted({_point(one) for one in result.findings}) or [""]
        if len(points) > 1 and "" in points:
            points.remove("")
        for point in points:
            own = tuple(one for one in result.findings if _point(one) in (point, ""))
            cells.append(Cell(label_of(result), point, own, result, bases[at] if bases else {}, changes))
    cells.sort(key=lambda cell: (_WORST_FIRST.index(cell.verdict), _tightest(cell), cell.name))
    return cells


def _by_key(changes: Iterable[Change]) -> dict[tuple[str, str, str], Change]:
    return {key_of(one.after): one for one in changes if one.after is not None}


def _point(finding: Finding) -> str:
    return finding.snapshot.operating_point if finding.snapshot is not None else ""


def _tightest(cell: Cell) -> float:
    judged = cell.with_verdict(Verdict.FAIL, Verdict.WAIVED, Verdict.PASS)
    margin = judged[0].margin if judged else None
    percent = margin.percent_of_limit if margin is not None else None
    return float("inf") if percent is None else percent


def is_known(cell: Cell, finding: Finding) -> bool:
    """A fail that the baseline already has and that did not get worse."""
    change = cell.change(finding)
    return finding.verdict is Verdict.FAIL and finding.kind == "limit" and change is not None and not change.red


def crept(cell: Cell) -> list[Finding]:
    """Passes whose margin shrank beyond the tolerance, largest loss first."""
    worse = []
    for one in cell.with_verdict(Verdict.PASS):
        change = cell.change(one)
        if change is not None and change.state == "worse" and change.after is one:
            worse.append((-(change.loss or 0), one.id, one))
    worse.sort(key=lambda found: found[:2])
    return [one for _, _, one in worse]


def place_of(finding: Finding, channels: Sequence[str] = ()) -> str:
    """The criterion: table, rule, channel (or several), and the period where there is one."""
    period = ""
    if finding.period is not None and finding.period.length != "recording":
        period = f", {finding.period.length} from {clock(finding.period.start)}"
    return f"{finding.table}/{finding.rule} {', '.join(channels or (finding.channel,))}{period}"


def reading(cell: Cell, finding: Finding) -> str:
    """``62.4 A (10.4 %) against at most 60 A, 4 % beyond``."""
    statistic = finding.statistic
    if statistic is None or statistic.value is None:
        return "no reading"
    base = cell.bases.get((finding.table, finding.rule))
    share = f" ({_percent(100 * Decimal(repr(statistic.value)) / base)})" if base else ""
    text = f"{number(statistic.value, statistic.unit)}{share} against {limit_text(finding)}"
    percent = finding.margin.percent_of_limit if finding.margin is not None else None
    if percent is None:
        return text
    return f"{text}, {abs(percent):.3g} % {'beyond' if percent < 0 else 'within'}"


def _percent(value: Decimal) -> str:
    return f"{float(value):.6g} %"


def baseline_words(cell: Cell, finding: Finding) -> str:
    """What the baseline says: ``new: it passed with 58.8 A``, ``worse than the baseline by 3 % of the limit``."""
    change = cell.change(finding)
    if change is None:
        return ""
    before = change.before
    if before is None:
        return "new: not in the baseline" if finding.verdict is not Verdict.PASS else ""
    value = before.statistic.value if before.statistic is not None else None
    unit = before.statistic.unit if before.statistic is not None else ""
    value_words = f" with {number(value, unit)}" if value is not None else ""
    was = f"{VERDICT_WORDS[before.verdict]}{value_words} in the baseline"
    if change.state == "unchanged":
        return f"known, {was}, no worse"
    # A verdict can get worse while the margin grows: an order that is no longer there, for example.
    loss = change.loss
    agrees = loss is not None and loss and (loss < 0) == (change.state == "better")
    if loss is None or not agrees:
        return f"{change.state}: {was}"
    return f"{change.state}: {was}, margin {'down' if loss > 0 else 'up'} by {float(abs(loss)):.3g} % of the limit"


def remark(finding: Finding) -> str:
    """The reason, unless it says nothing but that one spectrum was taken for the period."""
    if finding.reason is None or finding.reason.code == "steady-point":
        return ""
    return finding.reason.text


def body(cell: Cell, finding: Finding, channels: Sequence[str] = ()) -> str:
    """Reading, baseline and reason, without the criterion; `channels` when it speaks for several phases."""
    if finding.kind == "safety":
        reason = finding.reason
        return finding.title if reason is None else f"{finding.title}. {reason.text} {reason.advice}"
    parts = [reading(cell, finding)] if finding.verdict in (Verdict.FAIL, Verdict.WAIVED, Verdict.PASS) else []
    parts += [baseline_words(cell, finding), remark(finding).rstrip(".")]
    text = "; ".join(part for part in parts if part) + "."
    return text.replace(f" of phase {finding.phase}", " of each phase") if len(channels) > 1 else text


def folded(cell: Cell, findings: Sequence[Finding]) -> Iterator[tuple[Finding, tuple[str, ...]]]:
    """Findings that differ in their phase only become one, with all channels; the order is kept."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for one in findings:
        reason = "" if one.reason is None else one.reason.text.replace(f"phase {one.phase}", "phase")
        value = "" if one.statistic is None else repr(one.statistic.value)
        key = (one.table, one.rule, str(one.order), one.verdict.value, value, limit_text(one), reason,
               baseline_words(cell, one), one.period.start if one.period else "", one.kind)  # fmt: skip
        groups.setdefault(key, []).append(one)
    for members in groups.values():
        yield members[0], tuple(one.channel for one in members)
