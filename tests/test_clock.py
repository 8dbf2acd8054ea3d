"""The clock: stamps against the standard library, clock changes against the published rule of the European Union
(last Sunday of March and October, 01:00 UTC; Directive 2000/84/EC, articles 2 and 3)."""

from __future__ import annotations

import itertools
import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.model import clock
from pqcheck.model.errors import InputError

LISBON = "Europe/Lisbon"
TEN_MINUTES = 10 * clock.MINUTE


def us(text: str) -> int:
    """Microseconds of a stamp with offset, by the standard library."""
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def local_us(text: str) -> int:
    return us(text + "+00:00")


def rows_of(texts: list[str]) -> np.ndarray:
    return np.array([list(text.encode()) for text in texts], np.uint8)


moments = st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2199, 12, 31))
offsets = st.integers(min_value=-14 * 60, max_value=14 * 60)


@given(st.lists(moments, min_size=1, max_size=20), offsets, st.sampled_from(["T", " "]), st.sampled_from([0, 3, 6]))
def test_stamps_in_one_layout_equal_the_standard_library(
    times: list[datetime], minutes: int, separator: str, places: int
) -> None:
    sign, size = ("-", -minutes) if minutes < 0 else ("+", minutes)
    zone = f"{sign}{size // 60:02d}:{size % 60:02d}"
    texts = []
    for moment in times:
        fraction = f".{moment.microsecond:06d}"[: places + 1] if places else ""
        texts.append(moment.strftime(f"%m-%d{separator}%H:%M:%S").join((f"{moment.year:04d}-", fraction + zone)))
    values, good, zoned = clock.parse_iso_rows(rows_of(texts))
    assert good.all() and zoned
    assert values.tolist() == [us(text) for text in texts]
    assert [clock.parse_iso(text) for text in texts] == [(us(text), True) for text in texts]


@pytest.mark.parametrize(
    "bad", ["2024-02-30 00:00", "2024-13-01 00:00", "2023-02-29 00:00", "2024-01-01 24:10", "2024-01-0x 00:00"]
)
def test_a_stamp_that_cannot_be_is_left_to_the_caller(bad: str) -> None:
    _, good, _ = clock.parse_iso_rows(rows_of(["2024-01-01 00:00", bad]))
    assert good.tolist() == [True, False]
    with pytest.raises(ValueError):
        clock.parse_iso(bad)


def test_the_layout_may_change_sign_of_the_offset_only() -> None:
    values, good, zoned = clock.parse_iso_rows(
        rows_of(["2024-01-01T00:00:00+01:00", "2024-01-01T00:00:00-01:00", "2024-01-01 00:00:00+01:00"])
    )
    assert good.tolist() == [True, True, False] and zoned
    assert values[:2].tolist() == [us("2023-12-31T23:00:00+00:00"), us("2024-01-01T01:00:00+00:00")]


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("2024-02-28T24:00:00Z", "2024-02-29T00:00:00+00:00"),
        ("2024-12-31 24:00+01:00", "2025-01-01T00:00:00+01:00"),
        ("2024-01-01T00:00:00,5Z", "2024-01-01T00:00:00.500000+00:00"),
        ("20240101T001000Z", "2024-01-01T00:10:00+00:00"),
        ("2024-01-01T00:10+0130", "2024-01-01T00:10:00+01:30"),
    ],
)
def test_less_usual_stamps(text: str, same: str) -> None:
    assert clock.parse_iso(text) == (us(same), True)


@given(st.integers(min_value=us("1950-01-01T00:00:00+00:00"), max_value=us("2150-01-01T00:00:00+00:00")),
       st.sampled_from([LISBON, "UTC", "America/St_Johns", "Asia/Kathmandu", "Australia/Lord_Howe"]))
def test_text_and_back(instant: int, zone: str) -> None:
    text = clock.iso(instant, zone)
    shown = clock.to_local(instant, zone).isoformat()
    assert text == (re.sub(r"(\.\d*?)0+(?=[+-])", r"\1", shown) if "." in shown else shown)
    assert clock.parse_iso(text) == (instant, True)
    assert us(text) == instant


