"""Ratings and what is spare: windings, feed-in, profiles, what the record does not show; exit codes; starts."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck.cli import main
from pqcheck.loads.answer import answer_of
from pqcheck.loads.declared import new_loads
from pqcheck.loads.starting import starts
from pqcheck.loads.study import LoadStudy
from pqcheck.loads.study_values import Capacity
from pqcheck.loads.supply_impedance import source_of
from pqcheck.model.errors import SiteError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.reports.load_document import as_document
from pqcheck.reports.load_terminal import as_text
from pqcheck.site.load_site import site_from
from pqcheck.workflows.study_load import load_study
from tests.recordings import recording

WYE = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}
COUNT = 1008
HEATER = {"name": "heater", "current": "5 A", "power_factor": 1.0}


def moving(mean: float, swing: float, seed: int = 1, count: int = COUNT) -> NDArray[np.float64]:
    """A current that follows the day, with the noise of an instrument."""
    noise = np.random.default_rng(seed).normal(0, 0.2, count)
    return np.round(mean + swing * np.sin(np.arange(count) * 2 * np.pi / 144) + noise, 2)


def week(**changed: Any) -> dict[str, Any]:
    table: dict[str, Any] = {f"current.{phase} [A]": moving(45, 24, seed) for seed, phase in enumerate("abc")}
    return {**table, **changed}


def study(table: dict[str, Any], *others: Any, tables: Any = None, interval_s: Any = 600, **sections: Any) -> LoadStudy:
    declared = {"supply": WYE, "time_zone": "UTC", "load_study": {"demand_interval": "10 min"}, **sections}
    return load_study(recording(table, *others, interval_s=interval_s), declared, tables)


def entry(found: LoadStudy, rating: str, phase: str | None) -> Capacity:
    return next(each for each in found.capacity if (each.rating, each.phase) == (rating, phase))


def prediction(found: LoadStudy, rule: str, channel: str) -> Finding:
    return next(
        finding for finding in found.findings.findings
        if finding.kind == "prediction" and finding.rule == rule and finding.channel == channel
    )  # fmt: skip


# The exit code and the bound.


@pytest.mark.parametrize(
    ("rating", "table", "verdict", "status"),
    [
        ("100 A", week(), Verdict.PASS, ExitStatus.NOT_SHOWN),  # no limit table: no rule was judged at all
        ("72 A", week(), Verdict.FAIL, ExitStatus.FAILED),
        ("100 A", week(**{"current.b [A]": np.where(np.arange(COUNT) == 5, np.nan, 40.0)}), Verdict.INCONCLUSIVE,
         ExitStatus.NOT_SHOWN),
    ],
)  # fmt: skip
def test_the_exit_status_counts_predictions(
    rating: str, table: dict[str, Any], verdict: Verdict, status: ExitStatus
) -> None:
    found = study(table, new_load=[HEATER], ratings={"service": rating})
    verdicts = {each.verdict for each in found.findings.findings if each.kind == "prediction"}
    assert verdict in verdicts and found.exit_status is status
    answer = answer_of(found)
    assert answer is not None and answer.verdict is verdict


def spectral(fifth: float, count: int = COUNT) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for seed, phase in enumerate("abc"):
        table[f"current_harmonic.{phase}.h1 [A]"] = moving(100, 5, seed, count)
        table[f"current_harmonic.{phase}.h5 [A]"] = fifth + moving(0, 0, seed, count) / 100
        table[f"current.{phase} [A]"] = np.hypot(
            table[f"current_harmonic.{phase}.h1 [A]"], table[f"current_harmonic.{phase}.h5 [A]"]
        )
    return table


PCC = {"is_pcc": True, "short_circuit_current": "12 kA", "maximum_demand_current": "400 A", "demand_basis": "projected"}


def test_a_prediction_passes_only_with_its_bound() -> None:
    # 15 A there and 18 A new: 27.1 A by the exponent 1.4, 33 A in phase; Isc/IL = 30 allows 7 % of 400 A = 28 A.
    drive = {"name": "drive", "current": f"{90 * math.sqrt(1.04)} A", "power_factor": 1.0, "harmonics": {"5": 20}}
    found = study(spectral(15), tables=["ieee519-2014"], pcc=PCC, new_load=[drive])
    week95 = "current-harmonics-week-95"
    main = prediction(found, week95, "current_harmonic.a.h5+new-load")
    bound = prediction(found, week95, "current_harmonic.a.h5+new-load-arithmetic")
    assert main.statistic is not None and bound.statistic is not None and main.reason is not None
    assert main.statistic.value == pytest.approx((15**1.4 + 18**1.4) ** (1 / 1.4), rel=2e-3)
    assert bound.statistic.value == pytest.approx(33, rel=5e-3)
    assert (main.verdict, main.reason.code) == (Verdict.INCONCLUSIVE, "phase-angles-unknown")
    assert "33" in main.reason.text and "28 A" in main.reason.text
    assert bound.verdict is Verdict.INCONCLUSIVE
    # Declared to be of one kind with what is there, the angles are known: it fails.
    alike = study(spectral(15), tables=["ieee519-2014"], pcc=PCC, new_load=[{**drive, "same_kind_as_existing": True}])
    assert prediction(alike, week95, "current_harmonic.a.h5+new-load").verdict is Verdict.FAIL
    assert alike.exit_status is ExitStatus.FAILED


def test_no_prediction_passes_where_its_bound_does_not() -> None:
    drive = {"name": "drive", "current": "60 A", "power_factor": 0.95, "spectrum": "six-pulse"}
    found = study(spectral(15), tables=["ieee519-2014"], pcc=PCC, new_load=[drive], ratings={"service": "170 A"})
    predictions = {each.id: each for each in found.findings.findings if each.kind == "prediction"}
    bounds = [name for name in predictions if "+new-load-arithmetic" in name]
    assert bounds
    for name in bounds:
        if predictions[name.replace("-arithmetic", "")].verdict is Verdict.PASS:
            assert predictions[name].verdict is Verdict.PASS, name
    # What is left of the addition is not more than the bound bears.
    assert all(room.share <= 8 for room in found.rooms if not room.at_least)


# What the record does not show.


@pytest.mark.parametrize(
    ("values", "code"),
    [
        (np.zeros(COUNT), "dead-clamp"),
        (np.full(COUNT, 12.3), "never-moves"),
        (np.minimum(moving(45, 24, 9), 50.0), "clipped"),
        (np.where(moving(45, 24, 9) > 50, np.nan, moving(45, 24, 9)), "demand-not-shown"),
    ],
)
def test_nothing_is_spare_on_currents_that_were_not_measured(values: NDArray[np.float64], code: str) -> None:
    found = study(week(**{"current.a [A]": values}), ratings={"service": "80 A"}, new_load=[HEATER])
    one = entry(found, "service", "a")
    assert one.doubt is not None and one.doubt.code == code
    main = prediction(found, "service", "current.a+new-load")
    assert main.verdict is Verdict.INCONCLUSIVE and main.reason is not None and main.reason.code == code
    assert prediction(found, "service", "current.a+new-load-arithmetic").verdict is Verdict.INCONCLUSIVE
    text = " ".join(as_text(found).split())
    assert "not shown, at most" in text and "The record leaves this criterion open" in text
    assert entry(found, "service", "b").doubt is None


def test_nothing_is_spare_where_every_clamp_reads_zero() -> None:
    found = study({f"current.{phase} [A]": np.zeros(COUNT) for phase in "abc"}, ratings={"service": "100 A"})
    assert {each.doubt.code for each in found.capacity if each.doubt is not None} == {"never-moves"}
    assert len(found.capacity) == 3 and all(each.doubt is not None for each in found.capacity)


@pytest.mark.parametrize("coverage", ["", '[coverage]\nat_least_percent = 50\npolicy_of = "the consultant"\n'])
@pytest.mark.parametrize("word", [">50", "OL"])
def test_bounds_and_overflow_are_no_maximum(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], word: str, coverage: str
) -> None:
    monkeypatch.chdir(tmp_path)
    stamps = np.datetime64("2031-03-03") + np.arange(COUNT) * np.timedelta64(10, "m")
    columns = [moving(45, 24, seed) for seed in range(3)]
    rows = ["time,current.a [A],current.b [A],current.c [A]"]
    rows += [
        ",".join([f"{stamp}Z", *(word if column[k] > 50 else str(column[k]) for column in columns)])
        for k, stamp in enumerate(stamps)
    ]
    Path("week.csv").write_text("\n".join(rows), encoding="utf-8")
    Path("site.toml").write_text(
        '[supply]\nnominal_voltage = "400 V"\nconnection = "wye"\nfrequency = "50 Hz"\n[ratings]\nservice = "80 A"\n'
        f'[load_study]\ndemand_interval = "10 min"\n{coverage}',
        encoding="utf-8",
    )
    assert main(["load", "week.csv", "--site", "site.toml", "--study", "s.json"]) == 3
    assert "not shown, at most" in capsys.readouterr().out
    capacity = json.loads(Path("s.json").read_text(encoding="utf-8"))["capacity"]
    assert len(capacity) == 3 and all(each["doubt"] is not None for each in capacity)


def test_a_declared_coverage_lets_the_valid_readings_decide() -> None:
    values = moving(45, 24, 9)
    values[5:8] = np.nan
    ratings, coverage = {"service": "80 A"}, {"at_least_percent": 99, "policy_of": "the consultant"}
    gap = study(week(**{"current.a [A]": values}), ratings=ratings, new_load=[HEATER])
    assert prediction(gap, "service", "current.a+new-load").verdict is Verdict.INCONCLUSIVE
    covered = study(week(**{"current.a [A]": values}), ratings=ratings, new_load=[HEATER], coverage=coverage)
    assert prediction(covered, "service", "current.a+new-load").verdict is Verdict.PASS


def test_a_coarser_time_base_that_saw_more_counts() -> None:
    fifteen = {f"current.{phase} [A]": moving(120, 1, seed, 200) for seed, phase in enumerate("abc")}
    found = study(week(), fifteen, interval_s=[600, 900], ratings={"service": "80 A"}, new_load=[HEATER])
    one = entry(found, "service", "a")
    assert one.at_least is not None and one.at_least >= 120 and one.spare < -40
    assert prediction(found, "service", "current.a+new-load").verdict is Verdict.FAIL


def test_every_phase_that_was_not_recorded_is_named() -> None:
    found = study({"current.a [A]": moving(45, 24, 9)}, ratings={"service": "80 A"}, new_load=[HEATER])
    assert any("the current of b, c was not recorded" in remark for remark in found.remarks)
    for phase in "bc":
        assert prediction(found, "service", f"current.{phase}+new-load").verdict is Verdict.INCONCLUSIVE
    extremes = study({f"current.{phase}.max [A]": moving(45, 24, 9) for phase in "abc"}, ratings={"service": "80 A"})
    text = as_text(extremes)
    assert "extremes only" in text and "No current and no power was recorded" not in text


# Windings.


def test_each_winding_carries_its_own_current() -> None:
    # 500 kVA at 400 V: 721.7 A a phase. Phase a at 115 %, all three together at 79 % of the kVA.
    means = {"a": 820, "b": 440, "c": 440}
    table = {f"current.{phase} [A]": moving(mean, 10, ord(phase)) for phase, mean in means.items()}
    found = study(table, ratings={"transformer": "500 kVA"}, new_load=[HEATER])
    rated = 500e3 / (math.sqrt(3) * 400)
    assert entry(found, "transformer", None).spare > 90e3
    assert entry(found, "transformer", "a").limit == pytest.approx(rated)
    assert entry(found, "transformer", "a").spare < -0.14 * rated
    assert prediction(found, "transformer", "apparent_power.total+new-load").verdict is Verdict.PASS
    assert prediction(found, "transformer", "current.a+new-load").verdict is Verdict.FAIL
    assert "Winding with the least capacity left: phase a" in as_text(found)


def winding_table(parts: dict[str, dict[int, float]]) -> dict[str, Any]:
    table: dict[str, Any] = {}
    level = 0.6 + 0.4 * np.sin(np.arange(COUNT) * 2 * np.pi / 144) ** 2
    for phase, orders in parts.items():
        table[f"current.{phase} [A]"] = level * math.sqrt(sum(value * value for value in orders.values()))
        table |= {f"current_harmonic.{phase}.h{order} [A]": level * value for order, value in orders.items()}
    return table


def test_the_k_factor_is_that_of_the_worst_winding() -> None:
    # By hand: K = sum (Ih/IR)^2 h^2 over mean squares of the intervals at or above 80 % of the phase's own maximum.
    light = {1: 10.0, 5: 9.0}
    heavy = {1: 300.0, 5: 60.0, 7: 40.0}
    found = study(winding_table({"a": light, "b": heavy, "c": {1: 200.0, 5: 2.0}}), ratings={"transformer": "250 kVA"})
    level = 0.6 + 0.4 * np.sin(np.arange(COUNT) * 2 * np.pi / 144) ** 2
    high = np.square(level[level >= 0.8 * level.max()]).mean()
    rated = 250e3 / (math.sqrt(3) * 400)
    by_hand = sum((value / rated) ** 2 * order**2 for order, value in heavy.items()) * high
    factors = {each.phase: each.k_factor for each in found.loadings}
    assert set(factors) == {"a", "b", "c"}
    assert factors["b"] == pytest.approx(by_hand, rel=1e-3)
    # Phase a has the largest loss factor and hardly any current: not the answer.
    assert max(found.loadings, key=lambda each: each.loss_factor).phase == "a"
    assert f"K-factor of the existing load on the rated current: {by_hand:.2f}, on phase b" in as_text(found)


def test_a_winding_is_derated_with_its_own_spectrum() -> None:
    # IEEE C57.110 (formula from memory): sqrt((1 + p) / (1 + F p)) of each phase's own F.
    parts = {"a": {1: 100.0, 5: 5.0}, "b": {1: 100.0, 5: 40.0, 7: 20.0}, "c": {1: 100.0, 5: 5.0}}
    ratings = {"transformer": "100 kVA", "transformer_type": "dry", "transformer_eddy_loss": "10 %"}
    found = study(winding_table(parts), ratings=ratings)
    rated = 100e3 / (math.sqrt(3) * 400)
    for phase, orders in parts.items():
        squares = {order: value * value for order, value in orders.items()}
        loss = sum(square * order**2 for order, square in squares.items()) / sum(squares.values())
        share = math.sqrt(1.1 / (1 + 0.1 * loss))
        assert entry(found, "transformer_derated", phase).limit == pytest.approx(share * rated, rel=1e-6)


# Feed-in and profiles.


def test_feed_in_is_no_capacity_and_export_is_checked() -> None:
    roof = {"name": "roof", "active_power": "-40 kW", "power_factor": 1.0}
    found = study(
        {f"current.{phase} [A]": moving(60, 15, seed) for seed, phase in enumerate("abc")},
        ratings={"service": "80 A"}, new_load=[{**HEATER, "current": "10 A"}, roof],
    )  # fmt: skip
    one = entry(found, "service", "a")
    assert one.then == pytest.approx(85.5, abs=0.5)
    assert one.with_feed_in is not None and one.with_feed_in < 40
    assert one.spare < 0 and prediction(found, "service", "current.a+new-load").verdict is Verdict.FAIL
    assert any("roof is declared as feeding in at full size all the time" in remark for remark in found.remarks)
    assert "with feed-in" in as_text(found)
    # 60 kW export 87 A a phase when nothing else runs, which 80 A do not bear.
    large = study(
        {f"current.{phase} [A]": moving(20, 5, seed) for seed, phase in enumerate("abc")},
        ratings={"service": "80 A"}, new_load=[{**roof, "active_power": "-60 kW"}],
    )  # fmt: skip
    assert prediction(large, "service", "current.a+new-load").verdict is not Verdict.PASS


def test_a_profile_finer_than_the_record_does_not_vanish(tmp_path: Path) -> None:
    # 300 kW from 13:10 to 13:50 in hourly readings: 433 A at 400 V for the ratings, 200 kWh a day for the energy.
    profile = tmp_path / "furnace.csv"
    profile.write_text("time,share [%]\n00:00,0\n13:10,100\n13:50,0\n", encoding="utf-8")
    furnace = {"name": "furnace", "active_power": "300 kW", "power_factor": 1.0, "profile": str(profile)}
    table: dict[str, Any] = {f"current.{phase} [A]": moving(60, 5, seed, 168) for seed, phase in enumerate("abc")}
    table["active_power.total [W]"] = 230 * 3 * moving(60, 5, 4, 168)
    table["reactive_power.total [var]"] = np.full(168, 1.0)
    found = study(
        table, ratings={"service": "400 A"}, new_load=[furnace], interval_s=3600,
        load_study={"demand_interval": "60 min"},
    )  # fmt: skip
    assert entry(found, "service", "a").then == pytest.approx(433 + 60, abs=8)
    assert prediction(found, "service", "current.a+new-load").verdict is Verdict.FAIL
    assert found.demand_then is not None and found.demand.energy.import_wh is not None
    added = (found.demand_then.energy.import_wh or 0) - found.demand.energy.import_wh
    assert added == pytest.approx(7 * 200e3, rel=1e-3)
    assert "whose shares hold 40 min and longer" in as_text(found)


def test_shares_above_the_size_are_refused(tmp_path: Path) -> None:
    profile = tmp_path / "p.csv"
    profile.write_text("time,share [%]\n00:00,20\n12:00,130\n", encoding="utf-8")
    with pytest.raises(SiteError, match="row 3 is 130 % of the size"):
        new_loads(site_from({"supply": WYE, "new_load": [{**HEATER, "profile": str(profile)}]}))


# The supply.


def test_the_transformer_stands_between_the_pcc_and_the_place() -> None:
    declared = {
        "supply": WYE, "pcc": {"is_pcc": False, "short_circuit_current": "20 kA"},
        "ratings": {"transformer": "400 kVA", "transformer_impedance": "4 %"},
    }  # fmt: skip
    source = source_of(site_from(declared), recording({"current.a [A]": np.ones(12)}))
    assert source is not None
    # 4 % of U^2 / S = 0.016 ohm, in series with 230 V (of the standard series) / 20 kA.
    assert source.magnitude == pytest.approx(0.04 * 230 / (400e3 / (math.sqrt(3) * 400)) + 230 / 20e3, rel=1e-9)
    without = source_of(site_from({**declared, "ratings": {}}), recording({"current.a [A]": np.ones(12)}))
    assert without is None
    pcc = {**declared, "pcc": {"is_pcc": True, "short_circuit_current": "20 kA"}}
    with pytest.raises(SiteError, match=r"more than the declared transformer lets through \(14434 A\)"):
        source_of(site_from(pcc), recording({"current.a [A]": np.ones(12)}))


def test_an_estimated_impedance_is_a_band_and_says_nothing_about_harmonics() -> None:
    # Behind 0.02 + j0.08 ohm, a load at unity power factor: only R is seen, Z is four times as large.
    amperes = moving(60, 30)
    rng = np.random.default_rng(7)
    table: dict[str, Any] = {}
    for phase in "abc":
        table[f"current.{phase} [A]"] = amperes
        # The supply itself moves slowly, the instrument by a hundredth of a volt.
        table[f"voltage.{phase}n [V]"] = 231 - 0.02 * amperes + rng.normal(0, 0.001, COUNT)
        table[f"active_power.{phase} [W]"] = 230 * amperes
        table[f"reactive_power.{phase} [var]"] = np.full(COUNT, 1.0)
        table[f"voltage_harmonic.{phase}n.h5 [%]"] = moving(2, 0, 3) + rng.normal(0, 0.05, COUNT)
    motor = {"name": "motor", "current": "60 A", "power_factor": 0.5}
    found = study(table, tables=["en50160-2010-lv"], new_load=[motor])
    source = found.source
    assert source is not None and source.estimated and source.highest is not None
    assert source.magnitude == pytest.approx(0.02, rel=0.05)
    assert source.highest > math.hypot(0.02, 0.08)
    predicted = [each for each in found.findings.findings if each.kind == "prediction"]
    harmonic = [each for each in predicted if each.quantity in ("voltage_harmonic", "voltage_thd")]
    assert harmonic and all(each.verdict is Verdict.INCONCLUSIVE for each in harmonic)
    assert any(each.reason is not None and "holds for the fundamental only" in each.reason.text for each in harmonic)
    lowest = prediction(found, "voltage-week-95", "voltage.an+new-load-arithmetic").statistic
    assert lowest is not None and lowest.value is not None and lowest.value < 231 - 60 * math.hypot(0.02, 0.08)


def test_a_start_is_felt_most_where_the_voltage_is_lowest() -> None:
    declared = {
        "supply": WYE, "source_impedance": {"resistance": "0.05 ohm", "reactance": "0.05 ohm"},
        "new_load": [{"name": "pump", "current": "20 A", "power_factor": 0.85, "start_multiple": 6}],
    }  # fmt: skip
    site = site_from(declared)
    source = source_of(site, recording({"current.a [A]": np.ones(12)}))
    (start,) = starts(new_loads(site), site, source, {"a": 230.0, "b": 212.0, "c": 231.0})
    assert start.phase == "b"
    assert start.drop_percent == pytest.approx(100 * 120 * math.hypot(0.05, 0.05) / 212)


# Percent of a fundamental that was not recorded.


def test_the_fundamental_of_a_load_with_orders_in_percent_alone() -> None:
    # 100 A fundamental, 40 % and 25 % of it: 110.5 A rms. K on the rated current uses 40 A, not 44.
    rms = 100 * math.sqrt(1 + 0.4**2 + 0.25**2)
    table = {f"current.{phase} [A]": np.full(60, rms) for phase in "abc"}
    for phase in "abc":
        table[f"current_harmonic.{phase}.h5 [%]"] = np.full(60, 40.0)
        table[f"current_harmonic.{phase}.h7 [%]"] = np.full(60, 25.0)
    found = study(table, ratings={"transformer": "100 kVA"})
    rated = 100e3 / (math.sqrt(3) * 400)
    by_hand = (100**2 + (5 * 40) ** 2 + (7 * 25) ** 2) / rated**2
    assert found.loadings[0].k_factor == pytest.approx(by_hand, rel=1e-9)


def test_the_document_holds_the_answer() -> None:
    found = study(week(), ratings={"service": "100 A"}, new_load=[HEATER])
    document = as_document(found)
    assert document["answer"]["verdict"] == "pass" and "all 3 predictions pass" in document["answer"]["sentence"]
    assert as_text(found).startswith("MAY GO IN")


def test_starts_through_a_conductor_and_their_flicker() -> None:
    # Three pumps of 20 A, one starts at a time with 6 times its current: 120 A through 0.05 + j0.05 ohm.
    pump = {
        "name": "pumps", "count": 3, "current": "20 A", "power_factor": 0.85, "start_multiple": 6, "starts_at_once": 1,
        "starts_per_hour": 12, "conductor_resistance": "0.1 ohm",
    }  # fmt: skip
    impedance = {"resistance": "0.05 ohm", "reactance": "0.05 ohm"}
    declared = {"supply": WYE, "source_impedance": impedance, "new_load": [pump]}
    site = site_from(declared)
    source = source_of(site, recording({"current.a [A]": np.ones(12)}))
    (start,) = starts(new_loads(site), site, source, {"a": 230.0, "b": 230.0, "c": 230.0})
    drop = 100 * 120 * math.hypot(0.05, 0.05) / 230
    assert start.current == pytest.approx(120) and start.change_percent == pytest.approx(drop)
    assert start.lowest_at_load == pytest.approx(230 - 120 * math.hypot(0.15, 0.05))
    # Twelve an hour are two in ten minutes, four changes: 0.4 a minute, where 3.54 % make a Pst of 1 (230 V lamp).
    assert start.pst == pytest.approx(drop / 3.54, rel=1e-6)
    # IEC 61000-3-3, analytical: t_f = 2.3 d^3.2 s for a step, Pst = (sum of t_f / 600 s)^(1/3.2) (from memory).
    assert start.pst == pytest.approx((4 * 2.3 * drop**3.2 / 600) ** (1 / 3.2), rel=0.05)
    running = abs(230 - 0.1 * 60 * complex(0.85, -math.sqrt(1 - 0.85**2)))
    assert start.running_drop_percent == pytest.approx(100 * (1 - running / 230))


def test_the_smallest_transformer_that_holds_and_why_the_smaller_does_not() -> None:
    # 300 A and 60 A of order 5 on phase b: 306 A. 200 kVA carry 289 A a winding, 250 kVA 361 A.
    parts = {"a": {1: 200.0, 5: 20.0}, "b": {1: 300.0, 5: 60.0}, "c": {1: 200.0, 5: 21.0}}
    small = {"name": "lamp", "current": "1 A", "power_factor": 1.0}
    found = study(winding_table(parts), ratings={"transformer": "400 kVA"}, new_load=[small])
    choice = found.transformer
    assert choice is not None and choice.size_va == 250e3 and choice.proven
    assert choice.too_small[0].startswith("200 kVA does not hold: at worst winding b 306.9 A against 288.7 A")
    # K on 361 A: (301^2 + (5 x 60)^2) / 361^2, times the mean square of the high-load intervals.
    level = 0.6 + 0.4 * np.sin(np.arange(COUNT) * 2 * np.pi / 144) ** 2
    high = np.square(level[level >= 0.8 * level.max()]).mean()
    rated = 250e3 / (math.sqrt(3) * 400)
    assert choice.k_factor == pytest.approx((300**2 + 300**2) / rated**2 * high, rel=0.02)
    assert choice.k_rating == 4
    assert "250 kVA is the smallest standard size that holds" in " ".join(as_text(found).split())


def test_a_transformer_smaller_than_what_it_carries() -> None:
    with pytest.raises(SiteError, match=r"transformer = 20 kVA is smaller than the load that the record shows"):
        study(week(), ratings={"transformer": "20 kVA"})


# Properties.

ORDER = {Verdict.PASS: 0, Verdict.INCONCLUSIVE: 1, Verdict.REFUSED: 1, Verdict.FAIL: 2}


def verdicts_of(found: LoadStudy) -> dict[str, Verdict]:
    return {
        each.id: each.verdict for each in found.findings.findings
        if each.kind == "prediction" and each.verdict is not Verdict.NOT_APPLICABLE
    }  # fmt: skip


@settings(max_examples=8)
@given(rows=st.lists(st.integers(0, 287), max_size=40), limit=st.integers(70, 90))
def test_removing_readings_passes_nothing(rows: list[int], limit: int) -> None:
    full = {f"current.{phase} [A]": moving(50, 22, seed, 288) for seed, phase in enumerate("abc")}
    less = {name: values.copy() for name, values in full.items()}
    for row in rows:
        less["current.b [A]"][row] = np.nan
    sections: dict[str, Any] = {"ratings": {"service": f"{limit} A"}, "new_load": [HEATER]}
    before, after = verdicts_of(study(full, **sections)), verdicts_of(study(less, **sections))
    for name, verdict in after.items():
        assert not (verdict is Verdict.PASS and before[name] is not Verdict.PASS), name
    spare = {each.phase: each for each in study(less, **sections).capacity}["b"]
    assert not rows or spare.doubt is not None


@settings(max_examples=6)
@given(limit=st.floats(60, 110), by=st.floats(1.0, 1.5))
def test_a_lower_rating_passes_nothing(limit: float, by: float) -> None:
    table = {f"current.{phase} [A]": moving(50, 22, seed, 288) for seed, phase in enumerate("abc")}
    strict, loose = (
        verdicts_of(study(table, ratings={"service": f"{amperes} A"}, new_load=[HEATER]))
        for amperes in (limit, limit * by)
    )
    assert all(ORDER[strict[name]] >= ORDER[loose[name]] for name in strict)


@settings(max_examples=6)
@given(amperes=st.floats(1, 60), unit=st.sampled_from(["A", "mA", "kA"]), split=st.integers(1, 4))
def test_units_and_pieces_change_no_verdict(amperes: float, unit: str, split: int) -> None:
    by = {"A": 1.0, "mA": 1000.0, "kA": 0.001}[unit]
    values = {phase: moving(50, 22, seed, 288) for seed, phase in enumerate("abc")}
    plain = study(
        {f"current.{phase} [A]": each for phase, each in values.items()},
        ratings={"service": "100 A"}, new_load=[{**HEATER, "current": f"{amperes} A"}],
    )  # fmt: skip
    other = study(
        {f"current.{phase} [{unit}]": each * by for phase, each in values.items()},
        ratings={"service": "0.1 kA"}, new_load=[{**HEATER, "current": f"{amperes / split} A", "count": split}],
    )  # fmt: skip
    for one, two in zip(plain.capacity, other.capacity, strict=True):
        assert two.spare == pytest.approx(one.spare, abs=1e-6)


def wound_in_delta(line: dict[str, complex]) -> NDArray[np.float64]:
    """Currents of three alike windings ab, bc, ca in a closed delta that these line currents leave: nodes and mesh."""
    rows = np.array([[1, 0, -1], [-1, 1, 0], [1, 1, 1]], dtype=np.complex128)
    return np.asarray(np.abs(np.linalg.solve(rows, np.array([line["a"], line["b"], 0]))))


def test_a_load_between_two_lines_of_a_delta_loads_its_winding_more_than_its_lines() -> None:
    """75 kVA at 240 V: 180 A in a line, 104 A in a winding; 160 A in two lines are 107 A in the winding between."""
    assert wound_in_delta({"a": 160, "b": 0}).max() == pytest.approx(160 * 2 / 3)
    supply = {"nominal_voltage": "240 V", "connection": "delta", "frequency": "60 Hz"}
    ratings = {"transformer": "75 kVA"}
    one = {"name": "tool", "current": "10 A", "power_factor": 1.0, "phases": ["c", "a"]}
    for size, verdict in ((130, Verdict.PASS), (150, Verdict.INCONCLUSIVE), (180, Verdict.FAIL)):
        table = {f"current.{phase} [A]": moving(each, 0, seed)
                 for seed, (phase, each) in enumerate(zip("abc", (size, 2, size), strict=True))}  # fmt: skip
        found = study(table, supply=supply, ratings=ratings, new_load=[one])
        assert prediction(found, "transformer", "current.a+new-load").verdict is verdict
    table = {f"current.{phase} [A]": moving(165, 0, seed) for seed, phase in enumerate("abc")}
    even = {"name": "pump", "current": "10 A", "power_factor": 0.9}
    found = study(table, supply=supply, ratings=ratings, new_load=[even])
    assert prediction(found, "transformer", "current.a+new-load").verdict is Verdict.PASS


def test_line_currents_of_a_high_leg_delta_show_no_winding() -> None:
    """170 A to the neutral from both legs: all of it in the unit for the neutral, 104 A of a bank of three alike."""
    supply = {"nominal_voltage": "240 V", "connection": "high-leg-delta", "high_leg": "b", "frequency": "60 Hz"}
    new = {"name": "pump", "current": "5 A", "power_factor": 0.9}
    alike = {"transformer_units": dict.fromkeys(("ab", "bc", "ca"), "25 kVA")}
    for size, verdict in ((60, Verdict.PASS), (170, Verdict.INCONCLUSIVE), (230, Verdict.FAIL)):
        table = {f"current.{phase} [A]": moving(each, 0, seed)
                 for seed, (phase, each) in enumerate(zip("abc", (size, 40, size), strict=True))}  # fmt: skip
        found = study(table, supply=supply, ratings=alike, new_load=[new])
        got = prediction(found, "transformer", "current.a+new-load")
        assert got.verdict is verdict
    table = {f"current.{phase} [A]": moving(100, 0, seed) for seed, phase in enumerate("abc")}
    total = entry(study(table, supply=supply, ratings={"transformer": "75 kVA"}), "transformer", None)
    assert total.now == pytest.approx(math.sqrt(3) * 240 * 100.5, rel=0.01)


def test_apparent_power_is_formed_at_the_recorded_voltage_without_a_known_supply() -> None:
    table = week(**{f"voltage.{phase}n [V]": moving(250, 0, seed + 5) for seed, phase in enumerate("abc")})
    found = study(table, ratings={"transformer": "75 kVA"}, new_load=[HEATER])
    whole = entry(found, "transformer", None)
    assert whole.then is not None and whole.then == pytest.approx(whole.now + 3 * 5 * 250, rel=2e-3)
