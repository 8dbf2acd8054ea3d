"""The bound over the span of inputs: short-circuit current, tolerances, power factor, what a load keeps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck.loads.declared import new_loads
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_impedance import source_of
from pqcheck.loads.supply_span import supply_span
from pqcheck.model.verdict import Verdict
from pqcheck.reports.load_terminal import as_text
from pqcheck.site.load_site import site_from
from tests.recordings import recording
from tests.test_load_capacity import PCC, WYE, prediction, spectral, study

FIFTH = "current_harmonic.a.h5+new-load"
RULE = "current-harmonics-week-95"
DRIVE = {"name": "drive", "current": f"{100 * math.sqrt(1.04)} A", "power_factor": 1.0, "harmonics": {"5": 20}}


def test_a_tolerance_of_the_spectrum_counts_in_the_bound() -> None:
    # 4 A there and 20 A new: 24 A in phase against 28 A; with 30 % more of the spectrum 30 A.
    sure = study(spectral(4), tables=["ieee519-2014"], pcc=PCC, new_load=[DRIVE])
    assert prediction(sure, RULE, FIFTH).verdict is Verdict.PASS and sure.band == ()
    unsure = study(
        spectral(4), tables=["ieee519-2014"], pcc=PCC, new_load=[{**DRIVE, "spectrum_tolerance": "30 %"}]
    )
    assert prediction(unsure, RULE, FIFTH).verdict is Verdict.INCONCLUSIVE
    assert unsure.band[0].input == "spectrum of the new load" and unsure.band[0].turned >= 3
    assert "Pin down first: spectrum of the new load" in " ".join(as_text(unsure).split())


def test_a_resonance_anywhere_in_the_span_of_short_circuit_currents_counts() -> None:
    # 100 kvar at 400 V: order 5 resonates at Isc = 25 Q / (sqrt(3) U) = 3.6 kA, between the two ends.
    table = spectral(4)
    for phase in "abc":
        table[f"voltage_harmonic.{phase}n.h5 [V]"] = 0.5 + table[f"current_harmonic.{phase}.h5 [A]"] / 1000
        table[f"voltage.{phase}n [V]"] = 231.0 - table[f"current.{phase} [A]"] / 200
    sections: dict[str, Any] = {
        "new_load": [DRIVE, {"name": "bank", "kind": "capacitor", "reactive_power": "100 kvar"}],
        "source_impedance": {"x_over_r": 10}, "tables": ["ieee519-2014"],
    }  # fmt: skip
    span = {**PCC, "short_circuit_current_min": "2.2 kA", "short_circuit_current": "12 kA"}
    found = study(table, pcc=span, **sections)
    assert [row.input for row in found.band] == ["short-circuit current"]
    bound = prediction(found, RULE, f"{FIFTH}-arithmetic").statistic
    ends = [
        prediction(study(table, pcc={**PCC, "short_circuit_current": current}, **sections), RULE,
                   f"{FIFTH}-arithmetic").statistic
        for current in ("2.2 kA", "12 kA")
    ]  # fmt: skip
    assert bound is not None and bound.value is not None
    assert all(end is not None and end.value is not None and bound.value > 1.5 * end.value for end in ends)


def test_the_span_begins_at_the_weak_end() -> None:
    declared = {"supply": WYE, "pcc": {**PCC, "short_circuit_current_min": "3 kA", "short_circuit_current": "12 kA"}}
    site, record = site_from(declared), recording({"current.a [A]": np.ones(12)})
    source = source_of(site, record)
    assert source is not None and source.magnitude == pytest.approx(230 / 3000)
    ((amperes, strong),) = supply_span(site, source)
    assert amperes == pytest.approx(12_000) and strong.magnitude == pytest.approx(230 / 12_000)


@given(volts=st.floats(205, 255), size=st.floats(1, 60), factor=st.floats(0.6, 1.0), model=st.sampled_from("PIZ"))
def test_the_bound_holds_whatever_the_load_keeps(volts: float, size: float, factor: float, model: str) -> None:
    """Constant power, current or impedance behind 0.05 + j0.05 ohm, solved by iteration in numpy."""
    table: dict[str, Any] = {}
    for phase in "abc":
        table |= {f"voltage.{phase}n [V]": np.full(6, volts), f"current.{phase} [A]": np.full(6, 1e-6)}
    load = {"name": "x", "active_power": f"{3 * size * factor} kW", "power_factor": factor}
    impedance = {"resistance": "0.05 ohm", "reactance": "0.05 ohm"}
    site = site_from({"supply": WYE, "new_load": [load], "source_impedance": impedance})
    record = recording(table)
    (stream,) = with_addition(record, site, Added(new_loads(site), source_of(site, record), "arithmetic")).streams
    found = {channel.base_name: float(values[0]) for channel, values in next(iter(stream.blocks(None))).values.items()}
    nominal = 400 / math.sqrt(3)
    rated = 1000 * size / nominal
    turn = complex(factor, -math.sqrt(1 - factor**2))
    after: complex = volts
    for _ in range(200):
        ratio = abs(after) / nominal
        amperes = rated * {"P": 1 / ratio, "I": 1.0, "Z": ratio}[model]
        after = volts - (0.05 + 0.05j) * amperes * after / abs(after) * turn
    assert found["voltage.an"] <= abs(after) * (1 + 1e-6)
    assert found["current.a"] >= amperes * (1 - 1e-6)


def test_a_declared_behaviour_is_taken_as_declared() -> None:
    table = {f"{name}.{phase}{'n' if name == 'voltage' else ''} [{unit}]": np.full(6, value)
             for name, unit, value in (("voltage", "V", 220.0), ("current", "A", 1e-6)) for phase in "abc"}  # fmt: skip
    heater = {"name": "heater", "active_power": "30 kW", "power_factor": 1.0, "behaviour": "impedance"}
    site = site_from({"supply": WYE, "new_load": [heater]})
    record = recording(table)
    (stream,) = with_addition(record, site, Added(new_loads(site), None, "arithmetic")).streams
    values = next(iter(stream.blocks(None))).values
    found = next(float(array[0]) for channel, array in values.items() if channel.base_name == "current.a")
    assert found == pytest.approx(30e3 / (math.sqrt(3) * 400) * 220 / (400 / math.sqrt(3)), rel=1e-5)


def test_a_power_factor_span_moves_the_voltage() -> None:
    table: dict[str, Any] = {}
    for seed, phase in enumerate("abc"):
        noise = np.random.default_rng(seed).normal(0, 0.1, 1008)
        table |= {f"voltage.{phase}n [V]": 213 + noise, f"current.{phase} [A]": 20 + noise}
        table |= {f"active_power.{phase} [W]": 213 * (20 + noise), f"reactive_power.{phase} [var]": 5 + noise}
    motor = {"name": "motor", "apparent_power": "40 kVA", "power_factor": 0.95}
    impedance = {"resistance": "0.02 ohm", "reactance": "0.15 ohm"}
    sure = study(table, tables=["en50160-2010-lv"], new_load=[motor], source_impedance=impedance)
    span = [{**motor, "power_factor_span": [0.6, 0.95]}]
    unsure = study(table, tables=["en50160-2010-lv"], new_load=span, source_impedance=impedance)
    assert prediction(sure, "voltage-week-95", "voltage.an+new-load").verdict is Verdict.PASS
    assert prediction(unsure, "voltage-week-95", "voltage.an+new-load").verdict is Verdict.INCONCLUSIVE
    assert [row.input for row in unsure.band] == ["power factor of motor"]


@given(
    low=st.floats(1, 5), ratio=st.floats(1.05, 20), reactive=st.floats(5, 400), fixed=st.floats(0, 200),
    tuning=st.sampled_from([0, 0, 5.67, 7, 14]), x_over_r=st.sampled_from([None, 2, 10, 40]), order=st.integers(2, 25),
    place=st.floats(0, 1),
)  # fmt: skip
def test_no_order_is_amplified_more_between_the_points_of_the_span(
    low: float, ratio: float, reactive: float, fixed: float, tuning: float, x_over_r: float | None, order: int,
    place: float,
) -> None:  # fmt: skip
    """A ladder of supply, bank that is there and new bank, by hand, at any current of the span."""
    impedance: dict[str, Any] = {"x_over_r": x_over_r} if x_over_r else {}
    if fixed > 1:
        impedance["capacitor_bank"] = f"{fixed} kvar"
    pcc = {**PCC, "short_circuit_current_min": f"{low} kA", "short_circuit_current": f"{low * ratio} kA"}
    bank = {"name": "bank", "kind": "capacitor", "reactive_power": f"{reactive} kvar", "detuning": f"{tuning} %"}
    site = site_from({"supply": WYE, "pcc": pcc, "new_load": [bank], "source_impedance": impedance})
    source = source_of(site, recording({"current.a [A]": np.ones(12)}))
    (new,) = [load.bank for load in new_loads(site)]
    assert source is not None and new is not None
    points = [source, *(supply for _, supply in supply_span(site, source, [new], [order]))]

    def branch(kvar: float, detuned: float) -> complex:
        whole = 400**2 / (kvar * 1e3)
        capacitive = whole / (1 - detuned / 100)
        return 1 / (1j * (order * detuned / 100 * capacitive - capacitive / order))

    there = branch(fixed, 0) if fixed > 1 else 0j
    size = 230 / (1000 * low * ratio**place)
    z = size / math.hypot(1, x_over_r) * complex(1, x_over_r * order) if x_over_r else 1j * size * order
    loop, before = 1 + z * (there + branch(reactive, tuning)), 1 + z * there
    if abs(loop) < 1e-2 or abs(before) < 1e-2:
        return
    for value, of in (
        (1 / abs(loop), lambda supply: supply.amplification(order)),
        (abs(z / loop), lambda supply: abs(supply.phase_impedance(order))),
    ):
        most = max(of(replace(supply, banks=(*supply.banks, new))) for supply in points)
        assert value <= most * (1 + 1e-3)


def test_steps_of_a_bank_meet_the_span_of_short_circuit_currents() -> None:
    """Of four steps of 25 kvar, one resonates with order 11 at 121 Q / (sqrt(3) U) = 4.4 kA; all of them nowhere."""
    table = spectral(4)
    for phase in "abc":
        for order in (7, 11):
            table[f"current_harmonic.{phase}.h{order} [A]"] = table[f"current_harmonic.{phase}.h5 [A]"] / 4
        for order in (5, 7, 11):
            table[f"voltage_harmonic.{phase}n.h{order} [V]"] = 0.5 + table[f"current_harmonic.{phase}.h5 [A]"] / 1000
        table[f"voltage.{phase}n [V]"] = 231.0 - table[f"current.{phase} [A]"] / 200
    bank = {"name": "bank", "kind": "capacitor", "reactive_power": "100 kvar", "steps": 4}
    found = study(
        table, pcc={**PCC, "short_circuit_current_min": "4 kA", "short_circuit_current": "6 kA"}, new_load=[bank],
        source_impedance={"x_over_r": 10}, tables=["ieee519-2014"],
    )  # fmt: skip
    bound = prediction(found, RULE, "current_harmonic.a.h11+new-load-arithmetic").statistic
    # At exact resonance the amplification is X/R of the order, and 0.5 V of background drive |U| |Y| of it.
    assert bound is not None and bound.value is not None and bound.value > 20
    assert "1 of 4 steps" in " ".join(row.at for row in found.band)
    sharpest = found.resonances[0]
    assert sharpest.worst_order in (7, 11, 13, 17, 19, 23, 25) and sharpest.amplification > 50


def motors(*factors: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"name": f"motor {number}", "active_power": "35 kW", **factor} for number, factor in enumerate(factors, start=1)
    ]


SPAN, LOWEST = {"power_factor": 0.95, "power_factor_span": [0.6, 0.95]}, {"power_factor": 0.6}


def test_power_factors_at_their_ends_together_decide() -> None:
    """Two motors of 35 kW at 0.6 take 168 A: 214.8 V fall below 207 V; each alone at 0.6 leaves them above."""
    table: dict[str, Any] = {}
    for seed, phase in enumerate("abc"):
        noise = np.random.default_rng(seed).normal(0, 0.1, 1008)
        table |= {f"voltage.{phase}n [V]": 214.8 + noise, f"current.{phase} [A]": 150 + 10 * noise}
        table |= {f"active_power.{phase} [W]": 205 * (150 + 10 * noise)}
        table |= {f"reactive_power.{phase} [var]": 66 * 150 + noise}
    sections: dict[str, Any] = {
        "limits": {"apply": ["en50160-2010-lv"], "quantities": ["voltage"]}, "ratings": {"service": "300 A"},
        "source_impedance": {"resistance": "0.02 ohm", "reactance": "0.04 ohm"},
    }  # fmt: skip
    rows = {}
    for name, loads in (("both", motors(LOWEST, LOWEST)), ("spans", motors(SPAN, SPAN)),
                        ("one", motors(SPAN, {"power_factor": 0.95}))):  # fmt: skip
        found = study(table, new_load=loads, **sections)
        rows[name] = [prediction(found, rule, f"{channel}+new-load").verdict for rule, channel in
                      (("voltage-week-95", "voltage.an"), ("service", "current.a"))]  # fmt: skip
    assert rows == {
        "both": [Verdict.FAIL, Verdict.FAIL], "spans": [Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE],
        "one": [Verdict.PASS, Verdict.PASS],
    }  # fmt: skip


def test_a_tolerance_counts_for_ratings_and_what_fails_first() -> None:
    drive = {**DRIVE, "spectrum_tolerance": "200 %"}
    plain, wide = (study(spectral(4), ratings={"service": "400 A"}, new_load=[load]) for load in (DRIVE, drive))
    bounds = [prediction(found, "service", "current.a+new-load-arithmetic").statistic for found in (plain, wide)]
    values = [bound.value for bound in bounds if bound is not None]
    # 100 A of fundamental: 4 A and 20 A, or 60 A, of order 5.
    assert values[1] ** 2 - values[0] ** 2 == pytest.approx(64**2 - 24**2, rel=0.02)
    assert wide.rooms[0].share < plain.rooms[0].share


def test_the_grown_demand_counts_the_span_of_short_circuit_currents() -> None:
    # 4 A there and 1 A new of order 5: 8 A at either end, some 200 A at 3.6 kA, where 100 kvar resonate with it.
    table = spectral(4)
    for phase in "abc":
        table[f"voltage_harmonic.{phase}n.h5 [V]"] = 0.5 + table[f"current_harmonic.{phase}.h5 [A]"] / 1000
        table[f"voltage.{phase}n [V]"] = 231.0 - table[f"current.{phase} [A]"] / 200
    small = {"name": "drive", "current": "100 A", "power_factor": 1.0, "harmonics": {"5": 1}}
    bank = {"name": "bank", "kind": "capacitor", "reactive_power": "100 kvar"}
    sections: dict[str, Any] = {
        "new_load": [small, bank], "source_impedance": {"x_over_r": 10}, "tables": ["ieee519-2014"]
    }
    for least, verdict in (("11.9 kA", Verdict.PASS), ("2.2 kA", Verdict.INCONCLUSIVE)):
        span = {**PCC, "short_circuit_current_min": least, "short_circuit_current": "12 kA"}
        found = study(table, pcc=span, **sections)
        assert prediction(found, RULE, f"{FIFTH}-grown-demand").verdict is verdict
