"""Services of every connection as linear networks: sources behind impedances, loads between any two nodes.

Nodal analysis only: the voltages of all nodes follow from one linear system per interval, so that a neutral may be
sound, poor or gone. Nothing here is shared with the package under test, no threshold either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Phasors = NDArray[np.complex128]
Floats = NDArray[np.float64]

TURN = np.exp(-2j * np.pi / 3)


@dataclass(frozen=True)
class ServiceKind:
    """A service as a site file declares it; `source` are open-circuit phasors to the source's neutral [V].

    `grounded` is the conductor that a corner-grounded delta grounds (recorded to ground beside the lines). `powers` are
    those of "phases", of "elements" (V_ab with I_a, V_cb with I_c), or "totals".
    """

    name: str
    designation: str
    connection: str
    source: tuple[complex, ...]
    neutral: bool = True
    high_leg: str = ""
    grounded: int | None = None
    powers: str = "phases"

    @property
    def elements(self) -> bool:
        """Whether a meter with two elements forms the powers."""
        return self.powers == "elements"

    @property
    def leg(self) -> float:
        """Nominal to neutral of the first conductor [V]; of a delta U/sqrt(3)."""
        return abs(self.source[0])


def _wye(leg: float) -> tuple[complex, ...]:
    return (complex(leg), leg * TURN, leg * TURN.conjugate())


SERVICES = {
    service.name: service for service in (
        ServiceKind("split-phase", "120/240 V", "split-phase", (120 + 0j, -120 + 0j)),
        ServiceKind("wye 208", "208Y/120 V", "wye", _wye(120.1)),
        ServiceKind("wye 400", "400 V", "wye", _wye(230.94)),
        ServiceKind("wye 480", "480Y/277 V", "wye", _wye(277.13)),
        ServiceKind("high-leg delta", "120/240 V", "high-leg-delta", (120 + 0j, -207.85j, -120 + 0j), high_leg="b"),
        ServiceKind("delta, two elements", "480 V", "delta", _wye(277.13), neutral=False, powers="elements"),
        ServiceKind("delta, three clamps", "480 V", "delta", _wye(277.13), neutral=False),
        ServiceKind("delta, totals only", "480 V", "delta", _wye(277.13), neutral=False, powers="totals"),
        ServiceKind("delta, corner grounded", "480 V", "delta", _wye(277.13), neutral=False, grounded=1,
                    powers="totals"),
        ServiceKind("medium voltage, two elements", "13.8 kV", "delta", _wye(7967.4), neutral=False,
                    powers="elements"),
        ServiceKind("medium voltage wye", "12470Y/7200 V", "wye", _wye(7199.6)),
    )
}


@dataclass(frozen=True)
class Load:
    """A load between two nodes (the neutral is -1): the power at nominal voltage per interval [VA]."""

    first: int
    second: int
    power: Phasors


@dataclass(frozen=True)
class State:
    """Node voltages to the local neutral (delta: to the source's) and conductor currents, shape (conductors, n)."""

    volts: Phasors
    amps: Phasors


def solve(
    service: ServiceKind, level: Floats, line: complex, neutral: complex, loads: list[Load]
) -> State:
    """Voltages and currents of loads of constant impedance; `neutral` is its impedance [ohm], infinite when gone."""
    source = np.array(service.source)[:, None] * level[None, :]
    count, size = source.shape[1], len(source)
    matrix = np.zeros((count, size + 1, size + 1), complex)
    for conductor in range(size):
        matrix[:, conductor, conductor] += 1 / line
    matrix[:, size, size] += 1e9 if not service.neutral else (0 if np.isinf(abs(neutral)) else 1 / neutral)
    for load in loads:
        pair = [size if end < 0 else end for end in (load.first, load.second)]
        ends = np.append(np.array(service.source), 0)
        admittance = np.conj(load.power) / abs(ends[pair[0]] - ends[pair[1]]) ** 2
        for own, other in (pair, pair[::-1]):
            matrix[:, own, own] += admittance
            matrix[:, own, other] -= admittance
    drive = np.zeros((count, size + 1), complex)
    drive[:, :size] = (source / line).T
    nodes = np.linalg.solve(matrix, drive[:, :, None])[:, :, 0].T
    amps = (source - nodes[:size]) / line
    return State(nodes[:size] - nodes[size], amps)


@dataclass(frozen=True)
class Hookup:
    """How a recorder is connected, and the state of its parts.

    `leads[i]` and `clamps[i]` are the conductors behind voltage and current channel i, `arrows[i]` is -1 against the
    arrow, `gain` and `volt_gain` multiply channels, `off` is a lead in the air, `dead` a clamp in the air.
    """

    leads: tuple[int, ...] = (0, 1, 2)
    clamps: tuple[int, ...] = (0, 1, 2)
    arrows: tuple[int, ...] = (1, 1, 1)
    gain: tuple[float, ...] = (1.0, 1.0, 1.0)
    volt_gain: tuple[float, ...] = (1.0, 1.0, 1.0)
    off: int | None = None
    dead: int | None = None


@dataclass(frozen=True)
class Quality:
    """How good the recorder is: errors per channel, noise, resolution; triplen share of the phase currents."""

    gain: Floats
    angle: Floats
    noise_amps: float
    noise_volts: float
    step_volts: float
    step_amps: float
    triplen: float
    with_orders: bool


def table_of(
    service: ServiceKind, state: State, hookup: Hookup, quality: Quality, rng: np.random.Generator
) -> dict[str, Floats]:
    """What the recorder writes, as a plain table (contract column names)."""
    size = len(state.volts)
    volts = state.volts[list(hookup.leads[:size])] * np.array(hookup.volt_gain[:size])[:, None]
    volts = volts * (1 + quality.noise_volts * rng.standard_normal(volts.shape))
    air = rng.uniform(0.5, 6.0) + 0.3 * rng.standard_normal(volts.shape[1])
    if hookup.off is not None:
        others = [volts[number] for number in range(size) if number != hookup.off]
        # Without a neutral the input floats between the two other leads.
        volts[hookup.off] = air if service.neutral else sum(others) / 2 + 0.004 * abs(others[0])
    noise = quality.noise_amps * (rng.standard_normal(volts.shape) + 1j * rng.standard_normal(volts.shape)) / np.sqrt(2)
    gain = np.array(hookup.gain[:size]) * quality.gain[:size] * np.exp(1j * quality.angle[:size])
    through = state.amps[list(hookup.clamps[:size])] * np.array(hookup.arrows[:size])[:, None] * gain[:, None]
    if hookup.dead is not None:
        through[hookup.dead] *= 0.0005
    amps = through + noise
    third = quality.triplen * np.abs(through) if service.neutral else np.zeros(amps.shape)
    rms = np.hypot(np.abs(amps), third)
    step, phases = quality.step_volts * (100 if service.leg > 1000 else 1), "abc"[:size]
    table: dict[str, Floats] = {}
    if service.neutral:
        for phase, row in zip(phases, volts, strict=True):
            table[f"voltage.{phase}n [V]"] = rounded(np.abs(row), step)
    elif service.grounded is not None:
        for number, phase in enumerate(phases):
            seen = np.abs(volts[number] - state.volts[service.grounded])
            table[f"voltage.{phase}n [V]"] = rounded(seen + np.abs(0.3 * rng.standard_normal(seen.size)), step)
    for first, second in ((0, 1), (1, 2), (2, 0))[: 1 if size == 2 else 3]:
        table[f"voltage.{phases[first]}{phases[second]} [V]"] = rounded(np.abs(volts[first] - volts[second]), step)
    for phase, row in zip(phases, rms, strict=True):
        table[f"current.{phase} [A]"] = rounded(row, quality.step_amps)
    if service.neutral:
        true_third = quality.triplen * np.abs(state.amps)
        neutral = np.hypot(np.abs(state.amps.sum(axis=0)), true_third.sum(axis=0))
        table["current.n [A]"] = rounded(neutral + np.abs(noise[0]), quality.step_amps)
    powers = volts * np.conj(amps)
    if service.elements:
        powers = np.stack([(volts[0] - volts[1]) * np.conj(amps[0]), (volts[2] - volts[1]) * np.conj(amps[2])])
        phases = "ac"
    elif not service.neutral:
        powers = (volts - volts.mean(axis=0)) * np.conj(amps)
    written = "" if service.powers == "totals" else phases
    for number, phase in enumerate(phases):
        if phase in written:
            table[f"active_power.{phase} [W]"] = np.round(powers[number].real, 1)
            table[f"reactive_power.{phase} [var]"] = np.round(powers[number].imag, 1)
            if service.neutral:
                table[f"apparent_power.{phase} [VA]"] = np.round(np.abs(volts[number]) * rms[number], 1)
    table["active_power.total [W]"] = np.round(powers.real.sum(axis=0), 1)
    table["reactive_power.total [var]"] = np.round(powers.imag.sum(axis=0), 1)
    if quality.with_orders and service.neutral:
        for phase, row in zip("abc"[:size], third, strict=True):
            table[f"current_harmonic.{phase}.h3 [A]"] = rounded(row, 0.001)
    return table


def rounded(values: Floats, step: float) -> Floats:
    """Values in steps of an instrument."""
    return np.asarray(np.round(np.round(values / step) * step, 6))
