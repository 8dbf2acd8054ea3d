"""The result of a gate point by point, and one line per finding: the same in text, annotations, JUnit and SARIF."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal

from msgspec import Struct

from pqcheck.model.declared_away import declared_lines
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import (
    GATE,
    VERDICT_WORDS,
    WHOLE_TABLE,
    against_limit,
    by_loss,
    clock,
    criteria,
    first_few,
    has_reading,
    limit_text,
    margin_percent,
    number,
    rank,
    reading_text,
)
from pqcheck.model.verdict import ROLL_UP, Verdict
from pqcheck.workflows.compare_findings import FindingChange, fails_by_margin, key_of, label_of
from pqcheck.workflows.hold_baseline import gate_finding, with_added
from pqcheck.workflows.run_gate import Bases, GateResult

OPEN = (Verdict.REFUSED, Verdict.INCONCLUSIVE)
"""What was not judged."""
RED_FIRST = ((Verdict.FAIL,), OPEN, (Verdict.WAIVED,))
"""Verdicts in the order they are reported in."""


class PointResult(Struct, frozen=True):
    """One operating point of one scenario (`point` empty where there is none), with what belongs to it."""

    scenario: str
    point: str
    findings: tuple[Finding, ...]
    result: Findings
    bases: Bases
    changes: Mapping[tuple[str, str, str], FindingChange]

    @property
    def name(self) -> str:
        """Scenario and operating point."""
        return f"{self.scenario}, {self.point}" if self.point else self.scenario

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of the cell; inconclusive when nothing was judged."""
        present = {finding.verdict for finding in self.required}
        return next((verdict for verdict in ROLL_UP if verdict in present), Verdict.INCONCLUSIVE)

    @property
    def required(self) -> list[Finding]:
        """Findings that decide."""
        return [finding for finding in self.findings if finding.required]

    @property
    def criteria(self) -> list[Finding]:
        """What is counted."""
        return criteria(self.findings)

    def with_verdict(self, *verdicts: Verdict) -> list[Finding]:
        """Required findings with these verdicts, worst first."""
        return by_loss([finding for finding in self.required if finding.verdict in verdicts])

    @property
    def doubts(self) -> list[Finding]:
        """What was found against the recording or the spectrum itself."""
        return [finding for finding in self.findings if finding.kind == "recording" and finding.verdict in OPEN]

    def change(self, finding: Finding) -> FindingChange | None:
        """What the baseline says about a finding."""
        return self.changes.get(key_of(finding))


NOTHING_JUDGED = gate_finding("judged", "nothing-judged")
"""What stands in text, JUnit and annotations where no rule was judged; a findings file says it by its verdict."""

_MOST_CHANNELS = 6
"""Channels named in a line; the others are counted."""


def cells_of(gated: GateResult) -> list[PointResult]:
    """Every operating point of every scenario, worst first."""
    cells = []
    for result, comparison, bases in zip(gated.results, gated.comparisons, gated.bases, strict=True):
        compared = comparison.changes if comparison is not None else ()
        changes = {key_of(difference.after): difference for difference in compared if difference.after is not None}
        points = sorted({_point(finding) for finding in result.findings}) or [""]
        if not any(finding.required for finding in result.findings):
            # Whatever reads the cells must see that a result without any verdict is none.
            result = with_added(result, [NOTHING_JUDGED])
        for point in points:
            own = tuple(finding for finding in result.findings if _point(finding) == point)
            cells.append(PointResult(label_of(result), point, own, result, bases, changes))
    cells.sort(key=lambda cell: (rank(cell.verdict), _tightest(cell), cell.name))
    return cells


def _point(finding: Finding) -> str:
    return finding.snapshot.operating_point if finding.snapshot is not None else ""


def _tightest(cell: PointResult) -> float:
    judged = cell.with_verdict(Verdict.FAIL, Verdict.WAIVED, Verdict.PASS)
    percent = margin_percent(judged[0]) if judged else None
    return float("inf") if percent is None else percent


def is_known(cell: PointResult, finding: Finding) -> bool:
    """A fail that the baseline already has and that did not get worse."""
    change = cell.change(finding)
    return finding.verdict is Verdict.FAIL and finding.kind == "limit" and change is not None and not change.red


