"""Power of one phase under distortion (IEEE Std 1459-2010)."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import (
    Amperes,
    Percent,
    Ratio,
    RatioArray,
    VarArray,
    VoltAmpereArray,
    VoltAmperes,
    Volts,
    Watts,
    array,
    ratio,
)


def apparent_power(voltage: Volts, current: Amperes) -> VoltAmpereArray:
    """Apparent power of one phase from true rms values.

    Parameters
    ----------
    voltage : array
        True rms voltage, or its fundamental or harmonic part [n; V].
    current : array
        The same of the current [n; A].

    Returns
    -------
    array
        S, S1 or SH [n; VA].

    Notes
    -----
    ``S = V I``; ``S1 = V1 I1``; ``SH = VH IH``. NaN in either gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> apparent_power(101.55787, 103.56158).round(2).item()
    10517.49
    """
    return array(voltage) * array(current)


def current_distortion_power(fundamental_apparent: VoltAmperes, thd_current: Percent) -> VarArray:
    """Current distortion power DI.

    Parameters
    ----------
    fundamental_apparent : array
        Fundamental apparent power S1 [n; VA].
    thd_current : array
        THD of the current relative to its fundamental [n; %].

    Returns
    -------
    array
        DI [n; var].

    Notes
    -----
    ``V1 IH = S1 THD_I``. NaN in either gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> current_distortion_power(10000.0, 26.92582).round(2).item()
    2692.58
    """
    return array(fundamental_apparent) * array(thd_current) / 100


def voltage_distortion_power(fundamental_apparent: VoltAmperes, thd_voltage: Percent) -> VarArray:
    """Voltage distortion power DV.

    Parameters
    ----------
    fundamental_apparent : array
        Fundamental apparent power S1 [n; VA].
    thd_voltage : array
        THD of the voltage relative to its fundamental [n; %].

    Returns
    -------
    array
        DV [n; var].

    Notes
    -----
    ``VH I1 = S1 THD_V``. NaN in either gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> voltage_distortion_power(10000.0, 17.72005).round(2).item()
    1772.0
    """
    return array(fundamental_apparent) * array(thd_voltage) / 100


def harmonic_apparent_power(
    fundamental_apparent: VoltAmperes, thd_voltage: Percent, thd_current: Percent
) -> VoltAmpereArray:
    """Harmonic apparent power SH.

    Parameters
    ----------
    fundamental_apparent : array
        Fundamental apparent power S1 [n; VA].
    thd_voltage : array
        THD of the voltage relative to its fundamental [n; %].
    thd_current : array
        THD of the current relative to its fundamental [n; %].

    Returns
    -------
    array
        SH [n; VA].

    Notes
    -----
    ``VH IH = S1 THD_V THD_I``. NaN in any gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> harmonic_apparent_power(10000.0, 17.72005, 26.92582).round(2).item()
    477.13
    """
    return array(fundamental_apparent) * array(thd_voltage) * array(thd_current) / 10_000


def nonfundamental_apparent_power(apparent: VoltAmperes, fundamental_apparent: VoltAmperes) -> VoltAmpereArray:
    """Nonfundamental apparent power SN.

    Parameters
    ----------
    apparent : array
        Apparent power S [n; VA].
    fundamental_apparent : array
        Fundamental apparent power S1 [n; VA].

    Returns
    -------
    array
        SN [n; VA].

    Notes
    -----
    ``sqrt(S^2 - S1^2)``, also ``sqrt(DI^2 + DV^2 + SH^2)``. NaN in either gives NaN, and so does S1 above S.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> nonfundamental_apparent_power(10517.493, 10000.0).round(1).item()
    3258.5
    """
    return _leg(apparent, fundamental_apparent)


def nonactive_power(apparent: VoltAmperes, active: Watts) -> VarArray:
    """Nonactive power N.

    Parameters
    ----------
    apparent : array
        Apparent power S [n; VA].
    active : array
        Active power P [n; W].

    Returns
    -------
    array
        N, not negative [n; var].

    Notes
    -----
    ``sqrt(S^2 - P^2)``; reactive power only where nothing is distorted. NaN in either gives NaN, and so does |P|
    above S.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> nonactive_power(10517.493, 8632.7886).round(1).item()
    6007.7
    """
    return _leg(apparent, np.abs(array(active)))


def power_factor(active: Watts, apparent: VoltAmperes) -> RatioArray:
    """Power factor; of fundamental powers the displacement power factor.

    Parameters
    ----------
    active : array
        Active power P or P1 [n; W].
    apparent : array
        Apparent power S or S1 [n; VA].

    Returns
    -------
    array
        PF or PF1, with the sign of the active power [n; 1].

    Notes
    -----
    ``P / S``. NaN in either gives NaN, and so does an apparent power that is not above zero.

    References
    ----------
    IEEE 1459-2010, 3.1 (quoted from memory).

    Example
    -------
    >>> power_factor(8632.7886, 10517.493).round(6).item()
    0.820803
    """
    return ratio(active, apparent)


def distortion_factor(thd_current: Percent) -> RatioArray:
    """What the distortion of the current alone makes of the power factor, on an undistorted voltage.

    Parameters
    ----------
    thd_current : array
        THD of the current relative to its fundamental [n; %].

    Returns
    -------
    array
        I1/I [n; 1].

    Notes
    -----
    ``1 / sqrt(1 + THD_I^2)``; power factor = displacement power factor times this. NaN gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.1 (two public sources agree).

    Example
    -------
    >>> distortion_factor(50.0).round(3).item()
    0.894
    """
    return array(1 / np.sqrt(1 + np.square(array(thd_current) / 100)))


def apparent_power_from_factor(active: Watts, factor: Ratio) -> VoltAmpereArray:
    """Apparent power of a load from its active power and power factor.

    Parameters
    ----------
    active : array
        Active power [n; W].
    factor : array
        Power factor, above 0 to 1 [n; 1].

    Returns
    -------
    array
        Apparent power [n; VA].

    Notes
    -----
    ``P / PF``. NaN where either is NaN and where the power factor is not above zero.

    References
    ----------
    IEEE 1459-2010, 3.1: ``PF = P / S`` (quoted from memory).

    Example
    -------
    >>> apparent_power_from_factor(310_000.0, 0.92).round(0).item()
    336957.0
    """
    return ratio(active, factor)


def _leg(hypotenuse: VoltAmperes, other: VoltAmperes) -> VoltAmpereArray:
    """Remaining side of a right triangle, NaN where there is none; exact for nearly equal sides."""
    long, short = array(hypotenuse), array(other)
    product = (long - short) * (long + short)
    return np.sqrt(np.where(product >= 0, product, np.nan))
