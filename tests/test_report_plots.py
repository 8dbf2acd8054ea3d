"""Figures: same bytes again, no peak lost, gaps and limits where they are, zones and clock changes on the axis."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pytest

from pqcheck.model.clock import DAY, HOUR
from pqcheck.observe.gather import gather
from pqcheck.observe.reduce import Reducer, members_per_point
from pqcheck.observe.steps import by_day_and_hour
from pqcheck.reports.plots.bars import harmonic_bars, observed
from pqcheck.reports.plots.canvas import COLOURS
from pqcheck.reports.plots.shapes import duration_curve, thinned
from pqcheck.reports.plots.time_axis import day_label, midnights
from pqcheck.reports.plots.trend import Curve, Frame, LimitLines, Panel, trend, unobserved
from tests.recordings import recording, us

START = us("2031-03-29T00:00:00+00:00")


def line(values: np.ndarray, label: str = "a to n", step: int = 600 * 1_000_000) -> Curve:
    return Curve(label, START, step, values, values - 0.5, values + 0.5)


def frame(days: int = 2, zone: str = "Europe/Lisbon") -> Frame:
    return Frame(START, START + days * DAY, zone)


def test_a_figure_is_the_same_bytes_again() -> None:
    values = 230 + np.sin(np.arange(288) / 20)
    panel = Panel("Voltage", "V", (line(values),), (LimitLines(207.0, 253.0, "all values"),))
    one, two = (trend("fig-x", "Voltage", [panel], frame(), "alt", "caption") for _ in range(2))
    assert one.svg == two.svg and "2026" not in one.svg and "<metadata" not in one.svg
    for name in ("paper", "ink", "limit", "first"):
        assert f"var(--{name})" in one.svg and COLOURS[name][1] in one.svg


def test_no_peak_is_lost_however_long_the_recording() -> None:
    random = np.random.RandomState(0)
    values = 230 + random.randn(52_560)
    values[40_001], values[7] = 300.0, 12.0
    for dtype in (float, np.float32):
        found = gather(recording({"voltage.an [V]": values.astype(dtype)}, days_per_block=3))
        track = next(iter(found.plots.values()))
        assert len(track.mean) <= 1500
        assert np.nanmax(track.high) == 300 and np.nanmin(track.low) == 12
        assert track.index(START) == 0 or track.start_us != START
        assert int(track.valid.sum()) == 52_560
        assert float(np.average(track.mean, weights=track.valid)) == pytest.approx(float(values.mean()), rel=1e-6)


@pytest.mark.parametrize("block", [1, 7, 144, 1000])
def test_thinning_does_not_depend_on_the_blocks(block: int) -> None:
    random = np.random.RandomState(1)
    values = random.randn(5000)
    values[random.rand(5000) < 0.1] = np.nan
    whole, parts = Reducer(5000, 37), Reducer(5000, 37)
    whole.feed(values, 0, 2.0)
    for start in range(0, 5000, block):
        parts.feed(values[start : start + block], start, 2.0)
    np.testing.assert_array_equal(whole.low, parts.low)
    np.testing.assert_array_equal(whole.high, parts.high)
    np.testing.assert_array_equal(whole.valid, parts.valid)
    np.testing.assert_allclose(whole.mean, parts.mean, rtol=1e-6)
    # A second way: each group on its own.
    for place in (0, 50, 135):
        group = values[place * 37 : (place + 1) * 37]
        assert whole.high[place] == pytest.approx(2 * np.nanmax(group))


def test_steps_are_ones_that_people_know() -> None:
    assert members_per_point(1008, 600_000_000, 1500) == 1
    assert members_per_point(201_600, 3_000_000, 1500) * 3 == 600
    assert members_per_point(52_560, 600_000_000, 1500) * 600 % 3600 == 0


def test_gaps_are_spans_and_one_curve_with_values_is_enough() -> None:
    values = np.full(288, 230.0)
    values[100:120] = np.nan
    gap = (START + 100 * 600_000_000, START + 120 * 600_000_000)
    assert unobserved([line(values)], frame()) == [gap]
    assert unobserved([line(values), line(np.full(288, 231.0))], frame()) == []


def test_the_axis_speaks_the_clock_of_the_site() -> None:
    # Lisbon moves its clocks on Sunday 30 March 2031 at 01:00 UTC; midnight after that is 23:00 UTC.
    found = midnights(START, START + 3 * DAY, "Europe/Lisbon")
    assert [one - START for one in found] == [0, DAY, 2 * DAY - HOUR, 3 * DAY - HOUR]
    assert day_label(found[2], "Europe/Lisbon") == "Mon 31 Mar"


def test_heat_map_hours_are_local_hours() -> None:
    times = START + np.arange(3 * 24) * HOUR
    grid, first = by_day_and_hour(times, np.arange(72.0), "Europe/Lisbon")
    assert first == date(2031, 3, 29) and grid.shape[0] == 24
    assert np.isnan(grid[1, 1])  # the hour that the clocks skip
    assert grid[2, 1] == 25.0  # 01:00 UTC is 02:00 after the change


def test_orders_that_were_not_measured_are_crosses_and_no_bars() -> None:
    values = {"a to n": {5: 2.0, 7: 1.0}}
    limits = {5: 6.0, 7: 5.0, 11: 3.5}
    drawn = harmonic_bars("fig-o", "Orders", "%", values, limits, {"a to n": [11]}, "alt", "caption")
    assert drawn.pointer is not None
    assert drawn.pointer["labels"] == ["order 5", "order 7", "order 11"]
    assert drawn.pointer["series"][0]["values"] == [2.0, 1.0, None]
    assert "not measured" in re.sub(r"<!--|-->", "", drawn.svg)
    measured = {"a to n": {**values["a to n"], 11: 0.0}}
    full = harmonic_bars("fig-o", "Orders", "%", measured, limits, {}, "alt", "caption")
    assert "not measured" not in full.svg


def test_a_duration_curve_counts_what_it_says() -> None:
    values = np.arange(1000.0)
    values[::10] = np.nan
    drawn = duration_curve("fig-d", "Duration", "V", {"a": values}, (), "alt", "All values.")
    assert "N = 900" in drawn.svg and drawn.pointer is not None
    points = drawn.pointer["series"][0]["values"]
    ordered = np.sort(values[~np.isnan(values)])[::-1]
    assert points[0] == ordered[0] and points[100] == ordered[450] and points[-1] == ordered[-1]


def test_a_thinned_cloud_keeps_its_extremes() -> None:
    random = np.random.RandomState(2)
    x, y = random.randn(50_000), random.randn(50_000)
    x[123], y[45_678] = 99, -99
    kept = thinned(x, y, 900)
    assert {123, 45_678} <= set(kept.tolist()) and len(kept) < 1200


def test_availability_spans() -> None:
    values = np.full(432, 230.0)
    values[144:200] = np.nan
    found = gather(recording({"voltage.an [V]": values}))
    track = next(iter(found.plots.values()))
    step = 600_000_000
    assert observed([track]) == [
        (track.start_us, track.start_us + 144 * step), (track.start_us + 200 * step, track.start_us + 432 * step)
    ]  # fmt: skip


def test_judged_values_are_formed_as_judging_forms_them() -> None:
    """A 10-minute value is the root mean square of its two hundred 3-second values (IEC 61000-4-30 4.5)."""
    from pqcheck.limit_tables import load_table
    from pqcheck.observe.gather import asked_by_tables
    from tests.recordings import site

    random = np.random.RandomState(4)
    values = 230 + random.randn(28_800)
    made = recording({"voltage.an [V]": values}, interval_s=3)
    found = gather(made, asked_by_tables([load_table("en50160-2010-lv")], made, site()))
    judged = next(one for one in found.judged if one.phase == "an")
    expected = np.sqrt((values.reshape(144, 200) ** 2).mean(axis=1))
    assert judged.interval_us == 600_000_000
    np.testing.assert_allclose(judged.values, expected, rtol=1e-12)
