"""The result on a terminal: the answer, danger signs, failures, what could not be judged, passes as counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from pqcheck.model.declared_away import declared_lines
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import (
    NOT_READ,
    VERDICT_WORDS,
    WHOLE_TABLE,
    answer,
    by_loss,
    clock,
    first_few,
    has_reading,
    limit_text,
    outside_text,
    reading_text,
    required,
    tables_text,
    uncertainty_text,
    worst_at,
    worst_of,
)
from pqcheck.model.verdict import Verdict
from pqcheck.reports.soundness_lines import shared_remarks
from pqcheck.reports.text import danger_text, grid, more_line, text_of, wrap

MOST_ROWS = 20


def as_text(findings: Findings, *, everything: bool = False, quiet: bool = False) -> str:
    """The whole text, ending in a line feed. Danger signs come first, also when quiet."""
    missing = [line for line in findings.remarks if line.startswith(NOT_READ)]
    parts = [danger_text(findings), *map(wrap, missing)]
    if quiet:
        parts.append(answer(findings))
        return "\n".join(part for part in parts if part) + "\n"
    asked = required(findings)
    parts += [
        answer(findings),
        _soundness(findings),
        _failures(asked, everything),
        _open(asked, everything),
        _waived(asked),
        _passes(asked, everything),
        _marginal(asked, everything),
        _not_applicable(findings, everything),
        _declared(findings),
        *(wrap(remark) for remark in findings.remarks if remark not in missing),
        _tables(findings, asked),
    ]
    return text_of(parts)


def _soundness(findings: Findings) -> str:
    bad = [
        finding
        for finding in findings.findings
        if finding.kind == "recording" and finding.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)
    ]
    if not bad:
        return ""
    folded = shared_remarks(bad)
    lines = ["The recording:", *(wrap(f"- {remark.sentence}", "  ") for remark in folded[:MOST_ROWS])]
    if len(folded) > MOST_ROWS:
        lines.append(f"  {len(folded) - MOST_ROWS} more are in the findings file.")
    return "\n".join(lines)


def _row(finding: Finding, single_table: bool) -> list[str]:
    worst = "-"
    if finding.windows:
        worst = clock(worst_at(finding))
    period = clock(finding.period.start) if finding.period is not None else "-"
    marks = " ".join(mark for mark in finding.modifiers if mark != "unverified_limit")
    rule = finding.rule if single_table else f"{finding.table} {finding.rule}"
    return [
        rule,
        finding.channel,
        period,
        reading_text(finding),
        limit_text(finding),
        outside_text(finding),
        worst,
        marks,
    ]


_HEADERS = ("rule", "channel", "period from", "reading", "limit", "outside", "worst at", "mark")


def _grid(findings: Iterable[Finding]) -> str:
    """A table; what is the same in every row is said above it, a column that says nothing is left out."""
    shown = list(findings)
    tables = {finding.table for finding in shown}
    rows = [_row(finding, len(tables) == 1) for finding in shown]
    keep = list(range(len(_HEADERS)))
    above = []
    if len(tables) == 1:
        above.append(tables.pop())
    if len({row[2] for row in rows}) == 1 and len({finding.period.length for finding in shown if finding.period}) == 1:
        keep.remove(2)
        length = next((finding.period.length for finding in shown if finding.period is not None), "period")
        above.append(f"{length} from {rows[0][2]}")
    if not any(row[7] for row in rows):
        keep.remove(7)
    headers = [_HEADERS[column] for column in keep]
    body = grid([[row[column] for column in keep] for row in rows], headers)
    return f"({', '.join(above)})\n{body}" if above else body


def _failures(asked: Sequence[Finding], everything: bool) -> str:
    failed = by_loss([finding for finding in asked if finding.verdict is Verdict.FAIL and finding.kind == "limit"])
    if not failed:
        return ""
    shown = failed if everything else failed[:MOST_ROWS]
    lines = ["Not met:", _grid(shown), *more_line(len(failed) - len(shown))]
    for finding in shown:
        if finding.reason is not None:
            lines.append(wrap(f"{finding.channel}: {finding.reason.text}", "  "))
    return "\n".join(lines)


def _open(asked: Sequence[Finding], everything: bool) -> str:
    open_ = [finding for finding in asked if finding.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED)]
    if not open_:
        return ""
    folded: dict[tuple[str, str, str, str], list[Finding]] = {}
    for finding in open_:
        code = finding.reason.code if finding.reason is not None else "-"
        advice = finding.reason.advice if finding.reason is not None else ""
        rule = finding.table if finding.rule == WHOLE_TABLE else f"{finding.table} {finding.rule}"
        folded.setdefault((finding.verdict.value, rule, code, advice), []).append(finding)
    lines = ["Could not be judged, and what would settle it:"]
    groups = list(folded.items())
    shown = groups if everything else groups[:MOST_ROWS]
    for (verdict, rule, _, advice), members in shown:
        first = members[0]
        text = first.reason.text if first.reason is not None else ""
        channels = sorted({finding.channel for finding in members if finding.channel != "-"})
        about = f" ({first_few(channels)})" if channels else ""
        times = f" x{len(members)}" if len(members) > 1 else ""
        lines.append(wrap(f"{VERDICT_WORDS[Verdict(verdict)]}{times} {rule}{about}: {text}", "  "))
        if advice:
            lines.append(wrap(f"-> {advice}", "     "))
        if everything:
            lines += [
                wrap(f"{finding.id}: {finding.reason.text if finding.reason else ''}", "       ")
                for finding in members[1:]
            ]
    return "\n".join([*lines, *more_line(len(groups) - len(shown), " kinds", "  ")])


def _waived(asked: Sequence[Finding]) -> str:
    waived = [finding for finding in asked if finding.verdict is Verdict.WAIVED]
    return "\n".join(["Waived:", _grid(waived)]) if waived else ""


def _passes(asked: Sequence[Finding], everything: bool) -> str:
    passed = [finding for finding in asked if finding.verdict is Verdict.PASS]
    if not passed:
        return ""
    if everything:
        return "\n".join(["Met:", _grid(by_loss(passed))])
    counts = Counter((finding.table, finding.rule) for finding in passed)
    tightest = worst_of(passed)
    reading = f"{tightest.channel} with {reading_text(tightest)} ({limit_text(tightest)}, {tightest.rule})"
    closest = f", the tightest of them {reading}" if has_reading(tightest) else ""
    lines = [f"Met: {len(passed)} criteria{closest}."]
    named = {f"{table} {rule}": count for (table, rule), count in counts.items()}
    lines += [f"  {count:5d}  {rule}" for rule, count in sorted(named.items())]
    lines += [
        wrap(f"{finding.table} {finding.rule}: {finding.reason.text}", "  ")
        for finding in passed if finding.channel == "events" and finding.reason is not None
    ]
    return "\n".join(lines)


def _marginal(asked: Sequence[Finding], everything: bool) -> str:
    """Verdicts that the steps of the readings could turn."""
    near = by_loss([finding for finding in asked if finding.uncertainty is not None])
    if not near:
        return ""
    shown = near if everything else near[:MOST_ROWS]
    lines = ["Marginal, a finer reading could turn it:"]
    for finding in shown:
        about = f"{finding.verdict.value} {finding.table} {finding.rule} ({finding.channel})"
        lines.append(wrap(f"{about}: {uncertainty_text(finding)}.", "  "))
    return "\n".join([*lines, *more_line(len(near) - len(shown), "", "  ")])


def _not_applicable(findings: Findings, everything: bool) -> str:
    others = [
        finding
        for finding in findings.findings
        if finding.kind == "limit" and finding.verdict is Verdict.NOT_APPLICABLE
    ]
    if not others:
        return ""
    folded: dict[tuple[str, str], list[Finding]] = {}
    for finding in others:
        text = finding.reason.text if finding.reason is not None else ""
        folded.setdefault((f"{finding.table} {finding.rule}", text), []).append(finding)
    lines = ["Not applicable, or reported without a limit:"]
    shown = list(folded.items())[: None if everything else MOST_ROWS]
    for (rule, text), members in shown:
        value = f" [{reading_text(members[0])}]" if len(members) == 1 and has_reading(members[0]) else ""
        lines.append(wrap(f"{rule}{value}{f' x{len(members)}' if len(members) > 1 else ''}: {text}", "  "))
    return "\n".join([*lines, *more_line(len(folded) - len(shown), "", "  ")])


def _declared(findings: Findings) -> str:
    """What the site file declares away, with reason and author, and how many verdicts would be others without it."""
    lines = declared_lines(findings)
    return "\n".join(["Declared by the site file:", *(wrap(line, "  ") for line in lines)]) if lines else ""


def _tables(findings: Findings, asked: Sequence[Finding]) -> str:
    unverified = sum("unverified_limit" in finding.modifiers for finding in asked)
    note = (
        f" {unverified} criteria rest on limit values recalled from memory and not yet checked against the document"
        " (unverified_limit)."
        if unverified
        else ""
    )
    return wrap(f"{tables_text([findings])}{note}")
