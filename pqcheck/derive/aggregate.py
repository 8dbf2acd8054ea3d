"""Aggregation to the rule's interval, exactly or not at all, across block borders.

The grid is whole multiples of the interval in UTC; an aggregate exists only if all its members do
(IEC 61000-4-30 4.5: root of the mean of the squares; frequency: mean; flicker: cubic mean).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.quantities import Mean
from pqcheck.physics.means import cubic_mean_of_members, mean_of_members, rms_of_members, rms_of_squares
from pqcheck.stats.series_passes import Product, squares_of


def first_group(axis_start_us: int, member_us: int, group_us: int) -> tuple[int, int]:
    """(start of the first full group in UTC microseconds, index of its first member on the axis)."""
    start = -(-axis_start_us // group_us) * group_us
    return start, -(-(start - axis_start_us) // member_us)


def combine(members: NDArray[Any], mean: Mean) -> NDArray[np.float64]:
    """Combine the rows of a (groups, members) array; NaN if any member is NaN; float64 whatever the members are."""
    if mean == "rms":
        return rms_of_members(members)
    return cubic_mean_of_members(members) if mean == "cubic" else mean_of_members(members)


class Grouper:
    """Members of series on one time line in, aggregates out; what does not fill a group waits for the next block."""

    def __init__(self, axis_start_us: int, member_us: int, group_us: int, mean: Mean) -> None:
        self._mean = mean
        self._size = group_us // member_us
        self.start_us, self._skip = first_group(axis_start_us, member_us, group_us)
        self._waiting: NDArray[np.float64] | None = None

    def feed(self, series: Sequence[Product]) -> NDArray[np.float64]:
        """The next members, always of the same series; the aggregates they complete, shape (series, aggregates)."""
        size = len(series[0].members)
        start = min(self._skip, size)
        self._skip -= start
        parts: list[NDArray[np.float64]] = []
        if self._waiting is not None:
            end = min(start + self._size - self._waiting.shape[1], size)
            joined = np.concatenate((self._waiting, _members(series, start, end)), axis=1)
            start, self._waiting = end, joined
            if joined.shape[1] < self._size:
                return np.empty((len(series), 0))
            parts, self._waiting = [combine(joined, self._mean)[:, np.newaxis]], None
        done = size - (size - start) % self._size
        if done < size:
            self._waiting = _members(series, done, size)
        parts.append(self._full([product.cut(start, done) for product in series]))
        return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)

    def _full(self, series: Sequence[Product]) -> NDArray[np.float64]:
        """Aggregates of series that hold whole groups only."""
        if self._mean == "rms":
            return rms_of_squares(squares_of(series, self._size), self._size)
        return np.array([combine(product.values().reshape(-1, self._size), self._mean) for product in series])


def _members(series: Sequence[Product], start: int, end: int) -> NDArray[np.float64]:
    """Some values of series, a row each, copied."""
    return np.array([product.cut(start, end).values() for product in series], np.float64)


class Spread:
    """Extremes of recorded intervals brought to slots that begin and end elsewhere, across block borders.

    A slot has the extreme (`pick`) of all recorded intervals that it touches, NaN where one of them is missing; the
    first slot begins with the first interval.
    """

    def __init__(self, recorded_us: int, slot_us: int, pick: np.ufunc) -> None:
        self._recorded_us, self._slot_us, self._pick = recorded_us, slot_us, pick
        self._slot = 0
        self._first = 0
        self._waiting: NDArray[np.float64] | None = None

    def feed(self, series: Sequence[Product]) -> NDArray[np.float64]:
        """The next recorded intervals, always of the same series; the slots that end with them, (series, slots)."""
        known = _members(series, 0, len(series[0].members))
        if self._waiting is not None:
            known = np.concatenate((self._waiting, known), axis=1)
        end = (self._first + known.shape[1]) * self._recorded_us // self._slot_us
        begin = np.arange(self._slot, end) * self._slot_us
        first = begin // self._recorded_us - self._first
        last = (begin + self._slot_us - 1) // self._recorded_us - self._first
        slots: NDArray[np.float64] = known[:, first]
        for step in range(1, int((last - first).max(initial=0)) + 1):
            further = known[:, np.minimum(first + step, last)]
            slots = self._pick(slots, further)
        self._slot = max(self._slot, end)
        keep = self._slot * self._slot_us // self._recorded_us - self._first
        self._waiting, self._first = known[:, keep:].copy(), self._first + keep
        return slots
