"""The fundamental currents of new loads and what they do to the voltage, interval by interval.

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

from pqcheck.loads.channels import PAIRS, Array, phases_of, voltage_sum
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.model.errors import SiteError
from pqcheck.site.site_values import Supply

Phasor = NDArray[np.complex128]
Get = Callable[[str, str | None], Array | None]
"""Mean readings of a quantity and phase in canonical units, None where not recorded."""

THIRD = 2 * np.pi / 3
MOST_STEPS = 300
CLOSE = 1e-10
LOWEST_SHARE = 0.5
"""No supply delivers power at less than half its open voltage in a stable way (matched load)."""
HIGHEST_SHARE = 2.0
"""A step of the solution beyond twice the open voltage will not come back."""
DEAD_SHARE = 0.05
"""Below this share of nominal the supply is interrupted, as the limit tables have it, and a load does not run."""


class Collapse(SiteError):
    """The declared impedance cannot deliver the addition; `index` is the interval of the block."""

    def __init__(self, text: str, index: int) -> None:
        super().__init__(text)
        self.index = index


class Voltages(Struct, frozen=True):
    """Line-to-neutral (or star) phasors by phase, V. `angles` False: 120 degrees assumed; `live` where none is dead."""

    phasors: Mapping[str, Phasor]
    angles: bool
    live: NDArray[np.bool_]


def voltages(get: Get, supply: Supply, count: int) -> Voltages:
    """Phasors of a block from what was recorded, shape (count,) each; the nominal voltage where nothing was."""
    phases = phases_of(supply)
    nominal = float(supply.line_to_neutral or 0)
    line = float(supply.line_to_line or 0)
    if len(phases) < 3:
        return _of_legs(get, phases, nominal, count)
    if supply.connection == "high-leg-delta":
        nominal = line / np.sqrt(3)
    lines = _recorded(get, list(PAIRS), line)
    sizes = _recorded(get, [f"{phase}n" for phase in phases], nominal) if supply.connection == "wye" else None
    if sizes is None:
        sizes = [np.full(count, nominal)] * 3 if lines is None else _star(lines)
    live = np.all([size > DEAD_SHARE * nominal for size in sizes], axis=0)
    angles = [np.full(count, THIRD)] * 3 if lines is None else _angles(sizes, lines)
    size_a, size_b, size_c = (np.where(live, size, nominal) for size in sizes)
    ab, ca = (np.where(live, angle, THIRD) for angle in (angles[0], angles[2]))
    phasors = {"a": size_a.astype(np.complex128), "b": size_b * np.exp(-1j * ab), "c": size_c * np.exp(1j * ca)}
    return Voltages(phasors, lines is not None, live)


def _of_legs(get: Get, phases: Sequence[str], nominal: float, count: int) -> Voltages:
    sizes = {}
    for phase in phases:
        recorded = get("voltage", f"{phase}n")
        if recorded is None and len(phases) == 2:
            whole = get("voltage", "ab")
            recorded = None if whole is None else whole / 2
        sizes[phase] = np.full(count, nominal) if recorded is None else _filled(recorded, nominal)
    live = np.all([size > DEAD_SHARE * nominal for size in sizes.values()], axis=0)
    signs = {"a": 1.0, "b": -1.0}
    built = {phase: np.where(live, size, nominal).astype(np.complex128) * signs[phase] for phase, size in sizes.items()}
    return Voltages(built, True, live)


def _recorded(get: Get, names: Sequence[str], nominal: float) -> list[Array] | None:
    """The voltages of all these names, None where one was not recorded."""
    arrays = [get("voltage", name) for name in names]
    recorded = [_filled(array, nominal) for array in arrays if array is not None]
    return recorded if len(recorded) == len(arrays) else None


def _filled(values: Array, nominal: float) -> Array:
    return np.where(np.isnan(values), nominal, values)


def _star(lines: Sequence[Array]) -> list[Array]:
    """Distances of the corners of a triangle from its centroid, from its sides ab, bc, ca."""
    ab, bc, ca = (np.square(line) for line in lines)
    return [
        np.sqrt(np.maximum(2 * side + 2 * other - opposite, 0)) / 3
        for side, other, opposite in ((ab, ca, bc), (ab, bc, ca), (bc, ca, ab))
    ]


def _angles(sizes: Sequence[Array], lines: Sequence[Array]) -> list[Array]:
    """Angles a-b, b-c, c-a between star voltages, by the law of cosines; they are made to add up to a full turn."""
    angles = []
    for (first, other), line in zip(((0, 1), (1, 2), (2, 0)), lines, strict=True):
        a, b = sizes[first], sizes[other]
        with np.errstate(invalid="ignore", divide="ignore"):
            cosine = np.clip((a * a + b * b - line * line) / (2 * a * b), -1, 1)
        angles.append(np.where(np.isnan(cosine), THIRD, np.arccos(cosine)))
    whole = np.sum(angles, axis=0)
    return [angle * 2 * np.pi / whole for angle in angles]


class Addition(Struct, frozen=True):
    """Fundamental currents of each new load by phase, their sum by phase, and the voltages before and after."""

    before: Voltages
    after: Mapping[str, Phasor]
    currents: tuple[Mapping[str, Phasor], ...]
    total: Mapping[str, Phasor]
    growth: Mapping[str, Array]
    """How many times what is there draws now, by phase: 1, in the strict bound more where the voltage moved."""
    shared: Mapping[str, Phasor]
    """What the drop in the neutral takes off each phase."""


def add(
    before: Voltages,
    loads: Sequence[NewLoad],
    shares: Sequence[Array],
    source: SupplyImpedance | None,
    supply: Supply,
    lag: Mapping[str, Array],
    existing: Mapping[str, Array] | None = None,
) -> Addition:
    """Currents of `loads` at `shares` of their size, and the voltages once they flow.

    `lag` is the angle of the load that is there, by phase, for loads without a power factor. `existing` are its
    fundamental amperes for the strict bound: it keeps its power where the voltage falls, behaves as an impedance where
    the voltage rises, and what has no known angle drops the voltage most. Raises `Collapse` where the source cannot
    deliver them.
    """
    running = [np.where(before.live, share, 0.0) for share in shares]
    after = dict(before.phasors)
    growth: dict[str, Array] = {phase: np.ones(len(volts)) for phase, volts in after.items()}
    strict = existing is not None
    known = all(load.angle_known for load in loads) and set(lag) == set(after)
    in_line = {phase: np.isnan(lag[phase]) & strict if known else np.bool_(strict) for phase in after}
    for _ in range(MOST_STEPS):
        currents = tuple(
            _currents(load, share, after, supply, lag, before.phasors if strict else None)
            for load, share in zip(loads, running, strict=True)
        )
        total = {
            phase: np.sum(
                [current[phase] for current in currents if phase in current] or [np.zeros_like(volts)], axis=0
            )
            for phase, volts in before.phasors.items()
        }
        if source is None:
            none = {phase: np.zeros_like(volts) for phase, volts in after.items()}
            return Addition(before, after, currents, total, growth, none)
        drawn = total
        if existing is not None:
            growth = {phase: _growth(before.phasors[phase], after[phase]) for phase in after}
            drawn = {
                phase: total[phase] + _more(existing[phase], growth[phase], after[phase], lag.get(phase), total[phase])
                for phase in total
            }
        in_neutral = source.neutral_impedance(1) * np.sum(list(drawn.values()), axis=0)
        shared = _shared(before.phasors, in_neutral if supply.connection != "delta" else 0 * in_neutral, source)
        dropped = _dropped(before.phasors, drawn, source, shared, in_line=in_line)
        moved = {phase: np.abs(dropped[phase] - after[phase]) for phase in dropped}
        change = max(
            float(np.max(moved[phase], initial=0.0)) / float(np.max(np.abs(dropped[phase]))) for phase in dropped
        )
        after = dropped
        shares = [np.abs(after[phase]) / np.abs(before.phasors[phase]) for phase in after]
        beyond = np.any([(share < LOWEST_SHARE) | (share > HIGHEST_SHARE) for share in shares], axis=0)
        if beyond.any():
            raise _collapse(int(np.argmax(beyond)), source)
        if change < CLOSE:
            return Addition(before, after, currents, total, growth, shared)
    assert source is not None
    raise _collapse(int(np.argmax(np.max(list(moved.values()), axis=0))), source)


def _growth(before: Phasor, after: Phasor) -> Array:
    ratio = np.abs(before) / np.maximum(np.abs(after), LOWEST_SHARE / 10 * np.abs(before))
    return np.asarray(np.maximum(ratio, 1 / ratio))


def _more(amperes: Array, growth: Array, volts: Phasor, lag: Array | None, new: Phasor) -> Phasor:
    """What the load that is there draws beyond its recorded current, in phase with what is new where no angle is known.

    Where its current was not recorded, nothing is known.
    """
    unit = volts / np.abs(volts)
    own = new * np.conj(unit)
    # What leads or feeds in raises the voltage.
    drawn = (own.real > 0) & (own.imag <= 0)
    alike = np.where(drawn, new / np.where(drawn, np.abs(new), 1), unit)
    turned = alike if lag is None else np.where(np.isnan(lag), alike, unit * np.exp(-1j * lag))
    return np.asarray(np.nan_to_num(amperes) * (growth - 1) * turned)


def _collapse(index: int, source: SupplyImpedance) -> Collapse:
    return Collapse(
        f"the addition is more than the supply can deliver through {source.magnitude:.4g} ohm, the voltage collapses; "
        "make [[new_load]] smaller or correct the source impedance",
        index,
    )


def _currents(
    load: NewLoad,
    share: Array,
    volts: Mapping[str, Phasor],
    supply: Supply,
    lag: Mapping[str, Array],
    before: Mapping[str, Phasor] | None,
) -> dict[str, Phasor]:
    """Fundamental line currents of one load, by phase; `before` are the voltages without it, for the strict bound."""
    phases = load.phases
    if len(phases) == 2:
        first, other = phases
        across = volts[first] - volts[other]
        without = None if before is None else before[first] - before[other]
        current = _current(load, share, across, supply, lag.get(first), without)
        return {first: current, other: -current}
    return {
        phase: _current(load, share, volts[phase], supply, lag.get(phase), None if before is None else before[phase])
        for phase in phases
    }


def _current(
    load: NewLoad, share: Array, across: Phasor, supply: Supply, lag: Array | None, without: Phasor | None
) -> Phasor:
    """Current of one element of a load that lies across a voltage.

    With the voltage `without` it: of power, current and impedance that may stay, what draws most, unless declared.
    """
    if load.power_factor is None:
        turn = np.exp(-1j * (np.zeros(len(share)) if lag is None else np.nan_to_num(lag)))
    else:
        own_lag = cmath.phase(complex(load.active_w or 0.0, load.reactive_var or 0.0))
        turn = np.full(len(share), cmath.exp(-1j * own_lag))
    direction = across / np.abs(across)
    whole = voltage_sum(load.phases, supply)
    nominal = whole / 3 if len(load.phases) == 3 else whole
    # Below the share at which the supply counts as collapsed nothing is sought, and nothing may overflow.
    ratio = np.maximum(np.abs(across) / nominal, LOWEST_SHARE / 10)
    stays = "impedance" if load.bank is not None else load.behaviour
    if stays == "impedance":
        by = ratio
    elif without is not None and not stays:
        # A drop taken at its largest must not make an impedance draw less.
        by = np.maximum(np.maximum(ratio, np.abs(without) / nominal), 1 / ratio)
    else:
        by = np.ones_like(ratio) if load.constant_current else 1 / ratio
    return np.asarray(share * load.apparent_va / whole * by * direction * turn)


def _shared(before: Mapping[str, Phasor], in_neutral: Phasor, source: SupplyImpedance) -> dict[str, Phasor]:
    """What the drop in the neutral takes off each phase; where its angle is unknown all of it, or the opposite."""
    if not source.neutral_moves:
        return dict.fromkeys(before, in_neutral)
    size = -source.neutral_moves * np.abs(in_neutral)
    return {phase: np.asarray(size * volts / np.abs(volts)) for phase, volts in before.items()}


def _dropped(
    before: Mapping[str, Phasor],
    total: Mapping[str, Phasor],
    source: SupplyImpedance,
    shared: Mapping[str, Phasor],
    *,
    in_line: Mapping[str, NDArray[np.bool_] | np.bool_],
) -> dict[str, Phasor]:
    """The voltages with these currents flowing through the source; `in_line`: where every drop is its largest."""
    after = {}
    for phase, volts in before.items():
        drop = complex(source.resistance, source.reactance) * total[phase]
        if not source.angle_known or in_line[phase].any():
            direction = volts / np.abs(volts)
            own = total[phase] * np.conj(direction)
            # What feeds in or is mainly leading raises the voltage.
            sign = np.where(own.real - own.imag >= 0, 1.0, -1.0) if not source.own_moves else -source.own_moves
            largest = source.magnitude * np.abs(total[phase]) * direction * sign
            drop = np.where(in_line[phase], largest, drop) if source.angle_known else largest
        after[phase] = np.asarray(volts - drop - shared[phase])
    return after
