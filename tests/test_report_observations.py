"""Observations: grades for derived cases of source and load, and for the stories in reference_cases/."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.observe.all_observations import observe
from pqcheck.observe.background import background
from pqcheck.observe.gather import Gathered, gather
from pqcheck.observe.load_starts import load_starts
from pqcheck.observe.observation import GRADES
from pqcheck.observe.own_load import own_load, slope_of
from pqcheck.observe.patterns import patterns
from pqcheck.observe.resonance import estimated_order, resonance
from pqcheck.observe.taps import tap_steps
from tests.recordings import recording, site

Array = NDArray[np.float64]
COUNT = 1008

# 230 V, Zs = 0.04 + j0.06 ohm, load 10 to 18 kW at power factor 0.93 (derived).
R, X, FACTOR = 0.04, 0.06, 0.93
EFFECTIVE = R * FACTOR + X * float(np.sqrt(1 - FACTOR**2))


def gathered(columns: Mapping[str, Array], **more: Any) -> Gathered:
    return gather(recording(columns, **more))


def circuit(source: Array, power: Array, exponent: int) -> tuple[Array, Array]:
    """Voltage and current of a load P (V/230)^exponent behind Zs, by fixed point; the plain in-phase drop."""
    voltage = source.copy()
    current = np.zeros_like(source)
    for _ in range(60):
        current = power * (voltage / 230) ** exponent / (voltage * FACTOR)
        voltage = source - EFFECTIVE * current
    return voltage, current


def steps(random: np.random.RandomState, low: float, high: float) -> Array:
    return np.repeat(random.uniform(low, high, COUNT // 4), 4)


def test_a_varying_load_on_a_steady_source_gives_the_source_impedance() -> None:
    random = np.random.RandomState(1)
    voltage, current = circuit(np.full(COUNT, 230.0), steps(random, 10e3, 18e3), 0)
    found = slope_of(voltage, current)
    assert found is not None
    # Theory there: -0.0594 V/A (row "load varies, E fixed": -0.0599 with the exact phasors).
    assert found.steps == pytest.approx(-0.0594, abs=0.0003)
    assert found.r == pytest.approx(-1.0, abs=0.001)


def test_a_varying_source_under_constant_power_has_the_sign_but_not_the_size() -> None:
    random = np.random.RandomState(2)
    source = 230 * (1 + steps(random, -0.02, 0.02))
    voltage, current = circuit(source, np.full(COUNT, 14e3), 0)
    found = own_load(gathered({"voltage.an [V]": voltage, "current.a [A]": current}), site())
    # Slope -V/I: the sign alone would say load, wrongly; the magnitude is tested as well.
    assert [one.grade for one in found] == ["undetermined"]
    assert found[0].numbers["share_of_V_over_I"] == pytest.approx(1.0, abs=0.05)
    assert "slope_V_per_A" not in found[0].numbers


def test_a_varying_source_on_a_passive_load_is_not_laid_to_the_load() -> None:
    random = np.random.RandomState(3)
    voltage, current = circuit(230 * (1 + steps(random, -0.02, 0.02)), np.full(COUNT, 14e3), 2)
    found = own_load(gathered({"voltage.an [V]": voltage, "current.a [A]": current}), site())
    assert len(found) == 1 and "does not pull" in found[0].text
    assert "slope_V_per_A" not in found[0].numbers


def test_independent_load_and_source_are_undetermined() -> None:
    random = np.random.RandomState(4)
    voltage, current = circuit(230 * (1 + 0.01 * random.randn(COUNT)), random.uniform(10e3, 18e3, COUNT), 0)
    found = own_load(gathered({"voltage.an [V]": voltage, "current.a [A]": current}), site())
    assert all(one.grade == "undetermined" for one in found)


def test_own_load_of_the_workshop() -> None:
    """story_05: no-load 122 V, -0.12 V/A, 90 A gives 111.2 V."""
    random = np.random.RandomState(5)
    current = np.where(random.rand(COUNT) < 0.1, 90.0, 5.0) + random.rand(COUNT)
    voltage = 122 - 0.12 * current + 0.1 * random.randn(COUNT)
    place = site(supply={"nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"})
    found = own_load(gathered({"voltage.an [V]": voltage, "current.a [A]": current}), place)
    assert [one.grade for one in found] == ["likely"]
    assert found[0].numbers["slope_V_per_A"] == pytest.approx(-0.12, abs=0.002)
    assert found[0].numbers["r"] < -0.97
    assert "upstream of the measuring point" in found[0].text
    assert found[0].against


def test_an_evening_peak_of_the_street_is_named_as_counter_evidence() -> None:
    random = np.random.RandomState(6)
    current = np.where(random.rand(COUNT) < 0.2, 60.0, 10.0)
    voltage = 231 - 0.1 * current
    found = own_load(gathered({"voltage.an [V]": voltage, "current.a [A]": current}), site())
    assert any("evening peak" in text for text in found[0].against)


def staircase(random: np.random.RandomState) -> Array:
    """story_04: steps of 0.75 V between 118 and 124 V, all phases together."""
    level = 121.0
    made = []
    for _ in range(COUNT // 12):
        level += 0.75 * (1 if level < 119 or (level < 123 and random.rand() < 0.5) else -1)
        made += [level] * 12
    return np.array(made)


def test_a_staircase_is_a_tap_changer() -> None:
    random = np.random.RandomState(9)
    level = staircase(random)
    columns = {f"voltage.{p}n [V]": level + 0.03 * random.randn(COUNT) for p in "abc"}
    columns |= {f"current.{p} [A]": 50 + random.randn(COUNT) for p in "abc"}
    place = site(supply={"nominal_voltage": "208Y/120 V", "frequency": "60 Hz"})
    found = tap_steps(gathered(columns), place)
    assert [one.grade for one in found] == ["likely"]
    assert found[0].numbers["size_V"] == pytest.approx(0.75, abs=0.05)
    # 83 changes of level in 7 days.
    assert found[0].numbers["per_day"] == pytest.approx(83 / 7, abs=0.5)


def test_load_steps_are_no_tap_changer() -> None:
    random = np.random.RandomState(10)
    current = np.repeat(random.choice([10.0, 60.0], COUNT // 12), 12)
    columns: dict[str, Array] = {f"voltage.{p}n [V]": 122 - 0.03 * current for p in "abc"}
    columns |= {f"current.{p} [A]": current + 0.1 * random.randn(COUNT) for p in "abc"}
    assert tap_steps(gathered(columns), site(supply={"nominal_voltage": "208Y/120 V", "frequency": "60 Hz"})) == []


def test_two_taps_at_once_are_the_same_device() -> None:
    random = np.random.RandomState(17)
    moves = 0.75 * random.choice([-2, -1, 1, 2], COUNT // 6)
    level = np.repeat(120 + np.cumsum(moves - moves.mean()), 6)
    columns = {f"voltage.{p}n [V]": level + 0.03 * random.randn(COUNT) for p in "abc"}
    found = tap_steps(gathered(columns), site(supply={"nominal_voltage": "208Y/120 V", "frequency": "60 Hz"}))
    # Without currents a switching load cannot be told from a regulator.
    assert [one.grade for one in found] == ["possible"]
    assert found[0].numbers["size_V"] == pytest.approx(0.75, rel=0.05)


def test_legs_that_mirror_each_other_are_no_matter_of_the_own_load() -> None:
    """story_02: L1 up, L2 down, the sum steady: the neutral, not the supply's impedance."""
    random = np.random.RandomState(18)
    swing = np.where(random.rand(COUNT) < 0.2, 9.0, 0.0)
    columns = {"voltage.an [V]": 121 + swing, "voltage.bn [V]": 121 - swing + 0.05 * random.randn(COUNT),
               "current.b [A]": 10 + 2 * swing, "current.a [A]": 20 + random.rand(COUNT)}  # fmt: skip
    place = site(supply={"nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"})
    found = own_load(gathered(columns), place)
    assert {one.grade for one in found} == {"undetermined"} and "neutral" in found[0].text