def crept(cell: PointResult) -> list[Finding]:
    """Passes whose margin shrank beyond the tolerance, largest loss first."""
    worse = []
    for finding in cell.with_verdict(Verdict.PASS):
        change = cell.change(finding)
        if change is not None and change.state == "worse" and change.after is finding:
            worse.append((-(change.loss or 0), finding.id, finding))
    worse.sort(key=lambda entry: entry[:2])
    return [passed for _, _, passed in worse]


def place_of(finding: Finding, channels: Sequence[str] = ()) -> str:
    """The criterion: table, rule, channel (or several), and the period where there is one."""
    period = ""
    if finding.period is not None and finding.period.length != "recording":
        period = f", {finding.period.length} from {clock(finding.period.start)}"
    if finding.rule == WHOLE_TABLE:
        return finding.table
    if finding.table == GATE:
        return f"{GATE}/{finding.rule}"
    return f"{finding.table}/{finding.rule} {first_few(channels or (finding.channel,), _MOST_CHANNELS)}{period}"


def reading(cell: PointResult, finding: Finding) -> str:
    """``62.4 A (10.4 %) against at most 60 A, 4 % beyond``."""
    statistic = finding.statistic
    if statistic is None or statistic.value is None:
        return "no reading"
    base = cell.bases.get((finding.table, finding.rule))
    share = f" ({number(float(100 * Decimal(repr(statistic.value)) / base), '%')})" if base else ""
    text = against_limit(f"{reading_text(finding)}{share}", finding)
    percent = margin_percent(finding)
    return text if percent is None else f"{text}, {abs(percent):.3g} % {'beyond' if percent < 0 else 'within'}"


def baseline_words(cell: PointResult, finding: Finding) -> str:
    """What the baseline says: ``new: it passed with 58.8 A``, ``worse than the baseline by 3 % of the limit``."""
    change = cell.change(finding)
    if change is None:
        return ""
    before = change.before
    if before is None:
        return "new: not in the baseline" if finding.verdict is not Verdict.PASS else ""
    # What was not judged for one reason is one line, whatever was read before.
    read = f" with {reading_text(before)}" if has_reading(before) and finding.verdict not in OPEN else ""
    alone = " for its margin alone" if fails_by_margin(before) else ""
    was = f"{VERDICT_WORDS[before.verdict]}{alone}{read} in the baseline"
    if change.state == "open":
        return f"{was}, not judged now"
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


def body(cell: PointResult, finding: Finding, channels: Sequence[str] = ()) -> str:
    """Reading, baseline and reason, without the criterion; `channels` when it speaks for several phases."""
    if finding.kind == "safety":
        reason = finding.reason
        return finding.title if reason is None else f"{finding.title}. {reason.text} {reason.advice}"
    parts = [reading(cell, finding)] if finding.verdict in (Verdict.FAIL, Verdict.WAIVED, Verdict.PASS) else []
    parts += [baseline_words(cell, finding), remark(finding).rstrip(".")]
    text = "; ".join(part for part in parts if part) + "."
    return text.replace(f" of phase {finding.phase}", " of each phase") if len(channels) > 1 else text


def folded(cell: PointResult, findings: Sequence[Finding]) -> Iterator[tuple[Finding, tuple[str, ...]]]:
    """Findings that differ in their phase only become one, with all channels; the order is kept.

    What was not judged for one reason becomes one for all orders too: a doubt about a spectrum refuses hundreds.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        reason = "" if finding.reason is None else finding.reason.text.replace(f"phase {finding.phase}", "phase")
        value = "" if finding.statistic is None else repr(finding.statistic.value)
        own = ("", "", "") if finding.verdict in OPEN else (str(finding.order), value, limit_text(finding))
        key = (finding.table, finding.rule, *own, finding.verdict.value, reason, baseline_words(cell, finding),
               finding.period.start if finding.period else "", finding.kind)  # fmt: skip
        groups.setdefault(key, []).append(finding)
    for members in groups.values():
        yield members[0], tuple(finding.channel for finding in members)


def declared_by_sites(gated: GateResult) -> list[str]:
    """What the site files declare away; the scenario is named where there are several."""
    lines = []
    for result in gated.results:
        at = f"[{label_of(result)}] " if len(gated.results) > 1 else ""
        lines += [f"{line[:2]}{at}{line[2:]}" for line in declared_lines(result)]
    return lines
