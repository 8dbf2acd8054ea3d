"""Runs of true in a boolean array, without the values: what the vetting checks count with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Slots = NDArray[np.int64]
Mask = NDArray[np.bool_]


def mask_runs(mask: Mask) -> tuple[Slots, Slots]:
    """First index and length of every run of true in a 1-D mask."""
    at = np.flatnonzero(mask)
    if not at.size:
        return at, at
    breaks = np.flatnonzero(np.diff(at) > 1)
    starts = at[np.concatenate(([0], breaks + 1))]
    ends = at[np.concatenate((breaks, [at.size - 1]))]
    return starts, ends - starts + 1


def joined(starts: list[Slots], lengths: list[Slots]) -> tuple[Slots, Slots]:
    """Runs of consecutive chunks as one list; a run that ends where the next begins is one run."""
    if not starts:
        empty = np.empty(0, np.int64)
        return empty, empty
    first, count = np.concatenate(starts), np.concatenate(lengths)
    if first.size < 2:
        return first, count
    new = np.append(True, first[1:] != first[:-1] + count[:-1])
    heads = np.flatnonzero(new)
    return first[heads], np.add.reduceat(count, heads)
