"""Symmetrical components, and unbalance from voltage magnitudes in two definitions that are not interchangeable."""

from __future__ import annotations

import cmath
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pqcheck.physics.kinds import PercentArray, Phasors, Volts, array, ratio

_A = cmath.rect(1.0, 2 * cmath.pi / 3)

PhasorArray = Annotated[NDArray[np.complex128], "V"]


def negative_sequence_unbalance(u_ab: Volts, u_bc: Volts, u_ca: Volts) -> PercentArray:
    """Negative- over positive-sequence voltage, from the magnitudes of three line-to-line voltages.

    Parameters
    ----------
    u_ab : array
        Line-to-line voltage a-b [n; V].
    u_bc : array
        Line-to-line voltage b-c [n; V].
    u_ca : array
        Line-to-line voltage c-a [n; V].

    Returns
    -------
    array
        U2/U1 [n; %].

    Notes
    -----
    The printed form is ``sqrt((1 - sqrt(3 - 6 beta)) / (1 + sqrt(3 - 6 beta)))`` with
    ``beta = sum(U^4) / sum(U^2)^2``, whose inner root is a small difference of numbers near 1. It is computed here
    from ``1 - (3 - 6 beta) = 2 sum((U_i^2 - U_j^2)^2) / sum(U^2)^2``, the same number without the cancellation.
    Exact for fundamentals; with rms values of little distortion the difference is far below 0.1 %. NaN where an input
    is NaN or negative, where all three are zero, and where they form no triangle, which no three line-to-line
    voltages can do.

    References
    ----------
    IEC 61000-4-30:2015, 5.7 (formula quoted from memory; agrees with phasors).

    Example
    -------
    >>> negative_sequence_unbalance(400.0, 396.0, 404.0).round(6).item()
    1.154782
    """
    ab, bc, ca = array(u_ab), array(u_bc), array(u_ca)
    a, b, c = np.square(ab), np.square(bc), np.square(ca)
    spread = ratio(2 * (np.square(a - b) + np.square(b - c) + np.square(c - a)), np.square(a + b + c))
    largest = np.maximum(np.maximum(ab, bc), ca)
    with np.errstate(invalid="ignore"):
        triangle = (2 * largest <= ab + bc + ca) & (np.minimum(np.minimum(ab, bc), ca) >= 0)
        value = 100 * np.sqrt(spread) / (1 + np.sqrt(np.maximum(1 - spread, 0)))
    return np.where(triangle, value, np.nan)


def deviation_unbalance(u_ab: Volts, u_bc: Volts, u_ca: Volts) -> PercentArray:
    """Largest deviation of three line-to-line voltages from their mean, over the mean.

    Parameters
    ----------
    u_ab : array
        Line-to-line voltage a-b [n; V].
    u_bc : array
        Line-to-line voltage b-c [n; V].
    u_ca : array
        Line-to-line voltage c-a [n; V].

    Returns
    -------
    array
        max|U - mean| / mean [n; %].

    Notes
    -----
    Not the ratio of sequence voltages, which is up to 1.155 times as large, and not (max - min) / mean, which is
    about twice as large. NaN where an input is NaN and where the mean is not above zero.

    References
    ----------
    ANSI C84.1 and NEMA MG 1, as widely cited; Pillay and Manyage, "Definitions of Voltage Unbalance" (2001).

    Example
    -------
    >>> deviation_unbalance(460.0, 467.0, 450.0).round(2).item()
    1.96
    """
    lines = np.stack(np.broadcast_arrays(array(u_ab), array(u_bc), array(u_ca)))
    mean = lines.sum(axis=0) / 3
    return 100 * ratio(np.abs(lines - mean).max(axis=0), mean)


def sequence_components(u_a: Phasors, u_b: Phasors, u_c: Phasors) -> PhasorArray:
    """Zero-, positive- and negative-sequence phasors, in this order.

    Parameters
    ----------
    u_a : array
        Phasor of phase a, complex [n; V].
    u_b : array
        Phasor of phase b, complex [n; V].
    u_c : array
        Phasor of phase c, complex [n; V].

    Returns
    -------
    array
        U0, U1 and U2, complex, one row each [3 x n; V].

    Notes
    -----
    ``U0 = (A + B + C)/3``, ``U1 = (A + a B + a^2 C)/3``, ``U2 = (A + a^2 B + a C)/3`` with ``a = 1 at 120 degrees``.
    Rotation a-b-c is positive. NaN in any phase gives NaN.

    References
    ----------
    Fortescue, "Method of Symmetrical Co-ordinates" (1918).

    Example
    -------
    >>> bool(abs(sequence_components(1.0, 1.0, 1.0)[0] - 1.0) < 1e-15)
    True
    """
    a, b, c = (np.asarray(phasor, dtype=np.complex128) for phasor in (u_a, u_b, u_c))
    parts = (a + b + c, a + _A * b + _A**2 * c, a + _A**2 * b + _A * c)
    return np.stack([np.asarray(part / 3) for part in parts])
