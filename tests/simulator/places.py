"""Random places on the services of `network`: what loads do over the day, with twelve scenes, ordinary and harsh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulator.network import SERVICES, Floats, Hookup, Load, Quality, ServiceKind, State, solve, table_of
from tests.simulator.scenes import steps, walk

ORDINARY = ("motors", "office", "household")
HARSH = (
    "power factor 0.5 to 0.7", "leading 0.9", "compensated", "low load", "feed-in", "feed-in on one phase",
    "one phase heavy", "loads between two lines", "nights off",
)
SCENES = (*ORDINARY, *HARSH)
LENGTHS = ((240, 60.0), (288, 300.0), (432, 600.0))
"""Points and interval [s]: four hours, a day, three days."""


@dataclass(frozen=True)
class Place:
    """A drawn site with its loads."""

    service: ServiceKind
    scene: str
    interval_s: float
    start_hour: int
    level: Floats
    line: complex
    neutral: complex
    loads: list[Load]
    quality: Quality
    generation: bool
    seed: int

    def state(self, neutral: complex | None = None) -> State:
        """Voltages and currents, with another neutral impedance if given."""
        return solve(self.service, self.level, self.line, self.neutral if neutral is None else neutral, self.loads)

    def table(self, hookup: Hookup | None = None, state: State | None = None) -> dict[str, Floats]:
        """What the recorder writes; the same noise for every hook-up, so that stretches can be put together."""
        return table_of(self.service, state or self.state(), hookup or Hookup(), self.quality,
                        np.random.default_rng(self.seed))

    @property
    def supply(self) -> dict[str, str]:
        """The section of the site file."""
        supply = {"nominal_voltage": self.service.designation, "connection": self.service.connection}
        if self.service.high_leg:
            supply["high_leg"] = self.service.high_leg
        return supply


def draw(
    rng: np.random.Generator, service: str, scene: str, length: tuple[int, float] | None = None
) -> Place:
    """A random place of a service and a scene."""
    kind = SERVICES[service]
    count, interval = length or LENGTHS[int(rng.integers(len(LENGTHS)))]
    long = count * interval >= 86400
    start = 0 if long else int(rng.integers(8, 14))
    hours = (start + np.arange(count) * interval / 3600) % 24
    size = kind.leg * float(rng.uniform(60, 400))
    angle = _angle(rng, scene)
    loads = _loads(rng, kind, scene, hours, size, angle, interval)
    generation = scene.startswith("feed-in")
    if generation:
        sun = np.clip(np.sin((hours - 6) / 12 * np.pi), 0, None) * np.clip(walk(rng, count, interval), 0.3, 1.2) * size
        share = float(rng.uniform(0.3, 1.2))
        if scene == "feed-in":
            loads += [Load(end, other, -share * sun + 0j) for end, other in _three_phase(kind)]
        else:
            end, other = _single(kind, rng)
            loads.append(Load(end, other, -float(rng.uniform(0.4, 1.0)) * share * sun + 0j))
    level = 1 + 0.008 * np.sin(2 * np.pi * (hours - rng.uniform(0, 24)) / 24) + 0.002 * rng.standard_normal(count)
    level = level * float(rng.uniform(0.97, 1.03))
    drop = float(rng.uniform(0.008, 0.03)) * kind.leg / (size / kind.leg)
    cable = drop * float(rng.uniform(0.2, 0.8)) * np.exp(1j * float(rng.uniform(0.1, 0.6)))
    line = cable + (drop - abs(cable)) * np.exp(1j * float(rng.uniform(1.0, 1.4)))
    if kind.leg > 1000:
        line = drop * np.exp(1j * float(rng.uniform(0.8, 1.4)))
    amps = size / kind.leg
    quality = Quality(
        1 + 0.005 * rng.standard_normal(3), np.radians(0.5) * rng.standard_normal(3),
        noise_amps=float(rng.uniform(0.0001, 0.0005)) * max(1.2 * amps, float(rng.choice([100, 500, 1000]))
                                                            if scene != "low load" else 3 * amps),
        noise_volts=float(rng.uniform(0.0001, 0.0004)), step_volts=float(rng.choice([0.01, 0.1])),
        step_amps=float(rng.choice([0.01, 0.1])),
        triplen=float(rng.uniform(0.1, 0.35)) if scene == "office" else float(rng.uniform(0.005, 0.06)),
        with_orders=bool(rng.integers(2)) and scene != "low load",
    )
    return Place(kind, scene, interval, start, level, complex(line), complex(float(rng.uniform(0.6, 1.6)) * cable),
                 loads, quality, generation, int(rng.integers(2**31)))


def _angle(rng: np.random.Generator, scene: str) -> float:
    """Middle angle of the load power [rad], lagging positive."""
    if scene in ("office", "household"):
        return float(rng.uniform(0.02, 0.35))
    if scene == "power factor 0.5 to 0.7":
        return float(np.arccos(rng.uniform(0.5, 0.7)))
    if scene == "leading 0.9":
        return -float(np.arccos(rng.uniform(0.9, 0.98)))
    return float(np.arccos(rng.uniform(0.8, 0.97)))


def _three_phase(kind: ServiceKind) -> list[tuple[int, int]]:
    """Ends of a balanced load: legs of a wye or split phase, lines of a delta."""
    if kind.connection in ("wye", "split-phase"):
        return [(number, -1) for number in range(len(kind.source))]
    return [(0, 1), (1, 2), (2, 0)]


def _single(kind: ServiceKind, rng: np.random.Generator) -> tuple[int, int]:
    """Ends of a single-phase load where such loads stand: no load to neutral on a high leg."""
    if kind.connection == "high-leg-delta":
        return (0, -1) if rng.integers(2) else (2, -1)
    ends = _three_phase(kind)
    return ends[int(rng.integers(len(ends)))]


def _loads(
    rng: np.random.Generator, kind: ServiceKind, scene: str, hours: Floats, size: float, angle: float, interval: float
) -> list[Load]:
    count = hours.size
    base = 0.35 if scene != "nights off" else 0.002
    shape = base + (1 - base) * np.exp(-(((hours - rng.uniform(10, 16)) / 5.0) ** 2))
    if scene == "nights off" and count * interval >= 86400:
        shape = np.where((hours < 6) | (hours > 20), 0.002, shape)
    scale = size * (float(rng.uniform(0.01, 0.06)) if scene == "low load" else 1.0)
    ends = _three_phase(kind)
    spread = {"household": 0.5, "one phase heavy": 0.3}.get(scene, 0.2)
    shares = 1 + spread * rng.uniform(-1, 1, len(ends))
    if scene == "one phase heavy":
        shares[int(rng.integers(len(ends)))] *= float(rng.uniform(2.5, 6))
        shares /= shares.max()
    common, mix = walk(rng, count, interval), float(rng.uniform(0.2, 0.8))
    loads = []
    for number, (first, second) in enumerate(ends):
        size_of = shape * (mix * common + (1 - mix) * walk(rng, count, interval)) * shares[number]
        size_of = size_of + steps(rng, count, interval, 1)[0] * (2 if scene == "household" else 1)
        turn = angle + 0.03 * rng.standard_normal() + 0.03 * (walk(rng, count, interval) - 1) / 0.12
        loads.append(Load(first, second, scale * size_of * np.exp(1j * turn)))
    if kind.connection == "high-leg-delta":
        lighting = scale * float(rng.uniform(0.2, 0.6))
        loads += [Load(leg, -1, lighting * shape * walk(rng, count, interval) * np.exp(0.15j)) for leg in (0, 2)]
    if scene == "compensated":
        bank = float(rng.uniform(0.2, 0.6)) * scale
        loads += [Load(first, second, np.full(count, -1j * bank)) for first, second in ends]
    if scene == "loads between two lines" and len(kind.source) == 3:
        between = [(0, 1), (1, 2), (2, 0)][int(rng.integers(3))]
        welding = scale * float(rng.uniform(0.3, 0.9)) * (0.5 + steps(rng, count, interval, 1)[0] * 5)
        loads.append(Load(*between, welding * np.exp(1j * float(rng.uniform(0.0, 0.9)))))
    return loads
