"""Voltages where the impedance of the neutral is not declared, against a nodal solution with every one it may have."""

from __future__ import annotations

import cmath
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pqcheck.loads.answer import answer_of
from pqcheck.loads.declared import new_loads
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_cases import supply_cases
from pqcheck.loads.supply_impedance import source_of
from pqcheck.model.verdict import Verdict
from pqcheck.reports.load_terminal import as_text
from pqcheck.site.load_site import site_from
from tests.recordings import recording
from tests.test_load_capacity import WYE, study

PHASE = {"resistance": "0.01 ohm", "reactance": "0.02 ohm"}
TURNS = {"a": 0.0, "b": -2 * math.pi / 3, "c": 2 * math.pi / 3}


def solved(volts: float, amperes: dict[str, complex], phase: complex, neutral: complex) -> dict[str, float]:
    """Voltages to neutral behind a star source: one node for each phase and one for the neutral, currents given."""
    names = [*TURNS, "n"]
    admittance = np.diag([1 / phase] * 3 + [1 / neutral])
    source = np.array([volts * cmath.exp(1j * turn) / phase for turn in TURNS.values()] + [0])
    drawn = np.array([amperes.get(name, 0) for name in TURNS] + [-sum(amperes.values())])
    nodes = dict(zip(names, np.linalg.solve(admittance, source - drawn), strict=True))
    return {name: abs(nodes[name] - nodes["n"]) for name in TURNS}


def currents(sizes: dict[str, float], factor: float, volts: float, phase: complex, neutral: complex) -> Any:
    """The same for loads that keep their amperes and their power factor at the voltage that they cause."""
    at = {name: cmath.exp(1j * turn) for name, turn in TURNS.items()}
    lag = cmath.exp(-1j * math.acos(factor))
    for _ in range(100):
        amperes = {name: size * lag * at[name] for name, size in sizes.items()}
        shared = neutral * sum(amperes.values())
        nodes = {
            name: volts * cmath.exp(1j * turn) - phase * amperes.get(name, 0) - shared for name, turn in TURNS.items()
        }
        at = {name: node / abs(node) for name, node in nodes.items()}
    return amperes


def week(volts: float, amperes: float = 10.0) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for seed, name in enumerate("abc"):
        noise = np.random.default_rng(seed).normal(0, 0.01, 1008)
        table |= {f"voltage.{name}n [V]": volts + noise, f"current.{name} [A]": amperes + noise}
        table |= {f"active_power.{name} [W]": volts * amperes + noise, f"reactive_power.{name} [var]": noise}
    return table


def single(size: float, phase: str = "a", factor: float = 0.95) -> dict[str, Any]:
    return {"name": f"press {phase}", "current": f"{size} A", "power_factor": factor, "phases": [phase]}


@pytest.mark.parametrize(("volts", "verdicts"), [
    (211.5, "ipp"),  # the loaded phase falls to 209.1 V without a neutral, to 206.8 V with one
    (213.0, "ppp"),  # 208.3 V at worst
    (209.2, "fpp"),  # 206.8 V at best
    (252.0, "pip"),  # the phase behind is lifted beyond 253 V by the neutral alone
])  # fmt: skip
def test_the_verdict_over_every_neutral(volts: float, verdicts: str) -> None:
    found = study(week(volts), tables=["en50160-2010-lv"], source_impedance=PHASE, new_load=[single(150)])
    kinds = {"p": Verdict.PASS, "i": Verdict.INCONCLUSIVE, "f": Verdict.FAIL}
    got = {
        finding.phase: finding for finding in found.findings.findings
        if finding.kind == "prediction" and finding.rule == "voltage-week-95" and finding.channel.endswith("new-load")
    }  # fmt: skip
    amperes = [
        currents({"a": 150}, 0.95, volts, 0.01 + 0.02j, share * (0.01 + 0.02j) + 1e-9) for share in (0, 0.5, 1)
    ]
    ends = [
        solved(volts, each, 0.01 + 0.02j, share * (0.01 + 0.02j) + 1e-9)
        for each, share in zip(amperes, (0, 0.5, 1), strict=True)
    ]
    for name, letter in zip("abc", verdicts, strict=True):
        finding = got[f"{name}n"]
        inside = [207 <= end[name] <= 253 for end in ends]
        assert finding.verdict is kinds[letter] and {"p": all(inside), "f": not any(inside)}.get(letter, True)
        if letter == "i":
            assert finding.reason is not None and finding.reason.code == "neutral-not-declared"
            assert not all(inside) and any(inside)


def test_the_answer_names_what_to_declare() -> None:
    declared: dict[str, Any] = {"tables": ["en50160-2010-lv"], "new_load": [single(150)]}
    words = [
        " ".join(as_text(study(week(volts), source_impedance=PHASE, **declared), quiet=True).split())
        for volts in (211.5, 225.0)
    ]
    assert all("[source_impedance] neutral_resistance and neutral_reactance" in text for text in words)
    whole = {**PHASE, "neutral_resistance": "0 ohm", "neutral_reactance": "0 ohm"}
    text = as_text(study(week(211.5), source_impedance=whole, **declared), quiet=True)
    assert "neutral_resistance" not in text
    balanced = {"name": "fan", "current": "20 A", "power_factor": 0.95}
    found = study(week(225.0), source_impedance=PHASE, tables=["en50160-2010-lv"], new_load=[balanced])
    assert "neutral_resistance" not in as_text(found)


def test_half_a_neutral_is_none() -> None:
    half = {**PHASE, "neutral_resistance": "0.01 ohm"}
    found = study(week(211.5), tables=["en50160-2010-lv"], source_impedance=half, new_load=[single(150)])
    answer = answer_of(found)
    assert answer is not None and answer.verdict is Verdict.INCONCLUSIVE


