"""The result of a gate on a terminal: one line of answer, what is red, what crept, what was not judged, the matrix."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence

from pqcheck.compare import STATES, Comparison
from pqcheck.findings import ExitStatus, Finding, Findings, Verdict
from pqcheck.reports.changes import rule_set_lines
from pqcheck.reports.gate_lines import Bases, Cell, body, cells_of, crept, folded, is_known, place_of
from pqcheck.reports.words import VERDICT_WORDS, statement

MOST_LINES = 20
_WIDTH = 100
_HEADS = {
    ExitStatus.PASSED: "GREEN",
    ExitStatus.FAILED: "RED",
    ExitStatus.NOT_SHOWN: "NOT SHOWN",
}
_OPEN = (Verdict.REFUSED, Verdict.INCONCLUSIVE)


def gate_text(
    results: Sequence[Findings],
    comparisons: Sequence[Comparison | None],
    bases: Sequence[Bases],
    remarks: Sequence[str],
    exit_status: ExitStatus,
    *,
    quiet: bool = False,
) -> str:
    """The whole text. With `quiet` one line on green, else the answer and a line per finding, worst first, capped."""
    cells = cells_of(results, comparisons, bases)
    head = _head(cells, comparisons, exit_status, len(remarks))
    if quiet and exit_status is ExitStatus.PASSED:
        return head + "\n"
    lines = _all_lines(cells)
    shown = lines[:MOST_LINES]
    more = [f"{len(lines) - len(shown)} more; --out FILE.json lists them."] if len(lines) > len(shown) else []
    if quiet:
        return "\n".join([head, *shown, *more]) + "\n"
    parts = [
        _wrap(head),
        "\n".join(dict.fromkeys(_wrap(statement(result)) for result in results if statement(result))),
        _rule_sets(comparisons),
        _matrix(cells),
        "\n".join([*(_wrap(one, "", "  ") for one in shown), *more]),
        _crept(cells),
        "\n".join(_wrap(one, "", "  ") for one in _all_remarks(results, comparisons, remarks)),
        _tables(results),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def head_line(results: Sequence[Findings], comparisons: Sequence[Comparison | None], status: ExitStatus) -> str:
    """The answer in one line."""
    return _head(cells_of(results, comparisons), comparisons, status)


def finding_lines(
    results: Sequence[Findings], comparisons: Sequence[Comparison | None] = (), bases: Sequence[Bases] = ()
) -> list[str]:
    """What fails, was not judged or is waived, one line each, worst first."""
    return _all_lines(cells_of(results, comparisons, bases))


def _all_lines(cells: Sequence[Cell]) -> list[str]:
    return [one for cell in cells for one in _lines(cell, several=len(cells) > 1)]


def _wrap(text: str, indent: str = "", further: str = "") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=indent, subsequent_indent=further, break_on_hyphens=False)


def _head(
    cells: Sequence[Cell], comparisons: Sequence[Comparison | None], status: ExitStatus, remarks: int = 0
) -> str:
    counts = Counter(one.verdict for cell in cells for one in cell.required)
    known = sum(is_known(cell, one) for cell in cells for one in cell.with_verdict(Verdict.FAIL))
    parts = [f"{counts[Verdict.FAIL]} fail"]
    if any(one is not None for one in comparisons) and counts[Verdict.FAIL]:
        parts[0] += f" ({counts[Verdict.FAIL] - known} new or worse, {known} known)"
    open_ = counts[Verdict.REFUSED] + counts[Verdict.INCONCLUSIVE]
    parts += [f"{open_} not judged", f"{counts[Verdict.WAIVED]} waived", f"{counts[Verdict.PASS]} pass"]
    where = f" in {len(cells)} operating points" if len(cells) > 1 else ""
    internal = " Internal criterion, no statement of compliance." if any(statement(one.result) for one in cells) else ""
    creeping = sum(len(crept(cell)) for cell in cells)
    parts[-1] += f", {creeping} of them with less margin than in the baseline" if creeping else ""
    needs = f" {remarks} remark{'s' if remarks > 1 else ''} on waivers." if remarks else ""
    asked = f"of {sum(counts.values())} criteria{where}"
    return f"{_HEADS[status]} (exit {int(status)}): {asked} {', '.join(parts)}.{needs}{internal}"


def _lines(cell: Cell, *, several: bool) -> Iterator[str]:
    """Fails, what was not judged, doubts about the input, what is waived; one line for phases that say the same."""
    at = f" [{cell.name}]" if several else ""
    for verdicts in ((Verdict.FAIL,), _OPEN, (Verdict.WAIVED,)):
        for finding, channels in folded(cell, cell.with_verdict(*verdicts)):
            yield f"{_word(cell, finding)} {place_of(finding, channels)}{at}: {body(cell, finding, channels)}"
        if verdicts == _OPEN:
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
    rows = [("scenario", "operating point", "verdict", "fail", "not judged", "waived", "pass", "tightest criterion")]
    for cell in cells:
        counts = Counter(one.verdict for one in cell.required)
        judged = cell.with_verdict(Verdict.FAIL, Verdict.WAIVED, Verdict.PASS)
        rows.append(
            (
                cell.scenario,
                cell.point or "-",
                VERDICT_WORDS[cell.verdict],
                str(counts[Verdict.FAIL]),
                str(counts[Verdict.REFUSED] + counts[Verdict.INCONCLUSIVE]),
                str(counts[Verdict.WAIVED]),
                str(counts[Verdict.PASS]),
                _margin_words(judged[0]) if judged else "-",
            )
        )
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    padded = [[text.ljust(width) for text, width in zip(row, widths, strict=True)] for row in rows]
    return "\n".join("  ".join(row).rstrip() for row in padded)


def _margin_words(finding: Finding) -> str:
    percent = finding.margin.percent_of_limit if finding.margin is not None else None
    return finding.channel if percent is None else f"{finding.channel} {percent:+.3g} %"


def _crept(cells: Sequence[Cell]) -> str:
    """Passes whose margin shrank beyond the tolerance: nothing is red, and the next change may be."""
    lines = []
    for cell in cells:
        at = f" [{cell.name}]" if len(cells) > 1 else ""
        for finding, channels in folded(cell, crept(cell)):
            lines.append(f"CREPT {place_of(finding, channels)}{at}: {body(cell, finding, channels)}")
    shown = [_wrap(one, "", "  ") for one in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        shown.append(f"{len(lines) - MOST_LINES} more crept; --out FILE.json lists them.")
    return "\n".join(shown)


def _rule_sets(comparisons: Sequence[Comparison | None]) -> str:
    found = dict.fromkeys(line for one in comparisons if one is not None for line in one.rule_sets)
    return "\n".join(rule_set_lines(tuple(found), "the baseline"))


def _all_remarks(
    results: Sequence[Findings], comparisons: Sequence[Comparison | None], remarks: Sequence[str]
) -> list[str]:
    lines = [*remarks]
    for comparison in comparisons:
        if comparison is None:
            continue
        lines += comparison.remarks
        counts = ", ".join(f"{comparison.count(state)} {state}" for state in STATES)
        lines.append(f"Against the baseline: {counts}.")
        gone = [change.shown for change in comparison.changes if change.state == "gone"]
        if gone:
            lines.append(f"No longer judged: {', '.join(one.id for one in gone[:MOST_LINES])}.")
    lines += [remark for result in results for remark in result.remarks]
    return list(dict.fromkeys(lines))


def _tables(results: Sequence[Findings]) -> str:
    named = dict.fromkeys(f"{one['id']} ({one['sha256'][:12]})" for result in results for one in result.limit_tables)
    asked = [one for result in results for one in result.findings if one.required]
    unverified = sum("unverified_limit" in one.modifiers for one in asked)
    note = f" {unverified} criteria rest on limit values not yet checked (unverified_limit)." if unverified else ""
    return _wrap(f"Judged against {', '.join(named)}.{note}")
