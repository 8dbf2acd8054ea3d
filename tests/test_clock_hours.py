"""The hours of the day that hold nearly all of what happens."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.stats.clock_hours import covered_minutes, hours_text, share_within, usual_hours

MINUTE = 60_000_000


def spans(*minutes: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Starts and ends from (first, end) in minutes."""
    return np.array([a * MINUTE for a, _ in minutes], np.int64), np.array([b * MINUTE for _, b in minutes], np.int64)


def evening(day: int, first: int = 1050, end: int = 1350) -> tuple[int, int]:
    """17:30 to 22:30 of a day."""
    return day * 1440 + first, day * 1440 + end


def test_a_stray_minute_does_not_widen_the_hours_and_none_of_them_is_cut_off() -> None:
    held = [evening(day) for day in range(8)] + [(3 * 1440 + 350, 3 * 1440 + 360)]
    starts, ends = spans(*held)
    assert usual_hours(starts, ends) == (1050, 1350) and share_within(starts, ends, (1050, 1350)) > 0.99
    assert hours_text((1050, 1350)) == "between 17:30 and 22:30"


def test_hours_across_midnight_and_around_the_clock() -> None:
    assert usual_hours(*spans(*((day * 1440 + 1380, day * 1440 + 1500) for day in range(3)))) == (1380, 60)
    assert hours_text((1380, 0)) == "between 23:00 and 24:00"
    assert usual_hours(*spans((0, 4 * 1440))) is None and usual_hours(*spans()) is None


@given(st.lists(st.tuples(st.integers(0, 20_000), st.integers(1, 4000)), min_size=1, max_size=20))
def test_minutes_are_counted_as_one_by_one(held: list[tuple[int, int]]) -> None:
    counted = np.zeros(1440, np.int64)
    for first, length in held:
        for minute in range(first, first + length):
            counted[minute % 1440] += 1
    starts, ends = spans(*((first, first + length) for first, length in held))
    assert covered_minutes(starts, ends).tolist() == counted.tolist()
    assert share_within(starts, ends, (0, 0)) == pytest.approx(1.0)
