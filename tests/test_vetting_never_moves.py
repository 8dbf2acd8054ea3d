"""Channels that never move, and zeros that were not measured: refused, open, or rightly left alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]
DAY = 144


def noise(seed: int, middle: float, width: float, decimals: int = 2, count: int = WEEK) -> Floats:
    return np.round(middle + np.random.default_rng(seed).normal(0, width, count), decimals)


def voltages(**replaced: Floats) -> dict[str, Floats]:
    return {f"voltage.{phase} [V]": replaced.get(phase, noise(number, 230, 1.5))
            for number, phase in enumerate(("an", "bn", "cn"))}


def of_rule(findings: tuple[Finding, ...], rule: str) -> dict[str, Finding]:
    return {finding.channel: finding for finding in findings if finding.rule == rule}


def limits(result: Findings, quantity: str, phase: str | None) -> set[tuple[Verdict, str]]:
    return {(finding.verdict, finding.reason.code if finding.reason else "") for finding in result.findings
            if finding.kind == "limit" and (finding.quantity, finding.phase) == (quantity, phase)
            and finding.verdict is not Verdict.NOT_APPLICABLE}


@pytest.mark.parametrize("blank", [False, True])
def test_a_voltage_that_never_moves_is_refused(blank: bool) -> None:
    still = np.full(WEEK, 230.0)
    if blank:
        still[::50] = np.nan
    result = check(recording(voltages(bn=still)), site(), "en50160-2010-lv")
    assert of_rule(result.findings, "stuck")["voltage.bn.mean"].verdict is Verdict.REFUSED
    assert limits(result, "voltage", "bn") == {(Verdict.REFUSED, "stuck")}
    assert (Verdict.REFUSED, "stuck") not in limits(result, "voltage", "an")


def test_all_voltages_that_never_move_are_refused() -> None:
    still = {name: np.full(WEEK, 230.0) for name in voltages()}
    for table in (still, {"voltage.an [V]": np.full(WEEK, 230.0)}, {name: row.astype(np.float32) for name, row in
                                                                    still.items()}):
        result = check(recording(table), site(), "en50160-2010-lv")
        assert limits(result, "voltage", "an") == {(Verdict.REFUSED, "stuck")}


def test_a_day_of_one_value_takes_only_its_day() -> None:
    half = noise(1, 230, 1.5)
    half[200:200 + DAY] = 231.2
    result = vet(recording(voltages(bn=half)), site())
    (doubt,) = [one for one in result.trust if one.code == "stuck"]
    assert doubt.start_us is not None and doubt.end_us is not None
    assert (doubt.end_us - doubt.start_us) // 600_000_000 in (DAY, DAY + 1, DAY + 2)


@pytest.mark.parametrize(("value", "verdict", "code"), [
    (2.0, Verdict.INCONCLUSIVE, "never-moves"), (2.13, Verdict.REFUSED, "stuck"),
])
def test_a_distortion_that_never_moves(value: float, verdict: Verdict, code: str) -> None:
    """0.01 of 2.13 % is 0.47 % of the reading; 2.0 may be written in tenths, and then says little."""
    table = voltages() | {"voltage_thd.an [%]": np.full(WEEK, value)}
    result = check(recording(table), site(), "en50160-2010-lv")
    seen = of_rule(result.findings, "stuck")["voltage_thd.an.mean"]
    assert (seen.verdict, seen.reason.code if seen.reason else "") == (verdict, code)
    assert limits(result, "voltage_thd", "an") == {(verdict, code)}


def test_coarse_voltages_that_move_raise_nothing() -> None:
    """Whole volts on 120 V, hours of one value at night: the habit of the instrument."""
    rng = np.random.default_rng(5)
    day = np.repeat(rng.integers(118, 123, 7 * 12), 12).astype(float)
    result = vet(recording({"voltage.an [V]": day}), site(supply={"nominal_voltage": "120/240 V",
                                                                  "connection": "split-phase", "frequency": "60 Hz"}))
    assert not [one for one in result.findings if one.rule in ("stuck", "not-measured") and
                one.verdict is not Verdict.PASS]


@pytest.mark.parametrize("quantity", ["voltage_thd.an [%]", "flicker_pst.an [1]"])
@pytest.mark.parametrize("with_voltage", [True, False])
@pytest.mark.parametrize("rows", [WEEK, DAY])
def test_zeros_for_a_day_were_not_measured(quantity: str, with_voltage: bool, rows: int) -> None:
    values = noise(4, 1.2, 0.1)
    values[:rows] = 0.0
    result = check(recording((voltages() if with_voltage else {}) | {quantity: values}), site(), "en50160-2010-lv")
    name = quantity.partition(".")[0]
    seen = of_rule(result.findings, "not-measured")[f"{name}.an.mean"]
    assert seen.verdict is Verdict.REFUSED
    assert seen.reason is not None and seen.reason.code == "not-measured"
    if name == "voltage_thd":
        assert limits(result, name, "an") == {(Verdict.REFUSED, "not-measured")}


def test_zeros_of_a_dead_supply_are_an_interruption() -> None:
    table: dict[str, Any] = voltages() | {"voltage_thd.an [%]": noise(4, 2, 0.1)}
    for values in table.values():
        values[300:300 + 2 * DAY] = 0.0
    findings = vet(recording(table), site()).findings
    assert of_rule(findings, "not-measured")["voltage_thd.an.mean"].verdict is Verdict.PASS
    assert of_rule(findings, "interruption")["voltage"].verdict is Verdict.INCONCLUSIVE


def orders(zero: set[int], decimals: int = 2) -> dict[str, Floats]:
    table = {}
    for order in range(2, 26):
        level = {3: 0.8, 5: 2.0, 7: 1.4}.get(order, 0.3)
        values = np.zeros(WEEK) if order in zero else np.abs(noise(order, level, 0.05, decimals))
        table[f"voltage_harmonic.an.h{order} [%]"] = values
    return table


def zero_orders(table: dict[str, Floats]) -> Finding:
    return of_rule(vet(recording(table), site()).findings, "zero-orders")["voltage_harmonic.an"]


LOAD = {"current.a [A]": noise(9, 40, 3)}


def test_all_orders_of_a_voltage_at_zero_were_not_measured() -> None:
    assert zero_orders(orders(set(range(2, 26)))).verdict is Verdict.REFUSED
    assert zero_orders(orders(set())).verdict is Verdict.PASS


def test_orders_5_and_7_of_a_loaded_supply_are_never_zero() -> None:
    table = {f"voltage_harmonic.an.h{order} [%]": np.zeros(WEEK) for order in (5, 7)}
    table["voltage_harmonic.an.h9 [%]"] = noise(3, 0.03, 0.01)
    table["voltage_harmonic.an.h11 [%]"] = noise(4, 0.03, 0.01)
    assert zero_orders(table).verdict is Verdict.PASS
    assert zero_orders(table | LOAD).verdict is Verdict.REFUSED


def test_single_high_orders_at_zero_are_the_resolution() -> None:
    table = orders(set(range(14, 26))) | LOAD
    for order in range(8, 14):
        table[f"voltage_harmonic.an.h{order} [%]"] = np.where(np.arange(WEEK) % 7 < 2, 0.02, 0.01)
    assert zero_orders(table).verdict is Verdict.PASS


def test_a_coarse_channel_that_moves_elsewhere_keeps_its_verdicts() -> None:
    """Worked vectors of two values only: a question about the channel, and the count stands."""
    values = np.full(WEEK, 230.0)
    values[:50] = 206.9
    result = check(recording({"voltage.an [V]": values}), site(supply={"nominal_voltage": "230 V",
                                                                      "connection": "single-phase"}), "en50160-2010-lv")
    seen = of_rule(result.findings, "stuck")["voltage.an.mean"]
    assert (seen.verdict, seen.reason.code if seen.reason else "") == (Verdict.INCONCLUSIVE, "never-moves")
    assert limits(result, "voltage", "an") == {(Verdict.PASS, "")}


SINGLE = {"nominal_voltage": "230 V", "connection": "single-phase"}
ALWAYS = np.ones(WEEK)


@pytest.mark.parametrize(("table", "name", "rule_quantity"), [
    ({"frequency [Hz]": 50.0 * ALWAYS}, "frequency.mean", "frequency"),
    ({"frequency [Hz]": 50.003 * ALWAYS}, "frequency.mean", "frequency"),
    ({"negative_sequence_unbalance [%]": 0 * ALWAYS}, "negative_sequence_unbalance.mean",
     "negative_sequence_unbalance"),
    ({"negative_sequence_unbalance [%]": 1.03 * ALWAYS}, "negative_sequence_unbalance.mean",
     "negative_sequence_unbalance"),
    ({f"voltage_harmonic.an.h{order} [%]": 0.1 * ALWAYS for order in range(2, 26)}, "voltage_harmonic.an.mean",
     "voltage_harmonic"),
    ({f"current.{phase} [A]": 0 * ALWAYS for phase in "abc"}, "current.a.mean", None),
    ({"current_trd.a [%]": 0 * ALWAYS}, "current_trd.a.mean", None),
    ({f"current_harmonic.a.h{order} [A]": 0 * ALWAYS for order in range(2, 26)}, "current_harmonic.a.mean", None),
    ({f"current_harmonic.a.h{order} [A]": round(10 / order, 2) * ALWAYS for order in range(2, 26)},
     "current_harmonic.a.mean", None),
    ({"current_tdd.a [%]": np.float32(1.21) * ALWAYS.astype(np.float32)}, "current_tdd.a.mean", None),
    ({"current.a [A]": 12.34 * ALWAYS, "current.b [A]": noise(2, 40, 3)}, "current.a.mean", None),
])
def test_nothing_passes_on_what_never_moves(table: dict[str, Floats], name: str, rule_quantity: str | None) -> None:
    made = recording(voltages() | table)
    seen = of_rule(vet(made, site()).findings, "never-moves")[name]
    assert (seen.verdict, seen.reason.code if seen.reason else "") == (Verdict.INCONCLUSIVE, "never-moves")
    if rule_quantity:
        rules = [finding for finding in check(made, site(), "en50160-2010-lv").findings
                 if finding.kind == "limit" and finding.quantity == rule_quantity]
        assert rules and not [finding for finding in rules if finding.verdict is Verdict.PASS]


def test_what_moves_is_left_alone() -> None:
    """One phase without a load, a single order at zero, minima of zero, blanks between the readings."""
    table = voltages() | {"frequency [Hz]": noise(1, 50, 0.02), "current.a [A]": noise(2, 40, 3),
                          "current.b [A]": 0 * ALWAYS, "current.n [A]": 0 * ALWAYS, "current.a.min [A]": 0 * ALWAYS,
                          "voltage_harmonic.an.h5 [%]": noise(3, 2, 0.1), "voltage_harmonic.an.h24 [%]": 0 * ALWAYS}
    spaced = noise(4, 1, 0.2)
    spaced[::2] = np.nan
    table["negative_sequence_unbalance [%]"] = spaced
    assert {finding.verdict for finding in of_rule(vet(recording(table), site()).findings, "never-moves").values()} \
        == {Verdict.PASS}


@pytest.mark.parametrize("table", [
    {"current.a [A]": 0.2 * ALWAYS, "current.b [A]": 3 * ALWAYS},
    {f"current_harmonic.a.h{order} [A]": amperes * ALWAYS for order, amperes in ((5, 66), (7, 20), (11, 8), (13, 0))},
    {"current_tdd.a [%]": 4.9 * ALWAYS},
])
def test_a_steady_load_within_a_coarse_last_decimal(table: dict[str, Floats]) -> None:
    assert {finding.verdict for finding in of_rule(vet(recording(voltages() | table), site()).findings,
                                                   "never-moves").values()} == {Verdict.PASS}


def test_what_moves_between_the_values_looked_at_moves() -> None:
    """Of 3-second values about one in ten minutes is looked at elsewhere; here all are."""
    values = np.full(28_800, 4.01)
    values[77::200] = 9.0
    made = recording({"current_tdd.a [%]": values}, interval_s=3)
    assert of_rule(vet(made, site()).findings, "never-moves")["current_tdd.a.mean"].verdict is Verdict.PASS


@pytest.mark.parametrize("values", [0 * ALWAYS, 5.0 * ALWAYS])
def test_a_maximum_that_never_moves_proves_nothing(values: Floats) -> None:
    made = recording({"voltage.an [V]": noise(1, 230, 1), "voltage_thd.an.max [%]": values})
    place = site(supply=SINGLE, recording={"extremes_of": "200 ms"})
    assert limits(check(made, place, "en50160-2010-lv"), "voltage_thd", "an") == {(Verdict.INCONCLUSIVE, "never-moves")}


@pytest.mark.parametrize(("quantity", "zero_until", "value", "verdict"), [
    ("voltage_thd", 138, 3.1, Verdict.REFUSED), ("voltage_thd", 120, 0.3, Verdict.REFUSED),
    ("voltage_thd", 72, 3.1, Verdict.REFUSED),
    ("voltage_thd", 40, 3.1, Verdict.REFUSED), ("voltage_thd", 120, 0.1, Verdict.PASS),
    ("flicker_pst", 120, 0.31, Verdict.INCONCLUSIVE), ("flicker_pst", 120, 0.1, Verdict.PASS),
    ("flicker_plt", 120, 0.31, Verdict.INCONCLUSIVE),
])
def test_zeros_that_fill_most_of_every_day(quantity: str, zero_until: int, value: float, verdict: Verdict) -> None:
    """Broken by a few readings; 0.1 beside 0.0 is the resolution of the instrument."""
    values = np.where(np.arange(WEEK) % DAY < zero_until, 0.0, value)
    result = vet(recording(voltages() | {f"{quantity}.an [1]": values}), site())
    assert of_rule(result.findings, "not-measured")[f"{quantity}.an.mean"].verdict is verdict


def test_quiet_hours_of_flicker_between_the_starts_of_one_load() -> None:
    values = np.where(np.arange(WEEK) % 30 == 7, 1.4, 0.0)
    result = vet(recording(voltages() | {"flicker_pst.an [1]": values}), site())
    assert of_rule(result.findings, "not-measured")["flicker_pst.an.mean"].verdict is Verdict.PASS


def test_zeros_that_fill_most_of_one_day_take_that_day() -> None:
    values = noise(1, 3, 0.2)
    values[2 * DAY: 3 * DAY - 20] = 0
    made = recording(voltages() | {"voltage_thd.an [%]": values})
    (doubt,) = [trust for trust in vet(made, site()).trust if trust.code == "not-measured"]
    assert doubt.end_us is not None and doubt.start_us is not None
    assert doubt.end_us - doubt.start_us == 86_400_000_000
