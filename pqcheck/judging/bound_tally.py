"""What bounds prove about the slots of a period; the masks are made once for all periods of a block."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.counting import Band
from pqcheck.evidence import Runs, find_runs, join_runs
from pqcheck.judging.tally import shortest


class Bounds:
    """Smallest and largest member of the slots of a block from slot `start` on, against a band; None = not recorded."""

    def __init__(self, band: Band, low: NDArray[Any] | None, high: NDArray[Any] | None, start: int) -> None:
        anything = high if high is not None else low
        assert anything is not None
        size = len(anything)
        self.start, self.end = start, start + size
        upper = Band(None, band.high, None, band.high_cut, band.strict)
        lower = Band(band.low, None, band.low_cut, None, band.strict)
        inside = np.ones(size, dtype=bool)
        outside = np.zeros(size, dtype=bool)
        nothing = np.zeros(size, dtype=bool)
        if band.high is not None:
            inside &= ~(upper.outside(high) | np.isnan(high)) if high is not None else nothing
            outside |= upper.outside(low) if low is not None else nothing
        if band.low is not None:
            inside &= ~(lower.outside(low) | np.isnan(low)) if low is not None else nothing
            outside |= lower.outside(high) if high is not None else nothing
        self._band = band
        self._inside, self._outside = inside, outside
        self._any_outside = bool(outside.any())
        shown = low if high is None or (band.high is None and low is not None) else high
        proven = low if band.high is not None and low is not None else high
        assert shown is not None
        self._shown, self._proven = shown, proven
        far = band.beyond(shown)
        self._far = np.where(np.isnan(far), -np.inf, far)

    def inside(self, part: slice) -> int:
        """Slots proven inside."""
        return int(np.count_nonzero(self._inside[part]))

    def outside(self, part: slice) -> int:
        """Slots proven outside."""
        return int(np.count_nonzero(self._outside[part])) if self._any_outside else 0

    def worst(self, part: slice) -> tuple[float, Any]:
        """The bound farthest beyond the nearer limit, and how far; minus infinity where there is none."""
        at = part.start + int(self._far[part].argmax())
        return float(self._far[at]), self._shown[at]

    def runs(self, part: slice) -> Runs:
        """Runs of slots proven outside."""
        assert self._proven is not None
        proven = self._proven[part]
        beyond = np.nan_to_num(self._band.beyond(proven))
        return find_runs(self._outside[part], proven, beyond, self.start + int(part.start))


class BoundTally:
    """What minimum and maximum columns, or aligned longer means, prove about the slots of one period.

    `inside`, `outside` count slots proven so; everything else is open. `times` slots of the rule go into one recorded
    interval where the one divides the other: then the recorded intervals are looked at, and each counts `times`.
    """

    def __init__(self, first_slot: int, slots: int, times: int = 1) -> None:
        self._times = times
        self.first_slot, self.end_slot = first_slot // times, (first_slot + slots) // times
        self.inside = 0
        self.outside = 0
        self.worst: float | None = None
        self._worst_far = -np.inf
        self._parts: list[Runs] = []

    def feed(self, bounds: Bounds) -> None:
        """Count the slots of a block that belong to this period."""
        start, end = max(bounds.start, self.first_slot), min(bounds.end, self.end_slot)
        if start >= end:
            return
        part = slice(start - bounds.start, end - bounds.start)
        self.inside += bounds.inside(part) * self._times
        far, shown = bounds.worst(part)
        if far > self._worst_far:
            self._worst_far, self.worst = far, shortest(shown)
        outside = bounds.outside(part)
        if outside:
            self.outside += outside * self._times
            self._parts.append(bounds.runs(part))

    def runs(self) -> Runs:
        """Runs of slots proven outside."""
        runs, times = join_runs(self._parts), self._times
        if times == 1:
            return runs
        return Runs(runs.first * times, runs.count * times, runs.worst, runs.worst_slot * times, runs.beyond)
