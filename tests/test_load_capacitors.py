"""Capacitor banks, there already or new, against the network solved by nodal analysis in numpy."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.loads.answer import answer_of
from pqcheck.loads.declared import new_loads
from pqcheck.loads.harmonics import Law
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_impedance import source_of
from pqcheck.model.errors import SiteError
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site
from pqcheck.workflows.study_load import load_study
from tests.recordings import recording

SUPPLY = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}
R, X = 0.004, 0.02
COUNT = 6


def solve(
    order: int, background: complex, injected: complex, banks: list[tuple[float, float]]
) -> tuple[float, float]:
    """Volts at the bus and amperes in the supply of one phase: nodal, Y U = sum of the currents into the bus.

    `background` is the voltage behind the supply, `injected` the current of the loads, `banks` (kvar, detuning %).
    """
    supply = R + 1j * order * X
    node = 1 / supply
    for kvar, detuning in banks:
        whole = 400**2 / (kvar * 1000)
        capacitive = whole / (1 - detuning / 100)
        node += 1 / (1j * (order * capacitive * detuning / 100 - capacitive / order))
    volts = (background / supply - injected) / node
    return abs(volts), abs((background - volts) / supply)


def place(new: list[dict[str, Any]], **sections: Any) -> Site:
    impedance = {"resistance": f"{R} ohm", "reactance": f"{X} ohm", **sections}
    return site_from({"supply": SUPPLY, "new_load": new, "source_impedance": impedance})


def predicted(order: int, volts: float, amperes: float, site: Site, law: Law) -> dict[str, float]:
    table: dict[str, Any] = {}
    for phase in "abc":
        table[f"voltage.{phase}n [V]"] = np.full(COUNT, 230.0)
        table[f"voltage_harmonic.{phase}n.h{order} [V]"] = np.full(COUNT, volts)
        table[f"current.{phase} [A]"] = np.full(COUNT, math.hypot(100.0, amperes))
        table[f"current_harmonic.{phase}.h1 [A]"] = np.full(COUNT, 100.0)
        table[f"current_harmonic.{phase}.h{order} [A]"] = np.full(COUNT, amperes)
        table[f"active_power.{phase} [W]"] = np.full(COUNT, 230.0 * 90)
        table[f"reactive_power.{phase} [var]"] = np.full(COUNT, 230.0 * 100 * math.sqrt(1 - 0.81))
    record = recording(table)
    added = Added(new_loads(site), source_of(site, record), law)
    (stream,) = with_addition(record, site, added).streams
    block = next(iter(stream.blocks(None)))
    return {channel.base_name: float(values[0]) for channel, values in block.values.items()}


BANK = {"name": "bank", "kind": "capacitor", "reactive_power": "120 kvar"}


@given(
    order=st.sampled_from([5, 7, 11, 13, 17]),
    kvar=st.floats(20, 300),
    detuning=st.sampled_from([0.0, 7.0, 14.0]),
    background=st.floats(0, 8),
    injected=st.floats(0.5, 40),
    angle=st.floats(0, 2 * math.pi),
    existing=st.sampled_from([0.0, 50.0]),
)
def test_a_new_bank_shapes_what_is_there_as_the_network_does(
    order: int, kvar: float, detuning: float, background: float, injected: float, angle: float, existing: float
) -> None:
    there = [(existing, 0.0)] if existing else []
    current = injected * np.exp(1j * angle)
    before = solve(order, background, current, there)
    after = solve(order, background, current, [*there, (kvar, detuning)])
    declared = {**BANK, "reactive_power": f"{kvar} kvar", "detuning": f"{detuning} %"}
    site = place([declared], **({"capacitor_bank": f"{existing} kvar"} if existing else {}))
    found = predicted(order, *before, site, "summation")
    # The voltage follows without any angle: U' / U is a ratio of impedances, whatever the sources are.
    assert found[f"voltage_harmonic.an.h{order}"] == pytest.approx(after[0], rel=1e-6)
    # The current needs the angle between current and voltage: the bound holds whatever it is.
    bound = predicted(order, *before, site, "arithmetic")
    assert bound[f"current_harmonic.a.h{order}"] >= after[1] * (1 - 1e-9)
    if background == 0 and not existing:
        assert found[f"current_harmonic.a.h{order}"] == pytest.approx(after[1], rel=1e-6)


def test_the_resonance_of_a_bank_declared_as_what_it_is() -> None:
    # 400 V behind 0.004 + j0.02 ohm; 163.3 kvar resonate at order 7: Xc = 0.98 ohm = 49 x 0.02.
    kvar = 400**2 / (49 * X) / 1000
    drive = {"name": "drive", "current": f"{100 * math.sqrt(1 + 0.14**2)} A", "power_factor": 1.0,
             "harmonics": {"7": 14}}  # fmt: skip
    site = place([{**BANK, "reactive_power": f"{kvar} kvar"}, drive])
    before = solve(7, 1.0, 8.0, [])
    found = predicted(7, *before, site, "arithmetic")
    after = solve(7, 1.0, 8.0 + 14.0, [(kvar, 0.0)])
    without = solve(7, 1.0, 8.0 + 14.0, [])
    # Some seven times the volts of the network without the bank, and what stands here is no less.
    assert after[0] > 5 * without[0]
    assert found["voltage_harmonic.an.h7"] >= after[0] and found["current_harmonic.a.h7"] >= after[1]
    assert found["voltage_harmonic.an.h7"] < 1.3 * after[0]


def test_zero_sequence_orders_pass_a_delta_bank_by() -> None:
    drive = {"name": "lights", "current": "100 A", "power_factor": 1.0, "harmonics": {"3": 20}}
    table = predicted(3, 0.5, 1.0, place([drive]), "arithmetic")
    delta = predicted(3, 0.5, 1.0, place([drive], capacitor_bank="300 kvar"), "arithmetic")
    star = predicted(
        3, 0.5, 1.0, place([drive], capacitor_bank="300 kvar", capacitor_connection="grounded-star"), "arithmetic"
    )
    assert delta["voltage_harmonic.an.h3"] == pytest.approx(table["voltage_harmonic.an.h3"])
    assert star["voltage_harmonic.an.h3"] > 1.1 * table["voltage_harmonic.an.h3"]


def test_a_bank_lifts_the_voltage_by_its_reactive_current() -> None:
    # Elementary: a shunt of susceptance B behind R + jX gives U = E / (1 + jB (R + jX)); the load keeps its current.
    found = predicted(5, 0.1, 0.1, place([BANK]), "summation")
    susceptance = 120_000 / 400**2
    assert found["voltage.an"] == pytest.approx(230 / abs(1 + 1j * susceptance * (R + 1j * X)), rel=1e-3)
    assert found["voltage.an"] > 231
    # 100 A at 0.9 lagging with 173 A leading beside it.
    expected = abs(complex(90, -100 * math.sqrt(1 - 0.81)) + 1j * susceptance * found["voltage.an"])
    assert found["current_harmonic.a.h1"] == pytest.approx(expected, rel=5e-3)


def test_a_load_that_is_a_bank_is_refused_until_declared_so() -> None:
    load = {"name": "power factor bank", "apparent_power": "100 kVA", "power_factor": 0.05, "reactive": "leading"}
    with pytest.raises(SiteError, match='kind = "capacitor"'):
        new_loads(place([load]))
    new_loads(place([{**load, "power_factor": 0.9}]))


@pytest.mark.parametrize(
    ("declared", "words"),
    [
        ({"kind": "capacitor", "current": "5 A"}, "has no current; it has reactive_power"),
        ({"kind": "capacitor"}, "lacks its size; give reactive_power"),
        ({"current": "5 A", "detuning": "7 %"}, "which only a capacitor bank has"),
        ({"kind": "condenser", "current": "5 A"}, "kind"),
        ({"kind": "capacitor", "reactive_power": "100 kvar", "detuning": "80 %"}, "detuning"),
    ],
)
def test_a_bank_that_cannot_be(declared: dict[str, Any], words: str) -> None:
    with pytest.raises(SiteError, match=words):
        place([{"name": "x", **declared}])


def test_a_bank_without_a_declared_supply() -> None:
    table = {f"current.{phase} [A]": np.full(12, 10.0) for phase in "abc"}
    with pytest.raises(SiteError, match="the supply that it resonates with is not declared"):
        load_study(recording(table), {"time_zone": "UTC", "supply": SUPPLY, "new_load": [BANK]})


def test_every_step_of_a_bank_has_its_resonance() -> None:
    # h = sqrt(Xc / X) of each step: 49 x 0.02 ohm for all three of them, three times that for one alone.
    kvar = 400**2 / (49 * X) / 1000
    bank = {**BANK, "reactive_power": f"{kvar} kvar", "steps": 3}
    table: dict[str, Any] = {}
    for seed, phase in enumerate("abc"):
        noise = np.random.default_rng(seed).normal(0, 0.1, 60)
        table |= {f"current.{phase} [A]": 50 + noise, f"voltage.{phase}n [V]": 230 + noise}
    found = load_study(
        recording(table),
        {"time_zone": "UTC", "supply": SUPPLY, "new_load": [bank], "ratings": {"service": "400 A"},
         "source_impedance": {"resistance": f"{R} ohm", "reactance": f"{X} ohm"}},
    )  # fmt: skip
    orders = {row.banks: row.order for row in found.resonances}
    assert orders == {
        "1 of 3 steps of bank": pytest.approx(7 * math.sqrt(3)),
        "2 of 3 steps of bank": pytest.approx(7 * math.sqrt(1.5)),
        "3 of 3 steps of bank": pytest.approx(7.0),
    }  # fmt: skip
    sharpest = found.resonances[0]
    assert sharpest.banks == "3 of 3 steps of bank" and sharpest.worst_order == 7
    # Nodal: the current of a load at order 7 that flows to the supply, over what it is without the bank.
    assert sharpest.amplification == pytest.approx(solve(7, 0, 1, [(kvar, 0.0)])[1], rel=1e-9)
    assert [row.input for row in found.band] == ["steps of bank"]


def test_a_detuned_bank_resonates_below_the_orders_of_rectifiers() -> None:
    # 7 % detuned: tuned to order 3.78, so that Z' of order 5 and above is inductive and smaller than without it.
    drive = {"name": "drive", "current": "100 A", "power_factor": 1.0, "harmonics": {"5": 20, "7": 14}}
    source = source_of(place([drive], capacitor_bank="100 kvar", capacitor_detuning="7 %"),
                       recording({"current.a [A]": np.ones(12)}))  # fmt: skip
    assert source is not None and source.resonance is not None and source.resonance < 3.79
    assert all(source.amplification(order) < 1 for order in (5, 7, 11, 13))


def test_the_bound_is_no_smaller_than_what_is_expected() -> None:
    """Order 7 at resonance, 8 A of it in the record beside a voltage that the declared impedance does not explain."""
    kvar = 400**2 / (49 * X) / 1000
    site = place([{**BANK, "reactive_power": f"{kvar} kvar"}])
    for volts in (0.0, 0.2, 1.12, 5.0):
        expected, bound = (predicted(7, volts, 8.0, site, law) for law in ("summation", "arithmetic"))
        assert bound["current.a"] >= expected["current.a"]


@pytest.mark.parametrize("missing", ["", "current_harmonic", "voltage_harmonic", "current_harmonic.b", "all"])
def test_orders_that_a_bank_amplifies_have_to_be_recorded(missing: str) -> None:
    """28 kvar behind 0.075 ohm: in resonance with it near order 8.7, between 7 and 9; orders up to 11 grow."""
    impedance = {"resistance": "0.008 ohm", "reactance": "0.075 ohm"}
    table: dict[str, Any] = {}
    for seed, phase in enumerate("abc"):
        noise = np.random.default_rng(seed).normal(0, 0.1, 1008)
        table |= {f"current.{phase} [A]": 50 + noise, f"voltage.{phase}n [V]": 230 - noise}
        for order in range(3, 26, 2):
            amperes = 0.02 + noise * 0.001
            table[f"current_harmonic.{phase}.h{order} [A]"] = amperes
            table[f"voltage_harmonic.{phase}n.h{order} [V]"] = amperes * abs(0.008 + 0.075j * order)
    for name in list(table):
        if missing and ("harmonic" in name if missing == "all" else name.startswith(missing)):
            del table[name]
    found = load_study(
        recording(table, interval_s=600),
        {"time_zone": "UTC", "supply": SUPPLY, "new_load": [{**BANK, "reactive_power": "28 kvar"}],
         "ratings": {"service": "120 A"}, "source_impedance": impedance}, ["en50160-2010-lv"],
        quantities=["voltage"],
    )  # fmt: skip
    # The voltage follows from voltages alone: U' / U is a ratio of impedances.
    expected = {"current": missing != "", "voltage": missing in ("voltage_harmonic", "all")}
    for quantity, open_ in expected.items():
        about = [each for each in found.findings.findings if each.kind == "prediction" and each.quantity == quantity
                 and not each.channel.endswith("-no-diversity")]  # fmt: skip
        assert {each.verdict.value for each in about} == ({"inconclusive"} if open_ else {"pass"})
        assert open_ == any(each.reason is not None and "orders 5, 7, 11" in each.reason.text for each in about)


ALL = tuple(order for order in range(5, 50, 2) if order % 3)
SHORT = (5, 7)
AMPERES = {5: 4.0, 7: 4.0, 11: 6.0, 13: 4.0}


def bank_at(order: int) -> dict[str, Any]:
    """The bank that resonates with the supply at an order: Xc = h^2 X."""
    return {**BANK, "reactive_power": f"{400**2 / (order**2 * X) / 1000} kvar"}


def studied(current: tuple[int, ...], voltage: tuple[int, ...], *new: dict[str, Any], service: str = "115 A") -> Any:
    """A study of loads of 100 A that cause all harmonics themselves, of which these orders are recorded."""
    table: dict[str, Any] = {}
    for phase, share in zip("abc", np.random.default_rng(3).uniform(0.7, 1.0, (3, 1200)), strict=True):
        table |= {f"current.{phase} [A]": 100 * share, f"voltage.{phase}n [V]": 230 - share,
                  f"active_power.{phase} [W]": 22900 * 0.8 * share,
                  f"reactive_power.{phase} [var]": 22900 * 0.6 * share}  # fmt: skip
        for order in current:
            table[f"current_harmonic.{phase}.h{order} [A]"] = AMPERES.get(order, 0.5) * share
        for order in voltage:
            volts, _ = solve(order, 0, AMPERES.get(order, 0.5), [])
            table[f"voltage_harmonic.{phase}n.h{order} [V]"] = volts * share
    return load_study(
        recording(table),
        {"time_zone": "UTC", "supply": SUPPLY, "new_load": list(new), "limits": {"apply": ["en50160-2010-lv"]},
         "ratings": {"service": service, "transformer": "100 kVA"},
         "source_impedance": {"resistance": f"{R} ohm", "reactance": f"{X} ohm"}},
    )  # fmt: skip


def outcomes(study: Any, quantities: set[str]) -> set[tuple[str, str]]:
    """Verdicts and reasons of the predictions about these quantities."""
    return {
        (finding.verdict.value, "" if finding.reason is None else finding.reason.code)
        for finding in study.findings.findings
        if finding.kind == "prediction" and finding.quantity in quantities and finding.order is None
        and not finding.channel.endswith("-no-diversity")
    }  # fmt: skip


@pytest.mark.parametrize("current", [(), SHORT, ALL])
@pytest.mark.parametrize("voltage", [(), SHORT, ALL])
def test_a_total_that_a_bank_shapes_passes_only_with_its_orders(
    current: tuple[int, ...], voltage: tuple[int, ...]
) -> None:
    bank = bank_at(11)
    kvar = float(bank["reactive_power"].split()[0])
    volts, amperes = solve(11, 0, 6.0, [(kvar, 0.0)])
    # Nodal: some 55 times the current of order 11, far beyond the rating, and more than 10 % of the voltage.
    assert amperes > 3 * 100 and math.hypot(230, volts) > 1.02 * 230
    study = studied(current, voltage, bank)
    ratings, voltages = outcomes(study, {"current", "apparent_power"}), outcomes(study, {"voltage"})
    assert ratings and voltages and "pass" not in {verdict for verdict, _ in ratings}
    if current != ALL:
        assert ratings == {("inconclusive", "bank-orders-missing")}
    else:
        assert ("fail", "") in ratings
    if voltage == ALL:
        assert "bank-orders-missing" not in {reason for _, reason in voltages}
    else:
        assert voltages == {("inconclusive", "bank-orders-missing")}


def test_a_bank_whose_orders_are_all_recorded_may_pass() -> None:
    # Detuned by 7 %: nothing from order 5 on grows, and nothing has to be recorded of what does not.
    detuned = {**BANK, "reactive_power": "30 kvar", "detuning": "7 %"}
    for orders in ((), ALL):
        assert outcomes(studied(orders, orders, detuned), {"current", "apparent_power"}) == {("pass", "")}
    assert outcomes(studied(ALL, ALL, bank_at(25)), {"current", "apparent_power"}) == {("pass", "")}


@given(
    order=st.sampled_from([5, 7, 11, 13, 17]), kvar=st.floats(20, 300), detuning=st.sampled_from([0.0, 7.0]),
    volts=st.floats(0, 20), amperes=st.floats(0, 40),
)  # fmt: skip
def test_no_bound_of_an_order_lies_below_its_prediction(
    order: int, kvar: float, detuning: float, volts: float, amperes: float
) -> None:
    # Volts that the declared impedance does not explain included.
    site = place([{**BANK, "reactive_power": f"{kvar} kvar", "detuning": f"{detuning} %"}])
    expected, bound = (predicted(order, volts, amperes, site, law) for law in ("summation", "arithmetic"))
    channel = f"current_harmonic.a.h{order}"
    assert bound[channel] >= expected[channel] * (1 - 1e-9)


def test_what_is_printed_at_worst_is_no_less_than_what_is_expected() -> None:
    for entry in studied(ALL, ALL, bank_at(11)).capacity:
        assert entry.then is not None and entry.then_bounds is not None and min(entry.then_bounds) >= entry.then


def test_no_size_of_a_bank_is_named_where_a_smaller_one_resonates_worse() -> None:
    declared, smaller = bank_at(9), bank_at(11)
    kvar = float(smaller["reactive_power"].split()[0])
    assert float(declared["reactive_power"].split()[0]) > kvar
    # Nodal: the smaller one resonates with what is there, the larger one between its orders.
    larger_kvar = float(declared["reactive_power"].split()[0])
    assert solve(11, 0, 6.0, [(kvar, 0.0)])[1] > 20 * solve(11, 0, 6.0, [(larger_kvar, 0.0)])[1]
    passing, failing = (studied(ALL, ALL, bank, service="130 A") for bank in (declared, smaller))
    assert ("fail", "") not in outcomes(passing, {"current"}) and ("fail", "") in outcomes(failing, {"current"})
    assert not passing.rooms and not failing.rooms
    answer = answer_of(failing)
    assert answer is not None and answer.conditions == (
        "To pass at worst it takes another size, or detuning, of the capacitor bank",
    )


def test_what_fits_beside_a_bank_is_sought_with_the_bank_as_declared() -> None:
    heater = {"name": "heater", "current": "200 A", "power_factor": 1.0, "behaviour": "current"}
    detuned = {**BANK, "reactive_power": "30 kvar", "detuning": "7 %"}
    room = next(room for room in studied(ALL, ALL, heater, detuned).rooms if room.key == "ratings/service")
    assert 0 < room.share < 0.3 and not room.about
    for share in (room.share * 0.99, room.share * 1.02):
        sized = {**heater, "current": f"{200 * share} A"}
        bounds = {
            finding.verdict.value for finding in studied(ALL, ALL, sized, detuned).findings.findings
            if finding.rule == "service" and finding.channel.endswith("-arithmetic")
        }  # fmt: skip
        assert bounds == {"pass"} if share < room.share else bounds != {"pass"}