def test_a_loop_of_one_phase_holds_its_neutral() -> None:
    """A short-circuit current of a single-phase service flows back through the neutral already."""
    supply = {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"}
    pcc = {"is_pcc": True, "short_circuit_current": "2 kA"}
    table = {name: values for name, values in week(225.0).items() if ".a" in name}
    found = study(table, tables=["en50160-2010-lv"], supply=supply, pcc=pcc, new_load=[single(30)])
    assert found.source is not None and found.source.neutral_known and not found.neutral_open


def test_what_is_spare_and_what_fails_first_count_the_neutral() -> None:
    heater = {"name": "heater", "active_power": "30 kW", "power_factor": 1.0, "phases": ["a"]}
    sections: dict[str, Any] = {"tables": ["en50160-2010-lv"], "ratings": {"service": "400 A"}, "new_load": [heater]}
    known = {**PHASE, "neutral_resistance": "0.01 ohm", "neutral_reactance": "0.02 ohm"}
    declared, undeclared = (study(week(212.0), source_impedance=each, **sections) for each in (known, PHASE))
    least = [min(room.share for room in found.rooms) for found in (declared, undeclared)]
    assert least[1] == pytest.approx(least[0], rel=0.02)
    most = [next(each for each in found.capacity if each.phase == "a") for found in (declared, undeclared)]
    assert most[0].then_bounds is not None and most[1].then_bounds is not None
    assert most[1].then_bounds[0] == pytest.approx(most[0].then_bounds[0], rel=1e-6)


SIZE = st.floats(0, 150)


@settings(deadline=None)
@given(
    sizes=st.tuples(SIZE, SIZE, SIZE), factor=st.floats(0.5, 1.0), share=st.floats(0, 1),
    angle=st.floats(0, 1.4), known=st.booleans(), said=st.booleans(),
)  # fmt: skip
@example(sizes=(150.0, 0.0, 0.0), factor=0.95, share=1.0, angle=1.1, known=True, said=True)
@example(sizes=(0.0, 150.0, 40.0), factor=0.6, share=1.0, angle=0.2, known=False, said=False)
def test_no_neutral_leads_out_of_the_bounds(
    sizes: tuple[float, float, float], factor: float, share: float, angle: float, known: bool, said: bool
) -> None:
    """Whatever share of a phase conductor's impedance the neutral has, and whatever angle nobody declared."""
    volts, magnitude = 230.0, 0.025
    phase = magnitude * cmath.exp(1j * angle)
    drawn = dict(zip("abc", sizes, strict=True))
    given = [single(size, name, factor) for name, size in drawn.items() if size > 0.1]
    if not said:
        given = [{key: value for key, value in load.items() if key != "power_factor"} for load in given]
    sections: dict[str, Any] = {"supply": WYE, "new_load": given}
    if known:
        sections["source_impedance"] = {"resistance": f"{phase.real:.9f} ohm", "reactance": f"{phase.imag:.9f} ohm"}
    else:
        sections["pcc"] = {"is_pcc": True, "short_circuit_current": f"{volts / magnitude:.6f} A"}
    site = site_from(sections)
    nothing = {
        f"{name}.{each} [{unit}]": np.full(3, 1e-6) for each in "abc"
        for name, unit in (("current", "A"), ("active_power", "W"), ("reactive_power", "var"))
    }  # fmt: skip
    record = recording({f"voltage.{name}n [V]": np.full(3, volts) for name in "abc"} | nothing)
    loads = new_loads(site)
    found: dict[str, list[float]] = {name: [] for name in "abc"}
    for source in supply_cases(loads, source_of(site, record), site.supply):
        (stream,) = with_addition(record, site, Added(loads, source, "arithmetic")).streams
        for channel, values in next(iter(stream.blocks(None))).values.items():
            found[(channel.phase or "a")[0]].append(float(values[0]))
    drawn = {name: size for name, size in drawn.items() if size > 0.1}
    neutral = share * phase + 1e-9
    true = solved(volts, currents(drawn, factor, volts, phase, neutral), phase, neutral)
    for name in "abc":
        assert min(found[name]) <= true[name] + 0.02
        # Lifted by more than the bounds say, a phase may only be by what its own load is not known to take off.
        assert true[name] <= max(found[name]) + 0.02 + (0 if known and said else abs(phase) * drawn.get(name, 0))


@pytest.mark.parametrize(("load", "low"), [
    ({"active_power": "-40 kW", "power_factor": 0.75}, True),  # gives power and takes reactive power
    ({"current": "80 A", "power_factor": 0.7, "reactive": "leading"}, True),
    ({"active_power": "-40 kW", "power_factor": 1.0}, False),
])  # fmt: skip
def test_power_one_way_and_reactive_power_the_other_may_lift_or_lower(load: dict[str, Any], low: bool) -> None:
    """Behind 6 kA of unknown X/R: a reactance alone lowers 208.9 V below 207 V, a resistance alone lifts them."""
    pcc = {"is_pcc": True, "short_circuit_current": "6 kA"}
    limits = {"apply": ["en50160-2010-lv"], "quantities": ["voltage"]}
    found = study(week(208.9), limits=limits, pcc=pcc, new_load=[{"name": "x", **load}])
    size = 0.0383 * (80 if "current" in load else 40e3 / 0.75 / (math.sqrt(3) * 400) if low else 0)
    worst = {"current": 0.7, "active_power": math.sqrt(1 - 0.75**2)}[next(iter(load))] * size
    assert (208.9 - worst < 207.3) is low
    answer = answer_of(found)
    assert answer is not None and answer.verdict is (Verdict.INCONCLUSIVE if low else Verdict.PASS)
    assert not found.neutral_open
