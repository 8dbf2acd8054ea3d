"""Apparent power and power factor, from powers of one phase or of all together."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import (
    RatioArray,
    Vars,
    VoltAmpereArray,
    VoltAmperes,
    Watts,
    array,
    ratio,
)


def vector_apparent_power(active: Watts, reactive: Vars) -> VoltAmpereArray:
    """Apparent power from active and reactive power.

    Parameters
    ----------
    active : array
        Active power [n; W].
    reactive : array
        Reactive power [n; var].

    Returns
    -------
    array
        Vector apparent power [n; VA].

    Notes
    -----
    ``sqrt(P^2 + Q^2)``: leaves distortion out, and of totals the unbalance. NaN in either gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.2 (quoted from memory).

    Example
    -------
    >>> vector_apparent_power(80.0, 60.0).item()
    100.0
    """
    return np.hypot(array(active), array(reactive))


def vector_power_factor(active: Watts, reactive: Vars) -> RatioArray:
    """Power factor from active and reactive power, or from active and reactive energy of a period.

    Parameters
    ----------
    active : array
        Active power [n; W].
    reactive : array
        Reactive power [n; var].

    Returns
    -------
    array
        Power factor with the sign of the active power [n; 1].

    Notes
    -----
    ``P / sqrt(P^2 + Q^2)``. Of a period it is formed from the energies: it is not the mean of power factors. NaN in
    either, and where both are zero, gives NaN.

    References
    ----------
    IEEE 1459-2010, 3.2; of energies billing practice (both from memory).

    Example
    -------
    >>> vector_power_factor(80.0, 60.0).item()
    0.8
    """
    return power_factor(active, vector_apparent_power(active, reactive))


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
