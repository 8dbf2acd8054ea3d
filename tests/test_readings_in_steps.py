"""Verdicts that half the step of the readings could turn are marked, with the number of intervals; none changes."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.judge.instrument_uncertainty import observed_step
from pqcheck.judge.judge_recording import judge
from pqcheck.judge.readings_in_steps import mark_steps
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_file import from_document
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.reports.check_terminal import as_text
from pqcheck.site.load_site import site_from
from pqcheck.vet import vet
from tests.recordings import WEEK, recording

PLACE: dict[str, Any] = {"name": "Flat 3", "time_zone": "UTC", "supply": {
    "nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz", "measured_at": "service"}}


def result(volts: NDArray[np.float64], scale: str = "V") -> Findings:
    return check(recording({f"voltage.an [{scale}]": volts}), PLACE, ["en50160-2010-lv"], quantities=["voltage"])


def weekly(found: Findings) -> Finding:
    return next(one for one in found.findings if one.rule == "voltage-week-95")


def near_the_limit(count: int, seed: int = 1) -> NDArray[np.float64]:
    """A week around 240 V of which `count` values lie between 253.05 and 253.45 V."""
    rng = np.random.default_rng(seed)
    volts = np.clip(240 + 3 * rng.standard_normal(WEEK), 230, 250)
    volts[rng.permutation(WEEK)[:count]] = rng.uniform(253.05, 253.45, count)
    return volts


def test_steps_at_the_limit_pass_where_the_finer_data_fail() -> None:
    volts = near_the_limit(60)
    finer, stepped = weekly(result(volts)), weekly(result(np.round(volts)))
    assert finer.verdict is Verdict.FAIL and finer.uncertainty is None
    assert stepped.verdict is Verdict.PASS and "marginal" in stepped.modifiers and stepped.reason is None
    assert stepped.uncertainty is not None
    # All 60 read 253 V, which is inside; half a step further 50 are allowed.
    assert (stepped.uncertainty.outside_low, stepped.uncertainty.outside_high) == (0, 60)
    assert stepped.uncertainty.expanded == "0.5 V (half the step of the readings)"


def test_it_is_said_and_written_and_read_back() -> None:
    found = result(np.round(near_the_limit(60)))
    text = " ".join(as_text(found).split())
    assert "Marginal, a finer reading could turn it" in text
    assert "60 intervals lie within 0.5 V (half the step of the readings) of the limit: 0 to 60 may lie outside" in text
    assert weekly(from_document(json.loads(found.to_json()))).uncertainty == weekly(found).uncertainty


def test_a_fail_that_half_a_step_turns() -> None:
    """Read as 254 V, at least 253.5 V: no 51st of them need lie outside a limit that steps of 2 V hide."""
    volts = np.round(near_the_limit(0) / 2) * 2
    volts[::16] = 254.0
    one = weekly(result(volts))
    assert one.verdict is Verdict.FAIL and "marginal" in one.modifiers and one.uncertainty is not None
    assert one.uncertainty.outside_low == 0 and one.uncertainty.outside_high == 63


@pytest.mark.parametrize("count", [0, 20, 50])
def test_what_half_a_step_does_not_turn_is_plain(count: int) -> None:
    one = weekly(result(np.round(near_the_limit(count))))
    assert one.verdict is Verdict.PASS and one.modifiers == () and one.uncertainty is None


def test_the_unit_of_the_column_changes_nothing() -> None:
    volts = np.round(near_the_limit(60))
    assert weekly(result(volts / 1000, "kV")).modifiers == weekly(result(volts)).modifiers == ("marginal",)


def test_levels_are_no_steps() -> None:
    """A load that switches between few levels shows no step of the instrument, and neither do a few values."""
    levels = np.tile([230.0, 254.0], 300)
    assert observed_step(levels) is None
    assert observed_step(np.arange(40.0)) is None
    assert observed_step(np.full(100, 230.0)) is None
    assert observed_step(np.array([])) is None


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**31), step=st.sampled_from([0.01, 0.1, 0.5, 1.0, 2.0]), single=st.booleans())
def test_the_step_of_rounded_readings(seed: int, step: float, single: bool) -> None:
    """Rounded to a step, with holes, in either width: the step is seen; not rounded, none is."""
    rng = np.random.default_rng(seed)
    volts = 230 + 4 * step * rng.standard_normal(400)
    volts[rng.permutation(400)[:10]] = np.nan
    read = np.round(volts / step) * step
    seen = observed_step(read.astype(np.float32) if single else read)
    assert seen is not None and seen == pytest.approx(step, rel=0.01)
    assert observed_step(volts) is None


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**31), count=st.integers(40, 70))
def test_the_true_values_keep_between_the_edges(seed: int, count: int) -> None:
    """Whatever was rounded away: of the true values as many lie outside as the two edges allow."""
    volts = near_the_limit(count, seed)
    one, truth = weekly(result(np.round(volts))), weekly(result(volts))
    # Runs of one highest value may look like the ceiling of a range, and are refused.
    if one.verdict is not truth.verdict and one.verdict is not Verdict.REFUSED:
        assert "marginal" in one.modifiers
    if one.uncertainty is not None:
        assert truth.intervals is not None
        assert one.uncertainty.outside_low <= truth.intervals.outside <= one.uncertainty.outside_high


ORDERS = {3: 4.0, 5: 6.0, 7: 3.0, 9: 1.0, 11: 1.5, 13: 1.0}


def orders_near_the_limit(level: float, seed: int = 4) -> dict[str, NDArray[np.float64]]:
    """A week of all orders to 40; the distortion lies around `level` [%]."""
    rng = np.random.default_rng(seed)
    size = level / np.sqrt(sum(value**2 for value in ORDERS.values()))
    return {f"voltage_harmonic.an.h{order} [%]":
            np.abs(ORDERS.get(order, 0.0) * size * (1 + 0.03 * rng.standard_normal(WEEK)) + 0.02 * rng.random(WEEK))
            for order in range(2, 41)}


def marked(made: Recording, rule: str, table: str = "en50160-2010-lv") -> Finding:
    """The finding of a rule with the marks of steps, without what speaks against so made-up a recording."""
    place = site_from({**PLACE, "pcc": {"is_pcc": True, "short_circuit_current": "10 kA"}}, "test site")
    tasks, settled = resolve([load_table(table)], made, place)
    findings = judge(tasks, settled, made, place).findings
    (one,) = [one for one in mark_steps(findings, tasks, made, place, vet(made, place).smallest_moves)
              if one.rule == rule]
    return one


@pytest.mark.parametrize(("level", "turned"), [(7.8, True), (7.0, False)])
def test_a_distortion_formed_from_orders_in_steps(level: float, turned: bool) -> None:
    """39 orders in steps of 0.1 % move their root of squares by at most 0.05 % times the root of 39, 0.31 %."""
    orders = orders_near_the_limit(level)
    stepped, finer = (
        marked(recording({name: np.round(values, decimals) for name, values in orders.items()}), "thd-week-95")
        for decimals in (1, 5)
    )
    assert ("marginal" in stepped.modifiers) is turned and "marginal" not in finer.modifiers
    assert not turned or (stepped.uncertainty and float(stepped.uncertainty.expanded.split()[0]) < 0.3123)


@pytest.mark.parametrize("measured", [True, False])
def test_orders_in_percent_of_the_fundamental_against_limits_of_the_nominal(measured: bool) -> None:
    """A distortion in percent of nominal from orders in percent of the fundamental, with and without the voltage: half
    a step of the orders turns it like one in percent of the fundamental."""
    rng = np.random.default_rng(6)
    names = {f"voltage_harmonic.an.h{order} [%]": 0.02 * rng.random(WEEK) for order in range(2, 51)}
    names |= {name: np.round(values, 1) for name, values in orders_near_the_limit(7.8).items()}
    if measured:
        names["voltage.an [V]"] = np.round(230 + 0.3 * rng.standard_normal(WEEK), 2)
    one = marked(recording(names), "voltage-thd-week-95", "ieee519-2022")
    assert one.statistic is not None and one.statistic.value == pytest.approx(8.0, abs=0.3)
    assert "marginal" in one.modifiers


def test_readings_of_two_time_bases_in_steps() -> None:
    """A second recorder, every minute and over the last half week only, holds each value ten times."""
    volts = np.round(near_the_limit(60))
    first, late = np.arange(WEEK) < WEEK // 2, np.repeat(np.arange(WEEK) >= WEEK // 2, 10)
    files = ({"voltage.an [V]": np.where(first, volts, np.nan)},
             {"voltage.an [V]": np.where(late, np.repeat(volts, 10), np.nan)})
    one = marked(recording(*files, interval_s=(600, 60)), "voltage-week-95")
    assert one.verdict is Verdict.PASS and "marginal" in one.modifiers
