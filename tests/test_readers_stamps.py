"""Dates that can be read in two ways, mistyped years, and clocks without summer time in a zone that has it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pqcheck.io import read
from pqcheck.io.csv import scanned_table, text_file
from pqcheck.model.clock import iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Recording
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site


def site(zone: str = "UTC") -> Site:
    return site_from({"name": "Mill", "time_zone": zone, "supply": {"nominal_voltage": "400 V", "connection": "wye"}})


def written(tmp_path: Path, stamps: Sequence[str]) -> Path:
    path = tmp_path / "a.csv"
    path.write_text("Time,U L1-N (V)\n" + "".join(f"{stamp},230.{at % 10}\n" for at, stamp in enumerate(stamps)))
    return path


def times(first: datetime, count: int, minutes: float, form: str) -> list[str]:
    return [(first + timedelta(minutes=minutes * at)).strftime(form) for at in range(count)]


def axis(recording: Recording) -> tuple[str, int, int]:
    [stream] = recording.streams
    return iso(stream.axis.start_us, "UTC"), stream.axis.interval_us // 60_000_000, stream.axis.count


@pytest.mark.parametrize("far", [False, True])
@pytest.mark.parametrize(
    ("form", "days"), [("%m/%d/%Y %H:%M:%S", 3), ("%d/%m/%Y %H:%M:%S", 3), ("%m/%d/%Y %H:%M:%S", 11)]
)
def test_dates_with_day_and_month_alike_decide_nothing(
    tmp_path: Path, form: str, days: int, far: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if far:
        monkeypatch.setattr(text_file, "SAMPLE", 1000)
    monkeypatch.setattr(scanned_table, "SAMPLE_ROWS", 20)
    path = written(tmp_path, times(datetime(2031, 3, 3), 1440 * days, 1, form))
    assert axis(read([path], site())) == ("2031-03-03T00:00:00+00:00", 1, 1440 * days)


def test_one_day_alike_is_that_day(tmp_path: Path) -> None:
    path = written(tmp_path, times(datetime(2031, 3, 3), 144, 10, "%d/%m/%Y %H:%M"))
    assert axis(read([path], site())) == ("2031-03-03T00:00:00+00:00", 10, 144)


def test_a_later_date_that_can_be_read_two_ways_is_never_read_by_habit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_file, "SAMPLE", 1000)
    monkeypatch.setattr(text_file.Text, "probes", lambda self: iter(()))
    path = written(tmp_path, times(datetime(2031, 3, 3), 288, 10, "%m/%d/%Y %H:%M"))
    with pytest.raises(InputError, match=r"a.csv: '03/04/2031' can be read day first or month first"):
        read([path], site())


def test_a_stamp_that_cannot_be_read_is_shown_beside_another_of_the_file(tmp_path: Path) -> None:
    stamps = times(datetime(2031, 3, 14), 20, 10, "%d.%m.%Y %H:%M")
    stamps[7] = "14.03.2031 1h10"
    with pytest.raises(InputError, match=r"row 9: the time is '14.03.2031 1h10'.*\(such as 14.03.2031 00:00\)"):
        read([written(tmp_path, stamps)], site())


@pytest.mark.parametrize("at", [0, 70, 143])
@pytest.mark.parametrize("year", [2013, 2030, 2032, 2301])
def test_a_mistyped_year_names_its_row(tmp_path: Path, at: int, year: int) -> None:
    stamps = times(datetime(2031, 3, 14), 144, 10, "%Y-%m-%d %H:%M:%S")
    stamps[at] = f"{year}{stamps[at][4:]}"
    with pytest.raises(InputError, match=f"row {at + 2}: the stamp") as caught:
        read([written(tmp_path, stamps)], site())
    assert stamps[at].replace(" ", "T") in str(caught.value) or year == 2301


def test_half_a_year_between_two_parts_of_a_recording_is_a_gap(tmp_path: Path) -> None:
    first, second = (times(datetime(2031, month, 3), 144, 10, "%Y-%m-%d %H:%M:%S") for month in (1, 11))
    assert read([written(tmp_path, first + second)], site()).notes[0].code == "gap"


@pytest.mark.parametrize("minutes", [10, 15, 30, 60])
def test_standard_time_all_year_in_a_zone_with_summer_time_is_refused(tmp_path: Path, minutes: int) -> None:
    stamps = times(datetime(2031, 3, 28), 5 * 24 * 60 // minutes, minutes, "%Y-%m-%d %H:%M:%S")
    with pytest.raises(InputError, match=r"does not exist in Europe/Berlin.*keeps standard time all year"):
        read([written(tmp_path, stamps)], site("Europe/Berlin"))


@pytest.mark.parametrize("named", ["02:00", "03:00"])
def test_the_hour_of_the_change_may_be_named_either_way(tmp_path: Path, named: str) -> None:
    before = times(datetime(2031, 3, 29, 12), 14, 60, "%Y-%m-%d %H:%M:%S")
    after = times(datetime(2031, 3, 30, 4), 20, 60, "%Y-%m-%d %H:%M:%S")
    recording = read([written(tmp_path, [*before, f"2031-03-30 {named}:00", *after])], site("Europe/Berlin"))
    assert axis(recording) == ("2031-03-29T11:00:00+00:00", 60, 35) and not recording.notes
