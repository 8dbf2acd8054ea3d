"""The result of a gate as text on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.model.declared_away import declared_sentence
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import (
    VERDICT_WORDS,
    counts_by_verdict,
    margin_percent,
    signs_text,
    statement,
    tables_text,
)
from pqcheck.model.verdict import Verdict
from pqcheck.reports.point_results import (
    OPEN,
    RED_FIRST,
    PointResult,
    body,
    cells_of,
    crept,
    declared_by_sites,
    folded,
    is_known,
    place_of,
)
from pqcheck.reports.text import grid, text_of, wrap
from pqcheck.workflows.compare_findings import STATES, Comparison, key_of
from pqcheck.workflows.run_gate import GateResult

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
            _declared(gated),
            "\n".join(wrap(line, "", "  ") for line in _remarks(gated)),
            _tables(gated),
        ]
    )


def answer_and_lines(gated: GateResult) -> tuple[str, list[str]]:
    """The answer in one line; and what fails, was not judged or is waived, one line each, worst first."""
    cells = cells_of(gated)
    return _head(gated, cells), _lines(cells)


def _head(gated: GateResult, cells: Sequence[PointResult], remarks: int = 0) -> str:
    counts = counts_by_verdict(finding for cell in cells for finding in cell.criteria)
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
    signs = " ".join(f"Beside {text}." for text in map(signs_text, gated.results) if text)
    needs = f" {signs}{needs}" if signs else needs
    asked = f"of {sum(counts.values())} criteria{where}"
    status = gated.exit_status
    declared = "".join(f" {sentence}" for sentence in dict.fromkeys(map(declared_sentence, gated.results)) if sentence)
    return f"{_HEADS[status]} (exit {int(status)}): {asked} {', '.join(parts)}.{needs}{declared}{internal}"


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
        counts = counts_by_verdict(cell.criteria)
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


def _declared(gated: GateResult) -> str:
    lines = declared_by_sites(gated)
    return "\n".join(["Declared by the site file:", *(wrap(line, "  ", "    ") for line in lines)]) if lines else ""


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
    for result, comparison in zip(gated.results, gated.comparisons, strict=True):
        if comparison is None:
            continue
        lines += comparison.remarks
        counts = ", ".join(f"{comparison.count(state)} {state}" for state in STATES)
        lines.append(f"Against the baseline: {counts}.")
        kept = {key_of(finding) for finding in result.findings}
        gone = [change.shown for change in comparison.changes
                if change.state == "gone" and key_of(change.shown) not in kept]
        if gone:
            lines.append(f"No longer judged: {', '.join(finding.id for finding in gone[:MOST_LINES])}.")
    lines += [remark for result in gated.results for remark in result.remarks]
    return list(dict.fromkeys(lines))


def _tables(gated: GateResult) -> str:
    asked = [finding for result in gated.results for finding in result.findings if finding.required]
    unverified = sum("unverified_limit" in finding.modifiers for finding in asked)
    note = f" {unverified} criteria rest on limit values not yet checked (unverified_limit)." if unverified else ""
    return wrap(f"{tables_text(gated.results)}{note}")
