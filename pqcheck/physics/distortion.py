"""Harmonic distortion: totals over orders, and from one base to another."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import (
    Percent,
    PercentArray,
    RatioArray,
    Same,
    SameArray,
    Squares,
    Volts,
    array,
    ratio,
)


def total_distortion(square_sum: Squares, base: Same) -> PercentArray:
    """Total distortion of orders, in percent of a fixed base.

    Parameters
    ----------
    square_sum : array
        Sum of the squares of the orders 2 and up [n; squared unit].
    base : float
        Maximum demand load current, rated current or nominal voltage; 100 for orders in percent [1; same unit].

    Returns
    -------
    array
        TDD, TRD or THD [n; %].

    Notes
    -----
    ``sqrt(sum(Y_h^2)) 100 / Y``: over a demand current, harmonic amperes do not become smaller because the load is
    small. Of fewer orders than asked it is a lower bound. NaN where an order is NaN and where the base is not above
    zero.

    References
    ----------
    IEEE 519-2014, 3.1; IEC 61000-4-7:2002, 3.2 (both quoted from memory).

    Example
    -------
    >>> total_distortion([66.0**2 + 20.0**2 + 8.0**2 + 5.0**2], 900.0).round(3).tolist()
    [7.734]
    """
    return array(np.sqrt(array(square_sum)) * ratio(100.0, base))


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


def distortion_factor(thd: Percent) -> RatioArray:
    """Fundamental over true rms.

    Parameters
    ----------
    thd : array
        THD relative to the fundamental [n; %].

    Returns
    -------
    array
        Y1/Y [n; 1].

    Notes
    -----
    ``1 / sqrt(1 + THD^2)``. Of a current on an undistorted voltage, power factor = displacement power factor times
    this. NaN gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1 (two public sources agree).

    Example
    -------
    >>> distortion_factor(50.0).round(3).item()
    0.894
    """
    return array(1 / np.sqrt(1 + np.square(array(thd) / 100)))


def thd_f_from_thd_r(thd_r: Percent) -> PercentArray:
    """Distortion relative to the fundamental from distortion relative to the true rms.

    Parameters
    ----------
    thd_r : array
        Distortion relative to the true rms [n; %].

    Returns
    -------
    array
        Distortion relative to the fundamental, float32 for float32 [n; %].

    Notes
    -----
    ``F = R / sqrt(1 - R^2)``. NaN for 100 % and above, which no waveform with a fundamental has.

    References
    ----------
    IEEE 1459-2010, 3.1: ``I^2 = I_1^2 + I_H^2`` (quoted from memory).

    Example
    -------
    >>> thd_f_from_thd_r(60.0).round(9).item()
    75.0
    """
    share = np.asarray(thd_r) / 100
    possible = np.where(np.abs(share) < 1, share, share.dtype.type(np.nan))
    return np.asarray(100 * possible / np.sqrt(1 - possible * possible))


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
    return fundamental_from_rms(thd_f, thd_f)


def share_of_nominal(fundamental: Volts, nominal: Volts) -> RatioArray:
    """What a distortion relative to the fundamental is multiplied by to be relative to the nominal voltage.

    Parameters
    ----------
    fundamental : array
        Fundamental voltage [n; V].
    nominal : float
        Nominal voltage [1; V].

    Returns
    -------
    array
        U1/Un [n; 1].

    Notes
    -----
    ``u_h U_1 / U_n`` is exact for one interval, of two aggregated values an estimate. NaN gives NaN.

    References
    ----------
    EN 50160:2010, 3: harmonic voltages relative to the fundamental and their reference voltage (from memory).

    Example
    -------
    >>> (5.0 * share_of_nominal(253.0, 230.0)).round(9).item()
    5.5
    """
    return ratio(fundamental, nominal)


def percent_of_fundamental(order: Same, fundamental: Same) -> PercentArray:
    """An order, or the total, in percent of the fundamental.

    Parameters
    ----------
    order : array
        Rms value of the order [n; same unit].
    fundamental : array
        Rms value of the fundamental [n; same unit].

    Returns
    -------
    array
        Relative to the fundamental [n; %].

    Notes
    -----
    ``100 Y_h / Y_1``. NaN in either gives NaN, and so does a fundamental that is not above zero.

    References
    ----------
    IEC 61000-4-7:2002, 3.2 (quoted from memory).

    Example
    -------
    >>> percent_of_fundamental([20.0, 1.0], [100.0, 0.0]).tolist()
    [20.0, nan]
    """
    return ratio(100.0 * array(order), fundamental)


def percent_times_base(percent: Percent, base: Same, other: Same) -> PercentArray:
    """A quantity in percent of one base as percent of another; with 100 as the other, in the unit of the base.

    Parameters
    ----------
    percent : array
        Distortion or order relative to `base` [n; %].
    base : array
        Fundamental or true rms value of the same intervals [n; same unit].
    other : float
        The other base, such as the maximum demand load current, or 100 [1; same unit].

    Returns
    -------
    array
        Relative to the other base [n; %].

    Notes
    -----
    ``y Y / Y'``, so ``TDD = THD I_1 / I_L``: exact for one interval, of two aggregated values an estimate. NaN in any
    gives NaN.

    References
    ----------
    IEEE 519-2014, 3.1 (quoted from memory).

    Example
    -------
    >>> percent_times_base(45.0, 20.0, 400.0).item()
    2.25
    """
    return np.asarray(np.multiply(percent, base, dtype=np.float64) / array(other))
