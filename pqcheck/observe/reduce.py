"""A long series thinned to a fixed number of points without losing a peak: minimum, mean and maximum of each point."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.clock import DAY, HOUR, MINUTE, SECOND

_STEPS = (
    *(n * SECOND for n in (1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30)),
    *(n * MINUTE for n in (1, 2, 3, 5, 10, 15, 20, 30)),
    *(n * HOUR for n in (1, 2, 3, 4, 6, 8, 12)),
    DAY,
)


def members_per_point(count: int, interval_us: int, most: int) -> int:
    """How many intervals make one point so that at most `most` points cover `count` intervals.

    A step that people know (10 min, 1 h ...) where one fits, so that points line up with the clock.
    """
    if count <= most:
        return 1
    needed = -(-count // most)
    for step in _STEPS:
        if step % interval_us == 0 and step // interval_us >= needed:
            return step // interval_us
    return needed


class Reducer:
    """One channel: blocks in, one point per `members` intervals out. NaN where no member has a value."""

    def __init__(self, count: int, members: int) -> None:
        self.members = members
        points = -(-count // members) if count else 0
        self.low = np.full(points, np.nan, np.float32)
        self.high = np.full(points, np.nan, np.float32)
        self.total = np.zeros(points)
        self.valid = np.zeros(points, np.int32)

    def feed(self, values: NDArray[Any], slot: int, by: float) -> None:
        """The members from `slot` on, multiplied by `by` into the wanted unit."""
        if not len(values):
            return
        present = ~np.isnan(values)
        gaps = not bool(present.all())
        first = slot // self.members
        if self.members == 1:
            place = slice(first, first + len(values))
            self.low[place] = values * by
            self.high[place] = self.low[place]
            self.total[place] = np.where(present, values, 0) * by if gaps else values * by
            self.valid[place] = present
            return
        starts = np.arange(first * self.members, slot + len(values), self.members) - slot
        starts[0] = 0
        place = slice(first, first + len(starts))
        filled = np.where(present, values, 0) if gaps else values
        low, high = (np.fmin, np.fmax) if gaps else (np.minimum, np.maximum)
        self.total[place] += np.add.reduceat(filled, starts, dtype=np.float64) * by
        self.valid[place] += np.add.reduceat(present, starts, dtype=np.int32)
        self.low[place] = np.fmin(self.low[place], low.reduceat(values, starts) * by)
        self.high[place] = np.fmax(self.high[place], high.reduceat(values, starts) * by)

    @property
    def mean(self) -> NDArray[np.float32]:
        """Arithmetic mean of the members, for the eye; judging has its own aggregation."""
        means = np.full(len(self.total), np.nan, np.float32)
        np.divide(self.total, self.valid, out=means, where=self.valid > 0, casting="unsafe")
        return means
