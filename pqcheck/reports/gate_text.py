"""The result of a gate on a terminal: one line of answer, what is red, what crept, what was not judged, the matrix."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from pqcheck.compare import STATES
from pqcheck.findings import ExitStatus, Finding, Verdict
from pqcheck.findings_words import VERDICT_WORDS, margin_percent, statement, tables_text
from pqcheck.gate import GateResult
from pqcheck.reports.gate_lines import OPEN, RED_FIRST, Cell, body, cells_of, crept, folded, is_known, place_of
from pqcheck.reports.text import grid, text_of, wrap

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
            "\n".join(wrap(one) for one in statements if one),
            "\n".join(_rule_sets(gated)),
            _matrix(cells),
            "\n".join([*(wrap(one, "", "  ") for one in shown), *more]),
            _crept(cells),
            "\n".join(wrap(one, "", "  ") for one in _remarks(gated)),
            _tables(gated),
        ]
    )


def answer_and_lines(gated: GateResult) -> tuple[str, list[str]]:
    """The answer in one line; and what fails, was not judged or is waived, one line each, worst first."""
    cells = cells_of(gated)
    return _head(gated, cells), _lines(cells)


def _head(gated: GateResult, cells: Sequence[Cell], remarks: int = 0) -> str:
    counts = Counter(one.verdict for cell in cells for one in cell.required)
    known = sum(is_known(cell, one) for cell in cells for one in cell.with_verdict(Verdict.FAIL))
    parts = [f"{counts[Verdict.FAIL]} fail"]
    if any(one is not None for one in gated.comparisons) and counts[Verdict.FAIL]:
        parts[0] += f" ({counts[Verdict.FAIL] - known} new or worse, {known} known)"
    parts += [
        f"{sum(counts[one] for one in OPEN)} not judged",
        f"{counts[Verdict.WAIVED]} waived",
        f"{counts[Verdict.PASS]} pass",
    ]
    where = f" in {len(cells)} operating points" if len(cells) > 1 else ""
    internal = " Internal criterion, no statement of compliance." if any(statement(one.result) for one in cells) else ""
    creeping = sum(len(crept(cell)) for cell in cells)
    parts[-1] += f", {creeping} of them with less margin than in the baseline" if creeping else ""
    needs = f" {remarks} remark{'s' if remarks > 1 else ''} on waivers." if remarks else ""
    asked = f"of {sum(counts.values())} criteria{where}"
    status = gated.exit_status
    return f"{_HEADS[status]} (exit {int(status)}): {asked} {', '.join(parts)}.{needs}{internal}"


def _lines(cells: Sequence[Cell]) -> list[str]:
    return [line for cell in cells for line in _cell_lines(cell, f" [{cell.name}]" if len(cells) > 1 else "")]


def _cell_lines(cell: Cell, at: str) -> Iterator[str]:
    """Fails, what was not judged, doubts about the input, what is waived; one line for phases that say the same."""
    for verdicts in RED_FIRST:
        for finding, channels in folded(cell, cell.with_verdict(*verdicts)):
            yield f"{_word(cell, finding)} {place_of(finding, channels)}{at}: {body(cell, finding, channels)}"
        if verdicts == OPEN:
            for finding, channels in folded(cell, cell.doubts):
                yield f"{VERDICT_WORDS[finding.verdict]} {', '.join(channels)}{at}: {body(cell, finding, channels)}"


def _word(cell: Cell, finding: Finding) -> str:
    if finding.kind == "safety":
        return "DANGER SIGN"
    return "KNOWN FAIL" if is_known(cell, finding) else VERDICT_WORDS[finding.verdict]


def _matrix(cells: Sequence[Cell]) -> str:
    """One row per scenario and operating point, worst first."""
    if len(cells) < 2:
        return ""
    heads = ("scenario", "operating point", "verdict", "fail", "not judged", "waived", "pass", "tightest criterion")
    rows: list[tuple[str, ...]] = [heads]
    for cell in cells:
        counts = Counter(one.verdict for one in cell.required)
        judged = cell.with_verdict(Verdict.FAIL, Verdict.WAIVED, Verdict.PASS)
        numbers = (counts[Verdict.FAIL], sum(counts[one] for one in OPEN), counts[Verdict.WAIVED], counts[Verdict.PASS])
        tightest = _margin_words(judged[0]) if judged else "-"
        rows.append((cell.scenario, cell.point or "-", VERDICT_WORDS[cell.verdict], *map(str, numbers), tightest))
    return grid(rows)


def _margin_words(finding: Finding) -> str:
    percent = margin_percent(finding)
    return finding.channel if percent is None else f"{finding.channel} {percent:+.3g} %"


def _crept(cells: Sequence[Cell]) -> str:
    """Passes whose margin shrank beyond the tolerance: nothing is red, and the next change may be."""
    lines = []
    for cell in cells:
        at = f" [{cell.name}]" if len(cells) > 1 else ""
        for finding, channels in folded(cell, crept(cell)):
            lines.append(f"CREPT {place_of(finding, channels)}{at}: {body(cell, finding, channels)}")
    shown = [wrap(one, "", "  ") for one in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        shown.append(f"{len(lines) - MOST_LINES} more crept; --out FILE.json lists them.")
    return "\n".join(shown)


def _rule_sets(gated: GateResult) -> list[str]:
    """The warning that the baseline was judged by other rules; nothing when it was not."""
    found = dict.fromkeys(line for one in gated.comparisons if one is not None for line in one.rule_sets)
    if not found:
        return []
    return [
        "RULE SETS DIFFER from the baseline: what changed below may be the rules and not what was measured or "
        "designed.",
        *(f"  {line}." for line in found),
        "Judge the earlier files again with the tables of today, and compare with that.",
    ]


def _remarks(gated: GateResult) -> list[str]:
    lines = [*gated.remarks]
    for comparison in gated.comparisons:
        if comparison is None:
            continue
        lines += comparison.remarks
        counts = ", ".join(f"{comparison.count(state)} {state}" for state in STATES)
        lines.append(f"Against the baseline: {counts}.")
        gone = [change.shown for change in comparison.changes if change.state == "gone"]
        if gone:
            lines.append(f"No longer judged: {', '.join(one.id for one in gone[:MOST_LINES])}.")
    lines += [remark for result in gated.results for remark in result.remarks]
    return list(dict.fromkeys(lines))


def _tables(gated: GateResult) -> str:
    asked = [one for result in gated.results for one in result.findings if one.required]
    unverified = sum("unverified_limit" in one.modifiers for one in asked)
    note = f" {unverified} criteria rest on limit values not yet checked (unverified_limit)." if unverified else ""
    return wrap(f"Judged against {tables_text(gated.results)}.{note}")
