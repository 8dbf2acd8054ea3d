"""Effective quantities of a three-phase load, distorted and unbalanced (IEEE Std 1459-2010)."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import (
    AmpereArray,
    Amperes,
    VoltAmpereArray,
    VoltArray,
    Volts,
    array,
)


def effective_current(i_a: Amperes, i_b: Amperes, i_c: Amperes, i_n: Amperes) -> AmpereArray:
    """Effective current Ie of a three-phase load.

    Parameters
    ----------
    i_a : array
        Current of phase a [n; A].
    i_b : array
        Current of phase b [n; A].
    i_c : array
        Current of phase c [n; A].
    i_n : array
        Neutral current, 0 on a three-wire system [n; A].

    Returns
    -------
    array
        Ie [n; A].

    Notes
    -----
    ``sqrt((Ia^2 + Ib^2 + Ic^2 + In^2) / 3)``, neutral of the same resistance as a line. NaN in any gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.2 (quoted from memory).

    Example
    -------
    >>> effective_current(30.0, 0.0, 0.0, 30.0).round(4).item()
    24.4949
    """
    squares = (np.square(array(current)) for current in (i_a, i_b, i_c, i_n))
    return np.sqrt(np.asarray(sum(squares)) / 3)


def effective_voltage(
    u_an: Volts, u_bn: Volts, u_cn: Volts, u_ab: Volts, u_bc: Volts, u_ca: Volts
) -> VoltArray:
    """Effective line-to-neutral voltage Ve of a four-wire system.

    Parameters
    ----------
    u_an : array
        Voltage a to neutral [n; V].
    u_bn : array
        Voltage b to neutral [n; V].
    u_cn : array
        Voltage c to neutral [n; V].
    u_ab : array
        Line-to-line voltage a-b [n; V].
    u_bc : array
        Line-to-line voltage b-c [n; V].
    u_ca : array
        Line-to-line voltage c-a [n; V].

    Returns
    -------
    array
        Ve [n; V].

    Notes
    -----
    ``sqrt((3 (Va^2 + Vb^2 + Vc^2) + Vab^2 + Vbc^2 + Vca^2) / 18)``, load split 1. NaN in any gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.2 (quoted from memory).

    Example
    -------
    >>> effective_voltage(230.0, 230.0, 230.0, *[230.0 * 3**0.5] * 3).round(6).item()
    230.0
    """
    neutral = sum(np.square(array(voltage)) for voltage in (u_an, u_bn, u_cn))
    lines = sum(np.square(array(voltage)) for voltage in (u_ab, u_bc, u_ca))
    return np.sqrt(np.asarray(3 * neutral + lines) / 18)


def effective_apparent_power(effective_volts: Volts, effective_amperes: Amperes) -> VoltAmpereArray:
    """Effective apparent power Se of a three-phase load.

    Parameters
    ----------
    effective_volts : array
        Effective line-to-neutral voltage Ve [n; V].
    effective_amperes : array
        Effective current Ie [n; A].

    Returns
    -------
    array
        Se [n; VA].

    Notes
    -----
    ``3 Ve Ie``. At least as large as the arithmetic and the vector apparent power, so three power factors exist:
    name the one in use. NaN in either gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.2 (quoted from memory).

    Example
    -------
    >>> effective_apparent_power(230.0, 10.0).item()
    6900.0
    """
    return 3 * array(effective_volts) * array(effective_amperes)
