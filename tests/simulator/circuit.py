"""A service with source and neutral impedance, loads and a recorder: phasors in, readings out.

Kirchhoff only. Voltages are phasors to the ideal source neutral; each load draws a complex power at the voltage it
sees, and the drop over source and neutral impedance is iterated until it agrees. Nothing here is shared with the
package under test, no threshold either.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Phasors = NDArray[np.complex128]
Floats = NDArray[np.float64]

A120 = np.exp(-2j * np.pi / 3)


@dataclass(frozen=True)
class Service:
    """`source` phasors of the open-circuit voltages, shape (phases, n) [V]; impedances in ohm."""

    source: Phasors
    line: complex
    neutral: complex


def wye_source(line_to_neutral: float, level: Floats) -> Phasors:
    """Three voltages 120 degrees apart, order a, b, c, times a level per interval."""
    return line_to_neutral * level[None, :] * np.array([1, A120, A120.conjugate()])[:, None]


def split_source(leg: float, level: Floats) -> Phasors:
    """Two legs of a centre-tapped winding: the second is opposite to the first."""
    return leg * level[None, :] * np.array([1.0, -1.0])[:, None].astype(complex)


def solve(service: Service, power: Phasors, shunt: Phasors | None = None) -> tuple[Phasors, Phasors]:
    """Voltages to the local neutral and currents of constant-power loads [VA] plus constant shunt admittances [S]."""
    volts = service.source.copy()
    nominal = np.abs(service.source).mean()
    for _ in range(60):
        # Below 70 % of nominal loads behave like impedances, or the iteration may find no state.
        floor = 0.7 * nominal
        safe = np.where(np.abs(volts) > floor, volts, floor * np.exp(1j * np.angle(volts)))
        amps = np.conj(power / safe) * np.minimum(np.abs(volts) / floor, 1.0)
        if shunt is not None:
            amps = amps + shunt * volts
        drop = service.line * amps + service.neutral * amps.sum(axis=0)
        fresh = service.source - drop
        if np.abs(fresh - volts).max() < 1e-6 * nominal:
            volts = fresh
            break
        volts = 0.5 * volts + 0.5 * fresh
    return volts, amps


def broken_neutral(source: Phasors, admittance: Phasors) -> tuple[Phasors, Phasors]:
    """Voltages and currents when no neutral conductor is left: the star point floats (Millman)."""
    star = (admittance * source).sum(axis=0) / admittance.sum(axis=0)
    volts = source - star
    return volts, admittance * volts


@dataclass(frozen=True)
class Recorder:
    """How the recorder is connected and how good it is.

    `leads[i]` and `clamps[i]` are the conductors behind voltage and current channel i, `arrows[i]` is -1 against the
    arrow. `gain` and `angle` are errors per current channel, `noise` the noise floor as a share of `range_amps`.
    """

    leads: tuple[int, ...] = (0, 1, 2)
    clamps: tuple[int, ...] = (0, 1, 2)
    arrows: tuple[int, ...] = (1, 1, 1)
    gain: tuple[float, ...] = (1.0, 1.0, 1.0)
    angle: tuple[float, ...] = (0.0, 0.0, 0.0)
    range_amps: float = 1000.0
    noise: float = 0.0005
    volts_noise: float = 0.0003
    step_volts: float = 0.01
    step_amps: float = 0.01


@dataclass(frozen=True)
class Readings:
    """What the recorder writes, rows per channel: volts, lines, amps, watts, vars, volt-amperes, neutral amps."""

    volts: Floats
    lines: Floats
    amps: Floats
    watts: Floats
    vars: Floats
    neutral: Floats
    extra: dict[str, Floats] = field(default_factory=dict)


def read(volts: Phasors, amps: Phasors, recorder: Recorder, rng: np.random.Generator) -> Readings:
    """Connect the recorder, add its errors, and write rounded values."""
    seen_v = volts[list(recorder.leads)]
    seen_v = seen_v * (1 + recorder.volts_noise * rng.standard_normal(seen_v.shape))
    arrows = np.array(recorder.arrows)[:, None]
    gain = np.array(recorder.gain)[:, None] * np.exp(1j * np.array(recorder.angle))[:, None]
    seen_i = amps[list(recorder.clamps)] * arrows * gain
    floor = recorder.noise * recorder.range_amps
    seen_i = seen_i + floor * (rng.standard_normal(seen_i.shape) + 1j * rng.standard_normal(seen_i.shape)) / np.sqrt(2)
    power = seen_v * np.conj(seen_i)
    pairs = ((0, 1), (1, 2), (2, 0)) if len(seen_v) == 3 else ((0, 1),)
    lines = np.stack([np.abs(seen_v[first] - seen_v[second]) for first, second in pairs])
    neutral = np.abs(amps.sum(axis=0)) + floor * np.abs(rng.standard_normal(amps.shape[1]))
    return Readings(
        _rounded(np.abs(seen_v), recorder.step_volts), _rounded(lines, recorder.step_volts),
        _rounded(np.abs(seen_i), recorder.step_amps), np.round(power.real, 1), np.round(power.imag, 1),
        _rounded(neutral, recorder.step_amps),
    )


def _rounded(values: Floats, step: float) -> Floats:
    return np.round(np.round(values / step) * step, 6)
