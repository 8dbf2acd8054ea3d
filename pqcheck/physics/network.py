"""A supply as one impedance: voltage at a load, harmonic impedance with a capacitor bank, resonance."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pqcheck.physics.kinds import (
    Amperes,
    Orders,
    Ratio,
    Vars,
    Volts,
    array,
    ratio,
)

Ohms = Annotated[ArrayLike, "ohm"]
OhmArray = Annotated[NDArray[np.float64], "ohm"]
ComplexSiemensArray = Annotated[NDArray[np.complex128], "S"]
ComplexOhmArray = Annotated[NDArray[np.complex128], "ohm"]


def source_impedance(line_to_neutral: Volts, short_circuit: Amperes, x_over_r: Ratio) -> OhmArray:
    """Resistance and reactance of a supply from its three-phase short-circuit current.

    Parameters
    ----------
    line_to_neutral : float
        Nominal line-to-neutral voltage [1; V].
    short_circuit : float
        Symmetrical three-phase short-circuit current [1; A].
    x_over_r : float
        Ratio of reactance to resistance [1; 1].

    Returns
    -------
    array
        Resistance and reactance of one phase [2; ohm].

    Notes
    -----
    ``|Z| = U / I``, ``R = |Z| / sqrt(1 + (X/R)^2)``; without the factor for the highest or lowest voltage that
    short-circuit standards apply. NaN in any input gives NaN.

    References
    ----------
    Elementary.

    Example
    -------
    >>> source_impedance(230.0, 4600.0, 0.75).round(6).tolist()
    [0.04, 0.03]
    """
    magnitude = ratio(line_to_neutral, short_circuit)
    resistance = magnitude / np.sqrt(1 + np.square(array(x_over_r)))
    return np.array([resistance, resistance * array(x_over_r)])


def harmonic_impedance(resistance: Ohms, reactance: Ohms, orders: Orders) -> ComplexOhmArray:
    """Impedance of an inductive supply at harmonic orders.

    Parameters
    ----------
    resistance : float
        Resistance at the fundamental [1; ohm].
    reactance : float
        Reactance at the fundamental [1; ohm].
    orders : array
        Harmonic orders [n; order].

    Returns
    -------
    array
        Impedance, complex [n; ohm].

    Notes
    -----
    ``R + j h X``. Holds as long as the supply has no cables or capacitors near resonance; the rise of the resistance
    with frequency is left out, which makes a resonance sharper than it is. NaN in any input gives NaN.

    References
    ----------
    IEC TR 61000-3-6:2008, simplified assessment of the harmonic impedance (from memory).

    Example
    -------
    >>> harmonic_impedance(0.02, 0.03, [5])
    array([0.02+0.15j])
    """
    return np.asarray(array(resistance) + 1j * array(orders) * array(reactance), dtype=np.complex128)


def bank_admittance(capacitor_reactance: Ohms, reactor_reactance: Ohms, orders: Orders) -> ComplexSiemensArray:
    """Admittance of one phase of a capacitor bank, with or without a reactor in series, at harmonic orders.

    Parameters
    ----------
    capacitor_reactance : float
        Reactance of the capacitors at the fundamental, one phase as star [1; ohm].
    reactor_reactance : float
        Reactance of the reactor in series at the fundamental, 0 without one [1; ohm].
    orders : array
        Harmonic orders [n; order].

    Returns
    -------
    array
        Admittance, complex [n; S].

    Notes
    -----
    ``1 / (j (h XL - Xc / h))``: capacitive below the tuning order ``sqrt(Xc / XL)``, inductive above; without losses.
    NaN in any input gives NaN.

    References
    ----------
    Elementary.

    Example
    -------
    >>> bank_admittance(3.0, 0.0, [5]).imag.round(4).tolist()
    [1.6667]
    """
    order = array(orders)
    series = order * array(reactor_reactance) - array(capacitor_reactance) / order
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(-1j / series, dtype=np.complex128)


def star_reactance(line_to_line: Volts, reactive: Vars) -> OhmArray:
    """Reactance of one phase of a three-phase bank, as star.

    Parameters
    ----------
    line_to_line : float
        Rated line-to-line voltage [1; V].
    reactive : float
        Rated reactive power of the three phases together [1; var].

    Returns
    -------
    array
        Reactance at the fundamental, a single number [1; ohm].

    Notes
    -----
    ``U^2 / Q``. NaN in either input gives NaN.

    References
    ----------
    Elementary.

    Example
    -------
    >>> star_reactance(400.0, 100_000.0).item()
    1.6
    """
    return ratio(np.square(array(line_to_line)), reactive)


def resonance_order(reactance: Ohms, capacitor_reactance: Ohms) -> Annotated[NDArray[np.float64], "order"]:
    """Order at which an inductive supply and a capacitor bank resonate in parallel.

    Parameters
    ----------
    reactance : float
        Reactance of the supply at the fundamental [1; ohm].
    capacitor_reactance : float
        Reactance of the bank at the fundamental [1; ohm].

    Returns
    -------
    array
        Order of the resonance, a single number, rarely whole [1; order].

    Notes
    -----
    ``sqrt(Xc / X)``, which is the square root of short-circuit power over bank rating. NaN in either input gives NaN.

    References
    ----------
    Elementary.

    Example
    -------
    >>> resonance_order(0.03, 3.0).item()
    10.0
    """
    return np.sqrt(ratio(capacitor_reactance, reactance))
