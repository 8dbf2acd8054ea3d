"""Minimum and maximum columns, or means over a longer interval, on their way from blocks to what they prove."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.counting import Band
from pqcheck.deriving.formulas import Arrays, Scratch
from pqcheck.deriving.sources import Source
from pqcheck.judging.bound_tally import Bounds, BoundTally
from pqcheck.judging.shown import JudgedPeriod
from pqcheck.judging.tasks import Task
from pqcheck.recording import Axis

Values = NDArray[Any]


class BoundRun(Struct):
    """A task that is judged by bounds. Feed it blocks in time order, then `finish`.

    Extremes are kept only where a slot of the rule begins in one recorded interval and ends in another; everything
    else is counted as it comes, so that a year takes no more memory than a week.
    """

    task: Task
    axis: Axis
    interval_us: int
    low: Source | None
    high: Source | None
    mean: Source | None
    periods: Sequence[JudgedPeriod]
    tally: BoundTally | None
    """What minimum and maximum columns show; None where there are none."""
    band: Band
    mean_band: Band | None
    excluded: list[tuple[int, int]]
    times: int = 1
    """Rule slots per recorded interval, where they can be counted together; 1 where they are spread out."""
    highest_mean: float | None = None
    """The mean farthest beyond the nearer limit."""
    means_outside: list[int] = field(default_factory=list)
    """Aligned longer means of each period that lie outside: each proves a member outside. Empty: there is none."""
    _farthest: float = -np.inf
    _means_outside: list[NDArray[np.int64]] = field(default_factory=list)
    """Recorded intervals whose mean lies outside."""
    _low: list[Values] = field(default_factory=list)
    _high: list[Values] = field(default_factory=list)
    _fed: int = 0

    def feed(self, arrays: Arrays, scratch: Scratch, mask: NDArray[np.bool_] | None) -> None:
        """The next block; `mask` marks intervals that have no value."""
        low, high, means = (
            None if source is None else _masked(source, arrays, scratch, mask)
            for source in (self.low, self.high, self.mean)
        )
        if means is not None:
            self._feed_means(means)
        if low is not None or high is not None:
            if self._overlapping:
                self._keep(low, high, scratch)
            else:
                self._count(low, high)
        self._fed += next(len(one) for one in (low, high, means) if one is not None)

    @property
    def _overlapping(self) -> bool:
        return self.times == 1 and self.axis.interval_us != self.interval_us

    def _feed_means(self, means: Values) -> None:
        assert self.mean is not None and self.mean_band is not None
        far = self.mean_band.beyond(means)
        top = float(np.fmax.reduce(far))
        if np.isnan(top):
            return
        if top > self._farthest:
            self._farthest, self.highest_mean = top, float(means[int((far == top).argmax())])
        if self.mean.interval_us % self.interval_us == 0:
            self._means_outside.append(np.flatnonzero(self.mean_band.outside(means)) + self._fed)

    def _keep(self, low: Values | None, high: Values | None, scratch: Scratch) -> None:
        for source, values, kept in ((self.low, low, self._low), (self.high, high, self._high)):
            if source is not None and values is not None:
                # Several rules keep the same values; they are copied out of the block once for all of them.
                copied = scratch.get(("kept", source.formula))
                if copied is None:
                    copied = scratch["kept", source.formula] = np.array(values)
                kept.append(copied)

    def _count(self, low: Values | None, high: Values | None) -> None:
        """Count a block whose recorded intervals are slots of the rule, or `times` of them each."""
        start = self._fed
        end = start + len(next(one for one in (low, high) if one is not None))
        for first, last in self.excluded:
            if first < end and last > start:
                part = slice(max(first - start, 0), last - start)
                low, high = _without(low, part), _without(high, part)
        assert self.tally is not None
        self.tally.feed(Bounds(self.band, low, high, start))

    def finish(self) -> None:
        """Nothing more comes: bring what was kept to the slots of the rule and count it."""
        if self._means_outside:
            self._place_means(np.concatenate(self._means_outside))
        if not self._low and not self._high:
            return
        size, rule = self.axis.interval_us, self.interval_us
        start = np.arange((self.axis.count * size) // rule, dtype=np.int64) * rule
        first, last = start // size, (start + rule - 1) // size
        low = _spread(self._low, first, last, np.minimum)
        high = _spread(self._high, first, last, np.maximum)
        for a, b in self.excluded:
            for values in (low, high):
                if values is not None:
                    values[a:b] = np.nan
        assert self.tally is not None
        self.tally.feed(Bounds(self.band, low, high, 0))

    def _place_means(self, outside: NDArray[np.int64]) -> None:
        size, rule = self.axis.interval_us, self.interval_us
        for a, b in self.excluded:
            outside = outside[((outside + 1) * size <= a * rule) | (outside * size >= b * rule)]
        if not outside.size:
            return
        # Only a mean that lies wholly in the period and touches no excluded slot proves a member outside.
        first = [max(-(-one.first_slot * rule // size), 0) for one in self.periods]
        last = [max((one.first_slot + one.expected) * rule // size, 0) for one in self.periods]
        held = np.searchsorted(outside, last) - np.searchsorted(outside, first)
        self.means_outside = np.maximum(held, 0).tolist()


def _masked(source: Source, arrays: Arrays, scratch: Scratch, mask: NDArray[np.bool_] | None) -> Values:
    """The values of a source, NaN where the mask says so; made once for all rules that ask."""
    values: Values = source.formula.compute(arrays, scratch)
    if mask is None:
        return values
    found: Values | None = scratch.get(("masked", source.formula))
    if found is None:
        found = scratch["masked", source.formula] = np.where(mask, np.asarray(np.nan, dtype=values.dtype), values)
    return found


def _without(values: Values | None, part: slice) -> Values | None:
    if values is None:
        return None
    values = values.copy()
    values[part] = np.nan
    return values


def _spread(
    kept: list[Values], first: NDArray[np.int64], last: NDArray[np.int64], pick: np.ufunc
) -> Values | None:
    """The bound of each slot: the extreme of the recorded intervals it overlaps; NaN if one is missing."""
    if not kept:
        return None
    values = np.concatenate(kept)
    spread: Values = values[first]
    for step in range(1, int((last - first).max(initial=0)) + 1):
        inside = first + step <= last
        spread = np.where(inside, pick(spread, values[np.minimum(first + step, len(values) - 1)]), spread)
    return np.array(spread)
