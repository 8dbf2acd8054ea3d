"""What bounds prove about the slots of every period of a task; a block is looked at once for all periods."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.counting import Band
from pqcheck.evidence import Runs, find_runs, join_runs, no_runs
from pqcheck.judging.shown import JudgedPeriod
from pqcheck.judging.tally import shortest
from pqcheck.passes import largest_at

Slots = NDArray[np.int64]


class Bounds:
    """Smallest and largest member of the slots of a block from slot `start` on, against a band; None = not recorded."""

    def __init__(self, band: Band, low: NDArray[Any] | None, high: NDArray[Any] | None, start: int) -> None:
        anything = high if high is not None else low
        assert anything is not None
        self.start, self.end = start, start + len(anything)
        inside: NDArray[np.bool_] | None = None
        outside: NDArray[np.bool_] | None = None
        nothing = np.zeros(len(anything), np.bool_)
        # Inside is a slot whose largest member lies at most at the upper limit and whose smallest at least at the
        # lower one; outside is one whose smallest lies above or whose largest below.
        if band.high is not None:
            upper = Band(None, band.high, None, band.high_cut, band.strict)
            inside = upper.inside(high) if high is not None else nothing
            outside = upper.outside(low) if low is not None else None
        if band.low is not None:
            lower = Band(band.low, None, band.low_cut, None, band.strict)
            above = lower.inside(low) if low is not None else nothing
            inside = above if inside is None else inside & above
            below = lower.outside(high) if high is not None else None
            outside = below if outside is None else outside if below is None else outside | below
        self._open = (~inside).nonzero()[0] if inside is not None and not inside.all() else _NONE
        self._outside = outside.nonzero()[0] if outside is not None and outside.any() else _NONE
        self._band = band
        proven = low if band.high is not None and low is not None else high
        shown = low if high is None or (band.high is None and low is not None) else high
        assert shown is not None
        self._shown, self._proven = shown, proven
        self._far = band.beyond(shown)

    def inside(self, first: Slots, end: Slots) -> Slots:
        """Slots proven inside, for each stretch of the block."""
        return end - first - _held(self._open, first, end)

    def outside(self, first: Slots, end: Slots) -> Slots:
        """Slots proven outside, for each stretch of the block."""
        return _held(self._outside, first, end)

    def worst(self, first: Slots, end: Slots) -> tuple[NDArray[np.float64], NDArray[Any]]:
        """How far beyond the nearer limit the farthest bound of each stretch lies (NaN: there is none), and it."""
        at = largest_at(self._far, first, end)
        far = self._far[at]
        if at.min(initial=0) < 0:
            far[at < 0] = np.nan
        return far, self._shown[at]

    def runs(self, first: int, end: int) -> Runs:
        """Runs of slots proven outside, of one stretch of the block."""
        assert self._proven is not None
        proven = self._proven[first:end]
        outside = np.zeros(end - first, np.bool_)
        outside[self._outside[slice(*np.searchsorted(self._outside, (first, end)))] - first] = True
        beyond = np.nan_to_num(self._band.beyond(proven))
        return find_runs(outside, proven, beyond, self.start + first)


_NONE = np.empty(0, np.int64)


def _held(at: Slots, first: Slots, end: Slots) -> Slots:
    """How many of the ascending slots each stretch holds."""
    if not len(at):
        return np.zeros(len(first), np.int64)
    return np.searchsorted(at, end) - np.searchsorted(at, first)


class BoundShown(NamedTuple):
    """What bounds have proven of one period: slots inside and outside, the farthest bound, runs of slots outside."""

    inside: int
    outside: int
    worst: float | None
    runs: Runs


class BoundTally:
    """What minimum and maximum columns prove about the slots of every period of a task.

    `times` slots of the rule go into one recorded interval where the one divides the other: then the recorded
    intervals are looked at, and each counts `times`. What is proven neither inside nor outside is open.
    """

    def __init__(self, periods: Sequence[JudgedPeriod], times: int = 1) -> None:
        self._first, self._end = _edges(tuple(periods), times)
        self._times = times
        self._inside = np.zeros(len(periods), np.int64)
        self._outside = np.zeros(len(periods), np.int64)
        self._far = np.full(len(periods), -np.inf)
        self._worst: list[float | None] = [None] * len(periods)
        self._parts: dict[int, list[Runs]] = {}

    def feed(self, bounds: Bounds) -> None:
        """Count the slots of a block in the periods that they belong to."""
        first, end = np.maximum(self._first, bounds.start), np.minimum(self._end, bounds.end)
        held = (first < end).nonzero()[0]
        first, end = first[held] - bounds.start, end[held] - bounds.start
        self._inside[held] += bounds.inside(first, end) * self._times
        outside = bounds.outside(first, end)
        self._outside[held] += outside * self._times
        far, shown = bounds.worst(first, end)
        farther = (far > self._far[held]).nonzero()[0]
        self._far[held[farther]] = far[farther]
        values = shown[farther]
        shortened = values.tolist() if values.dtype == np.float64 else [shortest(value) for value in values]
        for number, value in zip(held[farther].tolist(), shortened, strict=True):
            self._worst[number] = value
        for at in outside.nonzero()[0].tolist():
            self._parts.setdefault(int(held[at]), []).append(bounds.runs(int(first[at]), int(end[at])))

    def result(self) -> list[BoundShown]:
        """What is proven, period by period."""
        nothing = no_runs()
        shown = zip(self._inside.tolist(), self._outside.tolist(), self._worst, strict=True)
        made = [BoundShown(inside, outside, worst, nothing) for inside, outside, worst in shown]
        for number, parts in self._parts.items():
            made[number] = made[number]._replace(runs=self._joined(parts))
        return made

    def _joined(self, parts: list[Runs]) -> Runs:
        runs, times = join_runs(parts), self._times
        if times == 1:
            return runs
        return Runs(runs.first * times, runs.count * times, runs.worst, runs.worst_slot * times, runs.beyond)


@lru_cache(maxsize=16)
def _edges(periods: tuple[JudgedPeriod, ...], times: int) -> tuple[Slots, Slots]:
    """First slot of every period and the one behind its last; hundreds of tasks share their periods."""
    first = np.array([one.first_slot // times for one in periods], np.int64)
    return first, np.array([(one.first_slot + one.expected) // times for one in periods], np.int64)
