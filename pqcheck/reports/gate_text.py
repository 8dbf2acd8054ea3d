"""The result of a gate: one line per finding, the same in text, annotations and JUnit; and the text on a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal

from msgspec import Struct

from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import (
    VERDICT_WORDS,
    WHOLE_TABLE,
    by_loss,
    clock,
    first_few,
    has_reading,
    limit_text,
    margin_percent,
    number,
    rank,
    reading_text,
    statement,
    tables_text,
)
from pqcheck.model.verdict import ROLL_UP, Verdict
from pqcheck.reports.text import grid, text_of, wrap
from pqcheck.workflows.compare_findings import STATES, Comparison, FindingChange, key_of, label_of
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
    return f"{finding.table}/{finding.rule} {first_few(channels or (finding.channel,), _MOST_CHANNELS)}{period}"


def reading(cell: PointResult, finding: Finding) -> str:
    """``62.4 A (10.4 %) against at most 60 A, 4 % beyond``."""
    statistic = finding.statistic
    if statistic is None or statistic.value is None:
        return "no reading"
    base = cell.bases.get((finding.table, finding.rule))
    share = f" ({number(float(100 * Decimal(repr(statistic.value)) / base), '%')})" if base else ""
    text = f"{reading_text(finding)}{share} against {limit_text(finding)}"
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
    read = f" with {reading_text(before)}" if has_reading(before) else ""
    was = f"{VERDICT_WORDS[before.verdict]}{read} in the baseline"
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


MOST_LINES = 20
_HEADS = {
    ExitStatus.PASSED: "GREEN",
    ExitStatus.FAILED: "RED",
    ExitStatus.NOT_SHOWN: "NOT SHOWN",
}


def gate_text(gated: GateResult, *, quiet: bool = False) -> str:
    """The whole text. With `quiet` one line on green, else the answer and a line per finding, worst first, capped."""
    cells = cells_of(gated)
    head = _head(gated, cells, len(gated.remarks))
    if quiet and gated.exit_status is ExitStatus.PASSED:
        return head + "\n"
    lines = _lines(cells)
    shown = lines[:MOST_LINES]
    more = [f"{len(lines) - len(shown)} more; --out FILE.json lists them."] if len(lines) > len(shown) else []
    if quiet:
        return "\n".join([head, *shown, *more]) + "\n"
    statements = dict.fromkeys(map(statement, gated.results))
    return text_of(
        [
            wrap(head),
            "\n".join(wrap(text) for text in statements if text),
            "\n".join([*_rule_sets(gated), *_other_question(gated)]),
            _matrix(cells),
            "\n".join([*(wrap(finding, "", "  ") for finding in shown), *more]),
            _crept(cells),
            "\n".join(wrap(line, "", "  ") for line in _remarks(gated)),
            _tables(gated),
        ]
    )


def answer_and_lines(gated: GateResult) -> tuple[str, list[str]]:
    """The answer in one line; and what fails, was not judged or is waived, one line each, worst first."""
    cells = cells_of(gated)
    return _head(gated, cells), _lines(cells)


def _head(gated: GateResult, cells: Sequence[PointResult], remarks: int = 0) -> str:
    counts = Counter(finding.verdict for cell in cells for finding in cell.required)
    known = sum(is_known(cell, finding) for cell in cells for finding in cell.with_verdict(Verdict.FAIL))
    parts = [f"{counts[Verdict.FAIL]} fail"]
    if any(comparison is not None for comparison in gated.comparisons) and counts[Verdict.FAIL]:
        parts[0] += f" ({counts[Verdict.FAIL] - known} new or worse, {known} known)"
    parts += [
        f"{sum(counts[verdict] for verdict in OPEN)} not judged",
        f"{counts[Verdict.WAIVED]} waived",
        f"{counts[Verdict.PASS]} pass",
    ]
    points = len({(cell.scenario, cell.point) for cell in cells if cell.point or len(cells) == 1}) or len(cells)
    where = f" in {points} operating points" if points > 1 else ""
    internal = (
        " Internal criterion, no statement of compliance." if any(statement(cell.result) for cell in cells) else ""
    )
    creeping = sum(len(crept(cell)) for cell in cells)
    beside = sum(finding.verdict is Verdict.NOT_APPLICABLE for cell in cells for finding in cell.findings
                 if finding.kind == "limit")
    parts += [f"{beside} not applicable"] if beside else []
    parts[3] += f", {creeping} of them with less margin than in the baseline" if creeping else ""
    needs = f" {remarks} remark{'s' if remarks > 1 else ''} on waivers." if remarks else ""
    differing = sum(len(other) for other in map(_differing, gated.comparisons))
    if differing:
        needs += f" The baseline is of another question: {differing} difference{'s' if differing > 1 else ''}."
    asked = f"of {sum(counts.values())} criteria{where}"
    status = gated.exit_status
    return f"{_HEADS[status]} (exit {int(status)}): {asked} {', '.join(parts)}.{needs}{internal}"


def _lines(cells: Sequence[PointResult]) -> list[str]:
    return [line for cell in cells for line in _cell_lines(cell, f" [{cell.name}]" if len(cells) > 1 else "")]


def _cell_lines(cell: PointResult, at: str) -> Iterator[str]:
    """Fails, what was not judged, doubts about the input, what is waived; one line for phases that say the same."""
    for verdicts in RED_FIRST:
        if verdicts == OPEN:
            for finding, channels in folded(cell, cell.doubts):
                yield f"{VERDICT_WORDS[finding.verdict]} {', '.join(channels)}{at}: {body(cell, finding, channels)}"
        for finding, channels in folded(cell, cell.with_verdict(*verdicts)):
            yield f"{_word(cell, finding)} {place_of(finding, channels)}{at}: {body(cell, finding, channels)}"


def _word(cell: PointResult, finding: Finding) -> str:
    if finding.kind == "safety":
        return "DANGER SIGN"
    return "KNOWN FAIL" if is_known(cell, finding) else VERDICT_WORDS[finding.verdict]


def _matrix(cells: Sequence[PointResult]) -> str:
    """One row per scenario and operating point, worst first."""
    if len(cells) < 2:
        return ""
    heads = ("scenario", "operating point", "verdict", "fail", "not judged", "waived", "pass", "tightest criterion")
    rows: list[tuple[str, ...]] = [heads]
    for cell in cells:
        counts = Counter(finding.verdict for finding in cell.required)
        judged = cell.with_verdict(Verdict.FAIL, Verdict.WAIVED, Verdict.PASS)
        numbers = (
            counts[Verdict.FAIL],
            sum(counts[verdict] for verdict in OPEN),
            counts[Verdict.WAIVED],
            counts[Verdict.PASS],
        )
        tightest = _margin_words(judged[0]) if judged else "-"
        rows.append((cell.scenario, cell.point or "-", VERDICT_WORDS[cell.verdict], *map(str, numbers), tightest))
    return grid(rows)


def _margin_words(finding: Finding) -> str:
    percent = margin_percent(finding)
    return finding.channel if percent is None else f"{finding.channel} {percent:+.3g} %"


def _crept(cells: Sequence[PointResult]) -> str:
    """Passes whose margin shrank beyond the tolerance: nothing is red, and the next change may be."""
    lines = []
    for cell in cells:
        at = f" [{cell.name}]" if len(cells) > 1 else ""
        for finding, channels in folded(cell, crept(cell)):
            lines.append(f"CREPT {place_of(finding, channels)}{at}: {body(cell, finding, channels)}")
    shown = [wrap(line, "", "  ") for line in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        shown.append(f"{len(lines) - MOST_LINES} more crept; --out FILE.json lists them.")
    return "\n".join(shown)


def _rule_sets(gated: GateResult) -> list[str]:
    """The warning that the baseline was judged by other rules; nothing when it was not."""
    differences = dict.fromkeys(
        line for comparison in gated.comparisons if comparison is not None for line in comparison.rule_sets
    )
    if not differences:
        return []
    return [
        "RULE SETS DIFFER from the baseline: what changed below may be the rules and not what was measured or "
        "designed.",
        *(f"  {line}." for line in differences),
        "Judge the earlier files again with the tables of today, and compare with that.",
    ]


def _differing(comparison: Comparison | None) -> tuple[str, ...]:
    return () if comparison is None else (*comparison.rule_sets, *comparison.declared)


def _other_question(gated: GateResult) -> list[str]:
    """Declared facts that are not those of the baseline; nothing when they are."""
    lines = dict.fromkeys(line for one in gated.comparisons if one is not None for line in one.declared)
    return ["DECLARED OTHERWISE than in the baseline:", *(wrap(line, "  ") for line in lines)] if lines else []


def _remarks(gated: GateResult) -> list[str]:
    lines = [*gated.remarks, *gated.notes]
    for comparison in gated.comparisons:
        if comparison is None:
            continue
        lines += comparison.remarks
        counts = ", ".join(f"{comparison.count(state)} {state}" for state in STATES)
        lines.append(f"Against the baseline: {counts}.")
        gone = [change.shown for change in comparison.changes if change.state == "gone"]
        if gone:
            lines.append(f"No longer judged: {', '.join(finding.id for finding in gone[:MOST_LINES])}.")
    lines += [remark for result in gated.results for remark in result.remarks]
    return list(dict.fromkeys(lines))


def _tables(gated: GateResult) -> str:
    asked = [finding for result in gated.results for finding in result.findings if finding.required]
    unverified = sum("unverified_limit" in finding.modifiers for finding in asked)
    note = f" {unverified} criteria rest on limit values not yet checked (unverified_limit)." if unverified else ""
    return wrap(f"{tables_text(gated.results)}{note}")
