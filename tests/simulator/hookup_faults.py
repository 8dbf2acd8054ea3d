"""Faults of a hook-up, planted one at a time on any service, each with the reason codes that name it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from tests.simulator.network import Floats, Hookup, ServiceKind
from tests.simulator.places import SCENES, Place

Table = dict[str, Floats]
FEED_IN = tuple(scene for scene in SCENES if scene.startswith("feed-in"))
WITHOUT_FEED_IN = tuple(scene for scene in SCENES if scene not in FEED_IN)
WITH_LOAD = tuple(scene for scene in SCENES if scene != "low load")
Make = Callable[[Place, np.random.Generator], Table]

REVERSED, SWAPPED, ROTATED = {"reversed-current"}, {"swapped-currents"}, {"rotated-currents"}
CROSSED = {"leads-crossed", "phase-order", "swapped-currents", "connection-doubtful"}
NEUTRAL = {"neutral-loose"}
RATIO = {"scale", "kirchhoff"}


@dataclass(frozen=True)
class Fault:
    """`codes` name it rightly, `where` are its services, `unseen` says why nothing in the recording shows it."""

    make: Make
    codes: set[str]
    where: Callable[[ServiceKind], bool]
    unseen: str = ""
    supply: Mapping[str, str] = field(default_factory=dict)
    scenes: tuple[str, ...] = SCENES


def hooked(**parts: object) -> Make:
    """A recorder connected so from the start."""
    return lambda place, rng: place.table(replace(Hookup(), **parts))  # type: ignore[arg-type]


def from_moment(make: Make) -> Make:
    """Right at first, from a moment on as `make` says."""
    return lambda place, rng: _joined(place.table(), make(place, rng), int(place.level.size * rng.uniform(0.3, 0.7)))


def on_late(make: Make) -> Make:
    """As `make` says for the first intervals, right afterwards."""
    return lambda place, rng: _joined(make(place, rng), place.table(), int(rng.integers(2, 5)))


def _joined(first: Table, then: Table, at: int) -> Table:
    return {name: np.concatenate([first[name][:at], then[name][at:]]) for name in first}


def open_neutral(low: float, high: float) -> Make:
    """No neutral is left; the loads of two legs stand in a ratio between `low` and `high`."""

    def make(place: Place, rng: np.random.Generator) -> Table:
        ratio = float(rng.uniform(low, high))
        heavy = int(rng.choice([0, 2] if place.service.high_leg else range(len(place.service.source))))
        loads = []
        for load in place.loads:
            if load.second >= 0:
                continue
            share = 1.0 if load.first == heavy else 1 / ratio
            size = np.abs(place.loads[0].power).mean() * (0.6 + 0.4 * np.abs(load.power) / np.abs(load.power).max())
            loads.append(replace(load, power=share * size * np.exp(0.2j)))
        broken = replace(place, loads=loads)
        return broken.table(state=broken.state(float("inf")))

    return make


def poor_neutral(place: Place, rng: np.random.Generator) -> Table:
    """A neutral joint of many times the impedance of the line, an unequal load."""
    loads = [replace(load, power=load.power * (3.0 if load.first == 0 else 0.5)) for load in place.loads]
    worn = replace(place, loads=loads)
    return worn.table(state=worn.state(place.line * float(rng.uniform(6, 12)) + 0j))


def scaled(prefixes: tuple[str, ...], letters: str, *factors: float) -> Make:
    """Columns of quantities whose phase holds one of the letters, times one of the factors."""

    def make(place: Place, rng: np.random.Generator) -> Table:
        factor, out = float(rng.choice(factors)), dict(place.table())
        for name, values in out.items():
            quantity, phase = name.split(" ")[0].split(".")[:2]
            if quantity in prefixes and (not letters or phase in (letters, "total" if "total" in letters else "")):
                out[name] = values * factor
        return out

    return make


def one_ratio(*factors: float) -> Make:
    """The ratio of one clamp is wrong: amperes and powers of its channel together."""
    return lambda place, rng: place.table(Hookup(gain=_one(place, rng, float(rng.choice(factors)))))


def every_ratio(place: Place, rng: np.random.Generator) -> Table:
    """All clamps carry one wrong ratio."""
    factor = float(rng.choice([0.1, 0.5, 2.0]))
    out = place.table(Hookup(gain=(factor,) * 3))
    out.update({name: values * factor for name, values in out.items() if name.startswith("current.n ")})
    return out


def jaw(place: Place, rng: np.random.Generator) -> Table:
    """One clamp sees a constant share of its current."""
    return place.table(Hookup(gain=_one(place, rng, float(rng.uniform(0.5, 0.85)))))


def _one(place: Place, rng: np.random.Generator, factor: float) -> tuple[float, ...]:
    gains = [1.0, 1.0, 1.0]
    gains[int(rng.choice([0, 2] if place.service.elements else range(len(place.service.source))))] = factor
    return tuple(gains)


def voltage_ratio(place: Place, rng: np.random.Generator) -> Table:
    """One voltage input at another ratio: its lines and powers with it."""
    gains = [1.0, 1.0, 1.0]
    gains[int(rng.integers(len(place.service.source)))] = float(rng.choice([0.1, 0.5, 2.0, 10.0]))
    return place.table(Hookup(volt_gain=tuple(gains)))


def column_twice(place: Place, rng: np.random.Generator) -> Table:
    """Current a was written into the column of b as well."""
    out = place.table()
    out["current.b [A]"] = out["current.a [A]"].copy()
    return out


def stuck(place: Place, rng: np.random.Generator) -> Table:
    """A voltage repeats one value for a quarter of the time."""
    out = place.table()
    name = next(iter(out))
    values = out[name].copy()
    length = max(60, values.size // 4)
    at = int(rng.integers(0, values.size - length))
    values[at : at + length] = values[at]
    out[name] = values
    return out


def clipped(place: Place, rng: np.random.Generator) -> Table:
    """Current a cannot rise above a range that its highest values exceed."""
    out = place.table()
    values = out["current.a [A]"]
    out["current.a [A]"] = np.minimum(values, np.round(np.percentile(values, 100 * rng.uniform(0.75, 0.92)), 0))
    return out


def clock_off(place: Place, rng: np.random.Generator) -> Table:
    """The clock is an hour wrong throughout: the values are those of a sound recording."""
    return place.table()


def _three(service: ServiceKind) -> bool:
    return len(service.source) == 3


def _phases(service: ServiceKind) -> bool:
    """Powers of three phases."""
    return _three(service) and service.powers == "phases"


def _wye(service: ServiceKind) -> bool:
    return service.connection == "wye"


def _low_wye(service: ServiceKind) -> bool:
    return _wye(service) and service.leg < 1000


def _neutral(service: ServiceKind) -> bool:
    return service.neutral and service.leg < 1000


def _delta(service: ServiceKind) -> bool:
    return service.connection == "delta" and service.grounded is None


def _elements(service: ServiceKind) -> bool:
    return service.elements


def _totals(service: ServiceKind) -> bool:
    return service.powers == "totals"


def _split(service: ServiceKind) -> bool:
    return service.connection == "split-phase"


def _any(service: ServiceKind) -> bool:
    return True


NO_PROOF = "no current or power of the recording contradicts it; a handheld reading of the amperes does"
TOTALS = "a total fits other loads as well; amperes and kilowatts of every phase by another instrument show it"
BACK = (-1, -1, -1)

FAULTS: dict[str, Fault] = {
    "one clamp reversed": Fault(hooked(arrows=(-1, 1, 1)), REVERSED, lambda s: _phases(s) or s.elements),
    "one clamp reversed, totals": Fault(hooked(arrows=(-1, 1, 1)), REVERSED, _totals, unseen=TOTALS),
    "another clamp reversed": Fault(hooked(arrows=(1, 1, -1)), REVERSED, lambda s: _phases(s) or s.elements),
    "one leg reversed": Fault(hooked(arrows=(1, -1, 1)), REVERSED, _split, scenes=WITHOUT_FEED_IN),
    "one leg reversed, feed-in declared": Fault(
        hooked(arrows=(1, -1, 1)), REVERSED, _split, scenes=FEED_IN,
        unseen="import and export of the leg change places; the revenue meter or the time of the sun shows it"),
    "two clamps reversed": Fault(hooked(arrows=(-1, -1, 1)), REVERSED, _phases),
    "all clamps reversed": Fault(hooked(arrows=BACK), REVERSED, lambda s: _three(s) and s.grounded is None,
                                 scenes=WITHOUT_FEED_IN),
    "all clamps reversed, feed-in declared": Fault(
        hooked(arrows=BACK), REVERSED, lambda s: _three(s) and s.grounded is None, scenes=FEED_IN,
        unseen="import and export change places; the revenue meter or the time of the sun shows it"),
    "two clamps swapped (a, b)": Fault(hooked(clamps=(1, 0, 2)), SWAPPED, _phases),
    "two clamps swapped (a, c)": Fault(hooked(clamps=(2, 1, 0)), SWAPPED,
                                       lambda s: _three(s) and s.grounded is None and not _totals(s)),
    "two clamps swapped (a, c), totals": Fault(hooked(clamps=(2, 1, 0)), SWAPPED,
                                               lambda s: s.grounded is None and _totals(s), unseen=TOTALS),
    "clamps rotated": Fault(hooked(clamps=(1, 2, 0)), ROTATED, _phases),
    "clamps rotated the other way": Fault(hooked(clamps=(2, 0, 1)), ROTATED, _phases),
    "two clamps swapped and reversed": Fault(hooked(clamps=(1, 0, 2), arrows=(-1, -1, 1)), SWAPPED, _wye),
    "clamp turned on the way": Fault(from_moment(hooked(arrows=(-1, 1, 1))), REVERSED | {"sign-changes"}, _phases,
                                     scenes=WITHOUT_FEED_IN),
    "clamp turned on the way, feed-in declared": Fault(
        from_moment(hooked(arrows=(-1, 1, 1))), REVERSED | {"sign-changes"}, _phases, scenes=FEED_IN,
        unseen="power that flows both ways is what was declared; compare kW of every phase with a handheld reading"),
    "two leads crossed (a, b)": Fault(hooked(leads=(1, 0, 2)), CROSSED, _phases),
    "two leads crossed (b, c)": Fault(hooked(leads=(0, 2, 1)), CROSSED, _phases),
    "leads rotated": Fault(hooked(leads=(1, 2, 0)), ROTATED | CROSSED, _phases),
    "leads and clamps crossed alike": Fault(
        hooked(leads=(1, 0, 2), clamps=(1, 0, 2)), CROSSED, _wye,
        unseen="every power is right, only the names are exchanged; the rotation on the recorder's display shows it"),
    "a lead off from the start": Fault(hooked(off=1), {"lost-lead", "no-voltage"}, lambda s: s.grounded is None),
    "a lead comes off": Fault(from_moment(hooked(off=1)), {"lost-lead"}, lambda s: s.grounded is None),
    "a lead clipped on late": Fault(on_late(hooked(off=1)), {"lost-lead"}, lambda s: _neutral(s)),
    "neutral open, legs up to 4:1": Fault(open_neutral(1.4, 4), NEUTRAL, _neutral),
    "neutral open, legs 5:1 to 8:1": Fault(open_neutral(5, 8), NEUTRAL, _neutral),
    "neutral open, legs 8:1 to 20:1": Fault(open_neutral(8, 20), NEUTRAL, _neutral),
    "neutral opens on the way": Fault(from_moment(open_neutral(2, 12)), NEUTRAL, _neutral),
    "a clamp dead from the start": Fault(hooked(dead=0), {"dead-clamp"}, lambda s: _three(s) and s.grounded is None,
                                         scenes=WITH_LOAD),
    "a clamp falls off": Fault(from_moment(hooked(dead=0)), {"dead-clamp", "jaw-open"},
                               lambda s: _three(s) and s.grounded is None, scenes=WITH_LOAD),
    "a clamp sees nothing, hardly any load": Fault(
        hooked(dead=0), {"dead-clamp"}, lambda s: _three(s) and s.grounded is None, scenes=("low load",),
        unseen="the noise of a range far too large looks like a small load; a smaller range shows it"),
    "a jaw opens": Fault(from_moment(jaw), {"jaw-open", "kirchhoff"}, _wye,
                         unseen="a load that changes looks the same unless the neutral or the powers contradict; a "
                                "handheld reading shows it"),
    "a jaw open from the start": Fault(jaw, {"jaw-open", "kirchhoff"}, _neutral, unseen=NO_PROOF),
    "one clamp at twice or half its ratio": Fault(one_ratio(2.0, 0.5), RATIO, _any, unseen=NO_PROOF),
    "one clamp at ten times its ratio": Fault(one_ratio(10.0), RATIO, _neutral),
    "one column of amperes scaled": Fault(scaled(("current",), "a", 0.01, 0.1, 0.5, 2.0, 10.0), RATIO,
                                          lambda s: s.grounded is None and not _totals(s)),
    "one column of amperes scaled, totals": Fault(scaled(("current",), "a", 0.01, 0.1, 0.5, 2.0, 10.0), RATIO,
                                                  lambda s: s.grounded is None and _totals(s), unseen=TOTALS),
    "powers of one phase scaled": Fault(
        scaled(("active_power", "reactive_power", "apparent_power"), "b", 0.1, 10.0), RATIO | {"sum-mismatch"},
        lambda s: s.neutral),
    "columns of powers scaled": Fault(scaled(("active_power", "reactive_power", "apparent_power"), "", 0.001, 1000.0),
                                      RATIO, _any),
    "all columns of amperes scaled": Fault(scaled(("current",), "", 0.01, 100.0), RATIO, _any),
    "all clamps at one wrong ratio": Fault(every_ratio, RATIO, _any,
                                           unseen="amperes, powers and neutral agree with each other; a handheld "
                                                  "reading or the revenue meter shows it"),
    "one voltage at another ratio": Fault(
        voltage_ratio, {"scale-step", "nominal-doubtful", "connection-doubtful", "ratio", "lost-lead"}, _neutral),
    "a current written twice": Fault(column_twice, {"columns-alike"}, _three),
    "a voltage stuck": Fault(stuck, {"stuck"}, _any),
    "a current clipped": Fault(clipped, {"clipped"}, _any, scenes=WITH_LOAD),
    "a current clipped, hardly any load": Fault(
        clipped, {"clipped"}, _any, scenes=("low load",),
        unseen="a current of few steps reaches its highest value often by itself; a handheld reading shows it"),
    "another leg is the high one": Fault(hooked(), {"connection-doubtful"}, lambda s: bool(s.high_leg),
                                         supply={"high_leg": "a"}),
    "delta declared wye": Fault(hooked(), {"connection-doubtful", "nominal-doubtful"},
                                lambda s: s.connection == "split-phase",
                                supply={"connection": "wye", "nominal_voltage": "208Y/120 V"}),
    "clock an hour off throughout": Fault(clock_off, set(), _any,
                                          unseen="nothing in the values tells the hour; a spot check with its time "
                                                 "shows it"),
}
