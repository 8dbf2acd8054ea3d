"""Median and percentiles of one series by numpy, where nothing gives NaN without a warning."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def median(values: ArrayLike) -> float:
    """The middle value, or the mean of the two, of a 1-D series; NaN where one is NaN, or there is none."""
    given: NDArray[Any] = np.asarray(values)
    return float(np.median(given)) if given.size else float("nan")


def nan_median(values: NDArray[Any]) -> float:
    """The same of the values that are not NaN; NaN where there is none."""
    return median(values[~np.isnan(values)])


def percentile(values: ArrayLike, percent: float) -> float:
    """The linear-interpolated percentile, in float64; NaN where one is NaN, or there is none.

    Hyndman and Fan, The American Statistician 50 (1996) 361-365, type 7: fit for a look at a channel, not for a limit.
    """
    return float(np.percentile(np.asarray(values, np.float64), percent)) if np.size(values) else float("nan")


def nan_percentile(values: NDArray[Any], percent: float) -> float:
    """The same of the values that are not NaN; NaN where there is none."""
    return percentile(values[~np.isnan(values)], percent)
