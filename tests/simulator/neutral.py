"""Services with a sound and with a broken neutral: what the legs do."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.simulator.circuit import Service, broken_neutral, solve, split_source, wye_source
from tests.simulator.scenes import steps, walk

Floats = NDArray[np.float64]
Scene = tuple[dict[str, Floats], float, dict[str, Any]]


def _household(rng: np.random.Generator) -> tuple[Floats, float, Floats]:
    """Load of two legs [VA], the interval [s] and the upstream level; ten minutes or a day."""
    count, interval = ((600, 1.0), (120, 5.0), (1440, 60.0), (288, 300.0))[int(rng.integers(4))]
    base = np.stack([400 * walk(rng, count, interval) for _ in range(2)])
    appliances = 12_000 * steps(rng, count, min(interval * 10, 60.0), 2)
    level = 1 + 0.008 * (walk(rng, count, interval) - 1) + 0.0005 * rng.standard_normal(count)
    return base + appliances, interval, level


def split_sound(rng: np.random.Generator) -> Scene:
    """Two legs with an ordinary service drop: legs and sum fall together."""
    load, interval, level = _household(rng)
    wire = float(rng.uniform(0.02, 0.08))
    volts, amps = solve(Service(split_source(120, level), complex(wire), complex(wire * rng.uniform(0.9, 1.6))),
                        load.astype(complex))
    return _table(volts, amps, rng), interval, {"nominal_voltage": "120/240 V", "connection": "split-phase",
                                                "frequency": "60 Hz"}


def split_broken(rng: np.random.Generator) -> Scene:
    """The neutral is open (a poor earth path remains): what one leg loses the other gains."""
    load, interval, level = _household(rng)
    source = split_source(120, level)
    earth = 1 / float(rng.uniform(5, 25))
    admittance = load / 120**2
    total = admittance.sum(axis=0) + earth
    star = (admittance * source).sum(axis=0) / total
    volts = source - star
    return _table(volts, admittance * volts, rng), interval, {
        "nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"}


def wye_broken(rng: np.random.Generator) -> Scene:
    """A three-phase service without its neutral: the star point floats with the load."""
    count, interval = ((600, 1.0), (1440, 60.0), (144, 600.0))[int(rng.integers(3))]
    level = 1 + 0.008 * (walk(rng, count, interval) - 1)
    shares = np.array([1.0, float(rng.uniform(1.3, 2.0)), float(rng.uniform(0.5, 0.8))])
    load = 10_000 * shares[:, None] * np.stack([walk(rng, count, interval) for _ in range(3)])
    volts, amps = broken_neutral(wye_source(230.94, level), (load / 230.94**2).astype(complex))
    return _table(volts, amps, rng), interval, {"nominal_voltage": "400 V", "connection": "wye"}


def _table(volts: Any, amps: Any, rng: np.random.Generator) -> dict[str, Floats]:
    phases = "abc"[: len(volts)]
    noisy = np.abs(volts) * (1 + 0.0003 * rng.standard_normal(volts.shape))
    table = {f"voltage.{phase}n [V]": np.round(noisy[number], 2) for number, phase in enumerate(phases)}
    pairs = ((0, 1, "ab"), (1, 2, "bc"), (2, 0, "ca")) if len(volts) == 3 else ((0, 1, "ab"),)
    for first, second, name in pairs:
        table[f"voltage.{name} [V]"] = np.round(
            np.abs(volts[first] - volts[second]) * (1 + 0.0003 * rng.standard_normal(volts.shape[1])), 2
        )
    for number, phase in enumerate(phases):
        table[f"current.{phase} [A]"] = np.round(np.abs(amps[number]), 2)
        power = volts[number] * np.conj(amps[number])
        table[f"active_power.{phase} [W]"] = np.round(power.real, 1)
    return table


SCENES: dict[str, tuple[Callable[[np.random.Generator], Scene], str]] = {
    "sound neutral, split phase": (split_sound, "neutral-loose"),
    "broken neutral, split phase": (split_broken, "neutral-loose"),
    "broken neutral, wye": (wye_broken, "neutral-loose"),
}
"""Name to scene and the danger sign that should (or, sound, should not) show."""
