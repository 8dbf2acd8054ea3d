"""Harmonic contributions of new loads: summation laws, sequence of a load's orders, voltages they cause."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.declared import NewLoad
from pqcheck.loads.source import Source
from pqcheck.physics.summation import summation_exponent, summed_contributions

Array = NDArray[np.float64]
Law = Literal["summation", "arithmetic"]
"""`summation`: exponents of IEC TR 61000-3-6 by order; `arithmetic`: all contributions in phase."""

_POSITION = {"a": 0, "b": 1, "c": 2}


def exponent(order: int, law: Law) -> float:
    """Summation exponent of an order under a law."""
    return 1.0 if law == "arithmetic" else float(summation_exponent(order))


def summed(existing: Array, additions: Sequence[Array], order: int, law: Law) -> Array:
    """What is there and what is added, ``(sum U^alpha)^(1/alpha)``; NaN stays NaN."""
    if not additions:
        return existing
    return summed_contributions(existing, additions, exponent(order, law))


def directions(load: NewLoad, order: int) -> dict[str, complex]:
    """The currents of an order in the phases of a load, as unit phasors: a balanced load turns with the order."""
    if len(load.phases) == 3:
        return {phase: cmath.exp(-2j * math.pi / 3 * order * _POSITION[phase]) for phase in load.phases}
    if len(load.phases) == 2:
        return {load.phases[0]: 1.0 + 0j, load.phases[1]: -1.0 + 0j}
    return {load.phases[0]: 1.0 + 0j}


def current_of(load: NewLoad, order: int, fundamental: Array, *, neutral: bool) -> Array | None:
    """Amperes of an order of a load with this fundamental; None where it has none.

    Without a neutral the triplens of a balanced three-phase load have no path.
    """
    percent = load.spectrum.percent.get(order)
    if not percent or (not neutral and len(load.phases) == 3 and order % 3 == 0):
        return None
    return fundamental * percent / 100


def phase_voltage_ratio(load: NewLoad, order: int, phase: str, source: Source, *, neutral: bool) -> float:
    """Volts line to neutral at an order for each ampere of that order of the load."""
    turns = directions(load, order)
    own = source.phase_impedance(order) * turns.get(phase, 0j)
    shared = source.neutral_impedance(order) * sum(turns.values()) if neutral else 0j
    return abs(own + shared)


def line_voltage_ratio(load: NewLoad, order: int, pair: tuple[str, str], source: Source) -> float:
    """Volts line to line at an order for each ampere of that order of the load."""
    turns = directions(load, order)
    return abs(source.phase_impedance(order) * (turns.get(pair[0], 0j) - turns.get(pair[1], 0j)))


def neutral_ratio(load: NewLoad, order: int) -> float:
    """Amperes in the neutral for each ampere of an order of the load."""
    return abs(sum(directions(load, order).values()))


def orders_of(loads: Sequence[NewLoad]) -> tuple[int, ...]:
    """Every order that some load has."""
    return tuple(sorted({order for load in loads for order in load.spectrum.percent}))


def total_square(parts: Mapping[int, Sequence[Array]], law: Law, count: int) -> Array:
    """Sum of the squares of new harmonic amperes or volts over orders, each order summed by the law."""
    square = np.zeros(count)
    for order, additions in parts.items():
        if additions:
            square = square + np.square(summed(np.zeros(count), additions, order, law))
    return square
