"""Were the loads of two recordings alike, so that a change can be laid to the work done in between?"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from pqcheck.model.clock import DAY, to_local
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.steps import values

ALIKE = 0.20
"""Middle and high load within 20 % of each other count as alike: a convention of this tool, no standard's."""


class LoadRow(Struct, frozen=True):
    """One load quantity on both sides: middle and high (95 % mark) value, in `unit`; None where not recorded."""

    name: str
    unit: str
    middle: tuple[float | None, float | None]
    high: tuple[float | None, float | None]


class Comparability(Struct, frozen=True):
    """`alike` is None when the recordings do not tell. `reasons` are the sentences behind it."""

    alike: bool | None
    rows: tuple[LoadRow, ...]
    reasons: tuple[str, ...]


def loads_comparable(before: Gathered | None, after: Gathered | None) -> Comparability:
    """Current and power side by side, length and kinds of days."""
    if before is None or after is None:
        return Comparability(None, (), ("The recordings were not given, so the loads cannot be compared.",))
    rows = [row for quantity in _QUANTITIES if (row := _row(before, after, *quantity)) is not None]
    reasons = list(_calendar(before, after))
    if not rows:
        return Comparability(
            None, (), (*reasons, "Neither current nor power was recorded on both sides: no comparison of loads.")
        )
    far = [row for row in rows if not _near(row.middle) or not _near(row.high)]
    if far:
        names = ", ".join(row.name for row in far)
        reasons.append(f"Middle or high load differ by over {ALIKE:.0%} ({names}): a change may come from the load.")
    else:
        reasons.append(f"Middle and high load lie within {ALIKE:.0%} of each other.")
    return Comparability(not far, tuple(rows), tuple(reasons))


_QUANTITIES = (
    *(("current", phase, f"Current, phase {phase}", "A") for phase in "abc"),
    ("active_power", "total", "Active power, total", "W"),
    *(("active_power", phase, f"Active power, phase {phase}", "W") for phase in "abc"),
)


def _row(before: Gathered, after: Gathered, quantity: str, phase: str, name: str, unit: str) -> LoadRow | None:
    first, second = before.find(quantity, phase), after.find(quantity, phase)
    if first is None or second is None:
        return None
    return LoadRow(name, unit, (_mark(first, 50), _mark(second, 50)), (_mark(first, 95), _mark(second, 95)))


def _mark(track: Track, percent: float) -> float | None:
    good = values(track)
    good = good[~np.isnan(good)]
    return float(np.percentile(good, percent)) if len(good) else None


def _near(pair: tuple[float | None, float | None]) -> bool:
    first, second = pair
    if first is None or second is None:
        return False
    largest = max(abs(first), abs(second))
    return largest == 0 or abs(first - second) <= ALIKE * largest


def _calendar(before: Gathered, after: Gathered) -> list[str]:
    differences = []
    lengths = [(side.end_us - side.start_us) / DAY for side in (before, after)]
    if abs(lengths[0] - lengths[1]) > 0.25 * max(lengths):
        differences.append(
            f"The recordings differ in length: {lengths[0]:.1f} days before, {lengths[1]:.1f} days after."
        )
    weekend = [_has_weekend(side) for side in (before, after)]
    if weekend[0] != weekend[1]:
        differences.append(f"Only the recording {'before' if weekend[0] else 'after'} holds a weekend.")
    months = [to_local((side.start_us + side.end_us) // 2, side.zone).month for side in (before, after)]
    apart = min((months[0] - months[1]) % 12, (months[1] - months[0]) % 12)
    if apart >= 3:
        differences.append("The recordings lie in different seasons.")
    return differences


def _has_weekend(side: Gathered) -> bool:
    steps = range(side.start_us, side.end_us, DAY // 2)
    return any(to_local(instant, side.zone).weekday() >= 5 for instant in steps)
