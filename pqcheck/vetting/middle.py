"""Median and percentiles of one series, to the last bit those of numpy.

numpy's own functions load its masked arrays when they are first called, which takes as long as most checks together.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def median(values: ArrayLike) -> float:
    """The middle value, or the mean of the two, of a 1-D series; NaN where one is NaN, or there is none."""
    given: NDArray[Any] = np.asarray(values)
    size = given.size
    if not size:
        return float("nan")
    half = size // 2
    ordered = np.partition(given, [(size - 1) // 2, half, size - 1])
    if np.isnan(ordered[-1]):
        return float("nan")
    return float(ordered[half] if size % 2 else (ordered[half - 1] + ordered[half]) / 2)


def nan_median(values: NDArray[Any]) -> float:
    """The same of the values that are not NaN; NaN where there is none."""
    return median(values[~np.isnan(values)])


def percentile(values: ArrayLike, percent: float) -> float:
    """The value that so many percent lie below, between two values in proportion; NaN where one is NaN or none there.

    Hyndman and Fan, The American Statistician 50 (1996) 361-365, type 7: fit for a look at a channel, not for a limit.
    """
    given = np.asarray(values, np.float64)
    if not given.size:
        return float("nan")
    place = (given.size - 1) * (percent / 100)
    below = int(place)
    above = min(below + 1, given.size - 1)
    ordered = np.partition(given, [below, above, given.size - 1])
    if np.isnan(ordered[-1]):
        return float("nan")
    low, high, share = float(ordered[below]), float(ordered[above]), place - below
    # From the nearer of the two, as numpy does.
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1 - share)


def nan_percentile(values: NDArray[Any], percent: float) -> float:
    """The same of the values that are not NaN; NaN where there is none."""
    return percentile(values[~np.isnan(values)], percent)
