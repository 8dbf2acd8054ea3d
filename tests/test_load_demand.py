"""Demand: maxima over blocks and windows, bounds, energy, factors, profile, unbalance, capacity, harmonic loading."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.loads.capacity import capacities
from pqcheck.loads.equipment import high_load_spectra, loading, motor
from pqcheck.loads.existing_load_ways import Way, outcome
from pqcheck.loads.profile import cost
from pqcheck.loads.recorded_demand import demand_of
from pqcheck.loads.study_values import Demand
from pqcheck.model.recording import Recording
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site
from tests.recordings import recording, us

QUARTER = 900_000_000
WYE = {"nominal_voltage": "480Y/277 V", "connection": "wye", "frequency": "60 Hz"}


def site(**sections: Any) -> Site:
    return site_from({"supply": WYE, **sections})


def demand(*tables: dict[str, Any], interval_s: Any = 60, window: int = QUARTER, zone: str = "UTC") -> Demand:
    return demand_of(recording(*tables, interval_s=interval_s, zone=zone), site(), window)


def flat(value: float, count: int = 1440) -> NDArray[np.float64]:
    return np.full(count, value)


# Maxima.


def test_ten_minutes_at_100_and_five_at_200_amperes() -> None:
    # Worked example, derived: arithmetic 133.3 A, quadratic 141.4 A; currents are quadratic.
    values = flat(100.0, 30)
    values[10:15] = 200.0
    found = demand({"current.a [A]": values}).maximum("current", "a")
    assert found is not None and found.block is not None
    assert found.block.value == pytest.approx(141.42, abs=0.005)
    power = demand({"active_power.total [W]": values}).maximum("active_power")
    assert power is not None and power.block is not None
    assert power.block.value == pytest.approx(133.33, abs=0.005)


def test_a_peak_across_two_blocks_shows_in_a_sliding_window_only() -> None:
    values = flat(0.0, 60)
    values[10:25] = 90.0
    found = demand({"active_power.total [kW]": values}).maximum("active_power")
    assert found is not None and found.block is not None and found.sliding is not None
    assert found.sliding.value == pytest.approx(90_000)
    assert found.sliding.start_us == us("2031-03-03T00:10:00+00:00")
    # Ten of fifteen minutes lie in the second block.
    assert found.block.value == pytest.approx(60_000)
    assert found.block.start_us == us("2031-03-03T00:15:00+00:00")


@pytest.mark.parametrize("step", [1, 5, 10, 60, 300])
def test_every_recorded_interval_gives_the_same_block_maximum(step: int) -> None:
    rng = np.random.default_rng(5)
    fine = rng.uniform(10, 90, 7200)
    means = fine.reshape(-1, step).mean(axis=1)
    found = demand({"active_power.total [W]": means}, interval_s=step).maximum("active_power")
    assert found is not None and found.block is not None
    assert found.block.value == pytest.approx(fine.reshape(-1, 900).mean(axis=1).max())


def test_blocks_of_days_do_not_show_in_a_window_over_midnight() -> None:
    values = flat(1.0, 2 * 1440)
    values[1435:1450] = 50.0
    found = demand({"active_power.total [W]": values}).maximum("active_power")
    assert found is not None and found.sliding is not None
    assert found.sliding.value == pytest.approx(50.0)
    assert found.sliding.start_us == us("2031-03-03T23:55:00+00:00")


def test_sliding_windows_against_a_plain_loop() -> None:
    rng = np.random.default_rng(7)
    values = rng.uniform(0, 5, 3000)
    values[rng.integers(0, 3000, 20)] = np.nan
    best = max(
        (float(np.sqrt(np.mean(values[k : k + 15] ** 2))), -k)
        for k in range(2986)
        if not np.isnan(values[k : k + 15]).any()
    )
    found = demand({"current.b [A]": values}).maximum("current", "b")
    assert found is not None and found.sliding is not None
    assert found.sliding.value == pytest.approx(best[0])
    assert found.sliding.start_us == us("2031-03-03T00:00:00+00:00") - best[1] * 60_000_000


def test_a_coarser_recording_gives_bounds() -> None:
    # Energies: 40 kW over an hour may all lie in one quarter; at least one quarter holds the mean.
    found = demand({"active_power.total [kW]": [10.0, 40.0, 30.0]}, interval_s=3600).maximum("active_power")
    assert found is not None and found.largest is None
    # A window of 15 min may straddle the two hours: at most 70 kWh in a quarter of an hour.
    assert found.bounds == pytest.approx((40_000.0, 280_000.0))


def test_readings_as_long_as_the_window_bound_a_sliding_maximum() -> None:
    # Derived: block maximum <= sliding maximum <= largest sum of two neighbours.
    found = demand({"active_power.total [W]": [10.0, 40.0, 30.0]}, interval_s=900).maximum("active_power")
    assert found is not None and found.block is not None
    assert (found.block.value, found.bounds) == (40.0, (40.0, 70.0))


def test_bounds_hold_for_what_finer_readings_show() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        fine = rng.exponential(10, 600)
        coarse = fine.reshape(-1, 10).mean(axis=1)
        true = demand({"active_power.total [W]": fine}).maximum("active_power")
        found = demand({"active_power.total [W]": coarse}, interval_s=600).maximum("active_power")
        assert true is not None and true.sliding is not None and found is not None and found.bounds is not None
        assert found.bounds[0] <= true.sliding.value * (1 + 1e-12)
        assert true.sliding.value <= found.bounds[1]


def test_export_has_no_bounds() -> None:
    found = demand({"active_power.total [W]": [-10.0, 40.0]}, interval_s=3600).maximum("active_power")
    assert found is not None and found.bounds is None


def test_a_gap_breaks_windows_and_the_continuous_span() -> None:
    values = flat(10.0, 2880)
    values[1000] = np.nan
    found = demand({f"current.{phase} [A]": values for phase in "abc"})
    assert found.longest_run_s == 1879 * 60
    assert found.recorded_s == 2879 * 60


def test_declared_exclusions_are_no_load() -> None:
    values = flat(10.0)
    values[600:660] = 500.0
    out = {
        "from": "2031-03-03T10:00:00", "to": "2031-03-03T11:00:00", "reason": "test of the standby set",
        "author": "site engineer",
    }  # fmt: skip
    one = site(time_zone="UTC", exclusions=[out])
    found = demand_of(recording({"current.a [A]": values}, interval_s=60), one, QUARTER).maximum("current", "a")
    assert found is not None and found.sliding is not None
    assert found.sliding.value == pytest.approx(10.0)


# Powers, energies, factors.


def test_apparent_power_is_the_arithmetic_sum() -> None:
    table = {f"voltage.{phase}n [V]": flat(277.0) for phase in "abc"}
    table |= {f"current.{phase} [A]": flat(value) for phase, value in zip("abc", (100.0, 50.0, 0.0), strict=True)}
    found = demand(table).maximum("apparent_power")
    assert found is not None and found.block is not None
    assert found.block.value == pytest.approx(277 * 150)


def test_energy_import_export_and_power_factor_of_the_period() -> None:
    active = np.concatenate([flat(80.0, 60), flat(-20.0, 60)])
    found = demand({"active_power.total [kW]": active, "reactive_power.total [kvar]": flat(22.5, 120)})
    assert found.energy.import_wh == pytest.approx(80_000)
    assert found.energy.export_wh == pytest.approx(20_000)
    # 60 kWh net and 45 kvarh: 60 / 75.
    assert found.power_factor == pytest.approx(0.8)
    assert found.exports


def test_registers_and_one_that_was_reset() -> None:
    up = np.linspace(1000, 1100, 1440)
    reset = up.copy()
    reset[700:] -= 1000
    found = demand({"active_energy_import.total [kWh]": up, "active_energy_export.total [kWh]": reset})
    assert found.energy.register_import_wh == pytest.approx(100_000)
    assert found.energy.register_export_wh is None


def test_load_factor_and_duration_curve() -> None:
    values = np.concatenate([flat(100.0, 15), flat(20.0, 45)])
    found = demand({"active_power.total [W]": values})
    # Mean 40 over largest 100.
    assert found.load_factor == pytest.approx(0.4)
    assert [found.curve[share][1] for share in (0, 25, 26, 100)] == [100.0, 100.0, 20.0, 20.0]


def test_profile_by_weekday_in_local_time() -> None:
    # Monday 3 March 2031, 00:00 UTC is 19:00 on Sunday in New York.
    found = demand({"active_power.total [W]": flat(7.0, 120)}, zone="America/New_York")
    assert {(one.weekday, one.hour) for one in found.profile} == {(6, 19), (6, 20)}


def test_unbalance_of_the_currents() -> None:
    # Largest deviation from the mean, over the mean: phases 250/180/165 A have a mean of 198.33 A.
    table = {f"current.{phase} [A]": flat(value) for phase, value in zip("abc", (250.0, 180.0, 165.0), strict=True)}
    found = demand(table).unbalance
    assert found is not None
    assert found.at_peak == pytest.approx(100 * (250 - 595 / 3) / (595 / 3))


def test_cost_is_energy_and_largest_block_at_declared_rates() -> None:
    values = flat(0.0, 60)
    values[10:25] = 90.0
    found = demand({"active_power.total [kW]": values})
    rows = cost(found, site(tariff={"currency": "EUR", "energy_rate": 0.2, "demand_rate": 10}).tariff)
    # 22.5 kWh; the largest clock block holds 60 kW.
    assert rows == (("energy, import", pytest.approx(4.5), "EUR"), ("demand, kW", pytest.approx(600.0), "EUR"))


# Capacity.


def test_spare_capacity_by_phase() -> None:
    table = {f"current.{phase} [A]": flat(value) for phase, value in zip("abc", (250.0, 180.0, 165.0), strict=True)}
    one = site(ratings={"service": "400 A", "panel": "200 A", "panel_phases": {"a": "300 A"}, "transformer": "500 kVA"})
    found = {(each.rating, each.phase): each for each in capacities(one, demand(table), None)}
    assert found["service", "a"].spare_va == pytest.approx(150 * 277)
    assert (found["panel", "a"].limit, found["panel", "b"].limit) == (300.0, 200.0)
    # No voltage was recorded: apparent power at nominal voltage.
    assert found["transformer", None].now == pytest.approx(277 * 595)


# Harmonic loading: worked spectra (derived; (b) also published as 2.89).

SPECTRA = {
    "six-pulse, moderate": ({1: 0.978, 5: 0.171, 7: 0.108, 11: 0.044, 13: 0.028, 17: 0.015, 19: 0.0098}, 2.724, 1.140),
    "light mixed": ({1: 1.0, 3: 0.3, 5: 0.2, 7: 0.1}, 2.895, None),
    "switch-mode": (
        {1: 1.0, 3: 0.81, 5: 0.606, 7: 0.37, 9: 0.157, 11: 0.024, 13: 0.063, 15: 0.079}, 12.27, None,
    ),
}  # fmt: skip


def spectral(parts: dict[int, float], scale: Any = 100.0) -> Recording:
    count = 200
    level = np.broadcast_to(np.asarray(scale, dtype=float), (count,))
    table = {}
    for phase in "abc":
        table[f"current.{phase} [A]"] = level * np.sqrt(sum(value**2 for value in parts.values()))
        for order, value in parts.items():
            table[f"current_harmonic.{phase}.h{order} [A]"] = level * value
    return recording(table)


@pytest.mark.parametrize("name", sorted(SPECTRA))
def test_harmonic_loss_factors(name: str) -> None:
    parts, loss, stray = SPECTRA[name]
    spectrum = high_load_spectra(spectral(parts), site())["a"]
    found = loading(spectrum, site(), "now")
    assert found.loss_factor == pytest.approx(loss, abs=0.005)
    if stray is not None:
        assert found.stray_factor == pytest.approx(stray, abs=0.0005)


def test_derated_capacity_of_a_dry_transformer() -> None:
    spectrum = high_load_spectra(spectral(SPECTRA["switch-mode"][0]), site())["a"]
    rated = {"transformer": "100 kVA", "transformer_type": "dry"}
    for eddy, share in (("5 %", 0.807), ("10 %", 0.703), ("15 %", 0.636)):
        found = loading(spectrum, site(ratings={**rated, "transformer_eddy_loss": eddy}), "now")
        assert found.share == pytest.approx(share, abs=0.0005)
        assert found.derated_va == pytest.approx(1e5 * share, rel=0.001)
    assert loading(spectrum, site(ratings=rated), "now").derated_va is None


def test_k_factor_rests_on_the_rated_current() -> None:
    # Load rms equal to the rated current: K = F_HL (algebra).
    parts = SPECTRA["light mixed"][0]
    amperes = 100 * np.sqrt(sum(value**2 for value in parts.values()))
    rated = f"{amperes * 480 * np.sqrt(3):.6f} VA"
    spectrum = high_load_spectra(spectral(parts), site())["a"]
    found = loading(spectrum, site(ratings={"transformer": rated}), "now")
    assert found.k_factor == pytest.approx(2.895, abs=0.0005)


def test_only_high_load_counts_and_missing_orders_are_named() -> None:
    level = np.full(200, 10.0)
    level[:20] = 100.0
    spectrum = high_load_spectra(spectral({1: 1.0, 5: 0.2}, level), site())["a"]
    assert spectrum.intervals == 20
    found = loading(spectrum, site(), "now")
    assert 7 in found.missing_orders
    assert "lower bounds" in found.basis


def test_motor_derating_at_the_nema_points() -> None:
    # 460/470/450 V: largest deviation 2.17 % (derived); between 0.95 at 2 % and 0.93 at 2.5 %.
    table = {"voltage.ab [V]": flat(450.0), "voltage.bc [V]": flat(470.0), "voltage.ca [V]": flat(460.0)}
    found = motor(recording(table), "now")
    assert found is not None
    assert found.unbalance == pytest.approx(2.1739, abs=0.0001)
    assert found.factor == pytest.approx(0.95 - 0.02 * (2.1739 - 2) / 0.5, abs=0.0005)


def test_an_open_demand_is_neither_pass_nor_fail() -> None:
    way = Way({}, "a", 90.0, 110.0, "", "", 0.0, 0.0, True)
    assert [outcome(way, rating).value for rating in (110.0, 100.0, 89.0)] == ["pass", "inconclusive", "fail"]
