"""Aggregation to the rule's interval, exactly or not at all, across block borders.

The grid is whole multiples of the interval in UTC; an aggregate exists only if all its members do
(IEC 61000-4-30 4.5: root of the mean of the squares; frequency: mean; flicker: cubic mean).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.physics.aggregation import cubic_mean_of_members, mean_of_members, rms_of_members, rms_of_squares
from pqcheck.quantities import Mean
from pqcheck.sweep import Indices, Sweep


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

    def feed(self, rows: Sequence[NDArray[Any]]) -> NDArray[np.float64]:
        """The next contiguous members, a row of equal length for each series; the aggregates completed by them."""
        sweep = Sweep(len(rows[0]))
        done = self.ask(sweep, sweep.add([(row, None, None) for row in rows]) + np.arange(len(rows)))
        sweep.run()
        return done()

    def ask(self, sweep: Sweep, items: Indices) -> Callable[[], NDArray[np.float64]]:
        """The next contiguous members as stretches of a sweep, always of the same series.

        What is returned gives, once the sweep has run, the aggregates they complete, shape (items, aggregates).
        """
        start = min(self._skip, sweep.size)
        self._skip -= start
        parts: list[NDArray[np.float64]] = []
        if self._waiting is not None:
            end = min(start + self._size - self._waiting.shape[1], sweep.size)
            joined = np.concatenate((self._waiting, _members(sweep, items, start, end)), axis=1)
            start, self._waiting = end, joined
            if joined.shape[1] < self._size:
                return lambda: np.empty((len(items), 0))
            parts, self._waiting = [combine(joined, self._mean)[:, np.newaxis]], None
        groups = (sweep.size - start) // self._size
        done = start + groups * self._size
        if done < sweep.size:
            self._waiting = _members(sweep, items, done, sweep.size)
        if self._mean != "rms":
            shape = groups, self._size
            full = [sweep.stretch(one).cut(start, done).whole().reshape(shape) for one in items.tolist()]
            parts.append(np.array([combine(members, self._mean) for members in full]))
            return lambda: _beside(parts)
        at = sweep.squares(items, start, groups, self._size)

        def given() -> NDArray[np.float64]:
            sums = sweep.answers(at, len(items), groups)
            return _beside([*parts, rms_of_squares(sums, self._size)])

        return given


def _members(sweep: Sweep, items: Indices, start: int, end: int) -> NDArray[np.float64]:
    """Some values of stretches, a row each, copied."""
    rows = [sweep.stretch(one).cut(start, end).whole() for one in items.tolist()]
    return np.array(rows, np.float64).reshape(len(rows), end - start)


def _beside(parts: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)
