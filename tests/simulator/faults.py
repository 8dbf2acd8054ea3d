"""Faults planted one at a time: in how the recorder is connected, or in what it writes down."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulator.circuit import Recorder

Floats = NDArray[np.float64]
Table = dict[str, Floats]

P, Q, R = (0, 1, 2), (1, 2, 0), (2, 0, 1)
ALL_BACK = (-1, -1, -1)


@dataclass(frozen=True)
class Wiring:
    """Clamps on conductors (`clamps[i]` behind channel i) and arrows."""

    clamps: tuple[int, int, int]
    arrows: tuple[int, int, int]

    def fit(self, recorder: Recorder) -> Recorder:
        """The recorder, connected so."""
        return replace(recorder, clamps=self.clamps, arrows=self.arrows)


WIRINGS: dict[str, Wiring] = {
    "one reversed (a)": Wiring(P, (-1, 1, 1)),
    "one reversed (b)": Wiring(P, (1, -1, 1)),
    "one reversed (c)": Wiring(P, (1, 1, -1)),
    "two reversed (a, b)": Wiring(P, (-1, -1, 1)),
    "all reversed": Wiring(P, ALL_BACK),
    "two swapped (a, b)": Wiring((1, 0, 2), (1, 1, 1)),
    "two swapped (b, c)": Wiring((0, 2, 1), (1, 1, 1)),
    "two swapped (c, a)": Wiring((2, 1, 0), (1, 1, 1)),
    "rotated one way": Wiring(Q, (1, 1, 1)),
    "rotated the other way": Wiring(R, (1, 1, 1)),
    "rotated one way, all reversed": Wiring(Q, ALL_BACK),
    "rotated the other way, all reversed": Wiring(R, ALL_BACK),
    "two swapped and both reversed (a, b)": Wiring((1, 0, 2), (-1, -1, 1)),
}
"""Wirings by their signatures in the powers (docs/method/soundness.md), with the phases spelled out."""

PAIRS: dict[str, Wiring] = {
    "one reversed (c) beside two swapped (a, b)": Wiring((1, 0, 2), (1, 1, -1)),
    "one of two swapped reversed": Wiring((1, 0, 2), (-1, 1, 1)),
    "rotated, one reversed": Wiring(Q, (1, -1, 1)),
    "rotated the other way, two reversed": Wiring(R, (-1, 1, -1)),
}
"""Two mistakes at once."""

Plant = Callable[[Table, np.random.Generator], Table]


def lost_lead(table: Table, rng: np.random.Generator) -> Table:
    """From some moment on lead b reads a few induced volts; lines on it follow, powers of the phase vanish."""
    at = _moment(table, rng)
    out = {name: values.copy() for name, values in table.items()}
    out["voltage.bn [V]"][at:] = np.round(rng.uniform(2, 14) + 0.5 * rng.standard_normal(_size(table) - at), 2)
    for line in ("voltage.ab [V]", "voltage.bc [V]"):
        out[line][at:] *= 0.58
    for name in ("active_power.b [W]", "reactive_power.b [var]", "apparent_power.b [VA]"):
        out[name][at:] = np.round(out[name][at:] * 0.03, 1)
    return _totals(out)


def fallen_clamp(table: Table, rng: np.random.Generator) -> Table:
    """From some moment on clamp c hangs in the air."""
    at = _moment(table, rng)
    out = {name: values.copy() for name, values in table.items()}
    for name in ("current.c [A]", "active_power.c [W]", "reactive_power.c [var]", "apparent_power.c [VA]"):
        out[name][at:] = np.round(out[name][at:] * 0.0005, 2)
    return _totals(out)


def open_jaw(table: Table, rng: np.random.Generator) -> Table:
    """From some moment on clamp a sees a constant share of its current."""
    at = _moment(table, rng)
    share = rng.uniform(0.35, 0.75)
    out = {name: values.copy() for name, values in table.items()}
    for name in ("current.a [A]", "active_power.a [W]", "reactive_power.a [var]", "apparent_power.a [VA]"):
        out[name][at:] = np.round(out[name][at:] * share, 2)
    return _totals(out)


def clipped(table: Table, rng: np.random.Generator) -> Table:
    """Current a cannot rise above a range that its highest values exceed."""
    out = {name: values.copy() for name, values in table.items()}
    ceiling = np.round(np.nanpercentile(out["current.a [A]"], 100 * rng.uniform(0.75, 0.93)), 0)
    out["current.a [A]"] = np.minimum(out["current.a [A]"], ceiling)
    return out


def stuck(table: Table, rng: np.random.Generator) -> Table:
    """Voltage b repeats one value for a while."""
    out = {name: values.copy() for name, values in table.items()}
    size = _size(table)
    length = max(40, size // 8)
    at = int(rng.integers(0, size - length))
    out["voltage.bn [V]"][at : at + length] = out["voltage.bn [V]"][at]
    return out


def copied(table: Table, rng: np.random.Generator) -> Table:
    """A day of every channel is the day before (needs two days)."""
    out = {name: values.copy() for name, values in table.items()}
    day = int(table["__day__"][0])
    at = int(rng.integers(day, _size(table) - day)) if _size(table) > 2 * day else day
    for name, values in out.items():
        if not name.startswith("__"):
            values[at : at + day] = values[at - day : at - day + values[at : at + day].size]
    return out


def interpolated(table: Table, rng: np.random.Generator) -> Table:
    """A hole in every channel was filled with straight lines, to all digits."""
    out = {name: values.copy() for name, values in table.items()}
    size = _size(table)
    length = max(40, size // 10)
    at = int(rng.integers(1, size - length - 1))
    for name, values in out.items():
        if not name.startswith("__"):
            values[at : at + length] = np.linspace(values[at - 1], values[at + length], length + 2)[1:-1]
    return out


def wrong_ratio(table: Table, rng: np.random.Generator) -> Table:
    """The current column of phase b carries a wrong factor; the powers are right."""
    out = {name: values.copy() for name, values in table.items()}
    out["current.b [A]"] = out["current.b [A]"] * rng.choice([0.1, 10.0, 0.5, 2.0, 1000.0, 0.001])
    return out


def double_column(table: Table, rng: np.random.Generator) -> Table:
    """The column of current c was written twice, as b and c."""
    out = dict(table)
    out["current.b [A]"] = table["current.c [A]"].copy()
    return out


def swapped_extremes(table: Table, rng: np.random.Generator) -> Table:
    """Minimum and maximum of a voltage under each other's names."""
    out = dict(table)
    spread = np.abs(rng.standard_normal(_size(table))) * 0.4 + 0.1
    out["voltage.an.min [V]"] = np.round(table["voltage.an [V]"] + spread, 2)
    out["voltage.an.max [V]"] = np.round(table["voltage.an [V]"] - spread, 2)
    return out


PLANTS: dict[str, tuple[Plant, str]] = {
    "lost voltage lead": (lost_lead, "lost-lead"),
    "fallen clamp": (fallen_clamp, "dead-clamp"),
    "jaw not closed": (open_jaw, "jaw"),
    "clipped current": (clipped, "clipping"),
    "stuck channel": (stuck, "stuck"),
    "copied day": (copied, "copied"),
    "interpolated stretch": (interpolated, "interpolated"),
    "wrong ratio": (wrong_ratio, "ratio"),
    "column written twice": (double_column, "alike"),
    "min and max exchanged": (swapped_extremes, "extremes"),
}
"""Name to fault and the check that should see it."""


def _size(table: Mapping[str, Floats]) -> int:
    return table["voltage.an [V]"].size


def _moment(table: Mapping[str, Floats], rng: np.random.Generator) -> int:
    size = _size(table)
    return int(rng.integers(int(0.3 * size), int(0.7 * size)))


def _totals(out: Table) -> Table:
    for total, unit in (("active_power", "W"), ("reactive_power", "var")):
        out[f"{total}.total [{unit}]"] = sum(out[f"{total}.{phase} [{unit}]"] for phase in "abc")
    return out
