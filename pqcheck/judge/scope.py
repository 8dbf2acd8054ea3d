"""Small questions about tables and rules: in force, ever judged, a limit on a curve."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from itertools import pairwise

from pqcheck.judge.site_facts import Answer
from pqcheck.limit_tables import LimitTable, Rule


def in_force(table: LimitTable, on: date | None) -> Answer:
    """Whether the table is in force on a date."""
    if on is not None:
        first, last = table.effective_from, table.effective_to
        if first is not None and on < date.fromisoformat(first):
            return Answer(False, "outside-scope", f"{table.id} is in force from {first} on, and {on} counts here")
        if last is not None and on > date.fromisoformat(last):
            return Answer(False, "outside-scope", f"{table.id} was in force until {last}, and {on} counts here")
    return Answer(True)


def never_judged(rule: Rule) -> bool:
    """Whether the rule only reports: the document sets no limit anywhere in it, or calls it indicative."""
    return (
        rule.statistic.kind == "report_only"
        or rule.indicative
        or (bool(rule.rows) and all(row.no_limit for row in rule.rows))
    )


def on_curve(points: Sequence[tuple[Decimal, Decimal]], hertz: Decimal) -> Decimal | None:
    """The limit at a frequency, linear in log-log between the points; None outside the curve."""
    if not points or hertz < points[0][0] or hertz > points[-1][0]:
        return None
    for (f0, l0), (f1, l1) in pairwise(points):
        if f0 <= hertz <= f1:
            if l0 == l1 or hertz == f0:
                return l0
            if hertz == f1:
                return l1
            share = (hertz.ln() - f0.ln()) / (f1.ln() - f0.ln())
            return (l0.ln() + share * (l1.ln() - l0.ln())).exp()
    return points[0][1]
