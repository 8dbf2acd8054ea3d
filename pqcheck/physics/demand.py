"""Demand: means over clock blocks and sliding windows, what blocks say about sliding windows, currents of a load."""

from __future__ import annotations

import math

import numpy as np

from pqcheck.physics.aggregation import complete_groups, mean_of_members
from pqcheck.physics.kinds import (
    AmpereArray,
    Amperes,
    Count,
    RatioArray,
    Same,
    SameArray,
    Vars,
    VoltAmperes,
    Volts,
    Watts,
    array,
    ratio,
)


def block_means(values: Same, size: Count, skip: Count = 0) -> SameArray:
    """Arithmetic mean of consecutive blocks, as a demand register with a fixed interval forms it.

    Parameters
    ----------
    values : array
        Series of equally long intervals [n; same unit].
    size : int
        Intervals of one block [1; count].
    skip : int
        Intervals before the first block [1; count].

    Returns
    -------
    array
        One value per complete block [g; same unit].

    Notes
    -----
    Right for power; of amperes it is the arithmetic mean, smaller than the rms. A NaN makes its block NaN.

    References
    ----------
    Block (fixed) demand: energy of a clock-aligned interval over its length, common practice.

    Example
    -------
    >>> block_means([100.0] * 10 + [200.0] * 5, 15).round(1).tolist()
    [133.3]
    """
    return mean_of_members(complete_groups(values, size, skip))


def sliding_means(values: Same, size: Count) -> SameArray:
    """Arithmetic mean of every window of `size` consecutive intervals.

    Parameters
    ----------
    values : array
        Series of equally long intervals [n; same unit].
    size : int
        Intervals of one window [1; count].

    Returns
    -------
    array
        One value per window, first window first [w; same unit].

    Notes
    -----
    ``w = n - size + 1``; empty when the series is shorter than a window. A NaN makes every window that holds it NaN.
    ValueError when `size` is below 1.

    References
    ----------
    Rolling block demand: a window moved on by one sub-interval at a time, common practice.

    Example
    -------
    >>> sliding_means([0.0, 3.0, 6.0, 3.0], 3).tolist()
    [3.0, 4.0]
    """
    if size < 1:
        raise ValueError(f"size {size} must be at least 1")
    series = array(values)
    if len(series) < size:
        return np.empty(0)
    return mean_of_members(np.lib.stride_tricks.sliding_window_view(series, size))


def sliding_maximum_bounds(block_values: Same) -> SameArray:
    """Between what values the largest sliding mean lies, when only the means of the blocks are known.

    Parameters
    ----------
    block_values : array
        Means of consecutive blocks of a quantity that is never negative [n; same unit].

    Returns
    -------
    array
        Lower and upper bound [2; same unit].

    Notes
    -----
    A window of the block's length lies within two neighbouring blocks, so
    ``max(E_k) <= sliding maximum <= max(E_k + E_k+1)``; a single block bounds nothing from above but itself. NaN
    anywhere gives NaN, as the largest window may lie there. ValueError for an empty series.

    References
    ----------
    Elementary; derived.

    Example
    -------
    >>> sliding_maximum_bounds([10.0, 40.0, 30.0]).tolist()
    [40.0, 70.0]
    """
    blocks = array(block_values)
    if not len(blocks):
        raise ValueError("an empty series bounds nothing")
    highest = blocks.max()
    pairs = blocks[:-1] + blocks[1:] if len(blocks) > 1 else blocks
    return np.array([highest, pairs.max()])


def demand_load_current(monthly_maxima: Amperes) -> AmpereArray:
    """Maximum demand load current IL: mean of the currents at the maximum demand of each month.

    Parameters
    ----------
    monthly_maxima : array
        Current at the maximum demand of each month, usually twelve [n; A].

    Returns
    -------
    array
        IL, a single number [1; A].

    Notes
    -----
    The mean over the months given, not the largest of them. NaN in any month gives NaN: say how many months there
    are rather than leaving one out silently.

    References
    ----------
    IEEE 519-2014, 3.1: sum of the currents of the maximum demand of the twelve previous months over 12 (from memory).

    Example
    -------
    >>> months = [410, 395, 420, 450, 480, 520, 540, 535, 500, 460, 430, 400]
    >>> demand_load_current(months).round(3).item()
    461.667
    """
    return mean_of_members(monthly_maxima)


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


def energy_power_factor(active: Watts, reactive: Vars) -> RatioArray:
    """Power factor of a period from its active and reactive energy (or mean powers).

    Parameters
    ----------
    active : array
        Mean active power of the period [n; W].
    reactive : array
        Mean reactive power of the period [n; var].

    Returns
    -------
    array
        Power factor with the sign of the active power [n; 1].

    Notes
    -----
    ``P / sqrt(P^2 + Q^2)``: not the mean of power factors. NaN in either input, and where both are zero, gives NaN.

    References
    ----------
    Billing practice; from memory.

    Example
    -------
    >>> energy_power_factor(80.0, 60.0).item()
    0.8
    """
    return ratio(active, np.hypot(array(active), array(reactive)))


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
