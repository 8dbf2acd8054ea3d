"""The currents of new loads and what they do to the fundamental voltage, interval by interval.

Recordings hold magnitudes. Phasors are built from what is there: line-to-neutral magnitudes with the angles that the
line-to-line magnitudes leave possible, else 120 degrees apart; line-to-line magnitudes alone as a triangle with its
centroid as neutral; else the nominal voltages. Loads that are there keep their currents.
"""

from __future__ import annotations

import cmath
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.errors import SiteError
from pqcheck.loads.declared import NewLoad, voltage_sum
from pqcheck.loads.series import phases_of
from pqcheck.loads.source import Source
from pqcheck.site.model import Supply

Array = NDArray[np.float64]
Phasor = NDArray[np.complex128]
Get = Callable[[str, str | None], Array | None]
"""Mean readings of a quantity and phase in canonical units, None where not recorded."""

PAIRS = {"ab": ("a", "b"), "bc": ("b", "c"), "ca": ("c", "a")}
MOST_STEPS = 300
CLOSE = 1e-10
LOWEST_SHARE = 0.5
"""No supply delivers power at less than half its open voltage in a stable way (matched load)."""
DEAD_SHARE = 0.05
"""Below this share of nominal the supply is interrupted (design principle 2) and a load does not run."""


class Collapse(SiteError):
    """The declared impedance cannot deliver the addition; `index` is the interval of the block."""

    def __init__(self, text: str, index: int) -> None:
        super().__init__(text)
        self.index = index


class Voltages(Struct, frozen=True):
    """Line-to-neutral (or star) phasors by phase, V. `measured` False: nominal; `angles` False: 120 degrees assumed."""

    phasors: Mapping[str, Phasor]
    measured: bool
    angles: bool
    live: NDArray[np.bool_]


def voltages(get: Get, supply: Supply, count: int) -> Voltages:
    """Phasors of a block from what was recorded."""
    phases = phases_of(supply)
    nominal = float(supply.line_to_neutral or 0)
    line = float(supply.line_to_line or 0)
    if supply.connection == "high-leg-delta":
        nominal = line / np.sqrt(3)
    if supply.connection in ("single-phase", "split-phase"):
        return _with_legs(get, phases, nominal, count)
    to_neutral = [get("voltage", f"{phase}n") for phase in phases]
    between = [get("voltage", pair) for pair in PAIRS]
    three_lines = all(one is not None for one in between)
    if supply.connection in ("wye",) and all(one is not None for one in to_neutral):
        sizes = [_filled(one, nominal) for one in to_neutral if one is not None]
        angles = [2 * np.pi / 3] * 3
        if three_lines:
            angles = _angles(sizes, [_filled(one, line) for one in between if one is not None])  # type: ignore[assignment]
        return _built(sizes, angles, nominal, measured=True, known=three_lines)
    if three_lines:
        lines = [_filled(one, line) for one in between if one is not None]
        sizes = _star(lines)
        return _built(sizes, _angles(sizes, lines), nominal, measured=True, known=True)
    flat = [np.full(count, nominal)] * 3
    return _built(flat, [2 * np.pi / 3] * 3, nominal, measured=False, known=False)


def _with_legs(get: Get, phases: Sequence[str], nominal: float, count: int) -> Voltages:
    sizes = {}
    measured = True
    for phase in phases:
        recorded = get("voltage", f"{phase}n")
        if recorded is None and len(phases) == 2:
            whole = get("voltage", "ab")
            recorded = None if whole is None else whole / 2
        measured &= recorded is not None
        sizes[phase] = np.full(count, nominal) if recorded is None else _filled(recorded, nominal)
    live = np.all([size > DEAD_SHARE * nominal for size in sizes.values()], axis=0)
    signs = {"a": 1.0, "b": -1.0}
    built = {phase: np.where(live, size, nominal).astype(np.complex128) * signs[phase] for phase, size in sizes.items()}
    return Voltages(built, measured, True, live)


def _filled(values: Array, nominal: float) -> Array:
    return np.where(np.isnan(values), nominal, values)


def _star(lines: Sequence[Array]) -> list[Array]:
    """Distances of the corners of a triangle from its centroid, from its sides ab, bc, ca."""
    ab, bc, ca = (np.square(one) for one in lines)
    return [
        np.sqrt(np.maximum(2 * one + 2 * other - opposite, 0)) / 3
        for one, other, opposite in ((ab, ca, bc), (ab, bc, ca), (bc, ca, ab))
    ]


def _angles(sizes: Sequence[Array], lines: Sequence[Array]) -> list[Array]:
    """Angles a-b, b-c, c-a between star voltages, by the law of cosines; they are made to add up to a full turn."""
    found = []
    for (one, other), line in zip(((0, 1), (1, 2), (2, 0)), lines, strict=True):
        a, b = sizes[one], sizes[other]
        with np.errstate(invalid="ignore", divide="ignore"):
            cosine = np.clip((a * a + b * b - line * line) / (2 * a * b), -1, 1)
        found.append(np.where(np.isnan(cosine), 2 * np.pi / 3, np.arccos(cosine)))
    whole = np.sum(found, axis=0)
    return [one * 2 * np.pi / whole for one in found]


