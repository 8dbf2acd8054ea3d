"""Derating curves: what a printed curve says for a value, with the uncertainty of reading it."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise

from pqcheck.limit_tables import LimitRow
from pqcheck.limit_tables.written import plain


def derating_factor(row: LimitRow, value: Decimal) -> Decimal | None:
    """The factor on the rating at `value`, in the unit of the rule, linear between the points of the row.

    None beyond the last point: the curve ends there, and nothing is extrapolated. At or below the first point its
    factor holds. Source of the points: the row's clause.
    """
    points = row.derating
    if not points or value > points[-1][0]:
        return None
    if value <= points[0][0]:
        return points[0][1]
    for (before, high), (after, low) in pairwise(points):
        if value <= after:
            return high + (low - high) * (value - before) / (after - before)
    return None


def derating_words(row: LimitRow, value: Decimal, unit: str) -> str:
    """One sentence without its full stop: the factor at `value`, or that the curve ends."""
    factor = derating_factor(row, value)
    shown = f"{plain(round(value, 3))} {unit}".strip()
    if factor is None:
        ends = plain(row.derating[-1][0])
        return f"{shown} lies beyond the derating curve, which ends at {ends} {unit}".rstrip() + (
            f": {row.label}" if row.label else ""
        )
    uncertainty = plain(row.derating_uncertainty)
    return f"at {shown} the derating curve reads {plain(round(factor, 2))} of the rating, to +-{uncertainty}"
