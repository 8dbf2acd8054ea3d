"""Stuck, copied, interpolated, equal columns: on labelled open data, on planted data, and on what must stay silent."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import recording, site

DATA = Path(__file__).parent / "data" / "labelled_series"


def labelled(name: str) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    with gzip.open(DATA / f"{name}.csv.gz", "rt", encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    return np.array([float(row[1] or "nan") for row in rows]), np.array([row[2] == "True" for row in rows])


def marked(findings: tuple[Finding, ...], rule: str, size: int, seconds: int) -> NDArray[np.bool_]:
    """Intervals inside the windows of refused findings of a check."""
    from datetime import datetime

    mask = np.zeros(size, np.bool_)
    start = datetime.fromisoformat("2031-03-03T00:00:00+00:00")
    for one in findings:
        if one.rule == rule and one.verdict is Verdict.REFUSED:
            for window in one.windows:
                first = int((datetime.fromisoformat(window.start) - start).total_seconds() // seconds)
                mask[first : first + window.intervals] = True
    return mask


@pytest.mark.parametrize(("name", "rule", "least"), [("stale", "stuck", 0.9), ("interpolated", "interpolated", 0.9)])
def test_labelled_series(name: str, rule: str, least: float, capsys: pytest.CaptureFixture[str]) -> None:
    """Open labelled data (pvanalytics 0.2.2, MIT): 245 stale and 1,254 interpolated values of 3,000."""
    values, truth = labelled(name)
    assert values.size == 3000 and truth.sum() == {"stale": 245, "interpolated": 1254}[name]
    result = vet(recording({"active_power.total [kW]": values}, interval_s=900), site())
    found = marked(result.findings, rule, values.size, 900)
    precision, recall = (found & truth).sum() / found.sum(), (found & truth).sum() / truth.sum()
    with capsys.disabled():
        print(f"\n{name}: precision {precision:.3f}, recall {recall:.3f}")
    assert precision >= least and recall >= least


def verdict(table: dict[str, NDArray[np.float64]], rule: str, channel: str, seconds: float = 600) -> Verdict:
    result = vet(recording(table, interval_s=seconds), site(supply={"connection": "wye"}))
    return next(one.verdict for one in result.findings if one.rule == rule and one.channel == channel)


def volts(seed: int, count: int = 1008, step: float = 0.01) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    return np.round((230 + np.cumsum(rng.normal(0, 0.2, count)) * 0.2 + rng.normal(0, 0.3, count)) / step) * step


def test_a_load_that_rests_at_night_is_not_stuck() -> None:
    rng = np.random.default_rng(1)
    load = np.where(np.arange(1008) % 144 < 40, 0.0, np.round(20 + 3 * rng.standard_normal(1008), 1))
    standby = np.where(np.arange(1008) % 144 < 40, 0.4, np.round(20 + 3 * rng.standard_normal(1008), 1))
    for series in (load, standby):
        table = {"current.a [A]": series, "voltage.an [V]": volts(2)}
        assert verdict(table, "stuck", "current.a.mean") is Verdict.PASS


def test_a_coarse_channel_repeats_by_its_own_resolution() -> None:
    table = {"voltage.an [V]": volts(3, step=1.0), "voltage.bn [V]": volts(4)}
    assert verdict(table, "stuck", "voltage.an.mean") is Verdict.PASS
    frequency = np.round(50 + 0.02 * np.random.default_rng(5).standard_normal(1008), 1)
    assert verdict({"frequency [Hz]": frequency, "voltage.an [V]": volts(6)}, "stuck", "frequency.mean") is Verdict.PASS


def test_a_plt_value_repeated_twelve_times_is_no_stuck_channel() -> None:
    plt = np.repeat(np.round(0.4 + 0.2 * np.random.default_rng(7).random(84), 3), 12)
    table = {"flicker_plt.an [1]": plt, "voltage.an [V]": volts(8)}
    assert verdict(table, "stuck", "flicker_plt.an.mean") is Verdict.PASS


def test_one_row_equal_to_the_day_before_is_a_coincidence() -> None:
    series = volts(9)
    series[500] = series[356]
    assert verdict({"voltage.an [V]": series}, "copied", "voltage.an.mean") is Verdict.PASS
    series[500:600] = series[356:456]
    assert verdict({"voltage.an [V]": series}, "copied", "voltage.an.mean") is Verdict.REFUSED


@pytest.mark.parametrize(("top", "expected"), [(3, Verdict.PASS), (30, Verdict.REFUSED)])
def test_a_load_of_few_steps_repeats_itself(top: int, expected: Verdict) -> None:
    """A timer runs a pump every hour: read in steps of 1 A, each day is equal to the one before.

    The same over 30 steps, where no load repeats itself to the last one, is a copy.
    """
    rng = np.random.default_rng(5)
    day = np.zeros(144)
    day[::6] = top
    day[1::6] = rng.integers(0, top, 24)
    others = rng.integers(0, 2, (5, 144)) + day * rng.uniform(0.5, 2, (5, 1)).round()
    table = {"current.a [A]": np.concatenate([day, day, *others])}
    assert verdict(table, "copied", "current.a.mean") is expected


def test_a_steady_night_equal_to_the_night_before_was_not_copied() -> None:
    standby = np.where(np.arange(1008) % 144 < 60, 0.4, np.round(20 + 3 * np.random.default_rng(10).random(1008), 1))
    table = {"current.a [A]": standby, "voltage.an [V]": volts(11)}
    assert verdict(table, "copied", "current.a.mean") is Verdict.PASS


def test_values_rounded_after_interpolation_are_recognised() -> None:
    series = volts(12, step=0.1)
    series[400:460] = np.round(np.linspace(series[400], series[400] + 31.0, 60), 1)
    assert verdict({"voltage.an [V]": series}, "interpolated", "voltage.an.mean") is Verdict.REFUSED


def test_a_slow_ramp_of_single_steps_is_no_interpolation() -> None:
    ramp = np.round(230 + 0.1 * (np.arange(1008) % 20 - 10) + 0.1 * np.random.default_rng(13).integers(0, 2, 1008), 1)
    assert verdict({"voltage.an [V]": ramp}, "interpolated", "voltage.an.mean") is Verdict.PASS


def test_orders_are_looked_at_as_well() -> None:
    rng = np.random.default_rng(14)
    count = 3 * 28_800
    order = np.round(2 + 0.4 * rng.standard_normal(count), 3)
    order[10_000:22_000] = order[10_000]
    table = {"voltage_harmonic.an.h5 [%]": order, "voltage.an [V]": volts(15, count)}
    assert verdict(table, "stuck", "voltage_harmonic.an.mean", 3) is Verdict.REFUSED
    order[10_000:22_000] = np.round(2 + 0.4 * rng.standard_normal(12_000), 3)
    assert verdict(table, "stuck", "voltage_harmonic.an.mean", 3) is Verdict.PASS


def test_blocks_of_any_length_give_the_same_findings() -> None:
    series = volts(16, 3000)
    series[430:500] = series[430]
    series[1440:1600] = series[1296:1456]
    table = {"voltage.an [V]": series, "voltage.bn [V]": volts(17, 3000)}
    results = [vet(recording(table, days_per_block=days), site()).findings for days in (1, 2, 7, 30)]
    assert all(result == results[0] for result in results)
    rules = {one.rule for one in results[0] if one.verdict is Verdict.REFUSED}
    assert {"stuck", "copied"} <= rules
