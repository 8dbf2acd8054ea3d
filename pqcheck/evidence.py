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


@cache
def no_runs() -> Runs:
    """An empty set of runs."""
    slots, values = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float64)
    return Runs(slots, slots, values, slots, values)


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
    at = np.flatnonzero(outside)
    if not len(at):
        return no_runs()
    new = np.empty(len(at), dtype=bool)
    new[0] = True
    np.greater(np.diff(at), 1, out=new[1:])
    starts = np.flatnonzero(new)
    count = np.diff(np.append(starts, len(at)))
    far = np.asarray(beyond[at], dtype=np.float64)
    top = np.maximum.reduceat(far, starts)
    hits = np.flatnonzero(far == np.repeat(top, count))
    run_of_hit = np.searchsorted(starts, hits, side="right") - 1
    first_hit = hits[np.append(True, run_of_hit[1:] != run_of_hit[:-1])]
    return Runs(
        at[starts] + offset,
        count.astype(np.int64),
        np.asarray(values[at[first_hit]], dtype=np.float64),
        at[first_hit] + offset,
        top,
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
    run_of_hit = np.searchsorted(starts, hits, side="right") - 1
    pick = hits[np.append(True, run_of_hit[1:] != run_of_hit[:-1])]
    return Runs(first[starts], np.add.reduceat(count, starts), worst[pick], slot[pick], top)


def longest_run(runs: Runs) -> int:
    """Length of the longest run.

    Parameters
    ----------
    runs : Runs
        Runs of outside intervals [-].

    Returns
    -------
    int
        Intervals in the longest run, 0 when there is none [1].

    Notes
    -----
    Runs end at missing intervals, so this is a lower bound when intervals are missing.

    References
    ----------
    docs/method/counting.md, section "Windows".

    Examples
    --------
    >>> longest_run(no_runs())
    0
    """
    return int(runs.count.max()) if len(runs) else 0
