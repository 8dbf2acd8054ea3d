"""The state half-way through a survey, on a terminal."""

from __future__ import annotations

import textwrap
from collections import Counter

from pqcheck.planning_progress import SoFar
from pqcheck.reports.grid import grid
from pqcheck.reports.words import clock

_WIDTH = 100
MOST_ROWS = 20


def as_text(state: SoFar) -> str:
    """The whole text, ending in a line feed."""
    parts = [f"So far, up to {clock(state.seen_until)}:", _proven(state), _removal(state), _room(state), _never(state)]
    if state.refused:
        rules = Counter(f"{one.table} {one.rule}" for one in state.refused)
        parts.append(_fold("Refused while the recording is not put right:", rules))
    return "\n\n".join(part for part in parts if part) + "\n"


def _proven(state: SoFar) -> str:
    lines = []
    if state.failed:
        lines.append(f"Proven already, whatever comes: {len(state.failed)} fail.")
        for one in list(state.failed)[:MOST_ROWS]:
            counts = one.intervals
            detail = f", {counts.outside} of {counts.allowed} allowed intervals outside" if counts else ""
            lines.append(_wrap(f"- {one.table} {one.rule}, {one.channel}{detail}"))
        if len(state.failed) > MOST_ROWS:
            lines.append(f"  {len(state.failed) - MOST_ROWS} more.")
    if state.passed:
        lines.append(f"Proven already: {len(state.passed)} pass for complete periods.")
    return "\n".join(lines) or "Nothing is proven yet."


def _removal(state: SoFar) -> str:
    lines = []
    for one in state.removal:
        if one.complete:
            plural = "s" if one.complete > 1 else ""
            lines.append(f"{one.complete} full {one.length}{plural}; the next is complete at {clock(one.next)}.")
        else:
            lines.append(f"The first full {one.length} is complete at {clock(one.first)}: do not remove the recorder "
                         "earlier.")
    return "\n".join(_wrap(line, "") for line in lines)


def _room(state: SoFar) -> str:
    if not state.room:
        return ""
    rows = []
    for one in list(state.room)[:MOST_ROWS]:
        note = f"{one.proof_left} more" if one.proof_left >= 0 else "too much is lost for a proven pass"
        rows.append((f"{one.table} {one.rule}", one.channel, f"{one.outside} of {one.allowed}", one.lost, note,
                     clock(one.end)))
    headers = ("rule", "tightest channel", "outside, allowed", "lost", "the period can bear", "ends")
    text = "What the running periods can still bear (intervals):\n" + grid(rows, headers)
    if len(state.room) > MOST_ROWS:
        text += f"\n{len(state.room) - MOST_ROWS} more rules."
    return text


def _never(state: SoFar) -> str:
    if not state.never:
        return ""
    lines = ["Inconclusive anyway, however long you wait:"]
    folded: dict[tuple[str, str], set[str]] = {}
    for one in state.never:
        if one.reason is not None:
            folded.setdefault((one.reason.text, one.reason.advice), set()).add(f"{one.table} {one.rule}")
    for (text, advice), rules in list(folded.items())[:MOST_ROWS]:
        named = ", ".join(sorted(rules)[:3]) + (f" and {len(rules) - 3} more" if len(rules) > 3 else "")
        lines.append(_wrap(f"- {named}: {text} {advice}"))
    if len(folded) > MOST_ROWS:
        lines.append(f"  {len(folded) - MOST_ROWS} more.")
    return "\n".join(lines)


def _fold(title: str, rules: Counter[str]) -> str:
    named = ", ".join(f"{rule} ({count})" if count > 1 else rule for rule, count in sorted(rules.items())[:MOST_ROWS])
    return _wrap(f"{title} {named}.", "")


def _wrap(text: str, indent: str = "  ") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + ("  " if indent else ""),
                         break_on_hyphens=False)
