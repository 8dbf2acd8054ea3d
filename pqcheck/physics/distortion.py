"""Harmonic distortion: sums over orders, and from one base to another."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import (
    Amperes,
    Percent,
    PercentArray,
    Same,
    SameArray,
    Volts,
    array,
    ratio,
)


def thd_from_orders(harmonics: Same, fundamental: Same) -> PercentArray:
    """Total harmonic distortion relative to the fundamental.

    Parameters
    ----------
    harmonics : array
        Rms values of the orders 2 and up, one row each [k x n; same unit].
    fundamental : array
        Rms value of the fundamental [n; same unit].

    Returns
    -------
    array
        THD-F [n; %].

    Notes
    -----
    ``100 sqrt(sum(Y_h^2)) / Y_1`` over the rows given: with fewer orders than asked it is a lower bound. NaN where
    an order or the fundamental is NaN and where the fundamental is not above zero.

    References
    ----------
    IEC 61000-4-7:2002, 3.2 (quoted from memory); IEEE 519-2014, 3.1 (quoted from memory).

    Example
    -------
    >>> thd_from_orders([[20.0], [12.0], [4.0], [2.0]], [100.0]).round(4).tolist()
    [23.7487]
    """
    return 100 * ratio(np.sqrt(np.square(array(harmonics)).sum(axis=0)), fundamental)


def tdd_from_amperes(harmonics: Amperes, demand_current: Amperes) -> PercentArray:
    """Total demand distortion: harmonic amperes over the maximum demand load current.

    Parameters
    ----------
    harmonics : array
        Rms currents of the orders 2 and up, one row each [k x n; A].
    demand_current : float
        Maximum demand load current IL [1; A].

    Returns
    -------
    array
        TDD [n; %].

    Notes
    -----
    ``100 sqrt(sum(I_h^2)) / I_L``: harmonic amperes do not become smaller because the load is small. Over the rows
    given: with fewer orders than asked it is a lower bound. NaN where an order is NaN.

    References
    ----------
    IEEE 519-2014, 3.1 (quoted from memory).

    Example
    -------
    >>> tdd_from_amperes([[66.0], [20.0], [8.0], [5.0]], 900.0).round(3).tolist()
    [7.734]
    """
    return 100 * ratio(np.sqrt(np.square(array(harmonics)).sum(axis=0)), demand_current)


def fundamental_from_rms(rms: Same, thd: Percent) -> SameArray:
    """Fundamental of a quantity whose rms value and distortion are known.

    Parameters
    ----------
    rms : array
        True rms [n; same unit].
    thd : array
        THD relative to the fundamental [n; %].

    Returns
    -------
    array
        Rms value of the fundamental [n; same unit].

    Notes
    -----
    ``Y / sqrt(1 + THD^2)``; neglects direct current and interharmonics. Exact for one interval; of two aggregated
    values only an estimate. NaN in either input gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1: ``I^2 = I_1^2 + I_H^2`` (quoted from memory).

    Example
    -------
    >>> fundamental_from_rms(5.0, 75.0).item()
    4.0
    """
    return array(array(rms) / np.sqrt(1 + np.square(array(thd) / 100)))


def thd_f_from_thd_r(thd_r: Percent) -> PercentArray:
    """Distortion relative to the fundamental from distortion relative to the true rms.

    Parameters
    ----------
    thd_r : array
        Distortion relative to the true rms [n; %].

    Returns
    -------
    array
        Distortion relative to the fundamental [n; %].

    Notes
    -----
    ``F = R / sqrt(1 - R^2)``. NaN outside 0 to below 100 %, which a value relative to the rms cannot leave.

    References
    ----------
    IEEE 1459-2010, 3.1: ``I^2 = I_1^2 + I_H^2`` (quoted from memory).

    Example
    -------
    >>> thd_f_from_thd_r(60.0).round(9).item()
    75.0
    """
    share = array(thd_r) / 100
    possible = np.where((share >= 0) & (share < 1), share, np.nan)
    return array(100 * possible / np.sqrt(1 - np.square(possible)))


def thd_r_from_thd_f(thd_f: Percent) -> PercentArray:
    """Distortion relative to the true rms from distortion relative to the fundamental.

    Parameters
    ----------
    thd_f : array
        Distortion relative to the fundamental [n; %].

    Returns
    -------
    array
        Distortion relative to the true rms [n; %].

    Notes
    -----
    ``R = F / sqrt(1 + F^2)``. NaN gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1: ``I^2 = I_1^2 + I_H^2`` (quoted from memory).

    Example
    -------
    >>> thd_r_from_thd_f(75.0).item()
    60.0
    """
    share = array(thd_f) / 100
    return array(100 * share / np.sqrt(1 + np.square(share)))


def percent_of_nominal(distortion: Percent, fundamental: Volts, nominal: Volts) -> PercentArray:
    """A voltage distortion relative to the fundamental, as percent of the nominal voltage.

    Parameters
    ----------
    distortion : array
        One order, or the total, relative to the fundamental [n; %].
    fundamental : array
        Fundamental voltage of the same intervals [n; V].
    nominal : float
        Nominal voltage [1; V].

    Returns
    -------
    array
        Relative to the nominal voltage [n; %].

    Notes
    -----
    ``u_h U_1 / U_n``. Exact for one interval; of two aggregated values only an estimate. NaN in either series gives
    NaN.

    References
    ----------
    EN 50160:2010, 3: harmonic voltages relative to the fundamental and their reference voltage (from memory).

    Example
    -------
    >>> percent_of_nominal(5.0, 253.0, 230.0).round(9).item()
    5.5
    """
    return array(distortion) * ratio(fundamental, nominal)


def percent_of_fundamental(percent_of_rms: Percent, thd: Percent) -> PercentArray:
    """An order relative to the true rms, as percent of the fundamental.

    Parameters
    ----------
    percent_of_rms : array
        One order relative to the true rms [n; %].
    thd : array
        THD relative to the fundamental, same intervals [n; %].

    Returns
    -------
    array
        Relative to the fundamental [n; %].

    Notes
    -----
    ``h sqrt(1 + THD^2)``. NaN in either input gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1: ``I^2 = I_1^2 + I_H^2`` (quoted from memory).

    Example
    -------
    >>> percent_of_fundamental(60.0, 75.0).item()
    75.0
    """
    return array(array(percent_of_rms) * np.sqrt(1 + np.square(array(thd) / 100)))
