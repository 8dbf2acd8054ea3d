"""Harmonics of new loads: the summation law, the sequence of a load's orders, the voltages and currents they cause."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct

from pqcheck.loads.channels import Array, phases_of, voltage_sum
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.physics.summation import summation_exponent, summed_contributions
from pqcheck.site.site_values import Supply

Law = Literal["summation", "arithmetic"]
"""`summation`: exponents of IEC TR 61000-3-6 by order; `arithmetic`: all contributions in phase."""


class Part(Struct, frozen=True):
    """What new loads contribute to one order, one array for each load.

    `alike` are loads declared to be of the kind that is there already: their angles are taken as equal to its own.
    """

    others: tuple[Array, ...] = ()
    alike: tuple[Array, ...] = ()


Parts = Mapping[int, Part]
"""Contributions by order."""

_POSITION = {"a": 0, "b": 1, "c": 2}


def summed(existing: Array, part: Part, order: int, law: Law) -> Array:
    """What is there and what is added, ``(sum U^alpha)^(1/alpha)``, loads of the same kind in phase; NaN stays NaN."""
    for amount in part.alike:
        existing = existing + amount
    if not part.others:
        return existing
    alpha = 1.0 if law == "arithmetic" else float(summation_exponent(order))
    return summed_contributions(existing, part.others, alpha)


def total_square(parts: Parts, law: Law, count: int) -> Array:
    """Sum of the squares of new harmonic amperes or volts over orders, each order summed by the law."""
    square = np.zeros(count)
    for order, part in parts.items():
        square = square + np.square(summed(np.zeros(count), part, order, law))
    return square


def grown_square(square: Array, recorded: Mapping[int, Array] | None, parts: Parts, law: Law) -> Array:
    """Square of a total of harmonics with the additions.

    Recorded orders are each summed by the law; without any (`recorded` None), the total of the additions is added
    arithmetically, the most it can be. Arithmetically, what the recorded orders leave of the total may be of the orders
    that were not recorded.
    """
    if recorded is None:
        return np.asarray(np.square(np.sqrt(square) + np.sqrt(total_square(parts, law, len(square)))))
    zero = np.zeros(len(square))
    unrecorded = {order: part for order, part in parts.items() if order not in recorded}
    if law == "arithmetic" and unrecorded:
        rest = square - sum((np.square(amount) for amount in recorded.values()), zero)
        square = square + 2 * np.sqrt(np.maximum(rest, 0) * total_square(unrecorded, law, len(square)))
    for order, part in parts.items():
        old = recorded.get(order, zero)
        square = square + np.square(summed(old, part, order, law)) - np.square(old)
    return square


def phase_turns(phases: Sequence[str], order: int = 1) -> dict[str, complex]:
    """Unit phasors of an order in these phases: three balanced ones turn with the order, two are opposite."""
    if len(phases) == 3:
        return {phase: cmath.exp(-2j * math.pi / 3 * order * _POSITION[phase]) for phase in phases}
    return dict(zip(phases, (1.0 + 0j, -1.0 + 0j), strict=False))


def voltage_factor(order: int, before: SupplyImpedance, after: SupplyImpedance) -> float:
    """Volts of an order with new capacitor banks over those without: Zc / (Z + Zc), of whatever source they are.

    A triplen may be of any sequence; where the banks do not reach the zero sequence the larger of both counts.
    """
    factors = [
        abs(after.phase_impedance(order, zero_sequence=zero) / before.phase_impedance(order, zero_sequence=zero))
        for zero in ((False, True) if order % 3 == 0 else (False,))
    ]
    return max(factors)


def beside_banks(
    order: int, amperes: Array, volts: Array | None, before: SupplyImpedance, after: SupplyImpedance, law: Law
) -> Array:
    """Amperes of an order in the line once new banks stand at the place, from those recorded and the volts there.

    The line current is I = (E - U) / Zs with the background E, so I' = I + U (1 - k) / Zs with k = U'/U. The angle
    between I and U is not recorded: arithmetically at most |I| + |U| |1 - k| / |Zs|. Else what the own current
    explains of U grows by k, and the rest counts as background.
    """
    share = after.phase_impedance(order) / before.phase_impedance(order)
    upstream = abs(before.upstream(order))
    drawn = abs(1 - share) / upstream
    if volts is None:
        return amperes * abs(share)
    background = np.maximum(volts - amperes * upstream, 0)
    shaped = summed(amperes * abs(share), Part((background * drawn,)), order, law)
    # Readings that the declared impedance does not explain must not put the bound below what is expected.
    return np.maximum(amperes + volts * drawn, shaped) if law == "arithmetic" else shaped


def zero_sequence(load: NewLoad, order: int) -> bool:
    """Whether an order of the load is the same in all three phases: a triplen of a balanced three-phase load."""
    return len(load.phases) == 3 and order % 3 == 0


def orders_of(loads: Sequence[NewLoad]) -> tuple[int, ...]:
    """Every order that some load has."""
    return tuple(sorted({order for load in loads for order in load.spectrum.percent}))


def contributions(
    loads: Sequence[NewLoad],
    fundamental: Callable[[int], Array],
    ratio: Callable[[NewLoad, int], float],
    *,
    neutral: bool,
) -> dict[int, Part]:
    """What each load contributes to each order, somewhere.

    `fundamental` gives the amperes of a load by its number, `ratio` what one ampere of an order of it makes there (0:
    nothing). Without a neutral the triplens of a balanced three-phase load have no path.
    """
    parts: dict[int, Part] = {}
    for order in orders_of(loads):
        others: list[Array] = []
        alike: list[Array] = []
        for number, load in enumerate(loads):
            percent = load.spectrum.percent.get(order)
            by = ratio(load, order) if percent else 0.0
            if percent and by and (neutral or len(load.phases) < 3 or order % 3):
                (alike if load.same_kind else others).append(fundamental(number) * percent / 100 * by)
        if others or alike:
            parts[order] = Part(tuple(others), tuple(alike))
    return parts


def phase_voltage_ratio(load: NewLoad, order: int, phase: str, source: SupplyImpedance, *, neutral: bool) -> float:
    """Volts line to neutral at an order for each ampere of that order of the load."""
    turns = phase_turns(load.phases, order)
    own = source.phase_impedance(order, zero_sequence=zero_sequence(load, order)) * turns.get(phase, 0j)
    shared = source.neutral_impedance(order) * sum(turns.values()) if neutral else 0j
    return abs(own + shared)


def line_voltage_ratio(load: NewLoad, order: int, pair: tuple[str, str], source: SupplyImpedance) -> float:
    """Volts line to line at an order for each ampere of that order of the load."""
    turns = phase_turns(load.phases, order)
    return abs(source.phase_impedance(order) * (turns.get(pair[0], 0j) - turns.get(pair[1], 0j)))


def neutral_ratio(load: NewLoad, order: int) -> float:
    """Amperes in the neutral for each ampere of an order of the load, 0 where they cancel."""
    ratio = abs(sum(phase_turns(load.phases, order).values()))
    return ratio if ratio > 1e-9 else 0.0


def neutral_current(loads: Sequence[NewLoad], supply: Supply) -> float | None:
    """Neutral current in A of the new loads alone at nominal size: fundamentals as phasors, each order arithmetically.

    None where the supply has no neutral, or it carries the current of the one phase.
    """
    if supply.connection in ("delta", "single-phase"):
        return None
    sizes = [load.apparent_va / voltage_sum(load.phases, supply) for load in loads]
    turns = phase_turns(phases_of(supply))
    pairs = zip(sizes, loads, strict=True)
    fundamental = abs(sum(size * turns[load.phases[0]] for size, load in pairs if len(load.phases) == 1))
    parts = contributions(loads, lambda number: np.array([sizes[number]]), neutral_ratio, neutral=True)
    return math.sqrt(fundamental**2 + float(total_square(parts, "arithmetic", 1)[0]))
