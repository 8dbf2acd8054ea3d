"""What means of recorded blocks say about the largest mean of a window that does not fit them."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike

from pqcheck.physics.aggregation import mean_of_members
from pqcheck.physics.kinds import Same, SameArray, array

Seconds = Annotated[ArrayLike, "s"]


def window_maximum_bounds(values: Same, interval: Seconds, window: Seconds) -> SameArray:
    """Between what values the largest mean of any window lies, when only means of consecutive blocks are known.

    Parameters
    ----------
    values : array
        Means of consecutive blocks of a quantity that is never negative [n; same unit].
    interval : float
        Length of a block, whole seconds [1; s].
    window : float
        Length of the window, whole seconds [1; s].

    Returns
    -------
    array
        Lower and upper bound [2; same unit].

    Notes
    -----
    The window may start at any moment. Upper: a window touches at most ``ceil(W/B) + 1`` blocks, whose whole energy
    may lie in it. Lower: the blocks that fit wholly into one window, and the mean of the shortest span that both
    lengths divide (windows tile it, so one of them holds at least its mean). For ``W = B`` these are
    ``max(E_k)`` and ``max(E_k + E_k+1)``. NaN anywhere gives NaN: bound each run without gaps on its own. ValueError
    for an empty series or a length below one second.

    References
    ----------
    Elementary; derived.

    Example
    -------
    >>> window_maximum_bounds([10.0, 40.0, 30.0], 600, 900).round(2).tolist()
    [26.67, 53.33]
    """
    blocks = array(values)
    if np.isnan(array(interval)) or np.isnan(array(window)):
        return np.full(2, np.nan)
    block_s, window_s = round(float(array(interval))), round(float(array(window)))
    if not len(blocks) or block_s < 1 or window_s < 1:
        raise ValueError("a bound needs at least one block, and lengths of at least one second")
    if np.isnan(blocks).any():
        return np.full(2, np.nan)
    inside = window_s // block_s
    tile = math.lcm(block_s, window_s) // block_s
    lower = _largest_sum(blocks, min(inside, len(blocks))) * block_s / window_s if inside else 0.0
    if tile <= len(blocks):
        lower = max(lower, _largest_sum(blocks, tile) / tile)
    touched = min(-(-window_s // block_s) + 1, len(blocks))
    return np.array([lower, _largest_sum(blocks, touched) * block_s / window_s])


def _largest_sum(blocks: SameArray, size: int) -> float:
    """Largest sum of `size` consecutive blocks."""
    return float(mean_of_members(np.lib.stride_tricks.sliding_window_view(blocks, size)).max()) * size
