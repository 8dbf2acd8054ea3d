"""Findings as Markdown, for people who write their own report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.model.declared_away import declared_lines
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import (
    VERDICT_WORDS,
    answer,
    by_loss,
    clock,
    danger_signs,
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
    for finding in danger_signs(findings):
        text = f"{finding.reason.text} {finding.reason.advice}" if finding.reason is not None else ""
        lines += [f"> **Danger sign: {cell(finding.title)}.** {cell(text)}", ""]
    criteria = [finding for finding in findings.findings if finding.kind == "limit"]
    declared = declared_lines(findings)
    if declared:
        lines += ["## Declared by the site file", "", *(f"{line[:2]}{cell(line[2:])}" for line in declared), ""]
    lines += ["## Criteria", "", *_criteria(criteria), ""]
    lines += _windows([finding for finding in criteria if finding.verdict is Verdict.FAIL])
    lines += _reasons(criteria)
    lines += ["## Files", ""]
    for recording in findings.recordings:
        span = f"{recording['start']} to {recording['end']}" if recording["start"] is not None else "no time axis"
        lines.append(f"- {cell(recording['file'])}: {span}, sha256 {recording['sha256']}")
    lines += ["", "## Limit tables", ""]
    lines += [
        f"- {table['id']}, edition {table['edition']}, sha256 {table['sha256']}" for table in findings.limit_tables
    ]
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
            VERDICT_WORDS[finding.verdict], f"{finding.table} {finding.rule}", finding.clause, finding.channel,
            f"{finding.period.length} {clock(finding.period.start)}" if finding.period is not None else "-",
            reading_text(finding), limit_text(finding), outside_text(finding), " ".join(finding.modifiers),
        ]
        for finding in criteria
    ]  # fmt: skip
    return table_lines(heads, rows)


def _windows(failed: Sequence[Finding]) -> list[str]:
    lines: list[str] = []
    for finding in by_loss(failed):
        unit = finding.statistic.unit if finding.statistic is not None else ""
        rows = [
            [
                window.start, window.end, str(window.intervals), number(window.worst, unit), window.worst_at,
                "; ".join(f"{span.file} {span.first} to {span.last}" for span in window.rows),
            ]
            for window in finding.windows[:MOST_WINDOWS]
        ]  # fmt: skip
        heads = ("from", "to", "intervals", "worst", "at", "rows")
        lines += [f"## {cell(finding.title)}", "", *table_lines(heads, rows)]
        if len(finding.windows) > MOST_WINDOWS:
            lines.append(f"\n{len(finding.windows) - MOST_WINDOWS} more windows are in the findings file.")
        lines.append("")
    return lines


def _reasons(criteria: Sequence[Finding]) -> list[str]:
    lines = ["## What could not be judged, and why", ""]
    seen: dict[tuple[str, str, str], int] = {}
    for finding in criteria:
        if finding.reason is not None and finding.verdict is not Verdict.PASS:
            key = (
                f"{VERDICT_WORDS[finding.verdict]}, {finding.table} {finding.rule}",
                finding.reason.text,
                finding.reason.advice,
            )
            seen[key] = seen.get(key, 0) + 1
    if not seen:
        return []
    for (rule, text, advice), count in seen.items():
        lines.append(f"- {cell(rule)}{f' (x{count})' if count > 1 else ''}: {cell(text)} {cell(advice)}")
    return [*lines, ""]
