"""Flicker severity: short term from a level distribution, long term from short term."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.aggregation import cubic_mean_of_members
from pqcheck.physics.kinds import Ratio, RatioArray, array

LEVELS = (0.1, 0.7, 1.0, 1.5, 2.2, 3.0, 4.0, 6.0, 8.0, 10.0, 13.0, 17.0, 30.0, 50.0, 80.0)
"""Percent of the time for which the levels that `pst_from_levels` takes are exceeded, in this order."""


def plt_from_pst(pst: Ratio) -> RatioArray:
    """Long-term flicker severity of each row of short-term values.

    Parameters
    ----------
    pst : array
        One row of twelve consecutive 10-minute values per 2 hours [g x m; 1].

    Returns
    -------
    array
        Plt [g; 1].

    Notes
    -----
    ``Plt = (sum(Pst^3) / 12)^(1/3)``. Rows of another length are averaged over their own length. A NaN member makes
    its row NaN.

    References
    ----------
    IEC 61000-4-15:2010; EN 50160:2010, 3 (both quoted from memory).

    Example
    -------
    >>> plt_from_pst([[0.5] * 11 + [1.8]]).round(4).tolist()
    [0.8437]
    """
    return cubic_mean_of_members(pst)


def pst_from_levels(levels: Ratio) -> RatioArray:
    """Short-term flicker severity from levels of the instantaneous flicker sensation.

    Parameters
    ----------
    levels : array
        Levels exceeded for the percentages of the time in `LEVELS`, one row each [15 x n; 1].

    Returns
    -------
    array
        Pst [n; 1].

    Notes
    -----
    ``sqrt(0.0314 P0.1 + 0.0525 P1s + 0.0657 P3s + 0.28 P10s + 0.08 P50s)`` with smoothed levels
    ``P1s = (P0.7 + P1 + P1.5)/3``, ``P3s = (P2.2 + P3 + P4)/3``, ``P10s = (P6 + P8 + P10 + P13 + P17)/5``,
    ``P50s = (P30 + P50 + P80)/3``; P0.1 is not smoothed. A NaN level makes the value NaN.

    References
    ----------
    IEC 61000-4-15:2010, block 5 (coefficients quoted from memory; they reproduce Table 5 of that edition to 0.1 %).

    Example
    -------
    >>> pst_from_levels([1.0] * 15).round(3).item()
    0.714
    """
    p = array(levels)
    if p.shape[:1] != (15,):
        raise ValueError(f"levels must have 15 rows, one for each of {LEVELS} percent, not shape {p.shape}")
    p1, p3, p10, p50 = p[1:4].sum(axis=0) / 3, p[4:7].sum(axis=0) / 3, p[7:12].sum(axis=0) / 5, p[12:].sum(axis=0) / 3
    return array(np.sqrt(0.0314 * p[0] + 0.0525 * p1 + 0.0657 * p3 + 0.28 * p10 + 0.08 * p50))