def test_text_is_as_short_as_it_can_be() -> None:
    assert clock.iso(us("2031-03-03T00:00:00+00:00"), "UTC") == "2031-03-03T00:00:00+00:00"
    assert clock.iso(us("2031-07-03T00:00:00.25+00:00"), LISBON) == "2031-07-03T01:00:00.25+01:00"


def test_unknown_zone_is_one_sentence() -> None:
    with pytest.raises(InputError, match=r"'Europe/Lissabon' is not a known zone.*Europe/Lisbon"):
        clock.zone_info("Europe/Lissabon")


@pytest.mark.parametrize(
    ("length", "text"),
    [(3_000_000, "3 s"), (600_000_000, "10 min"), (7_200_000_000, "2 h"), (200_000, "200 ms"), (7 * clock.DAY, "7 d"),
     (clock.DAY, "24 h"), (1_500_000, "1.5 s"), (900_000_000, "15 min"), (500, "0.5 ms")],
)
def test_durations(length: int, text: str) -> None:
    assert clock.duration_text(length) == text


# The clocks of Lisbon went back on 2024-10-27 at 01:00 UTC (02:00 to 01:00) and forward on 2024-03-31 at 01:00 UTC.
AUTUMN = us("2024-10-27T00:00:00+00:00")


def local_stamps(instants: np.ndarray, zone: str = LISBON) -> np.ndarray:
    """Wall-clock stamps of instants, by the standard library."""
    walls = [datetime.fromtimestamp(int(at) / 1e6, ZoneInfo(zone)).replace(tzinfo=UTC) for at in instants]
    return np.array([(wall - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) for wall in walls])


