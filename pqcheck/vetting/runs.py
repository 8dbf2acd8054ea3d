"""Runs of true in a boolean array, without the values: what the vetting checks count with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Slots = NDArray[np.int64]
Mask = NDArray[np.bool_]


def mask_runs(mask: Mask) -> tuple[Slots, Slots]:
    """First index and length of every run of true in a 1-D mask."""
    at = mask.nonzero()[0]
    if not at.size:
        return at, at
    last = (at[1:] - at[:-1] > 1).nonzero()[0]
    # Where each run begins among the hits, and behind the last one: a run holds as many hits as lie between the two.
    edges = np.empty(last.size + 2, np.int64)
    edges[0], edges[-1] = 0, at.size
    edges[1:-1] = last + 1
    return at[edges[:-1]], edges[1:] - edges[:-1]


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
