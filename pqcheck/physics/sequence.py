"""Symmetrical components of three phasors."""

from __future__ import annotations

import cmath
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pqcheck.physics.kinds import PercentArray, Phasors, ratio

_A = cmath.rect(1.0, 2 * cmath.pi / 3)

PhasorArray = Annotated[NDArray[np.complex128], "V"]


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


def zero_sequence_unbalance(u_a: Phasors, u_b: Phasors, u_c: Phasors) -> PercentArray:
    """Zero- over positive-sequence voltage, from line-to-neutral phasors.

    Parameters
    ----------
    u_a : array
        Line-to-neutral phasor of phase a, complex [n; V].
    u_b : array
        Line-to-neutral phasor of phase b, complex [n; V].
    u_c : array
        Line-to-neutral phasor of phase c, complex [n; V].

    Returns
    -------
    array
        U0/U1 [n; %].

    Notes
    -----
    Not obtainable from line-to-line voltages. NaN where an input is NaN and where U1 is zero.

    References
    ----------
    IEC 61000-4-30:2015, 5.7 (clause number from memory).

    Example
    -------
    >>> import numpy as np
    >>> turn = np.exp(2j * np.pi / 3)
    >>> zero_sequence_unbalance(73.0, 80.0 / turn, 87.0 * turn).round(4).item()
    5.0518
    """
    zero, positive, _ = np.abs(sequence_components(u_a, u_b, u_c))
    return 100 * ratio(zero, positive)


def negative_sequence_unbalance_of_phasors(u_a: Phasors, u_b: Phasors, u_c: Phasors) -> PercentArray:
    """Negative- over positive-sequence voltage, from three phasors.

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
        U2/U1 [n; %].

    Notes
    -----
    Line-to-neutral and line-to-line phasors give the same value. NaN where an input is NaN and where U1 is zero.

    References
    ----------
    IEC 61000-4-30:2015, 5.7 (clause number from memory).

    Example
    -------
    >>> import numpy as np
    >>> turn = np.exp(2j * np.pi / 3)
    >>> negative_sequence_unbalance_of_phasors(152.0, 140.0 / turn, 128.0 * turn).round(4).item()
    4.9487
    """
    _, positive, negative = np.abs(sequence_components(u_a, u_b, u_c))
    return 100 * ratio(negative, positive)
