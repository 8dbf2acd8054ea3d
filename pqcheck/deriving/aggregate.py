"""Aggregation to the rule's interval, exactly or not at all, across block borders.

The grid is whole multiples of the interval in UTC; an aggregate exists only if all its members do
(IEC 61000-4-30 4.5: root of the mean of the squares; frequency: mean; flicker: cubic mean).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.passes import Stretch
from pqcheck.quantities import Mean


def first_group(axis_start_us: int, member_us: int, group_us: int) -> tuple[int, int]:
    """(start of the first full group in UTC microseconds, index of its first member on the axis)."""
    start = -(-axis_start_us // group_us) * group_us
    return start, -(-(start - axis_start_us) // member_us)


def combine(members: NDArray[Any], mean: Mean) -> NDArray[np.float64]:
    """Combine the rows of a (groups, members) array; NaN if any member is NaN; float64 whatever the members are."""
    count = members.shape[1]
    if mean == "rms":
        result: NDArray[np.float64] = np.sqrt(Stretch(members.reshape(-1)).squares(count) / count)
        return result
    wide = members if members.dtype == np.float64 else members.astype(np.float64)
    if mean == "cubic":
        result = np.cbrt((wide * wide * wide).sum(axis=1) / count)
        return result
    result = wide.sum(axis=1) / count
    return result


class Grouper:
    """Members of one series in, aggregates out; what does not fill a group waits for the next block."""

    def __init__(self, axis_start_us: int, member_us: int, group_us: int, mean: Mean) -> None:
        self._mean = mean
        self._size = group_us // member_us
        self.start_us, self._skip = first_group(axis_start_us, member_us, group_us)
        self._waiting: NDArray[Any] | None = None

    def asks(self, size: int) -> int:
        """Size of the groups whose squares the next `size` members will be asked for; 0 when they are cut first."""
        whole = not self._skip and self._waiting is None and size % self._size == 0
        return self._size if whole and self._mean == "rms" else 0

    def feed(self, stretch: Stretch) -> NDArray[np.float64]:
        """The next contiguous members; returns the aggregates completed by them."""
        if self._skip:
            used = min(self._skip, stretch.size)
            self._skip -= used
            stretch = stretch.cut(used, stretch.size)
        if self._waiting is not None and len(self._waiting):
            stretch = Stretch(np.concatenate([self._waiting, stretch.whole()]))
        whole = stretch.size // self._size
        done = whole * self._size
        self._waiting = stretch.cut(done, stretch.size).whole().copy() if done < stretch.size else None
        if not whole:
            return np.empty(0)
        full = stretch.cut(0, done)
        if self._mean == "rms":
            result: NDArray[np.float64] = np.sqrt(full.squares(self._size) / self._size)
            return result
        return combine(full.whole().reshape(whole, self._size), self._mean)