def _built(
    sizes: Sequence[Array], angles: Sequence[Array | float], nominal: float, *, measured: bool, known: bool
) -> Voltages:
    live = np.all([size > DEAD_SHARE * nominal for size in sizes], axis=0)
    size_a, size_b, size_c = (np.where(live, size, nominal) for size in sizes)
    ab, ca = (np.where(live, angle, 2 * np.pi / 3) for angle in (angles[0], angles[2]))
    phasors = {
        "a": size_a.astype(np.complex128),
        "b": size_b * np.exp(-1j * ab),
        "c": size_c * np.exp(1j * ca),
    }
    return Voltages(phasors, measured, known, live)


class Addition(Struct, frozen=True):
    """Fundamental currents of each new load by phase, and the voltages before and after."""

    before: Voltages
    after: Mapping[str, Phasor]
    currents: tuple[Mapping[str, Phasor], ...]

    def total(self, phase: str) -> Phasor:
        """Sum of the new currents in a phase."""
        found = [one[phase] for one in self.currents if phase in one]
        return np.sum(found, axis=0) if found else np.zeros(len(self.after[phase]), dtype=np.complex128)


def add(
    before: Voltages,
    loads: Sequence[NewLoad],
    shares: Sequence[Array],
    source: Source | None,
    supply: Supply,
    angle: Mapping[str, Array],
) -> Addition:
    """Currents of `loads` at `shares` of their size, and the voltages once they flow.

    `angle` is the angle of the load that is there, by phase, for loads without a power factor. Raises `Collapse` where
    the source cannot deliver them.
    """
    running = [np.where(before.live, share, 0.0) for share in shares]
    after = dict(before.phasors)
    for _ in range(MOST_STEPS):
        currents = tuple(
            _currents(load, share, after, supply, angle) for load, share in zip(loads, running, strict=True)
        )
        if source is None:
            break
        found = _dropped(before.phasors, currents, source, neutral=supply.connection != "delta")
        change = max(
            float(np.max(np.abs(found[phase] - after[phase]), initial=0.0)) / float(np.max(np.abs(found[phase])))
            for phase in found
        )
        after = found
        low = [np.abs(after[phase]) < LOWEST_SHARE * np.abs(before.phasors[phase]) for phase in after]
        if np.any(low):
            _collapsed(np.any(low, axis=0), source)
        if change < CLOSE:
            break
    else:
        moved = np.any([np.abs(found[phase] - after[phase]) >= 0 for phase in found], axis=0)
        _collapsed(moved, source)
    return Addition(before, after, currents)


def _collapsed(where: NDArray[np.bool_], source: Source | None) -> None:
    assert source is not None
    index = int(np.argmax(where))
    raise Collapse(
        f"the addition is more than the supply can deliver through {source.magnitude:.4g} ohm, the voltage collapses; "
        "make [[new_load]] smaller or correct the source impedance",
        index,
    )


def _currents(
    load: NewLoad, share: Array, volts: Mapping[str, Phasor], supply: Supply, angle: Mapping[str, Array]
) -> dict[str, Phasor]:
    """Fundamental line currents of one load, by phase."""
    phases = load.phases
    if len(phases) == 2:
        across = volts[phases[0]] - volts[phases[1]]
        current = _current(load, share, across, 1.0, supply, angle.get(phases[0]))
        return {phases[0]: current, phases[1]: -current}
    return {phase: _current(load, share, volts[phase], 1 / len(phases), supply, angle.get(phase)) for phase in phases}


def _current(load: NewLoad, share: Array, across: Phasor, part: float, supply: Supply, angle: Array | None) -> Phasor:
    """Current of one element of a load that lies across a voltage."""
    if load.power_factor is None:
        turn = np.exp(-1j * (np.zeros(len(share)) if angle is None else np.nan_to_num(angle)))
    else:
        lag = cmath.phase(complex(load.active_w or 0.0, load.reactive_var or 0.0))
        turn = np.full(len(share), cmath.exp(-1j * lag))
    direction = across / np.abs(across)
    if load.constant_current:
        size = load.apparent_va / voltage_sum(load.phases, supply)
        return np.asarray(share * size * direction * turn)
    return np.asarray(share * load.apparent_va * part / np.abs(across) * direction * turn)


def _dropped(
    before: Mapping[str, Phasor], currents: Sequence[Mapping[str, Phasor]], source: Source, *, neutral: bool
) -> dict[str, Phasor]:
    sums = {
        phase: np.sum(
            [one[phase] for one in currents if phase in one] or [np.zeros(len(volts), dtype=np.complex128)], axis=0
        )
        for phase, volts in before.items()
    }
    impedance = complex(source.resistance, source.reactance)
    shared = source.neutral_impedance(1) * np.sum(list(sums.values()), axis=0) if neutral else 0.0
    after = {}
    for phase, volts in before.items():
        if source.angle_known:
            drop = impedance * sums[phase]
        else:
            direction = volts / np.abs(volts)
            sign = np.where((sums[phase] * np.conj(direction)).real >= 0, 1.0, -1.0)
            drop = source.magnitude * np.abs(sums[phase]) * direction * sign
        after[phase] = np.asarray(volts - drop - shared)
    return after
