"""The result on a terminal: the answer, danger signs, failures, what could not be judged, passes as counts."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence

from pqcheck.findings import Finding, Findings, Verdict
from pqcheck.reports.grid import grid
from pqcheck.reports.words import (
    VERDICT_WORDS,
    answer,
    by_loss,
    clock,
    limit_text,
    number,
    required,
    worst_of,
    worst_window,
)

MOST_ROWS = 20
_WIDTH = 100


def as_text(findings: Findings, *, everything: bool = False, quiet: bool = False) -> str:
    """The whole text, ending in a line feed. Danger signs come first, also when quiet."""
    parts = [_danger(findings)]
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
        _not_applicable(findings, everything),
        _declared(findings),
        *(_wrap(remark) for remark in findings.remarks),
        _tables(findings, asked),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _wrap(text: str, indent: str = "") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def _danger(findings: Findings) -> str:
    signs = [one for one in findings.findings if one.kind == "safety"]
    lines = []
    for one in signs:
        lines.append(_wrap(f"DANGER SIGN: {one.title}."))
        if one.reason is not None:
            lines.append(_wrap(one.reason.text, "  "))
            lines.append(_wrap(one.reason.advice, "  "))
    return "\n".join(lines)


def _soundness(findings: Findings) -> str:
    checks = [one for one in findings.findings if one.kind == "recording"]
    bad = [one for one in checks if one.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)]
    if not checks:
        return ""
    if not bad:
        return ""
    # Many channels share one fate: a hole in the file is said once, with the channels it touches.
    folded: dict[str, list[str]] = {}
    for one in bad:
        text = one.reason.text if one.reason is not None else one.title
        channel = "" if one.channel == "-" or ":" in one.channel else one.channel.removesuffix(".mean")
        for prefix in (f"{channel}.mean: ", f"{channel}: "):
            text = text.removeprefix(prefix) if channel else text
        folded.setdefault(text, []).append(channel)
    lines = ["The recording:"]
    for text, channels in list(folded.items())[:MOST_ROWS]:
        named = list(dict.fromkeys(channel for channel in channels if channel))
        about = ", ".join(named[:3]) + (f" and {len(named) - 3} more" if len(named) > 3 else "")
        lines.append(_wrap(f"- {about}: {text}" if about else f"- {text}", "  "))
    if len(folded) > MOST_ROWS:
        lines.append(f"  {len(folded) - MOST_ROWS} more are in the findings file.")
    return "\n".join(lines)


def _row(one: Finding, single_table: bool) -> list[str]:
    statistic, counts = one.statistic, one.intervals
    value = number(statistic.value, statistic.unit) if statistic is not None else "-"
    outside = f"{counts.outside} of {counts.expected}, {counts.allowed} allowed" if counts is not None else "-"
    worst = "-"
    if one.windows:
        worst = clock(worst_window(one, len(one.windows) if len(one.windows) < _FEW else 1).worst_at)
    period = clock(one.period.start) if one.period is not None else "-"
    marks = " ".join(mark for mark in one.modifiers if mark != "unverified_limit")
    rule = one.rule if single_table else f"{one.table} {one.rule}"
    return [rule, one.channel, period, value, limit_text(one), outside, worst, marks]


_HEADERS = ("rule", "channel", "period from", "reading", "limit", "outside", "worst at", "mark")
_FEW = 5000
"""Windows looked through for the worst one; beyond that the first stands for them."""


def _grid(findings: Iterable[Finding]) -> str:
    """A table; what is the same in every row is said above it, a column that says nothing is left out."""
    shown = list(findings)
    tables = {one.table for one in shown}
    rows = [_row(one, len(tables) == 1) for one in shown]
    keep = list(range(len(_HEADERS)))
    above = []
    if len(tables) == 1:
        above.append(tables.pop())
    if len({row[2] for row in rows}) == 1 and len({one.period.length for one in shown if one.period}) == 1:
        keep.remove(2)
        length = next((one.period.length for one in shown if one.period is not None), "period")
        above.append(f"{length} from {rows[0][2]}")
    if not any(row[7] for row in rows):
        keep.remove(7)
    headers = [_HEADERS[column] for column in keep]
    body = grid([[row[column] for column in keep] for row in rows], headers)
    return f"({', '.join(above)})\n{body}" if above else body


def _failures(asked: Sequence[Finding], everything: bool) -> str:
    failed = by_loss([one for one in asked if one.verdict is Verdict.FAIL and one.kind == "limit"])
    if not failed:
        return ""
    shown = failed if everything else failed[:MOST_ROWS]
    lines = ["Not met:", _grid(shown)]
    if len(failed) > len(shown):
        lines.append(f"{len(failed) - len(shown)} more; --all lists them.")
    for one in shown:
        if one.reason is not None:
            lines.append(_wrap(f"{one.channel}: {one.reason.text}", "  "))
    return "\n".join(lines)


def _open(asked: Sequence[Finding], everything: bool) -> str:
    open_ = [one for one in asked if one.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED)]
    if not open_:
        return ""
    folded: dict[tuple[str, str, str, str], list[Finding]] = {}
    for one in open_:
        code = one.reason.code if one.reason is not None else "-"
        advice = one.reason.advice if one.reason is not None else ""
        folded.setdefault((one.verdict.value, f"{one.table} {one.rule}", code, advice), []).append(one)
    lines = ["Could not be judged, and what would settle it:"]
    groups = list(folded.items())
    shown = groups if everything else groups[:MOST_ROWS]
    for (verdict, rule, _, advice), members in shown:
        first = members[0]
        text = first.reason.text if first.reason is not None else ""
        channels = sorted({one.channel for one in members if one.channel != "-"})
        about = f" ({', '.join(channels[:3])}{f' and {len(channels) - 3} more' if len(channels) > 3 else ''})"
        times = f" x{len(members)}" if len(members) > 1 else ""
        word = VERDICT_WORDS[Verdict(verdict)]
        lines.append(_wrap(f"{word}{times} {rule}{about if channels else ''}: {text}", "  "))
        if advice:
            lines.append(_wrap(f"-> {advice}", "     "))
        if everything:
            lines += [_wrap(f"{one.id}: {one.reason.text if one.reason else ''}", "       ") for one in members[1:]]
    if len(groups) > len(shown):
        lines.append(f"  {len(groups) - len(shown)} more kinds; --all lists them.")
    return "\n".join(lines)


def _waived(asked: Sequence[Finding]) -> str:
    waived = [one for one in asked if one.verdict is Verdict.WAIVED]
    return "\n".join(["Waived:", _grid(waived)]) if waived else ""


def _passes(asked: Sequence[Finding], everything: bool) -> str:
    passed = [one for one in asked if one.verdict is Verdict.PASS]
    if not passed:
        return ""
    if everything:
        return "\n".join(["Met:", _grid(by_loss(passed))])
    counts = Counter((one.table, one.rule) for one in passed)
    tightest = worst_of(passed)
    lines = [f"Met: {len(passed)} criteria, the tightest of them {_row_sentence(tightest)}"]
    named = {f"{table} {rule}": count for (table, rule), count in counts.items()}
    lines += [f"  {count:5d}  {rule}" for rule, count in sorted(named.items())]
    return "\n".join(lines)


def _row_sentence(one: Finding) -> str:
    value = number(one.statistic.value, one.statistic.unit) if one.statistic is not None else "-"
    return f"{one.channel} with {value} ({limit_text(one)}, {one.rule})."


def _not_applicable(findings: Findings, everything: bool) -> str:
    others = [one for one in findings.findings if one.kind == "limit" and one.verdict is Verdict.NOT_APPLICABLE]
    if not others:
        return ""
    folded: dict[tuple[str, str], list[Finding]] = {}
    for one in others:
        text = one.reason.text if one.reason is not None else ""
        folded.setdefault((f"{one.table} {one.rule}", text), []).append(one)
    lines = ["Not applicable, or reported without a limit:"]
    for (rule, text), members in folded.items() if everything else list(folded.items())[:MOST_ROWS]:
        first = members[0]
        value = ""
        if len(members) == 1 and first.statistic is not None and first.statistic.value is not None:
            value = f" [{number(first.statistic.value, first.statistic.unit)}]"
        lines.append(_wrap(f"{rule}{value}{f' x{len(members)}' if len(members) > 1 else ''}: {text}", "  "))
    if not everything and len(folded) > MOST_ROWS:
        lines.append(f"  {len(folded) - MOST_ROWS} more; --all lists them.")
    return "\n".join(lines)


def _declared(findings: Findings) -> str:
    """Corrections and exclusions with reason and author, and how many verdicts would be others without them."""
    lines = []
    for key, word, field in (
        ("corrections", "Corrected", "without_corrections"),
        ("exclusions", "Excluded", "without_exclusions"),
    ):
        entries = findings.site.get(key, ())
        for entry in entries:
            facts = {name: value for name, value in entry.items() if name not in ("reason", "author", "kind", "clause")}
            what = ", ".join(f"{name} {value}" for name, value in sorted(facts.items()))
            kind = f"{entry['kind']} " if "kind" in entry else ""
            lines.append(_wrap(f"- {word} as declared: {kind}({what}); {entry['reason']} ({entry['author']})", "  "))
        if entries:
            other = sum(getattr(one, field) is not None for one in findings.findings)
            same = "no verdict would be another" if not other else f"{other} verdicts would be others (findings file)"
            lines.append(f"    Without {'them' if len(entries) > 1 else 'it'}, {same}.")
    return "\n".join(["Declared by the site file:", *lines]) if lines else ""


def _tables(findings: Findings, asked: Sequence[Finding]) -> str:
    named = ", ".join(f"{one['id']} ({one['sha256'][:12]})" for one in findings.limit_tables)
    unverified = sum("unverified_limit" in one.modifiers for one in asked)
    note = (
        f" {unverified} criteria rest on limit values recalled from memory and not yet checked against the document"
        " (unverified_limit)."
        if unverified
        else ""
    )
    return _wrap(f"Judged against {named}.{note}")
