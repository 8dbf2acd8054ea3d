"""Slow channels between the rows of faster ones: a time line of their own where the pattern is regular."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pqcheck.io import from_arrays, parse_header, read
from pqcheck.io import numbers_in_memory as memory
from pqcheck.io.describe_columns import describe
from pqcheck.model.clock import HOUR, MINUTE, SECOND
from pqcheck.model.recording import Recording, Stream
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site

START = datetime(2031, 3, 3)
FIRST = 1_930_262_400 * SECOND  # 2031-03-03T00:00:00Z


def site(**recording: object) -> Site:
    supply = {"nominal_voltage": "400 V", "connection": "wye"}
    return site_from({"name": "Mill Lane", "time_zone": "UTC", "supply": supply, "recording": recording})


def rows_of(count: int, step: timedelta, filled: object, end: bool = False) -> str:
    lines = ["Time,U L1 (V),Plt L1,Freq (Hz)"]
    for at in range(count):
        plt, freq = filled(at)  # type: ignore[operator]
        lines.append(f"{START + step * (at + end):%Y-%m-%d %H:%M:%S},{230 + at % 5},{plt},{freq}")
    return "\n".join(lines) + "\n"


def stream_of(recording: Recording, header: str) -> Stream:
    channel = parse_header(header)
    return next(stream for stream, each in recording.channels() if each == channel)


def values_of(recording: Recording, header: str) -> list[float]:
    stream, channel = stream_of(recording, header), parse_header(header)
    return [value for block in stream.blocks(None) for value in block.values[channel].tolist()]  # type: ignore[index]


@pytest.mark.parametrize("eager", [True, False])
@pytest.mark.parametrize("end", [False, True])
@pytest.mark.parametrize("place", [0, 11])
def test_plt_on_every_twelfth_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, eager: bool, end: bool, place: int
) -> None:
    # Plt is over 2 h (IEC 61000-4-15): 12 rows of 10 min.
    if not eager:
        monkeypatch.setattr(memory, "KEPT_BYTES", 0)
    path = tmp_path / "week.csv"
    path.write_text(rows_of(1008, timedelta(minutes=10),
                            lambda at: (f"0.{10 + at // 12}" if at % 12 == place else "---", ""), end))
    recording = read([path], site(stamp="end" if end else "start", interval="10 min"))
    axis = stream_of(recording, "flicker_plt.an [1]").axis
    assert (axis.start_us, axis.interval_us, axis.count) == (FIRST, 2 * HOUR, 84)
    assert values_of(recording, "flicker_plt.an [1]") == [float(f"0.{10 + at}") for at in range(84)]
    assert stream_of(recording, "voltage.an [V]").axis.interval_us == 10 * MINUTE
    notes = [note for note in recording.all_notes() if note.code != "unknown-column"]
    assert [note.code for note in notes] == ["slow-channel"] and not notes[0].serious
    assert "every 2 h only, in 84 of 1008 rows of 10 min" in notes[0].text
    assert recording.files[0].rows == 1008 and recording.files[0].interval_us == 10 * MINUTE
    stream = stream_of(recording, "flicker_plt.an [1]")
    spans = stream.index.rows(stream.channels[0], FIRST + 2 * HOUR, FIRST + 4 * HOUR)
    assert [(span.first, span.last) for span in spans] == [(2 + 12 + place, 2 + 12 + place)]
    sentences = {column.column: column.sentence for column in describe([path], site())[0].columns}
    assert "over 2 h" in sentences["Plt L1"] and "over 10 min" in sentences["U L1 (V)"]


def test_a_missing_slow_reading_is_a_gap_on_its_own_time_line(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_text(rows_of(1008, timedelta(minutes=10), lambda at: (0.4 if at % 12 == 11 and at != 59 else "", "")))
    recording = read([path], site())
    assert np.isnan(values_of(recording, "flicker_plt.an [1]")).nonzero()[0].tolist() == [4]
    assert any(note.code == "gap" and "1 interval of 2 h" in note.text for note in recording.notes)


def test_frequency_of_ten_seconds_in_rows_of_three(tmp_path: Path) -> None:
    # Ten seconds end within one of the rows: the reading stands in the first row at or behind the end of each ten.
    path = tmp_path / "hour.csv"
    path.write_text(rows_of(1200, timedelta(seconds=3), lambda at: ("", 50.01 if 3 * at % 10 < 3 else "")))
    recording = read([path], site())
    axis = stream_of(recording, "frequency [Hz]").axis
    assert (axis.start_us, axis.interval_us, axis.count) == (FIRST, 10 * SECOND, 360)
    assert values_of(recording, "frequency [Hz]") == [50.01] * 360


@pytest.mark.parametrize("filled", [
    lambda at: at % 7 == 0,  # 70 min is no averaging interval in use
    lambda at: at in (3, 4, 9, 30, 31, 77, 200, 201, 500),
    lambda at: at < 100,
    lambda at: at % 12 == 11 and at < 60,  # too few to show a pattern
])
def test_what_shows_no_regular_pattern_stays_where_it_is(tmp_path: Path, filled: object) -> None:
    path = tmp_path / "week.csv"
    path.write_text(rows_of(1008, timedelta(minutes=10), lambda at: (0.4 if filled(at) else "", "")))  # type: ignore
    recording = read([path], site())
    assert stream_of(recording, "flicker_plt.an [1]").axis.interval_us == 10 * MINUTE
    assert "slow-channel" not in [note.code for note in recording.notes]


def test_a_plt_is_never_taken_for_another_interval_than_its_own(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_text(rows_of(1008, timedelta(minutes=10), lambda at: (0.4 if at % 6 == 5 else "", "")))
    assert stream_of(read([path], site()), "flicker_plt.an [1]").axis.interval_us == 10 * MINUTE


@pytest.mark.parametrize("eager", [True, False])
def test_slow_channels_of_arrays_and_parquet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, eager: bool) -> None:
    if not eager:
        monkeypatch.setattr(memory, "KEPT_BYTES", 0)
    times = np.arange(1440) * MINUTE + FIRST
    pst = np.where(np.arange(1440) % 10 == 0, 1.5, np.nan)
    columns = {"voltage.an [V]": np.full(1440, 230.0), "flicker_pst.an [1]": pst, "flicker_pst.bn [1]": pst / 2}
    path = tmp_path / "day.parquet"
    stamps = pd.to_datetime(times, unit="us", utc=True)
    pd.DataFrame({"time": stamps, **columns}).to_parquet(path)
    for recording in (from_arrays(times, columns), read([path], site())):
        assert sorted(stream.axis.interval_us for stream in recording.streams) == [MINUTE, 10 * MINUTE]
        assert values_of(recording, "flicker_pst.bn [1]") == [0.75] * 144
        assert recording.files[0].rows == 1440


def test_a_file_of_slow_channels_only() -> None:
    times = np.arange(600) * MINUTE + FIRST
    recording = from_arrays(times, {"flicker_pst.an [1]": np.where(np.arange(600) % 10 == 0, 0.5, np.nan)})
    assert [stream.axis.interval_us for stream in recording.streams] == [10 * MINUTE]


def test_a_voltage_on_every_tenth_row_is_not_taken_for_a_mean_of_ten_rows() -> None:
    # Nothing says that the reading stands for the nine empty cells after it: they are unobserved, and nothing passes.
    from pqcheck import check

    times = np.arange(7 * 1440) * MINUTE + FIRST
    volts = np.where(np.arange(times.size) % 10 == 0, 230.0 + np.arange(times.size) % 7 / 10, np.nan)
    recording = from_arrays(times, {"voltage.an [V]": volts})
    assert [stream.axis.interval_us for stream in recording.streams] == [MINUTE]
    place = {"name": "Test", "supply": {"nominal_voltage": "230 V", "connection": "single-phase"}}
    found = check(recording, place, ["en50160-2010-lv"], quantities=["voltage"])
    assert {one.verdict.value for one in found.findings if one.kind == "limit"} == {"inconclusive"}
