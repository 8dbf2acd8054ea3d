"""What one period of one channel has shown so far: counts, runs, candidates for the displayed reading.

A tally is fed slices in time order and never keeps the readings themselves, so its size does not grow with the
length of the recording (docs/method/aggregation.md).
"""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.counting import Band, largest, rank
from pqcheck.evidence import Runs, find_runs, join_runs, no_runs
from pqcheck.passes import Stretch

Mask = NDArray[np.bool_]

_NO_VALUES = np.empty(0)


class Tallied(NamedTuple):
    """The result of a tally. `reading` is None when nothing was valid."""

    valid: int
    outside: int
    reading: float | None
    runs: Runs
    longest_possible: int
    """Longest run of intervals that are outside or missing: what a rule about runs cannot rule out."""


@lru_cache(maxsize=256)
def kept_of(slots: int, percent: Decimal) -> int:
    """How many of the farthest readings of a period the displayed one can be the nearest of."""
    return slots - rank(slots, percent) + 1


def is_below(band: Band) -> bool:
    """Whether values are judged from below, by a lower limit alone."""
    return band.high is None and band.low is not None


def outside_of(band: Band, values: NDArray[Any], start: int) -> tuple[int, Runs]:
    """Number of values outside and their runs, the first value at slot `start`."""
    outside = band.outside(values)
    count = int(np.count_nonzero(outside))
    return count, find_runs(outside, values, band.beyond(values), start) if count else no_runs()


def _of_rank(best: NDArray[Any], least: float | None, valid: int, percent: Decimal) -> np.floating[Any]:
    """The displayed reading of `valid` ones, of which `best` are the farthest and `least` the nearest of these."""
    place = valid - rank(valid, percent) + 1
    reading: np.floating[Any]
    if place < len(best):
        reading = np.sort(best)[len(best) - place]
    else:
        # Of a complete period just those are kept that the displayed reading is the nearest of.
        reading = best.min() if least is None else best.dtype.type(least)
    return reading


class Tally:
    """Counts of one period. `first_slot` and `slots` say which slots of the series the period holds."""

    __slots__ = (
        "_band", "_below", "_far", "_fed_to", "_keep", "_least", "_outside", "_parts", "_percent", "_possible",
        "_sided", "_valid", "_value", "end_slot", "first_slot",
    )  # fmt: skip

    def __init__(
        self, band: Band, percent: Decimal, first_slot: int, slots: int, *, possible_runs: bool = False
    ) -> None:
        self._band = band
        self._percent = percent
        self.first_slot = first_slot
        self.end_slot = first_slot + slots
        self._keep = kept_of(slots, percent)
        self._valid = 0
        self._outside = 0
        self._sided = (band.low is not None) + (band.high is not None)
        self._below = is_below(band)
        self._far: NDArray[Any] = _NO_VALUES
        self._value: NDArray[Any] = _NO_VALUES
        self._least: float | None = None
        self._parts: list[Runs] = []
        self._fed_to = first_slot
        self._possible: list[Runs] | None = [] if possible_runs else None

    def feed(self, stretch: Stretch, slot: int) -> None:
        """Take the part of `stretch` (first value at `slot`) that falls into the period; NaN is missing or excluded."""
        start, end = max(slot, self.first_slot), min(slot + stretch.size, self.end_slot)
        if start >= end:
            return
        stretch = stretch.cut(start - slot, end - slot)
        self._fed_to = end
        if self._possible is not None:
            self._watch_possible(stretch.whole(), start)
        if self._sided == 2:
            values = stretch.whole()
            good = values[~np.isnan(values)]
            self._valid += len(good)
            if len(good):
                self._look_outside(values, start)
                self._select_two_sided(good)
            return
        valid, top, best, least = stretch.largest(self._keep, smallest=self._below)
        if not valid:
            return
        self._valid += valid
        if not self._band.all_inside(top, below=self._below):
            self._look_outside(stretch.whole(), start)
        # What the displayed reading can still be: the `_keep` farthest beyond the limit.
        if len(self._far):
            self._far, self._least = largest(np.concatenate([self._far, best]), self._keep), None
        else:
            self._far, self._least = best, least

    def _look_outside(self, values: NDArray[Any], start: int) -> None:
        count, runs = outside_of(self._band, values, start)
        if count:
            self._outside += count
            self._parts.append(runs)

    def _watch_possible(self, values: NDArray[Any], start: int) -> None:
        assert self._possible is not None
        missing = np.isnan(values)
        zeros = np.zeros(len(values))
        self._possible.append(find_runs(self._band.outside(values) | missing, zeros, zeros, start))

    def _select_two_sided(self, good: NDArray[Any]) -> None:
        far = self._band.beyond(good)
        # What lies outside ranks behind everything inside, however near to the limit both are.
        outside = self._band.outside(good)
        far = np.where(outside, np.maximum(far, np.finfo(np.float64).tiny), np.minimum(far, 0.0))
        if len(far) > self._keep:
            chosen = far >= largest(far, self._keep).min()
            far, good = far[chosen], good[chosen]
        far = np.concatenate([self._far, far])
        value = np.concatenate([self._value.astype(good.dtype, copy=False), good])
        if len(far) > self._keep:
            # Ties in distance are settled by the value, so that the order of rows cannot show.
            order = np.lexsort((value, far))[len(far) - self._keep :]
            far, value = far[order], value[order]
        self._far, self._value = far, value

    def _reading(self) -> float | np.floating[Any] | None:
        if not self._valid:
            return None
        if self._sided == 2:
            place = self._valid - rank(self._valid, self._percent) + 1
            order = np.lexsort((self._value, self._far))
            reading: np.floating[Any] = self._value[order[len(order) - place]]
            return reading
        value = _of_rank(self._far, self._least, self._valid, self._percent)
        return -value if self._below else value

    def result(self) -> Tallied:
        """Counts, displayed reading and windows of the period as far as fed."""
        reading = self._reading()
        possible = 0
        if self._possible is not None:
            runs = join_runs(self._possible)
            possible = int(runs.count.max()) if len(runs) else 0
            unfed = self.end_slot - self._fed_to
            if unfed:
                tail = int(runs.count[-1]) if len(runs) and runs.first[-1] + runs.count[-1] == self._fed_to else 0
                possible = max(possible, unfed + tail)
        runs = join_runs(self._parts) if self._parts else no_runs()
        return Tallied(self._valid, self._outside, shortest(reading), runs, possible)


def shortest(value: float | np.floating[Any] | None) -> float | None:
    """A stored reading as the float that prints as the shortest decimal reading back to it in its own width."""
    if value is None:
        return None
    return float(str(value)) if isinstance(value, np.float32) else float(value)
