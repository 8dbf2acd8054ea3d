"""Demand: load factor, line current of a load, and what means of blocks say about windows that do not fit them."""

from __future__ import annotations

import math

import numpy as np

from pqcheck.physics.kinds import (
    AmpereArray,
    RatioArray,
    Same,
    SameArray,
    Seconds,
    VoltAmperes,
    Volts,
    array,
    ratio,
)
from pqcheck.physics.means import mean_of_members


def load_factor(average: Same, maximum: Same) -> RatioArray:
    """Average over maximum demand.

    Parameters
    ----------
    average : array
        Average demand [n; same unit].
    maximum : array
        Maximum demand [n; same unit].

    Returns
    -------
    array
        Load factor [n; 1].

    Notes
    -----
    NaN in either input, and where the maximum is not above zero, gives NaN.

    References
    ----------
    Common practice: energy over maximum demand times hours.

    Example
    -------
    >>> load_factor(50.0, 200.0).item()
    0.25
    """
    return ratio(average, maximum)


def three_phase_current(apparent: VoltAmperes, line_to_line: Volts) -> AmpereArray:
    """Line current of a balanced three-phase load.

    Parameters
    ----------
    apparent : array
        Apparent power of the three phases together [n; VA].
    line_to_line : float
        Line-to-line voltage [1; V].

    Returns
    -------
    array
        Line current [n; A].

    Notes
    -----
    ``S / (sqrt(3) U)``. An unbalanced load has one phase above this value. NaN gives NaN.

    References
    ----------
    Elementary.

    Example
    -------
    >>> three_phase_current(1_000_000.0, 480.0).round(2).item()
    1202.81
    """
    return ratio(apparent, math.sqrt(3) * array(line_to_line))


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
