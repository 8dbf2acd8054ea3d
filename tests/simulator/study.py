"""Detection and false-alarm counts on simulated recordings: prints the table of docs/method/soundness.md.

    python -m tests.simulator.study [--sound N] [--faulty N] [--seed S]

Thresholds were chosen on seeds below 100000; the table is made with others.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import Vetted, vet
from tests.recordings import recording
from tests.recordings import site as declared
from tests.simulator.faults import PAIRS, PLANTS, WIRINGS, Wiring
from tests.simulator.neutral import SCENES
from tests.simulator.scenes import KINDS, Site, columns, draw, record

POWER_FACTORS = (0.8, 0.85, 0.9, 0.95, 1.0)
STUDY_SEED = 20_310_303
WIRING = ("polarity", "two-element", "phase-order")


@dataclass
class Row:
    """One line of the table."""

    name: str
    runs: int = 0
    found: int = 0
    ambiguous: int = 0
    missed: int = 0
    others: Counter[str] = field(default_factory=Counter)


def vetted(table: Mapping[str, NDArray[np.float64]], place: Site) -> Vetted:
    """Vet a simulated table at its site."""
    plain = {name: values for name, values in table.items() if not name.startswith("__")}
    made = recording(plain, interval_s=place.interval_s, start=f"2031-03-03T{int(place.start_hour):02d}:00:00+00:00")
    sections = {"generation": {}} if place.generation else {}
    return vet(made, declared(supply={"nominal_voltage": place.designation}, **sections))


def trouble(findings: tuple[Finding, ...], *rules: str) -> list[Finding]:
    """Findings of these checks that refuse, fail or leave open."""
    bad = (Verdict.REFUSED, Verdict.FAIL, Verdict.INCONCLUSIVE)
    return [one for one in findings if one.rule in rules and one.verdict in bad]


def sound_rows(number: int, seed: int) -> Iterator[Row]:
    """One row per kind of site: false alarms are refused or failed findings of any check."""
    for place_number, kind in enumerate(KINDS):
        row = Row(kind)
        for run in range(place_number, number, len(KINDS)):
            rng = np.random.default_rng((seed, run))
            place = draw(rng, kind)
            result = vetted(columns(record(place, rng)), place)
            row.runs += 1
            alarms = [one for one in result.findings if one.verdict in (Verdict.REFUSED, Verdict.FAIL)]
            row.found += any(one.rule in WIRING for one in alarms)
            row.ambiguous += any(one.verdict is Verdict.INCONCLUSIVE for one in trouble(result.findings, *WIRING))
            row.others.update({one.rule for one in alarms if one.rule not in WIRING})
        yield row


def code_of(wiring: Wiring) -> str:
    """The reason code that names a wiring: clamps moved, two or three, else arrows turned."""
    moved = sum(place != own for own, place in enumerate(wiring.clamps))
    return {0: "reversed-current", 2: "swapped-currents", 3: "rotated-currents"}[moved]


def wiring_row(name: str, number: int, seed: int, factor: float) -> Row:
    """One wiring at one power factor: found = refused under the right name; a wrong name counts as missed.

    Two mistakes at once may be named as one that leaves the same angles under a load of another power factor.
    """
    wiring = {**WIRINGS, **PAIRS}[name]
    row = Row(name)
    for run in range(number):
        rng = np.random.default_rng((seed, run, round(100 * factor)))
        place = draw(rng, ("inductive", "near unity", "night off")[run % 3], factor=factor)
        result = vetted(columns(record(place, rng, wiring.fit(place.recorder))), place)
        row.runs += 1
        seen = trouble(result.findings, *WIRING)
        refused = [one for one in seen if one.verdict is Verdict.REFUSED]
        right = any(one.reason is not None and one.reason.code == code_of(wiring) for one in refused)
        right |= name in PAIRS and bool(refused)
        row.found += right
        row.ambiguous += bool(seen) and not refused
        row.missed += not seen or bool(refused and not right)
        row.others.update({one.rule for one in result.findings
                           if one.verdict in (Verdict.REFUSED, Verdict.FAIL) and one.rule not in WIRING})
    return row


def plant_row(name: str, number: int, seed: int) -> Row:
    """One planted fault on sites of every kind."""
    plant, rule = PLANTS[name]
    row = Row(name)
    lengths = ((1440, 60.0), (432, 600.0), (1008, 600.0), (2016, 300.0))
    for run in range(number):
        rng = np.random.default_rng((seed, run))
        length = lengths[run % 4] if name != "copied day" else lengths[1 + run % 3]
        place = draw(rng, KINDS[run // 4 % len(KINDS)], length=length)
        table = columns(record(place, rng))
        table["__day__"] = np.array([86400 / place.interval_s])
        result = vetted(plant(table, rng), place)
        _count(row, result, rule)
    return row


BOTH = (
    ("one reversed (a)", "lost voltage lead"), ("one reversed (a)", "clipped current"),
    ("two swapped (a, b)", "stuck channel"), ("two swapped (a, b)", "fallen clamp"),
    ("one reversed (b)", "wrong ratio"), ("all reversed", "interpolated stretch"),
)
"""A wiring fault and another fault in one recording."""


def both_row(wiring: str, plant: str, number: int, seed: int) -> Row:
    """Two faults at once: found = both seen, ambiguous = one of them."""
    change, rule = PLANTS[plant]
    row = Row(f"{wiring} and {plant}")
    lengths = ((1440, 60.0), (432, 600.0), (1008, 600.0), (2016, 300.0))
    for run in range(number):
        rng = np.random.default_rng((seed, run))
        place = draw(rng, ("inductive", "near unity")[run % 2], length=lengths[run % 4])
        table = columns(record(place, rng, WIRINGS[wiring].fit(place.recorder)))
        result = vetted(change(table, rng), place)
        seen = bool(trouble(result.findings, *WIRING)) + bool(trouble(result.findings, rule))
        row.runs += 1
        row.found += seen == 2
        row.ambiguous += seen == 1
        row.missed += seen == 0
    return row


def neutral_row(name: str, number: int, seed: int) -> Row:
    """A loose or a sound neutral on split-phase and wye services."""
    make, rule = SCENES[name]
    row = Row(name)
    for run in range(number):
        rng = np.random.default_rng((seed, run))
        table, interval, supply = make(rng)
        made = recording(table, interval_s=interval)
        _count(row, vet(made, declared(supply=supply)), rule)
    return row


def _count(row: Row, result: Vetted, rule: str) -> None:
    seen = trouble(result.findings, rule)
    hard = [one for one in seen if one.verdict is not Verdict.INCONCLUSIVE]
    row.runs += 1
    row.found += bool(hard)
    row.ambiguous += bool(seen) and not hard
    row.missed += not seen
    row.others.update({one.rule for one in result.findings
                       if one.verdict in (Verdict.REFUSED, Verdict.FAIL) and one.rule != rule})


def main() -> None:
    """Print the tables as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sound", type=int, default=800)
    parser.add_argument("--faulty", type=int, default=500)
    parser.add_argument("--seed", type=int, default=STUDY_SEED)
    args = parser.parse_args()
    print("| sound site | runs | wiring alarms | ambiguous wiring | other alarms |\n|---|---|---|---|---|")
    for row in sound_rows(args.sound, args.seed):
        print(f"| {row.name} | {row.runs} | {row.found} | {row.ambiguous} | {_others(row)} |", flush=True)
    each = -(-args.faulty // len(POWER_FACTORS))
    factors = " | ".join(f"PF {factor:g}" for factor in POWER_FACTORS)
    print(f"\n| wiring | runs each | {factors} |\n|---|---|" + "---|" * len(POWER_FACTORS))
    for name in (*WIRINGS, *PAIRS):
        cells = []
        for factor in POWER_FACTORS:
            row = wiring_row(name, each, args.seed, factor)
            cells.append(f"{row.found}" + (f" + {row.ambiguous} ambiguous" if row.ambiguous else "")
                         + (f" + {row.missed} missed" if row.missed else ""))
        print(f"| {name} | {each} | " + " | ".join(cells) + " |", flush=True)
    print("\n| planted | runs | found | left open | missed | other alarms |\n|---|---|---|---|---|---|")
    for name in PLANTS:
        _print(plant_row(name, args.faulty, args.seed))
    for name in SCENES:
        _print(neutral_row(name, args.faulty, args.seed))
    print("\n| two faults at once | runs | both seen | one seen | none |\n|---|---|---|---|---|")
    for wiring, plant in BOTH:
        row = both_row(wiring, plant, args.faulty, args.seed)
        print(f"| {row.name} | {row.runs} | {row.found} | {row.ambiguous} | {row.missed} |", flush=True)


def _print(row: Row) -> None:
    print(f"| {row.name} | {row.runs} | {row.found} | {row.ambiguous} | {row.missed} | {_others(row)} |", flush=True)


def _others(row: Row) -> str:
    return ", ".join(f"{name} {count}" for name, count in sorted(row.others.items())) or "none"


if __name__ == "__main__":
    main()
