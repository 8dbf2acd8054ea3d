"""Random sites: what loads do over the day, how big the service is, what the recorder is like."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulator.circuit import Phasors, Readings, Recorder, Service, read, solve, wye_source

Floats = NDArray[np.float64]

NOMINALS = {"208Y/120 V": 120.0, "400 V": 230.94, "480Y/277 V": 277.13}
LENGTHS = ((600, 1.0), (600, 10.0), (1440, 60.0), (432, 600.0), (1008, 600.0), (2016, 300.0))
"""Points and interval [s]: ten minutes, a hundred minutes, a day, three days, a week (twice)."""

KINDS = ("inductive", "near unity", "leading", "capacitor", "low load", "export", "single export", "night off")


@dataclass(frozen=True)
class Site:
    """A drawn site. `power` is the load per phase and interval [VA], `shunt` a fixed admittance per phase [S]."""

    kind: str
    designation: str
    leg: float
    interval_s: float
    size: float
    generation: bool
    service: Service
    power: Phasors
    shunt: Phasors | None
    recorder: Recorder
    start_hour: float

    @property
    def count(self) -> int:
        """Intervals."""
        return self.power.shape[1]


def draw(
    rng: np.random.Generator, kind: str | None = None, length: tuple[int, float] | None = None,
    factor: float | None = None,
) -> Site:
    """A random site of a kind; `factor` fixes the load's power factor (lagging)."""
    kind = kind or str(rng.choice(KINDS))
    designation = str(rng.choice(list(NOMINALS)))
    leg = NOMINALS[designation]
    count, interval = length or LENGTHS[int(rng.integers(len(LENGTHS)))]
    start_hour = float(rng.uniform(0, 24)) if count * interval < 86400 else 0.0
    if kind == "night off" and count * interval < 86400:
        start_hour = float(rng.uniform(8, 16))
    hours = (start_hour + np.arange(count) * interval / 3600) % 24
    size = leg * float(rng.uniform(60, 600))
    shares = balanced_to(rng, float(rng.uniform(0, 0.3)))
    shape = day_shape(rng, hours, kind)
    wiggle = np.stack([walk(rng, count, interval) for _ in range(3)])
    common = walk(rng, count, interval)
    mix = float(rng.uniform(0.2, 0.8))
    load = size * shape[None, :] * (mix * common[None, :] + (1 - mix) * wiggle) * shares[:, None]
    load = load + size * steps(rng, count, interval, 3)
    if kind == "low load":
        load = load * float(rng.uniform(0.01, 0.08))
    angle = load_angle(rng, kind, count, interval, factor)
    power = np.maximum(load, 0.002 * size * (0.02 if kind == "low load" else 1)) * np.exp(1j * angle)
    generation = kind in ("export", "single export")
    if generation:
        sun = np.clip(np.sin((hours - 6) / 12 * np.pi), 0, None) * size
        clouds = np.clip(walk(rng, count, interval), 0.3, 1.2)
        fed = np.zeros((3, count))
        if kind == "export":
            fed[:] = sun * clouds * float(rng.uniform(0.8, 2.0))
        else:
            # What one phase of a service of this size is allowed to feed in.
            fed[int(rng.integers(3))] = sun * clouds * float(rng.uniform(0.2, 0.5))
        power = power - fed
    shunt = None
    if kind == "capacitor":
        share = float(rng.uniform(0.2, 0.7))
        shunt = np.full((3, count), 1j * share * size / leg**2)
    level = 1 + 0.01 * np.sin(2 * np.pi * (hours - float(rng.uniform(0, 24))) / 24) + 0.002 * rng.standard_normal(count)
    level = level * float(rng.uniform(0.97, 1.03))
    drop = float(rng.uniform(0.01, 0.025)) * leg / (size / leg)
    # A cable has as much in the neutral as in a line or a little less, a transformer only in the lines.
    cable = drop * float(rng.uniform(0.2, 0.8)) * np.exp(1j * float(rng.uniform(0.1, 0.6)))
    transformer = (drop - abs(cable)) * np.exp(1j * float(rng.uniform(1.0, 1.4)))
    service = Service(wye_source(leg, level), cable + transformer, float(rng.uniform(0.5, 1.0)) * cable)
    recorder = Recorder(
        gain=tuple(1 + 0.005 * rng.standard_normal(3)), angle=tuple(np.radians(0.5) * rng.standard_normal(3)),
        range_amps=float(rng.choice([100, 500, 1000, 3000])) if kind != "low load" else 3 * size / leg,
        noise=float(rng.uniform(0.0001, 0.0006)), volts_noise=float(rng.uniform(0.0001, 0.0004)),
        step_volts=float(rng.choice([0.01, 0.1])), step_amps=float(rng.choice([0.01, 0.1])),
    )
    recorder = replace(recorder, range_amps=max(recorder.range_amps, 1.2 * size / leg))
    return Site(kind, designation, leg, interval, size, generation, service, power, shunt, recorder, start_hour)


