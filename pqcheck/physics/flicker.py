"""Flicker of voltage steps that are known beforehand."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import Count, Percent, Ratio, RatioArray, array

_PER_MINUTE = (0.1, 0.2, 0.4, 0.6, 1, 2, 3, 5, 7, 10, 22, 39, 48, 68, 110, 176, 273, 375, 480, 585, 682, 796, 1020)
_PST_ONE = {
    230: (7.4, 4.58, 3.54, 3.2, 2.724, 2.211, 1.95, 1.64, 1.459, 1.29, 1.02, 0.906, 0.87, 0.81, 0.725, 0.64, 0.56,
          0.5, 0.48, 0.42, 0.37, 0.32, 0.28),
    120: (8.202, 5.232, 4.062, 3.645, 3.166, 2.568, 2.25, 1.899, 1.695, 1.499, 1.186, 1.044, 1.0, 0.939, 0.841, 0.739,
          0.65, 0.594, 0.559, 0.501, 0.445, 0.393, 0.35),
}  # fmt: skip
"""Rectangular changes in percent that give a Pst of 1, by changes per minute and lamp."""


def pst_of_steps(change: Percent, per_minute: Ratio, lamp: Count) -> RatioArray:
    """Short-term flicker of equal rectangular voltage changes, by the curve of Pst = 1.

    Parameters
    ----------
    change : array
        Relative voltage change, times a shape factor where it is no step [n; %].
    per_minute : array
        Voltage changes per minute, each fall and each rise counted [n; 1].
    lamp : int
        Lamp of the curve, 120 or 230 V [1; count].

    Returns
    -------
    array
        Pst [n; 1].

    Notes
    -----
    ``d / d_1(r)``: Pst is proportional to the change, and the curve is interpolated in logarithms. From 0.1 to 1020
    changes per minute, NaN outside. NaN gives NaN.

    References
    ----------
    IEC 61000-3-3:2013, figure of the curve for Pst = 1, IEEE 1453 for 120 V (points: one public source).

    Example
    -------
    >>> pst_of_steps([2.724, 1.362], [1.0, 1.0], 230).round(3).tolist()
    [1.0, 0.5]
    """
    rate = array(per_minute)
    with np.errstate(divide="ignore", invalid="ignore"):
        ordinate = np.interp(
            np.log(rate), np.log(_PER_MINUTE), np.log(_PST_ONE[lamp]), left=np.nan, right=np.nan
        )  # fmt: skip
    return np.asarray(array(change) / np.exp(ordinate))
