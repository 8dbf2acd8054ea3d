"""Transformers and neutrals under harmonic load, motors under unbalance."""

from __future__ import annotations

import math

import numpy as np

from pqcheck.physics.kinds import (
    AmpereArray,
    Amperes,
    Array,
    Orders,
    Percent,
    Ratio,
    RatioArray,
    Same,
    SameArray,
    array,
    ratio,
)


def harmonic_loss_factor(currents: Same, orders: Orders) -> RatioArray:
    """Harmonic loss factor for winding eddy losses, F_HL.

    Parameters
    ----------
    currents : array
        Rms currents, the fundamental included, one row per order [k x n; same unit].
    orders : array
        Order of each row [k; order].

    Returns
    -------
    array
        F_HL, 1 for an undistorted current [n; 1].

    Notes
    -----
    ``sum(I_h^2 h^2) / sum(I_h^2)``, whatever the base of the currents. Orders that were not recorded are missing from
    both sums: the result is then a lower bound. NaN in any order gives NaN, and so does no current at all.

    References
    ----------
    IEEE C57.110-2018 (formula: two public sources agree).

    Example
    -------
    >>> harmonic_loss_factor([100.0, 30.0, 20.0, 10.0], [1, 3, 5, 7]).round(3).item()
    2.895
    """
    return _weighted(currents, orders, 2.0)


def other_stray_loss_factor(currents: Same, orders: Orders) -> RatioArray:
    """Harmonic loss factor for other stray losses, F_HL-STR.

    Parameters
    ----------
    currents : array
        Rms currents, the fundamental included, one row per order [k x n; same unit].
    orders : array
        Order of each row [k; order].

    Returns
    -------
    array
        F_HL-STR, 1 for an undistorted current [n; 1].

    Notes
    -----
    ``sum(I_h^2 h^0.8) / sum(I_h^2)``. Missing orders make it a lower bound. NaN in any order gives NaN.

    References
    ----------
    IEEE C57.110-2018 (exponent 0.8 from memory).

    Example
    -------
    >>> spectrum = [0.978, 0.171, 0.108, 0.044, 0.028, 0.015, 0.0098]
    >>> other_stray_loss_factor(spectrum, [1, 5, 7, 11, 13, 17, 19]).round(3).item()
    1.14
    """
    return _weighted(currents, orders, 0.8)


def k_factor(currents: Amperes, orders: Orders, rated_current: Amperes) -> RatioArray:
    """K-factor of a load on a transformer of given rated current.

    Parameters
    ----------
    currents : array
        Rms currents, the fundamental included, one row per order [k x n; A].
    orders : array
        Order of each row [k; order].
    rated_current : float
        Rated rms current of the transformer [1; A].

    Returns
    -------
    array
        K [n; 1].

    Notes
    -----
    ``sum((I_h / I_R)^2 h^2)``. The base is the rated current: on the fundamental instead the number can be twice as
    large. Equal to F_HL only when the rms load is the rated current. NaN in any order gives NaN.

    References
    ----------
    UL 1561 and UL 1562 (formula: two public sources; base: one public source and memory).

    Example
    -------
    >>> k_factor([100.0, 30.0, 20.0, 10.0], [1, 3, 5, 7], 213.54).round(3).item()
    0.724
    """
    weights = np.square(_column(orders, currents))
    return ratio((np.square(array(currents)) * weights).sum(axis=0), np.square(array(rated_current)))


def dry_type_capacity(loss_factor: Ratio, eddy_loss: Percent) -> RatioArray:
    """Largest permissible rms current of a dry-type transformer under a harmonic load.

    Parameters
    ----------
    loss_factor : array
        Harmonic loss factor F_HL [n; 1].
    eddy_loss : float
        Rated winding eddy loss P_EC-R, percent of the rated I2R loss [1; %].

    Returns
    -------
    array
        Share of the rated current [n; 1].

    Notes
    -----
    ``sqrt((1 + p) / (1 + F_HL p))`` with ``p = P_EC-R / 100``. For rated ambient conditions; a transformer with a
    K rating is not derated by it. NaN gives NaN.

    References
    ----------
    IEEE C57.110-2018 (quoted from memory).

    Example
    -------
    >>> dry_type_capacity(2.895, 10.0).round(3).item()
    0.924
    """
    eddy = array(eddy_loss) / 100
    return np.sqrt(ratio(1 + eddy, 1 + array(loss_factor) * eddy))