def capacitor_week(orders: range = range(2, 26)) -> dict[str, Array]:
    """story_03: h11 1 % normally, 6.1 % for 2.5 h on five days, while reactive power drops by 300 kvar."""
    random = np.random.RandomState(11)
    slot = np.arange(COUNT)
    on = (slot // 144 % 7 < 5) & (slot % 144 >= 45) & (slot % 144 < 60)
    columns = {f"voltage_harmonic.an.h{order} [%]": 0.5 + 0.02 * random.randn(COUNT) for order in orders}
    columns["voltage_harmonic.an.h11 [%]"] = np.where(on, 6.1, 1.0) + 0.02 * random.randn(COUNT)
    columns["reactive_power.total [kvar]"] = 450 - np.where(on, 300, 0) + 2 * random.randn(COUNT)
    return columns


def pcc(amperes: str) -> Any:
    return site(
        supply={"nominal_voltage": "480Y/277 V", "frequency": "60 Hz"},
        pcc={"is_pcc": True, "short_circuit_current": amperes, "maximum_demand_current": "800 A",
             "demand_basis": "mean of 12 monthly maxima"},
    )  # fmt: skip


def test_a_capacitor_step_meets_a_resonance() -> None:
    # Ssc 36.3 MVA at 480 V is 43.66 kA; sqrt(36.3/0.3) = 11.0 (story_03).
    found = resonance(gathered(capacitor_week()), pcc("43.66 kA"))
    assert [one.grade for one in found] == ["likely"]
    assert found[0].numbers["order"] == 11
    assert found[0].numbers["steps"] == 10
    assert found[0].numbers["step_var"] == pytest.approx(300e3, rel=0.02)
    assert found[0].numbers["estimated_order"] == pytest.approx(11.0, abs=0.1)


def test_an_estimate_that_does_not_fit_weakens_the_observation() -> None:
    found = resonance(gathered(capacitor_week()), pcc("10 kA"))
    assert [one.grade for one in found] == ["possible"]
    assert any("not order 11" in text for text in found[0].against)


def test_the_estimate_needs_the_short_circuit_current() -> None:
    assert estimated_order(site(), 300e3) is None
    assert estimated_order(pcc("43.66 kA"), 300e3) == pytest.approx(11.0, abs=0.05)


def plant(off_percent: float) -> dict[str, Array]:
    """A plant that rests at the weekend."""
    random = np.random.RandomState(12)
    slot = np.arange(COUNT)
    works = slot // 144 < 5
    columns = {f"current.{p} [A]": np.where(works, 200, 4) + 3 * random.rand(COUNT) for p in "abc"}
    columns["voltage_thd.an [%]"] = np.where(works, 5.6, off_percent) + 0.1 * random.randn(COUNT)
    return columns


def test_distortion_while_the_plant_is_off_is_background() -> None:
    """story_17: V-THD unchanged with the plant off; it stays an observation."""
    found = background(gathered(plant(5.6)), site())
    assert [one.grade for one in found] == ["shown"]
    assert found[0].numbers["off_hours"] == pytest.approx(48, abs=1)
    assert any("cannot share out" in text for text in found[0].against)


def test_distortion_that_rests_with_the_plant_is_only_possibly_its_own() -> None:
    assert [one.grade for one in background(gathered(plant(1.5)), site())] == ["possible"]
    assert [one.grade for one in background(gathered(plant(4.2)), site())] == ["undetermined"]


def test_demand_distortion_alone_tells_when_the_plant_is_off() -> None:
    columns = {name: values for name, values in plant(5.6).items() if not name.startswith("current.")}
    random = np.random.RandomState(16)
    works = np.arange(COUNT) // 144 < 5
    columns["current_tdd.a [%]"] = np.where(works, 2.0, 0.1) + 0.02 * random.rand(COUNT)
    assert [one.grade for one in background(gathered(columns), site())] == ["shown"]


def test_solar_noon_and_whose_generation() -> None:
    """Further trap: a neighbour's generation lifts the voltage at noon."""
    random = np.random.RandomState(13)
    hour = np.arange(COUNT) % 144 / 6
    sun = np.clip(np.sin((hour - 6.5) / 12 * np.pi), 0, 1)
    columns = {"voltage.an [V]": 236 + 12 * sun + 0.5 * random.randn(COUNT)}
    found = {one.id: one for one in patterns(gathered(columns), site())}
    assert found["midday"].grade == "possible"
    assert found["time-of-day"].grade == "shown"
    own = {**columns, "active_power.total [kW]": 2 - 8 * sun}
    again = {one.id: one for one in patterns(gathered(own), site())}
    assert again["midday"].grade == "likely"


def test_a_flat_voltage_shows_nothing() -> None:
    random = np.random.RandomState(14)
    columns: dict[str, Array] = {f"voltage.{p}n [V]": 230 + 0.3 * random.randn(COUNT) for p in "abc"}
    columns |= {f"current.{p} [A]": 30 + random.randn(COUNT) for p in "abc"}
    assert [one for one in observe(gathered(columns), site()) if one.grade != "undetermined"] == []


def test_every_observation_is_graded_and_carries_counter_evidence() -> None:
    columns = {**capacitor_week(), **plant(5.6)}
    random = np.random.RandomState(15)
    columns["voltage.an [V]"] = 230 - 0.05 * columns["current.a [A]"] + 0.1 * random.randn(COUNT)
    found = observe(gathered(columns), site())
    assert {"own-load-a", "resonance", "background"} <= {one.id for one in found}
    for one in found:
        assert one.grade in GRADES and one.text and one.evidence and one.against and one.figure
        assert "fault" not in one.text and "blame" not in one.text
    assert found == observe(gathered(columns), site())




# Real voltage of a household (see reference_cases/household_week for source and licence), with planted steps.

def household() -> tuple[Array, Array]:
    """Voltage and current of a week, one-minute means."""
    with gzip.open("reference_cases/household_week/week.csv.gz", "rt", encoding="utf-8") as file:
        table = np.genfromtxt(file, delimiter=",", skip_header=1, usecols=(1, 2))
    return table[:, 0], table[:, 1]


def planted(voltage: Array, size: float) -> Array:
    """A regulator that steps up and down by `size` volts eight times a day."""
    up = np.arange(len(voltage)) // 180 % 2 == 1
    return voltage + np.where(up, size, 0.0)


def test_real_voltage_shows_no_tap_changer_and_one_that_is_planted_is_seen() -> None:
    voltage, current = household()
    usual = float(np.median(np.abs(np.diff(voltage))))
    assert usual > 0.25, "noisier than the smallest step of a regulator over three"

    def seen(volts: Array) -> list[Any]:
        return tap_steps(gathered({"voltage.an [V]": volts, "current.a [A]": current}, interval_s=60), site())

    assert seen(voltage) == []
    (observation,) = seen(planted(voltage, 5.75))
    assert observation.numbers["size_V"] == pytest.approx(5.75, rel=0.1)


def test_dips_without_a_peak_of_the_own_current_come_from_elsewhere() -> None:
    random = np.random.RandomState(21)
    volts, amperes = 230 + 0.3 * random.randn(COUNT), 20 + random.randn(COUNT)
    low, high = volts - 0.5 - 0.1 * random.rand(COUNT), amperes + 1 + random.rand(COUNT)
    low[100::144] = 205.0
    columns = {"voltage.an [V]": volts, "voltage.an.min [V]": low, "current.a [A]": amperes, "current.a.max [A]": high}
    (alone,) = load_starts(gathered(columns), site())
    assert alone.grade == "likely" and "no large load of this site" in alone.text
    high[100::144] = 120.0
    (own,) = load_starts(gathered(columns | {"current.a.max [A]": high}), site())
    assert own.grade == "likely" and "same intervals" in own.text and "same moment" in own.against[0]
    low[:] = volts - 0.5
    assert load_starts(gathered(columns | {"voltage.an.min [V]": low}), site()) == []
