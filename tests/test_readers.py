"""Reading plain tables: what comes back equals what was written, whatever the order, the split and the format."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck.io import from_arrays, from_frame, parse_header, read
from pqcheck.io.unit_conversions import moved_point
from pqcheck.model.clock import DAY, MINUTE, SECOND, iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Recording
from pqcheck.site.site_values import Reading, Site, Supply

START = 1_924_992_000 * SECOND  # 2031-01-01T00:00:00Z
AN, BN = Channel("voltage", "an", unit="V"), Channel("voltage", "bn", unit="V")
IA = Channel("current", "a", unit="A")


def site(zone: str | None = None, **reading: object) -> Site:
    supply = Supply("400 V", Decimal(400), Decimal(230), "wye")
    return Site("Mill Lane feeder", zone, supply, recording=Reading(**reading))  # type: ignore[arg-type]


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def content(recording: Recording) -> dict[tuple[int, int, Channel], tuple[str, ...]]:
    """Every channel with its axis and exact values, blocks joined."""
    result = {}
    for stream in recording.streams:
        values: dict[Channel, list[np.ndarray]] = {channel: [] for channel in stream.channels}
        position = stream.axis.start_us
        for block in stream.blocks(None):
            assert block.axis.start_us == position and block.axis.interval_us == stream.axis.interval_us
            position = block.axis.end_us
            for channel, array in block.values.items():
                assert array.flags.c_contiguous and array.shape == (block.axis.count,)
                values[channel].append(array.copy())
        assert position == stream.axis.end_us
        for channel, pieces in values.items():
            joined = np.concatenate(pieces)
            result[(stream.axis.start_us, stream.axis.interval_us, channel)] = tuple(map(repr, joined.tolist()))
    return result


def codes(recording: Recording) -> list[str]:
    return [note.code for note in recording.all_notes()]


def one(recording: Recording, channel: Channel = AN) -> np.ndarray:
    assert len(recording.streams) == 1
    return np.concatenate([block.values[channel].copy() for block in recording.streams[0].blocks([channel])])


cells = st.one_of(st.none(), st.floats(min_value=-900, max_value=900), st.integers(min_value=-900, max_value=900))


@st.composite
def recordings(draw: st.DrawFn) -> tuple[int, list[int], list[list[float | None]]]:
    interval = draw(st.sampled_from([3 * SECOND, MINUTE, 10 * MINUTE, 15 * MINUTE, 200_000]))
    count = draw(st.integers(min_value=6, max_value=40))
    # At least half of the slots keep a row, the first four among them, so that the interval is not in doubt.
    dropped = draw(st.sets(st.integers(min_value=5, max_value=count), max_size=count // 8))
    slots = [slot for slot in range(count) if slot not in dropped]
    rows = [[draw(cells), draw(cells)] for _ in slots]
    return interval, slots, rows


def table(interval: int, slots: list[int], rows: list[list[float | None]], order: list[int] | None = None) -> str:
    lines = ["time,voltage.an [V],current.a [A]"]
    for at in order or range(len(slots)):
        values = ["" if value is None else repr(value) for value in rows[at]]
        lines.append(",".join([iso(START + slots[at] * interval, "UTC"), *values]))
    return "\n".join(lines) + "\n"


def expected(interval: int, slots: list[int], rows: list[list[float | None]]) -> dict[object, tuple[str, ...]]:
    result: dict[object, tuple[str, ...]] = {}
    for number, channel in enumerate((AN, IA)):
        column: list[float] = [float("nan")] * (slots[-1] + 1)
        for slot, row in zip(slots, rows, strict=True):
            value = row[number]
            # Neither an rms voltage nor an rms current can be negative.
            column[slot] = float("nan") if value is None or value < 0 else float(value)
        result[(START, interval, channel)] = tuple(map(repr, column))
    return result


fast = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


@fast
@given(recordings())
def test_values_come_back_bit_for_bit(tmp_path: Path, made: tuple[int, list[int], list[list[float | None]]]) -> None:
    path = write(tmp_path / "a.csv", table(*made))
    assert content(read([path])) == expected(*made)


@fast
@given(recordings(), st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(
    tmp_path: Path, made: tuple[int, list[int], list[list[float | None]]], random: object
) -> None:
    order = list(range(len(made[1])))
    random.shuffle(order)  # type: ignore[attr-defined]
    path = write(tmp_path / "a.csv", table(*made, order))
    recording = read([path])
    assert content(recording) == expected(*made)
    assert ("unsorted" in codes(recording)) == (order != sorted(order))


@fast
@given(recordings(), st.data())
def test_splitting_a_file_does_not_matter(
    tmp_path: Path, made: tuple[int, list[int], list[list[float | None]]], data: st.DataObject
) -> None:
    interval, slots, rows = made
    cut = data.draw(st.integers(min_value=1, max_value=len(slots) - 1))
    again = data.draw(st.integers(min_value=0, max_value=min(3, cut)))
    first = write(tmp_path / "a.csv", table(interval, slots[:cut], rows[:cut]))
    second = write(tmp_path / "b.csv", table(interval, slots[cut - again :], rows[cut - again :]))
    settled = site(interval_us=interval)
    whole = content(read([write(tmp_path / "whole.csv", table(*made))]))
    assert content(read([first, second], settled)) == whole
    assert content(read([second, first], settled)) == whole


@fast
@given(recordings())
def test_every_way_in_reads_the_same(tmp_path: Path, made: tuple[int, list[int], list[list[float | None]]]) -> None:
    interval, slots, rows = made
    times = [START + slot * interval for slot in slots]
    frame = pd.DataFrame(
        {"time": pd.to_datetime(times, unit="us", utc=True),
         "voltage.an [V]": np.array([row[0] for row in rows], float),
         "current.a [A]": np.array([row[1] for row in rows], float)}
    )
    frame.to_parquet(tmp_path / "a.parquet", row_group_size=7)
    arrays = {name: frame[name].to_numpy() for name in frame.columns[1:]}
    wanted = expected(*made)
    assert content(read([tmp_path / "a.parquet"])) == wanted
    assert content(from_frame(frame)) == wanted
    assert content(from_frame(frame.set_index("time"))) == wanted
    assert content(from_arrays(times, arrays)) == wanted


def test_float32_stays_float32(tmp_path: Path) -> None:
    values = np.array([229.9, 230.1, np.nan, 231.0], np.float32)
    times = pd.to_datetime([START + at * MINUTE for at in range(4)], unit="us", utc=True)
    pd.DataFrame({"time": times, "voltage.an [V]": values}).to_parquet(tmp_path / "a.parquet")
    found = one(read([tmp_path / "a.parquet"]))
    assert found.dtype == np.float32 and found.tobytes() == values.tobytes()


def test_unit_from_parquet_metadata(tmp_path: Path) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    schema = pa.schema([pa.field("time", pa.timestamp("us", tz="UTC")),
                        pa.field("voltage.an", pa.float64(), metadata={"unit": "kV"})])
    rows = pa.table([[START, START + MINUTE], [0.23, 0.231]], schema=schema)
    parquet.write_table(rows, tmp_path / "a.parquet")
    assert read([tmp_path / "a.parquet"]).streams[0].channels == (replace(AN, unit="kV"),)


def test_many_blocks_and_slabs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pqcheck.io.source_files.CHUNK", 1 << 12)
    monkeypatch.setattr("pqcheck.io.timeline.blocks.BLOCK_VALUES", 1)
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)
    count = 5 * 144 + 7
    keep = [slot for slot in range(count) if not 200 <= slot < 420]
    lines = [f"{iso(START + slot * 10 * MINUTE, 'UTC')},{230 + slot / 7!r}" for slot in keep]
    path = write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V]", *lines]))
    recording = read([path])
    blocks = [block.axis for block in recording.streams[0].blocks(None)]
    assert [axis.count for axis in blocks] == [144] * 5 + [7]
    wanted = np.array([230 + slot / 7 for slot in range(count)])
    wanted[200:420] = np.nan
    assert one(recording).tobytes() == wanted.tobytes()
    assert one(recording).tobytes() == wanted.tobytes(), "a stream can be walked again"
    index = recording.streams[0].index
    spans = index.rows(AN, START + 190 * 10 * MINUTE, START + 430 * 10 * MINUTE)
    assert [(span.first, span.last) for span in spans] == [(192, 211)]


def test_columns_of_several_files_share_one_stream(tmp_path: Path) -> None:
    volts = write(tmp_path / "v.csv", table(MINUTE, list(range(30)), [[230.0 + at, None] for at in range(30)]))
    volts.write_text(volts.read_text().replace(",current.a [A]", "").replace(",\n", "\n"))
    lines = [f"{iso(START + at * MINUTE, 'UTC')};{at}" for at in range(10, 40)]
    amps = write(tmp_path / "i.csv", "\n".join(["time;current.a [A]", *lines]))
    recording = read([volts, amps])
    assert recording.streams[0].axis.count == 40 and recording.streams[0].channels == (AN, IA)
    assert np.isnan(one(recording)[30:]).all() and one(recording)[:30].tolist() == [230.0 + at for at in range(30)]
    assert np.isnan(one(recording, IA)[:10]).all() and one(recording, IA)[10:].tolist() == list(range(10, 40))
    gaps = [note for note in recording.notes if note.code == "gap"]
    assert [(note.channels, len(note.spans)) for note in gaps] == [((AN,), 1), ((IA,), 1)]


def test_intervals_of_their_own(tmp_path: Path) -> None:
    fine = write(tmp_path / "f.csv", table(3 * SECOND, list(range(50)), [[230.0, None]] * 50))
    coarse = write(tmp_path / "c.csv", table(10 * MINUTE, list(range(12)), [[231.0, None]] * 12))
    streams = read([coarse, fine]).streams
    assert [stream.axis.interval_us for stream in streams] == [3 * SECOND, 10 * MINUTE]
    assert [stream.axis.count for stream in streams] == [50, 12]


@pytest.mark.parametrize("stamp", ["start", "end"])
def test_change_of_interval_inside_a_file(tmp_path: Path, stamp: str) -> None:
    starts = [at * 10 * MINUTE for at in range(12)] + [120 * MINUTE + at * MINUTE for at in range(20)]
    sizes = [10 * MINUTE] * 12 + [MINUTE] * 20
    stamps = [a + (size if stamp == "end" else 0) for a, size in zip(starts, sizes, strict=True)]
    lines = [f"{iso(START + at, 'UTC')},{230 + number}" for number, at in enumerate(stamps)]
    path = write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V]", *lines]))
    recording = read([path], site(stamp=stamp))
    assert [(s.axis.start_us - START, s.axis.interval_us, s.axis.count) for s in recording.streams] == [
        (120 * MINUTE, MINUTE, 20), (0, 10 * MINUTE, 12)]
    note = next(note for note in recording.notes if note.code == "interval-change")
    assert "from row 14 on the interval is 1 min, before it 10 min" in note.text


def test_rows_that_agree_are_merged_and_rows_that_differ_are_unobserved(tmp_path: Path) -> None:
    lines = ["time,voltage.an [V],voltage.bn [V]"]
    for slot, an, bn in [(0, 230, 231), (1, 230, 231), (1, 230, 232), (2, "", 231), (2, 233, 231), (3, 230, 231)]:
        lines.append(f"{iso(START + slot * MINUTE, 'UTC')},{an},{bn}")
    recording = read([write(tmp_path / "a.csv", "\n".join(lines))])
    assert one(recording).tolist() == [230, 230, 233, 230]
    assert repr(one(recording, BN).tolist()) == "[231.0, nan, 231.0, 231.0]"
    merged, conflict = (next(note for note in recording.notes if note.code == code)
                        for code in ("duplicate-merged", "duplicate-conflict"))
    assert not merged.serious and conflict.serious and conflict.channels == (BN,)
    assert [(span.first, span.last) for span in conflict.rows] == [(3, 4)]
    assert conflict.spans == ((START + MINUTE, START + 2 * MINUTE),)


def test_three_files_that_contradict_each_other_whatever_their_order(tmp_path: Path) -> None:
    paths = []
    for name, values in {"a": [1, 2, 3], "b": [1, 9, 3], "c": [1, 2, 3]}.items():
        lines = [f"{iso(START + at * MINUTE, 'UTC')},{value}" for at, value in enumerate(values)]
        paths.append(write(tmp_path / f"{name}.csv", "\n".join(["time,voltage.an [V]", *lines])))
    for order in (paths, paths[::-1], [paths[1], paths[0], paths[2]]):
        assert repr(one(read(order)).tolist()) == "[1.0, nan, 3.0]"


def test_stamps_off_the_grid(tmp_path: Path) -> None:
    shift = {3: 2 * SECOND, 7: 20 * SECOND}
    lines = [f"{iso(START + at * MINUTE + shift.get(at, 0), 'UTC')},{at}" for at in range(12)]
    recording = read([write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V]", *lines]))])
    assert repr(one(recording).tolist()[6:9]) == "[6.0, nan, 8.0]" and one(recording)[3] == 3
    snapped, lost = (note for note in recording.notes if note.code == "off-grid")
    assert "up to 2 s" in snapped.text and snapped.rows[0].first == 5 and not snapped.serious
    assert "(row 9)" in lost.text and lost.serious


def test_a_restart_at_another_phase_is_taken_to_the_nearest_intervals(tmp_path: Path) -> None:
    stamps = [at * 10 * MINUTE for at in range(20)] + [200 * MINUTE + 13 * MINUTE + at * 10 * MINUTE for at in range(5)]
    lines = [f"{iso(START + at, 'UTC')},{number}" for number, at in enumerate(stamps)]
    recording = read([write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V]", *lines]))])
    assert one(recording).tolist()[19:] == pytest.approx([19, np.nan, 20, 21, 22, 23, 24], nan_ok=True)
    assert "snapped" in codes(recording)


def test_flag_column_marks_intervals(tmp_path: Path) -> None:
    lines = [f"{iso(START + at * MINUTE, 'UTC')},{230},{int(at == 2)}" for at in range(4)]
    recording = read([write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V],flag", *lines]))])
    block = next(iter(recording.streams[0].blocks(None)))
    assert block.flagged is not None and block.flagged.tolist() == [False, False, True, False]
    assert recording.streams[0].channels == (AN,)


def test_events_are_read_from_a_table_of_their_own(tmp_path: Path) -> None:
    text = ("time,phase,kind,duration [s],residual [%]\n2031-01-02T03:04:05+00:00,an,dip,0.12,61.5\n"
            "2031-01-01T00:00:00+00:00,,interruption,12,\n")
    data = write(tmp_path / "a.csv", table(MINUTE, [0, 1, 2], [[230.0, None]] * 3))
    recording = read([data, write(tmp_path / "e.csv", text)])
    assert [(event.kind, event.phase, event.duration_s) for event in recording.events] == [
        ("interruption", "", Decimal(12)), ("dip", "an", Decimal("0.12"))]
    assert recording.events[1].residual_percent == Decimal("61.5") and recording.events[1].rows[0].first == 2
    assert [(file.name, file.rows) for file in recording.files] == [("a.csv", 3), ("e.csv", 2)]


def test_clock_change_week_loses_and_invents_nothing(tmp_path: Path) -> None:
    # EN 50160: the local calendar week of the autumn change has 1014 ten-minute slots.
    from zoneinfo import ZoneInfo

    first = int(pd.Timestamp("2024-10-21", tz="Europe/Lisbon").timestamp())
    lines = []
    for at in range(1014):
        wall = pd.Timestamp(first + at * 600, unit="s", tz=ZoneInfo("Europe/Lisbon"))
        lines.append(f"{wall.strftime('%Y-%m-%d %H:%M')},{at}")
    path = write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V]", *lines]))
    recording = read([path], site("Europe/Lisbon"))
    assert one(recording).tolist() == list(range(1014))
    assert codes(recording) == ["clock-change"] and recording.zone == "Europe/Lisbon"
    assert recording.files[0].end_us - recording.files[0].start_us == 7 * DAY + 3600 * SECOND


def test_provenance(tmp_path: Path) -> None:
    text = table(10 * MINUTE, list(range(6)), [[230.0, 1.0]] * 6).replace("current.a [A]", "Status")
    path = write(tmp_path / "a.csv", text)
    source = read([path]).files[0]
    assert source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (source.name, source.rows, source.interval_us) == ("a.csv", 6, 10 * MINUTE)
    assert (source.start_us, source.end_us) == (START, START + 60 * MINUTE)
    said = [column.read_as for column in source.columns]
    assert said[1] == "voltage, phase a to neutral, mean over 10 min, volts, stamp marks the start"
    assert said[2].startswith("left alone: 'Status' is not a quantity")


@pytest.mark.parametrize("change", [
    lambda text: "\ufeff" + text, lambda text: text.replace("\n", "\r\n"), lambda text: text.replace(",", ";"),
    lambda text: text.replace(",", "\t"), lambda text: text.rstrip("\n"), lambda text: text.replace("\n", "\n\n"),
    lambda text: "\n".join(f'"{line}"'.replace(",", '","') for line in text.splitlines()),
    lambda text: text.replace("+00:00", "Z"), lambda text: text.replace("T", " "),
])
def test_small_differences_of_writing(tmp_path: Path, change: Callable[[str], str]) -> None:
    made = (MINUTE, list(range(8)), [[230.1 + at, None if at == 3 else at] for at in range(8)])
    path = tmp_path / "a.csv"
    path.write_bytes(change(table(*made)).encode())
    assert content(read([path])) == expected(*made)


def test_gzip(tmp_path: Path) -> None:
    made = (MINUTE, list(range(8)), [[230.1 + at, at] for at in range(8)])
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(table(*made).encode(), mtime=0))
    recording = read([path])
    assert content(recording) == expected(*made)
    assert recording.files[0].sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_cells_that_are_not_numbers_are_unobserved_and_counted(tmp_path: Path) -> None:
    lines = [f"{iso(START + at * MINUTE, 'UTC')},{'err' if at in (3, 5) else repr(230 + at / 10)}" for at in range(9)]
    recording = read([write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V]", *lines]))])
    wanted = [float(repr(230 + at / 10)) for at in range(9)]
    wanted[3] = wanted[5] = float("nan")
    assert repr(one(recording).tolist()) == repr(wanted)
    note = next(note for note in recording.all_notes() if note.code == "not-a-number")
    assert note.serious and "2 cells are not a number (first in row 5: 'err')" in note.text


def test_bad_cells_of_a_large_file_come_to_light_in_the_walk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pqcheck.io.source_files.CHUNK", 1 << 12)
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)
    lines = [f"{iso(START + at * MINUTE, 'UTC')},{'err' if at % 300 == 7 else 230 + at % 9},x" for at in range(900)]
    path = write(tmp_path / "a.csv", "\n".join(["time,voltage.an [V],voltage.bn [V]", *lines]))
    recording = read([path])
    assert codes(recording) == []
    for _ in range(2):
        assert int(np.isnan(one(recording)).sum()) == 3
        note = next(note for note in recording.all_notes() if note.code == "not-a-number")
        assert "3 cells are not a number (first in row 9: 'err')" in note.text
        assert [span.first for span in note.rows] == [9, 309, 609]
    with pytest.raises(InputError, match=r"'voltage.bn \[V\]' holds no number in any of 900 cells"):
        one(recording, BN)


def test_a_short_flicker_file_keeps_its_interval_beside_a_finer_one(tmp_path: Path) -> None:
    fine = write(tmp_path / "f.csv", table(10 * MINUTE, list(range(60)), [[230.0, None]] * 60))
    lines = [f"{iso(START + at * 120 * MINUTE, 'UTC')},0.5" for at in range(4)]
    plt = write(tmp_path / "p.csv", "\n".join(["time,flicker_plt.an [1]", *lines]))
    assert [stream.axis.interval_us for stream in read([fine, plt]).streams] == [10 * MINUTE, 120 * MINUTE]


BAD = {
    "": r"is empty",
    "time,voltage.an [V]\n": r"header and no rows",
    "when,voltage.an [V]\nx,1\ny,2\n": r"header and no rows",
    "no,voltage.an [V]\n1,230.1\n2,230.2\n": r"no column 'time'.*'no'.*recording.columns",
    "time,voltage.an [V]\n2031-01-01T00:00:00Z,1\nyesterday,2\n": r"row 3: the time is 'yesterday'",
    "time,voltage.an [V]\n2031-01-01 00:00,1\n2031-01-01 00:10,1\n": r"no offset from UTC; declare time_zone",
    "time,voltage.an [V]\n2031-01-01T00:00Z,one\n2031-01-01T00:10Z,two\n": r"'voltage.an \[V\]'.*any of 2 cells.*row 2",
    "time,voltage.an [furlong]\n2031-01-01T00:00Z,1\n": r"'furlong' is not a unit of voltage; write V or kV",
    "time,voltage.an\n2031-01-01T00:00Z,1\n": r"'voltage.an' has no unit",
    "time,voltage.an [V],voltage.an.mean [V]\n2031-01-01T00:00Z,1,2\n": r"are both voltage.an.mean",
    "time,voltage.an [V]\n2031-01-01T00:00Z,1\n": r"holds one row.*interval = \"10 min\"",
    "time,voltage.an [V]\n2031-01-01T00:00Z,1\n2031-01-01T00:10:00,1\n": r"row 3: some stamps carry an offset",
    "\0\0\0": r"not a text file",
}


@pytest.mark.parametrize("text", BAD)
def test_bad_input_is_one_sentence(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match=BAD[text]) as caught:
        read([write(tmp_path / "a.csv", text)])
    message = str(caught.value)
    assert ("\n" not in message and "a.csv" in message) or "column" in message


def test_more_bad_input(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read([tmp_path / "none.csv"])
    with pytest.raises(InputError, match="is a folder"):
        read([tmp_path])
    good = write(tmp_path / "a.csv", table(MINUTE, [0, 1, 2], [[230.0, None]] * 3))
    with pytest.raises(InputError, match=r"names column 'U1', which none of the files has"):
        read([good], site(columns={"U1": "voltage.an [V]"}))
    with pytest.raises(InputError, match=r"to 'voltage.xx \[V\]', but 'xx' is not a phase"):
        read([good], site(columns={"current.a [A]": "voltage.xx [V]"}))
    (tmp_path / "c.parquet").write_bytes(b"PAR1 and nothing else")
    with pytest.raises(InputError, match="damaged Parquet"):
        read([tmp_path / "c.parquet"])
    stamps = ["2024-03-31 00:50", "2024-03-31 01:00", "2024-03-31 01:10"]
    spring = write(tmp_path / "s.csv", "\n".join(["time,voltage.an [V]", *(f"{stamp},1" for stamp in stamps)]))
    with pytest.raises(InputError, match=r"row 4: 2024-03-31T01:10:00 does not exist in Europe/Lisbon"):
        read([spring], site("Europe/Lisbon"))


def test_mapping_and_declared_facts(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "Stamp,U L1-N\n2031-01-01 00:10,0.23\n2031-01-01 00:20,0.231\n")
    recording = read([path], site("UTC", stamp="end", interval_us=15 * MINUTE,
                                  columns={"Stamp": "time", "U L1-N": "voltage.an [kV]"}))
    assert recording.streams[0].axis.start_us == START
    assert codes(recording) == ["interval-mismatch"]
    assert recording.files[0].columns[1].read_as.endswith("kilovolts, stamp marks the end")


def test_readings_over_less_than_the_rows_are_apart_are_refused(tmp_path: Path) -> None:
    """One-minute readings taken every ten minutes show a tenth of the time; rows of the declared interval show it."""
    text = "time,voltage.an [V]\n" + "".join(
        f"2031-01-01T{at // 6:02}:{at % 6}0:00Z,23{at % 7}.5\n" for at in range(60))
    path = write(tmp_path / "a.csv", text)
    with pytest.raises(InputError, match=r"a\.csv: the rows are 10 min apart, and the site file declares .* 1 min "):
        read([path], site(interval_us=MINUTE))
    assert "interval-mismatch" not in codes(read([path], site(interval_us=10 * MINUTE)))
    beside = write(tmp_path / "b.csv", "time,current.a [A]\n" + "".join(
        f"2031-01-01T00:{at:02}:00Z,{at + 1}.5\n" for at in range(60)))
    assert "interval-mismatch" in codes(read([path, beside], site(interval_us=MINUTE)))


@pytest.mark.parametrize(("text", "channel"), [
    ("voltage.an [V]", AN), ("voltage.an.min [V]", Channel("voltage", "an", reading="min", unit="V")),
    ("current_harmonic.b.h5 [A]", Channel("current_harmonic", "b", 5, unit="A")),
    ("frequency [Hz]", Channel("frequency", unit="Hz")),
    ("signalling_voltage.an.f317 [%]", Channel("signalling_voltage", "an", hertz="317", unit="%")),
    ("signalling_voltage.an.f316.7.max [V]",
     Channel("signalling_voltage", "an", hertz="316.7", reading="max", unit="V")),
    ("voltage_harmonic.ab.h1 [V]", Channel("voltage_harmonic", "ab", 1, unit="V")),
    ("voltage_harmonic.ab.h2 [% of nominal]", Channel("voltage_harmonic", "ab", 2, unit="% of nominal")),
    ("flicker_pst.an", Channel("flicker_pst", "an", unit="1")), ("active_power.total [kW]",
                                                                Channel("active_power", "total", unit="kW")),
])
def test_contract_headers(text: str, channel: Channel) -> None:
    assert parse_header(text) == channel


@pytest.mark.parametrize("text", ["U L1", "voltage [V]", "voltage.a [V]", "voltage_harmonic.an.h51 [%]",
                                  "voltage.an.p95 [V]", "current_harmonic.a [A]", "frequency.a [Hz]", ""])
def test_what_is_no_contract_header(text: str) -> None:
    assert parse_header(text) is None


def test_kilovolts_in_one_file_and_volts_in_the_next_are_read_in_volts(tmp_path: Path) -> None:
    one = write(tmp_path / "one.csv", "time,voltage.an [kV],current.a [mA]\n" + "".join(
        f"2031-01-01T00:{at}0:00Z,0.{2301 + at},{at}.5\n" for at in range(3)))
    two = write(tmp_path / "two.csv", "time,voltage.an [V],current.a [kA]\n" + "".join(
        f"2031-01-01T00:{at}0:00Z,{230.1 + at:.1f},0.07{at}\n" for at in range(3, 6)))
    for order in ([one, two], [two, one]):
        recording = read(order, site())
        assert {channel.unit for channel in recording.streams[0].channels if channel.phase == "an"} == {"V"}
        found = {channel: values for (_, _, channel), values in content(recording).items()}
        assert found[AN] == ("230.1", "230.2", "230.3", "233.1", "234.1", "235.1")
        texts = [note.text for note in recording.notes if note.code == "unit-converted"]
        assert any("one.csv: voltage.an.mean is written in kV here and in V in another file" in text for text in texts)
        assert recording.files[order.index(one)].columns[1].read_as.endswith("written in kV, read in V)")


def test_volts_and_percent_of_one_harmonic_in_two_files_are_still_refused(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"{at}.csv", f"time,voltage_harmonic.an.h5 [{unit}]\n2031-01-01T00:00:00Z,3\n"
                   "2031-01-01T00:10:00Z,3\n") for at, unit in enumerate(("V", "%"))]
    with pytest.raises(InputError, match="export both in one unit"):
        read(paths, site())


@given(st.decimals(-10**9, 10**9, places=6, allow_nan=False), st.sampled_from([-6, -3, 3, 6]))
def test_the_decimal_point_moves_as_on_paper(number: Decimal, places: int) -> None:
    assert moved_point(np.array([float(number), np.nan]), places)[0] == float(number.scaleb(places))
    short = Decimal(str(np.float32(float(number))))
    assert moved_point(np.array([float(number)], np.float32), places)[0] == np.float32(float(short.scaleb(places)))


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e290, max_value=1e290), st.sampled_from([-3, 3]))
def test_any_float_moves_as_its_shortest_decimal(number: float, places: int) -> None:
    assert moved_point(np.array([number]), places)[0] == float(Decimal(repr(number)).scaleb(places))