def liquid_filled_capacity(
    loss_factor: Ratio, stray_factor: Ratio, eddy_loss: Percent, stray_loss: Percent
) -> RatioArray:
    """Largest permissible rms current of a liquid-filled transformer under a harmonic load.

    Parameters
    ----------
    loss_factor : array
        Harmonic loss factor F_HL [n; 1].
    stray_factor : array
        Harmonic loss factor of other stray losses F_HL-STR [n; 1].
    eddy_loss : float
        Rated winding eddy loss P_EC-R, percent of the rated I2R loss [1; %].
    stray_loss : float
        Rated other stray loss P_OSL-R, percent of the rated I2R loss [1; %].

    Returns
    -------
    array
        Share of the rated current [n; 1].

    Notes
    -----
    ``sqrt((1 + p + s) / (1 + F_HL p + F_HL-STR s))``. NaN gives NaN.

    References
    ----------
    IEEE C57.110-2018 (quoted from memory).

    Example
    -------
    >>> liquid_filled_capacity(2.724, 1.140, 5.0, 10.0).round(3).item()
    0.959
    """
    eddy, stray = array(eddy_loss) / 100, array(stray_loss) / 100
    loaded = 1 + array(loss_factor) * eddy + array(stray_factor) * stray
    return np.sqrt(ratio(1 + eddy + stray, loaded))


def triplen_neutral_current(triplens: Amperes) -> AmpereArray:
    """Neutral current that the triplen harmonics of three equal phases add up to.

    Parameters
    ----------
    triplens : array
        Rms phase currents of the orders 3, 9, 15 ..., one row each [k x n; A].

    Returns
    -------
    array
        Neutral current [n; A].

    Notes
    -----
    ``3 sqrt(sum(I_h^2))``: triplens of a balanced load are in phase and add arithmetically. NaN in any order gives
    NaN.

    References
    ----------
    Sum of in-phase currents: two public sources; the formula is derived.

    Example
    -------
    >>> triplen_neutral_current([[33.0]]).tolist()
    [99.0]
    """
    return array(3 * np.sqrt(np.square(array(triplens)).sum(axis=0)))


def motor_derating(unbalance: Percent, points: Percent, factors: Ratio) -> RatioArray:
    """Share of rated output that a motor may deliver at a given voltage unbalance, read from a printed curve.

    Parameters
    ----------
    unbalance : array
        Unbalance in the definition that the curve is printed for [n; %].
    points : array
        Unbalance of the points read from the curve, ascending [p; %].
    factors : array
        Share of rated output at each point [p; 1].

    Returns
    -------
    array
        Share of rated output [n; 1].

    Notes
    -----
    Linear between the points. NaN outside them: a printed curve is not continued. NaN gives NaN. ValueError when the
    points do not ascend or differ in number from the factors.

    References
    ----------
    NEMA MG 1, 14.36 takes the largest deviation from the mean; IEC 60034-26:2006 the negative-sequence ratio.

    Example
    -------
    >>> motor_derating([1.5, 6.0], [1, 2, 3, 4, 5], [1.0, 0.95, 0.88, 0.82, 0.75]).round(3).tolist()
    [0.975, nan]
    """
    at, share = array(points), array(factors)
    if at.shape != share.shape or np.any(np.diff(at) <= 0):
        raise ValueError("points must ascend and there must be one factor for each")
    return np.asarray(np.interp(array(unbalance), at, share, left=math.nan, right=math.nan))


def _column(orders: Orders, currents: Same) -> Array:
    """Orders shaped so that they multiply the rows of `currents`."""
    numbers, rows = array(orders), array(currents)
    if numbers.shape != rows.shape[:1]:
        raise ValueError(f"{len(rows)} rows of currents need as many orders, not {numbers.shape}")
    return numbers.reshape(-1, *([1] * (rows.ndim - 1)))


def _weighted(currents: Same, orders: Orders, exponent: float) -> SameArray:
    squares = np.square(array(currents))
    return ratio((squares * _column(orders, currents) ** exponent).sum(axis=0), squares.sum(axis=0))