def balanced_to(rng: np.random.Generator, unbalance: float) -> Floats:
    """Shares of the three phases whose largest deviation from the mean is `unbalance`."""
    raw = rng.uniform(-1, 1, 3)
    raw = raw - raw.mean()
    return 1 + unbalance * raw / np.abs(raw).max()


def day_shape(rng: np.random.Generator, hours: Floats, kind: str) -> Floats:
    """Load over the day, 0 to 1."""
    peak = float(rng.uniform(10, 16))
    base = 0.35 if kind != "night off" else 0.0
    shape = base + (1 - base) * np.exp(-(((hours - peak) / 5.0) ** 2))
    if kind == "night off":
        shape = np.where((hours < 6) | (hours > 20), 0.0, shape)
    return shape


def walk(rng: np.random.Generator, count: int, interval: float) -> Floats:
    """A slow wandering around 1 with quick noise on top."""
    keep = np.exp(-interval / 1800.0)
    noise = rng.standard_normal(count) * np.sqrt(1 - keep**2) * 0.12
    slow = np.empty(count)
    state = 0.12 * rng.standard_normal()
    for number in range(count):
        state = keep * state + noise[number]
        slow[number] = state
    return np.clip(1 + slow + 0.03 * rng.standard_normal(count), 0.2, 2.0)


def steps(rng: np.random.Generator, count: int, interval: float, phases: int) -> Floats:
    """Machines of single phases that switch on and off."""
    out = np.zeros((phases, count))
    for phase in range(phases):
        period = max(4, int(rng.uniform(600, 5400) / interval))
        on = (np.arange(count) + int(rng.integers(period))) % period < period * float(rng.uniform(0.2, 0.6))
        out[phase] = on * float(rng.uniform(0.02, 0.12))
    return out


def load_angle(
    rng: np.random.Generator, kind: str, count: int, interval: float, factor: float | None
) -> Floats:
    """Angle of the load power per phase and interval [rad]: lagging positive."""
    if factor is not None:
        middle = np.arccos(factor)
    elif kind == "near unity":
        middle = float(rng.uniform(0.0, 0.2))
    elif kind == "leading":
        middle = -float(rng.uniform(0.05, 0.45))
    elif kind == "capacitor":
        middle = float(rng.uniform(0.3, 0.7))
    else:
        middle = float(np.arccos(rng.uniform(0.8, 0.98)))
    wander = 0.04 * (np.stack([walk(rng, count, interval) for _ in range(3)]) - 1) / 0.12
    return middle + wander + 0.03 * rng.standard_normal((3, 1))


def record(site: Site, rng: np.random.Generator, recorder: Recorder | None = None) -> Readings:
    """What the recorder writes at the site."""
    volts, amps = solve(site.service, site.power, site.shunt)
    return read(volts, amps, recorder or site.recorder, rng)


def columns(readings: Readings) -> dict[str, Floats]:
    """The readings as a plain table (contract column names)."""
    phases = ("a", "b", "c")[: len(readings.volts)]
    table: dict[str, Floats] = {}
    for number, phase in enumerate(phases):
        table[f"voltage.{phase}n [V]"] = readings.volts[number]
    for number, line in enumerate(("ab", "bc", "ca")[: len(readings.lines)]):
        table[f"voltage.{line} [V]"] = readings.lines[number]
    for number, phase in enumerate(phases):
        table[f"current.{phase} [A]"] = readings.amps[number]
    table["current.n [A]"] = readings.neutral
    for number, phase in enumerate(phases):
        table[f"active_power.{phase} [W]"] = readings.watts[number]
        table[f"reactive_power.{phase} [var]"] = readings.vars[number]
        table[f"apparent_power.{phase} [VA]"] = np.round(readings.volts[number] * readings.amps[number], 1)
    table["active_power.total [W]"] = readings.watts.sum(axis=0)
    table["reactive_power.total [var]"] = readings.vars.sum(axis=0)
    return table
