"""Values of a longer interval in every row, held or interpolated; what moves by coarse steps or schedules is silent."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.verdict import Verdict
from tests.recordings import recording, site

Floats = NDArray[np.float64]
SINGLE: dict[str, Any] = {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"}
WEEK = 1008


def walking(count: int, seed: int = 1, middle: float = 231, width: float = 0.5) -> Floats:
    """A slow walk that comes back, and noise of its own."""
    chance = np.random.default_rng(seed)
    noise, values = chance.normal(0, width, count), np.zeros(count)
    for number in range(1, count):
        values[number] = 0.97 * values[number - 1] + noise[number]
    return middle + values + chance.normal(0, width / 3, count)


def held(rows: int, count: int = WEEK, shift: int = 0, decimals: int = 2, **of: Any) -> Floats:
    few = np.round(walking(-(-count // rows) + 1, **of), decimals)
    return np.repeat(few, rows)[shift : shift + count]


def lines(rows: int, count: int = WEEK, decimals: int = 2, **of: Any) -> Floats:
    few = walking(-(-count // rows) + 1, **of)
    return np.round(np.interp(np.arange(count), np.arange(few.size) * rows, few), decimals)


def judged(columns: dict[str, Floats], seconds: float = 600) -> tuple[set[str], set[Verdict]]:
    """Channels in doubt, and the verdicts about voltages and their distortion."""
    findings = check(recording(columns, interval_s=seconds), site(supply=SINGLE), "en50160-2010-lv").findings
    doubted = {one.channel for one in findings if one.rule == "held" and one.verdict is Verdict.REFUSED}
    channels = {".".join(name.split()[0].split(".")[:2]) for name in columns}
    return doubted, {one.verdict for one in findings if one.kind == "limit" and one.channel in channels
                     and one.quantity in ("voltage", "voltage_thd") and one.verdict is not Verdict.NOT_APPLICABLE}


@pytest.mark.parametrize("values", [
    held(6), held(2), held(36), held(6, shift=2), held(6, decimals=1), lines(6), lines(2), lines(12),
])
def test_values_of_longer_intervals_are_refused(values: Floats) -> None:
    assert judged({"voltage.an [V]": values}) == ({"voltage.an.mean"}, {Verdict.REFUSED})


def test_a_distortion_held_for_an_hour_is_refused() -> None:
    columns = {"voltage.an [V]": np.round(walking(WEEK), 2), "voltage_thd.an [%]": held(6, middle=3, width=0.1)}
    doubted, verdicts = judged(columns)
    assert doubted == {"voltage_thd.an.mean"} and verdicts == {Verdict.PASS, Verdict.REFUSED}


@pytest.mark.parametrize(("shift", "expected"), [(0, Verdict.PASS), (4, Verdict.REFUSED)])
def test_ten_minute_values_in_rows_of_a_minute_answer_rules_of_ten_minutes(shift: int, expected: Verdict) -> None:
    """Where they begin at whole intervals of the clock; else each interval of a rule mixes two of them."""
    values = held(10, 7 * 1440, shift)
    assert judged({"voltage.an [V]": values}, 60) == ({"voltage.an.mean"}, {expected})


def test_single_days_of_held_values_are_doubted_by_themselves() -> None:
    values = np.round(walking(WEEK), 2)
    values[288:432] = held(6, 144, seed=3)
    assert judged({"voltage.an [V]": values}) == ({"voltage.an.mean"}, {Verdict.REFUSED})


@pytest.mark.parametrize("day", [0, 1, 2])
@pytest.mark.parametrize("filled", [held, lines])
def test_a_long_day_is_found_between_days_of_its_own_rows(day: int, filled: Callable[..., Floats]) -> None:
    """Long days are judged by their beginning where this shows that nothing is held."""
    values = np.round(walking(3 * 8640), 2)
    values[day * 8640 : (day + 1) * 8640] = filled(6, 8640, seed=3)
    assert judged({"voltage.an [V]": values}, 10)[0] == {"voltage.an.mean"}


def test_gaps_and_a_hole_hide_nothing() -> None:
    values = held(6)
    values[[100, 300, 301, 302, 303, 304, 305, 306, 700]] = np.nan
    assert judged({"voltage.an [V]": values})[0] == {"voltage.an.mean"}


@pytest.mark.parametrize("values", [
    np.round(walking(WEEK), 2), np.round(walking(WEEK), 0), np.round(walking(WEEK), 1),
    np.round(walking(WEEK, width=0.05), 1), np.round(walking(WEEK, width=0.02), 2),
    231 + np.repeat(np.arange(WEEK // 6) % 4, 6).astype(float),
])
def test_what_was_measured_is_silent(values: Floats) -> None:
    """The last one changes its coarse tap by the clock."""
    assert not judged({"voltage.an [V]": values})[0]


def test_loads_on_timers_are_silent() -> None:
    chance = np.random.default_rng(4)
    on = np.repeat(chance.integers(0, 2, WEEK // 3), 3)
    current = np.round(0.4 + on * chance.normal(12, 0.3, WEEK), 1)
    assert not judged({"voltage.an [V]": np.round(walking(WEEK), 2), "current.a [A]": current})[0]


def test_long_term_flicker_repeats_by_its_definition() -> None:
    columns = {"voltage.an [V]": np.round(walking(WEEK), 2), "flicker_plt.an": held(12, middle=0.5, width=0.05)}
    assert not judged(columns)[0]


@pytest.mark.parametrize(("rows", "expected"), [(1, Verdict.PASS), (6, Verdict.REFUSED)])
def test_short_term_flicker_held_for_an_hour_forms_no_long_term_flicker(rows: int, expected: Verdict) -> None:
    columns = {"voltage.an [V]": np.round(walking(WEEK), 2), "flicker_pst.an": held(rows, middle=0.4, width=0.02)}
    findings = check(recording(columns), site(supply=SINGLE), "en50160-2010-lv").findings
    assert {one.verdict for one in findings if one.kind == "limit" and one.quantity == "flicker_plt"
            and one.verdict is not Verdict.NOT_APPLICABLE} == {expected}
