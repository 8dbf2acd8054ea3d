"""Summation of harmonic contributions of several sources."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import Orders, Ratio, RatioArray, Same, SameArray, array


def summation_exponent(order: Orders) -> RatioArray:
    """Exponent of the general summation law for a harmonic order.

    Parameters
    ----------
    order : array
        Harmonic order [n; order].

    Returns
    -------
    array
        Exponent alpha [n; 1].

    Notes
    -----
    1 below order 5, 1.4 for 5 to 10, 2 above 10: the higher the order, the more the phase angles differ. NaN gives
    NaN.

    References
    ----------
    IEC TR 61000-3-6:2008, summation law (exponents quoted from memory).

    Example
    -------
    >>> summation_exponent([3, 5, 10, 11]).tolist()
    [1.0, 1.4, 1.4, 2.0]
    """
    orders = array(order)
    return np.where(np.isnan(orders), np.nan, np.where(orders < 5, 1.0, np.where(orders <= 10, 1.4, 2.0)))


def summed_contributions(present: Same, additions: Same, exponent: Ratio) -> SameArray:
    """What a harmonic order that is there and contributions that are added make together.

    Parameters
    ----------
    present : array
        Magnitude without the additions [n; same unit].
    additions : array
        Magnitudes of the same order, one row per source [k x n; same unit].
    exponent : float
        Exponent alpha: see `summation_exponent`; 1 adds arithmetically [1; 1].

    Returns
    -------
    array
        Sum [n; same unit].

    Notes
    -----
    ``(sum(U_i^alpha))^(1/alpha)``: between the quadratic and the arithmetic sum. A convention for planning, no
    measurement. NaN in any contribution gives NaN.

    References
    ----------
    IEC TR 61000-3-6:2008, summation law (exponents quoted from memory).

    Example
    -------
    >>> summed_contributions([3.0], [[4.0]], 2.0).tolist()
    [5.0]
    """
    total = np.power(array(present), exponent) + np.power(array(additions), exponent).sum(axis=0)
    return array(np.power(total, 1 / array(exponent)))
