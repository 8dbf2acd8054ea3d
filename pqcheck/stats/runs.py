"""Runs of a boolean array: the evidence windows, with the worst value of each. Arrays until the last moment."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray


class Runs(Struct, frozen=True):
    """Runs of outside intervals as parallel arrays, in time order.

    `first` and `count` are slots and number of intervals; `worst` the reading farthest outside, `worst_slot` where it
    first occurs, `beyond` its distance beyond the limit.
    """

    first: NDArray[np.int64]
    count: NDArray[np.int64]
    worst: NDArray[np.float64]
    worst_slot: NDArray[np.int64]
    beyond: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.first)

    def part(self, start: int, stop: int | None) -> Runs:
        """The runs from number `start` to before `stop` (None: to the last)."""
        of = slice(start, stop)
        return Runs(self.first[of], self.count[of], self.worst[of], self.worst_slot[of], self.beyond[of])


@cache
def no_runs() -> Runs:
    """An empty set of runs."""
    slots, values = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float64)
    return Runs(slots, slots, values, slots, values)


def runs(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Runs of true in a mask.

    Parameters
    ----------
    mask : array of bool, shape (n,)
        Which intervals count [-].

    Returns
    -------
    starts, ends : arrays of int64, shape (number of runs,)
        Index of the first interval of each run, and of the one behind its last, in order [1].

    Notes
    -----
    No loop over time.

    References
    ----------
    docs/method/counting.md, section "Windows".

    Examples
    --------
    >>> starts, ends = runs(np.array([False, True, True, False, True]))
    >>> starts.tolist(), ends.tolist()
    ([1, 4], [3, 5])
    """
    at = mask.nonzero()[0]
    if not at.size:
        return at, at
    # The hits behind which a run ends: the next hit is not the next interval.
    last = (at[1:] - at[:-1] > 1).nonzero()[0]
    return at[np.append(0, last + 1)], at[np.append(last, at.size - 1)] + 1


def find_runs(outside: NDArray[np.bool_], values: NDArray[Any], beyond: NDArray[Any], offset: int) -> Runs:
    """Runs of true in `outside`.

    Parameters
    ----------
    outside : array of bool, shape (n,)
        Which intervals lie outside [-].
    values : array, shape (n,)
        Readings [any].
    beyond : array, shape (n,)
        Distance beyond the nearer limit; NaN where there is no reading [unit of the values].
    offset : int
        Slot number of the first element [1].

    Returns
    -------
    Runs
        One entry per run, in time order [-].

    Notes
    -----
    No loop over time. An interval that is missing or excluded is not outside and therefore ends a run.

    References
    ----------
    docs/method/counting.md, section "Windows".

    Examples
    --------
    >>> v = np.array([1.0, 9.0, 8.0, 1.0, 7.0])
    >>> runs = find_runs(v > 6, v, v - 6, 100)
    >>> runs.first.tolist(), runs.count.tolist(), runs.worst.tolist()
    ([101, 104], [2, 1], [9.0, 7.0])
    """
    starts, ends = runs(outside)
    if not starts.size:
        return no_runs()
    at, count = outside.nonzero()[0], ends - starts
    heads = np.cumsum(count) - count
    far = np.asarray(beyond[at], dtype=np.float64)
    top = np.maximum.reduceat(far, heads)
    hits = np.flatnonzero(far == np.repeat(top, count))
    first_hit = hits[np.searchsorted(hits, heads)]
    return Runs(
        starts + offset, count, np.asarray(values[at[first_hit]], dtype=np.float64), at[first_hit] + offset, top
    )


def join_runs(parts: list[Runs]) -> Runs:
    """Concatenate runs of consecutive chunks, joining a run that goes on across a border.

    Parameters
    ----------
    parts : list of Runs
        Runs of consecutive chunks, in time order [-].

    Returns
    -------
    Runs
        The same runs as if all chunks had been one array [-].

    Notes
    -----
    Two runs are one when the second starts where the first ends; of equally bad readings the earlier one is kept.

    References
    ----------
    docs/method/counting.md, section "Windows".

    Examples
    --------
    >>> v = np.array([9.0, 9.5])
    >>> a, b = find_runs(v > 6, v, v - 6, 0), find_runs(v > 6, v, v - 6, 2)
    >>> joined = join_runs([a, b])
    >>> joined.first.tolist(), joined.count.tolist(), joined.worst_slot.tolist()
    ([0], [4], [1])
    """
    parts = [part for part in parts if len(part)]
    if not parts:
        return no_runs()
    first = np.concatenate([part.first for part in parts])
    count = np.concatenate([part.count for part in parts])
    worst = np.concatenate([part.worst for part in parts])
    slot = np.concatenate([part.worst_slot for part in parts])
    beyond = np.concatenate([part.beyond for part in parts])
    new = np.append(True, first[1:] != first[:-1] + count[:-1])
    if new.all():
        return Runs(first, count, worst, slot, beyond)
    starts = np.flatnonzero(new)
    sizes = np.diff(np.append(starts, len(first)))
    top = np.maximum.reduceat(beyond, starts)
    hits = np.flatnonzero(beyond == np.repeat(top, sizes))
    pick = hits[np.searchsorted(hits, starts)]
    return Runs(first[starts], np.add.reduceat(count, starts), worst[pick], slot[pick], top)
