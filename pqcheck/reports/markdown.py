"""Findings as Markdown, for people who write their own report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import (
    VERDICT_WORDS,
    answer,
    by_loss,
    clock,
    limit_text,
    number,
    outside_text,
    reading_text,
)
from pqcheck.model.verdict import Verdict

MOST_WINDOWS = 20


def as_markdown(findings: Findings) -> str:
    """The answer, danger signs, one table of criteria, windows of what fails, reasons, files and tables."""
    name = cell(str(findings.site.get("name", "")))
    lines = [f"# {name}" if name else "# Findings", "", answer(findings), ""]
    for one in findings.findings:
        if one.kind == "safety":
            text = f"{one.reason.text} {one.reason.advice}" if one.reason is not None else ""
            lines += [f"> **Danger sign: {cell(one.title)}.** {cell(text)}", ""]
    criteria = [one for one in findings.findings if one.kind == "limit"]
    lines += ["## Criteria", "", *_criteria(criteria), ""]
    lines += _windows([one for one in criteria if one.verdict is Verdict.FAIL])
    lines += _reasons(criteria)
    lines += ["## Files", ""]
    for recording in findings.recordings:
        span = f"{recording['start']} to {recording['end']}" if recording["start"] is not None else "no time axis"
        lines.append(f"- {cell(recording['file'])}: {span}, sha256 {recording['sha256']}")
    lines += ["", "## Limit tables", ""]
    lines += [f"- {one['id']}, edition {one['edition']}, sha256 {one['sha256']}" for one in findings.limit_tables]
    return "\n".join(lines) + "\n"


def cell(text: str) -> str:
    """Text that cannot break out of a table cell or become markup."""
    for mark in "\\`*_[]<>#|":
        text = text.replace(mark, f"\\{mark}")
    return " ".join(text.split())


def table_lines(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table, its cells escaped."""
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    return [*lines, *("| " + " | ".join(map(cell, row)) + " |" for row in rows)]


def _criteria(criteria: Sequence[Finding]) -> list[str]:
    heads = ["verdict", "rule", "clause", "channel", "period from", "reading", "limit", "outside", "marks"]
    rows = [
        [
            VERDICT_WORDS[one.verdict], f"{one.table} {one.rule}", one.clause, one.channel,
            f"{one.period.length} {clock(one.period.start)}" if one.period is not None else "-",
            reading_text(one), limit_text(one), outside_text(one), " ".join(one.modifiers),
        ]
        for one in criteria
    ]  # fmt: skip
    return table_lines(heads, rows)


def _windows(failed: Sequence[Finding]) -> list[str]:
    lines: list[str] = []
    for one in by_loss(failed):
        unit = one.statistic.unit if one.statistic is not None else ""
        rows = [
            [
                window.start, window.end, str(window.intervals), number(window.worst, unit), window.worst_at,
                "; ".join(f"{span.file} {span.first} to {span.last}" for span in window.rows),
            ]
            for window in one.windows[:MOST_WINDOWS]
        ]  # fmt: skip
        heads = ("from", "to", "intervals", "worst", "at", "rows")
        lines += [f"## {cell(one.title)}", "", *table_lines(heads, rows)]
        if len(one.windows) > MOST_WINDOWS:
            lines.append(f"\n{len(one.windows) - MOST_WINDOWS} more windows are in the findings file.")
        lines.append("")
    return lines


def _reasons(criteria: Sequence[Finding]) -> list[str]:
    lines = ["## What could not be judged, and why", ""]
    seen: dict[tuple[str, str, str], int] = {}
    for one in criteria:
        if one.reason is not None and one.verdict is not Verdict.PASS:
            key = (f"{VERDICT_WORDS[one.verdict]}, {one.table} {one.rule}", one.reason.text, one.reason.advice)
            seen[key] = seen.get(key, 0) + 1
    if not seen:
        return []
    for (rule, text, advice), count in seen.items():
        lines.append(f"- {cell(rule)}{f' (x{count})' if count > 1 else ''}: {cell(text)} {cell(advice)}")
    return [*lines, ""]
