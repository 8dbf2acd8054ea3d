"""Two results side by side as text: what changed, largest loss of margin first, and loudly when the rules changed."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from pqcheck.compare import STATES, Change, Comparison
from pqcheck.findings import Finding
from pqcheck.reports.words import VERDICT_WORDS, limit_text, number

MOST_ROWS = 40
_WIDTH = 100
_HEADERS = ("", "criterion", "before", "now", "limit now", "loss of margin")


def rule_set_lines(rule_sets: Sequence[str], other: str) -> list[str]:
    """The warning that `other` ("the baseline") was judged by other rules; nothing when it was not."""
    if not rule_sets:
        return []
    return [
        f"RULE SETS DIFFER from {other}: what changed below may be the rules and not what was measured or designed.",
        *(f"  {line}." for line in rule_sets),
        "Judge the earlier files again with the tables of today, and compare with that.",
    ]


def changes_text(comparison: Comparison, *, everything: bool = False) -> str:
    """Every criterion that is new, worse, better or gone; with `everything` the unchanged ones too."""
    chosen = comparison.changes if everything else comparison.moved
    shown = chosen if everything else chosen[:MOST_ROWS]
    counts = ", ".join(f"{comparison.count(state)} {state}" for state in STATES)
    within = f" Changes up to {number(float(comparison.tolerance))} % of the limit count as unchanged." * bool(
        comparison.tolerance
    )
    parts = [
        "\n".join(rule_set_lines(comparison.rule_sets, "the first result")),
        textwrap.fill(f"Of {len(comparison.changes)} criteria: {counts}.{within}", _WIDTH),
        _grid([_HEADERS, *(_row(change) for change in shown)]) if shown else "No verdict and no margin changed.",
        f"{len(chosen) - len(shown)} more; --all lists them." if len(chosen) > len(shown) else "",
        *comparison.remarks,
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _row(change: Change) -> tuple[str, ...]:
    one = change.shown
    point = f" at {one.snapshot.operating_point}" if one.snapshot is not None and one.snapshot.operating_point else ""
    loss = "-" if change.loss is None else f"{float(change.loss):+.3g} % of the limit"
    name = f"{one.table}/{one.rule} {one.channel}{point}"
    return change.state, name, _side(change.before), _side(change.after), limit_text(one), loss


def _side(finding: Finding | None) -> str:
    if finding is None:
        return "-"
    value = finding.statistic.value if finding.statistic is not None else None
    unit = finding.statistic.unit if finding.statistic is not None else ""
    word = VERDICT_WORDS[finding.verdict]
    return word if value is None else f"{word} {number(value, unit)}"


def _grid(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    padded = [[text.ljust(width) for text, width in zip(row, widths, strict=True)] for row in rows]
    return "\n".join("  ".join(row).rstrip() for row in padded)