@pytest.mark.parametrize("minutes", [1, 10, 15, 30, 60, 120])
def test_repeated_hour_first_pass_then_second(minutes: int) -> None:
    instants = AUTUMN - 6 * clock.HOUR + np.arange(24 * 60 // minutes) * minutes * clock.MINUTE
    read = clock.from_local(local_stamps(instants), LISBON)
    assert not read.undecided.any() and not read.skipped.any()
    assert (read.utc_us == instants).all()


def test_repeated_hour_backwards() -> None:
    instants = (AUTUMN - 6 * clock.HOUR + np.arange(144) * TEN_MINUTES)[::-1]
    assert (clock.from_local(local_stamps(instants), LISBON).utc_us == instants).all()


def test_repeated_hour_interleaved() -> None:
    instants = AUTUMN - 6 * clock.HOUR + np.arange(144) * TEN_MINUTES
    stamps = local_stamps(instants)
    order = np.argsort(stamps, kind="stable")
    read = clock.from_local(stamps[order], LISBON)
    assert not read.undecided.any()
    assert (read.utc_us == instants[order]).all()


def test_repeated_hour_overwritten_is_not_guessed() -> None:
    instants = AUTUMN - 6 * clock.HOUR + np.arange(144) * TEN_MINUTES
    stamps = local_stamps(instants)
    kept = np.unique(stamps)
    read = clock.from_local(kept, LISBON)
    assert int(read.undecided.sum()) == 6
    assert set(kept[read.undecided]) == set(local_us("2024-10-27T01:00") + np.arange(6) * TEN_MINUTES)


def test_file_that_begins_or_ends_in_the_repeated_hour() -> None:
    instants = AUTUMN - clock.HOUR + np.arange(24) * TEN_MINUTES
    stamps = local_stamps(instants)
    ends_early = clock.from_local(stamps[:10], LISBON)
    assert not ends_early.undecided.any() and (ends_early.utc_us == instants[:10]).all()
    begins_late = clock.from_local(stamps[14:], LISBON)
    assert not begins_late.undecided.any() and (begins_late.utc_us == instants[14:]).all()
    nothing_but = clock.from_local(stamps[6:10], LISBON)
    assert nothing_but.undecided.all()


def test_spring_hole_is_no_gap_and_a_stamp_inside_is_refused() -> None:
    instants = us("2024-03-30T22:00:00+00:00") + np.arange(60) * TEN_MINUTES
    read = clock.from_local(local_stamps(instants), LISBON)
    assert (read.utc_us == instants).all() and not read.skipped.any()
    inside = clock.from_local(np.array([local_us("2024-03-31T00:50"), local_us("2024-03-31T01:10")]), LISBON)
    assert inside.skipped.tolist() == [False, True]


def test_end_stamp_of_the_last_interval_before_the_change_may_name_the_skipped_instant() -> None:
    read = clock.from_local(np.array([local_us("2024-03-31T01:00")]), LISBON)
    assert not read.skipped.any()
    assert read.utc_us.tolist() == [us("2024-03-31T01:00:00+00:00")]


@given(st.sampled_from([LISBON, "America/New_York", "Australia/Lord_Howe", "UTC", "Etc/GMT-1", "Asia/Tehran"]),
       st.integers(min_value=0, max_value=364), st.sampled_from([5, 10, 30]))
def test_a_whole_week_comes_back_from_any_zone(zone: str, day: int, minutes: int) -> None:
    start = us("2023-01-01T00:00:00+00:00") + day * clock.DAY
    instants = start + np.arange(7 * 24 * 60 // minutes) * minutes * clock.MINUTE
    read = clock.from_local(local_stamps(instants, zone), zone)
    # A change inside the first or last interval of the week leaves one pass only, which may stay undecided.
    assert (read.utc_us[~read.undecided] == instants[~read.undecided]).all()
    assert not read.skipped.any()


@pytest.mark.parametrize(
    ("monday", "slots"), [("2024-03-25", 1002), ("2024-10-21", 1014), ("2024-06-03", 1008)]
)
def test_calendar_week_at_a_clock_change(monday: str, slots: int) -> None:
    # EN 50160: a calendar week in local time has 1002 or 1014 ten-minute slots at the change.
    start = clock.local_midnight(date.fromisoformat(monday), LISBON)
    found = clock.periods(start, start + 8 * clock.DAY, TEN_MINUTES, "week", "calendar", LISBON)
    assert (found[0][1] - found[0][0]) // TEN_MINUTES == slots
    assert found[0][2] and not found[1][2]


@given(st.integers(min_value=0, max_value=600), st.integers(min_value=1, max_value=40 * 144))
def test_back_to_back_weeks_have_1008_slots_wherever_they_start(begin: int, count: int) -> None:
    start = us("2024-03-20T00:00:00+00:00") + begin * TEN_MINUTES
    found = clock.periods(start, start + count * TEN_MINUTES, TEN_MINUTES, "week")
    assert all((end - low) // TEN_MINUTES == 1008 for low, end, _ in found)
    assert [complete for *_, complete in found].count(True) == count // 1008
    assert found[0][0] == start and found[-1][1] >= start + count * TEN_MINUTES
    assert all(a[1] == b[0] for a, b in itertools.pairwise(found))


def test_periods_of_a_fortnight_and_a_half() -> None:
    start = us("2031-03-04T14:30:00+00:00")
    end = start + 17 * clock.DAY
    weeks = clock.periods(start, end, TEN_MINUTES, "week")
    assert weeks == [
        (start, start + 7 * clock.DAY, True),
        (start + 7 * clock.DAY, start + 14 * clock.DAY, True),
        (start + 14 * clock.DAY, start + 21 * clock.DAY, False),
    ]
    assert clock.periods(start, end, TEN_MINUTES, "recording") == [(start, end, True)]
    sliding = clock.periods(start, end, TEN_MINUTES, "week", "sliding")
    assert len(sliding) == 11 and all(complete for *_, complete in sliding)
    days = clock.periods(start, end, TEN_MINUTES, "day", "calendar", LISBON)
    assert [complete for *_, complete in days] == [False, *[True] * 16, False]
    assert clock.periods(start, end, TEN_MINUTES, "year") == [(start, start + 365 * clock.DAY, False)]
    year = clock.periods(start, end, TEN_MINUTES, "year", "calendar", LISBON)
    assert year == [(us("2031-01-01T00:00:00+00:00"), us("2032-01-01T00:00:00+00:00"), False)]


def test_day_that_begins_after_a_skipped_midnight() -> None:
    # Brazil, decree 8.112/2013 and its change for 2018: clocks went from 00:00 to 01:00 on 2018-11-04.
    begin = clock.local_midnight(date(2018, 11, 4), "America/Sao_Paulo")
    assert begin == us("2018-11-04T01:00:00-02:00")


def test_nothing_recorded_has_no_periods() -> None:
    assert clock.periods(0, 0, TEN_MINUTES, "week") == []
