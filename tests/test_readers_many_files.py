"""A recording in many files or row groups reads as one: whatever their order, sizes, columns and borders.

Expected values are laid out slot by slot by the tests themselves, without any reader.
"""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from pyarrow import parquet

from pqcheck import check
from pqcheck.io import read
from pqcheck.io.decoder import RowNumbers, Table
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.io.source_files import Checksums, open_source
from pqcheck.io.timeline.stamps_of_rows import NO_TIMES, Times
from pqcheck.io.timeline.stream_plan import FileRows, files_by_block
from pqcheck.model.clock import MINUTE, SECOND, iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Recording, RowSpan

START = 1_924_992_000 * SECOND  # 2031-01-01T00:00:00Z
TEN = 10 * MINUTE
NAMES = ("voltage.an [V]", "voltage.bn [V]", "current.a [A]")
CHANNELS = (Channel("voltage", "an", unit="V"), Channel("voltage", "bn", unit="V"), Channel("current", "a", unit="A"))

Array = np.ndarray[tuple[int, ...], np.dtype[np.float32]]


def numbers(slots: int) -> dict[str, Array]:
    """Three columns of float32 readings, some of them blank."""
    source = np.random.default_rng(7)
    made = {name: (200 + source.random(slots) * 60).astype(np.float32) for name in NAMES}
    made[NAMES[1]][5::11] = np.nan
    return made


def as_parquet(path: Path, values: dict[str, Array], slots: Sequence[int], names: Sequence[str] = NAMES,
               group: int | None = None) -> Path:
    at = np.array(slots)
    stamps = pa.array(START + at * TEN).cast(pa.timestamp("us", tz="UTC"))
    columns = {name: pa.array(values[name][at], from_pandas=False) for name in names}
    parquet.write_table(pa.table({"time": stamps, **columns}), path, row_group_size=group)
    return path


def walked(recording: Recording) -> dict[str, bytes]:
    """The exact values of every channel of the only stream, by name."""
    assert len(recording.streams) == 1
    pieces: dict[str, list[bytes]] = {}
    for block in recording.streams[0].blocks(None):
        for channel, values in block.values.items():
            pieces.setdefault(channel.base_name, []).append(values.tobytes())
    return {name: b"".join(each) for name, each in pieces.items()}


def wanted(values: dict[str, Array], slots: Sequence[int]) -> dict[str, bytes]:
    """The values at the slots from the first to the last, NaN where there is no row."""
    low, high = min(slots), max(slots) + 1
    blank = np.ones(high - low, np.bool_)
    blank[np.array(slots) - low] = False
    found = {}
    for name in NAMES:
        column = values[name][low:high].copy()
        column[blank] = np.nan
        found[name.split(" ")[0]] = column.tobytes()
    return found


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of one day, batches of a few rows, row groups of any size; nothing is kept."""
    monkeypatch.setattr("pqcheck.io.timeline.blocks.BLOCK_VALUES", 1)
    monkeypatch.setattr("pqcheck.io.parquet.BATCH_VALUES", 80)
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)


# Many files.


@pytest.mark.parametrize("alike", [True, False])
def test_a_hundred_tiny_files_in_any_order_are_one_recording(tmp_path: Path, small: None, alike: bool) -> None:
    slots = [slot for slot in range(100 * 12) if slot % 97 and slot not in range(500, 530)]
    values = numbers(1200)
    paths = []
    for number in range(100):
        # Columns in another order are understood alike, but nothing of them can be shared.
        names = NAMES if alike or number % 2 else NAMES[::-1]
        own = [slot for slot in slots if slot // 12 == number]
        if own:
            paths.append(as_parquet(tmp_path / f"part-{number:03d}.parquet", values, own, names))
    expected = wanted(values, slots)
    first = read(paths)
    gaps = [note.text for note in first.notes if note.code == "gap"]
    shuffled = list(paths)
    random.Random(3).shuffle(shuffled)
    for order in (paths, paths[::-1], shuffled):
        found = read(order)
        assert walked(found) == expected
        assert walked(found) == expected, "a stream can be walked again"
        assert [note.text for note in found.notes if note.code == "gap"] == gaps
        assert {file.name: file.rows for file in found.files} == {file.name: file.rows for file in first.files}
    # Rows across the border of files 20 and 21: slot 252 is the first of the latter.
    span = first.streams[0].index.rows(CHANNELS[0], START + 250 * TEN, START + 254 * TEN)
    held = sum(slot // 12 == 20 for slot in slots)
    assert span == (RowSpan("part-020.parquet", held - 1, held), RowSpan("part-021.parquet", 1, 2))


def test_what_is_said_about_equal_columns_is_held_once(tmp_path: Path) -> None:
    values = numbers(60)
    paths = [as_parquet(tmp_path / f"{at}.parquet", values, range(at * 12, at * 12 + 12)) for at in range(4)]
    paths.append(as_parquet(tmp_path / "4.parquet", values, range(48, 60), NAMES[:2]))
    files = read(paths).files
    assert all(file.columns is files[0].columns for file in files[:4])
    assert [column.column for column in files[4].columns] == ["time", *NAMES[:2]]
    assert [column.read_as for column in files[4].columns] == [column.read_as for column in files[0].columns[:3]]


def test_files_of_other_channels_fill_their_own_slots_only(tmp_path: Path, small: None) -> None:
    values = numbers(600)
    volts = [as_parquet(tmp_path / f"v{at}.parquet", values, range(at * 200, at * 200 + 200), NAMES[:2])
             for at in range(3)]
    amperes = as_parquet(tmp_path / "i.parquet", values, range(100, 300), NAMES[2:])
    found = walked(read([amperes, *volts]))
    current = np.full(600, np.nan, np.float32)
    current[100:300] = values[NAMES[2]][100:300]
    assert found == wanted(values, range(600)) | {"current.a": current.tobytes()}


def test_the_same_name_in_a_hundred_folders_is_told_apart(tmp_path: Path) -> None:
    values = numbers(600)
    paths = []
    for number in range(100):
        (tmp_path / f"day-{number:03d}").mkdir()
        own = range(number * 6, number * 6 + 6)
        paths.append(as_parquet(tmp_path / f"day-{number:03d}" / "trend.parquet", values, own))
    files = read(paths).files
    assert [file.name for file in files] == [f"day-{number:03d}/trend.parquet" for number in range(100)]


def test_bad_cells_are_told_file_by_file_and_column_by_column(tmp_path: Path, small: None) -> None:
    paths = []
    for number in range(12):
        path = tmp_path / f"{number:02d}.csv"
        stamps = [iso(START + (number * 12 + at) * TEN, "UTC") for at in range(12)]
        rows = [f"{stamp},{230 + at},{'?' if at == 3 else 5}" for at, stamp in enumerate(stamps)]
        path.write_text("\n".join(["time,voltage.an [V],current.a [A]", *rows]) + "\n", encoding="utf-8")
        paths.append(path)
    recording = read(paths)
    walked(recording)
    notes = [note.text for note in recording.all_notes() if note.code == "not-a-number"]
    assert notes == [
        f"{number:02d}.csv, column 'current.a [A]': 1 cell is not a number (row 5: '?'); left unobserved"
        for number in range(12)
    ]


# Row groups.


@pytest.mark.parametrize("group", [1, 7, 144, 150, 1000])
@pytest.mark.parametrize("limit", [48 << 20, 2000, 9])
def test_row_groups_of_any_size_read_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small: None, group: int, limit: int
) -> None:
    monkeypatch.setattr("pqcheck.io.parquet.CHUNK_BYTES", limit)
    monkeypatch.setattr("pqcheck.io.parquet.CUT_BYTES", limit // 2)
    values = numbers(700)
    slots = [slot for slot in range(700) if not 200 <= slot < 230]
    path = as_parquet(tmp_path / "a.parquet", values, slots, group=group)
    recording = read([path])
    assert walked(recording) == wanted(values, slots)
    assert recording.files[0].rows == 670


def test_rows_out_of_order_over_row_groups_and_days(tmp_path: Path, small: None) -> None:
    values = numbers(700)
    order = list(range(700))
    random.Random(5).shuffle(order)
    path = as_parquet(tmp_path / "a.parquet", values, order, group=50)
    assert walked(read([path])) == wanted(values, range(700))


def test_a_flag_beside_many_columns(tmp_path: Path, small: None) -> None:
    values = numbers(300)
    flags = np.zeros(300, np.float32)
    flags[[3, 150, 299]] = 1
    path = as_parquet(tmp_path / "a.parquet", values | {"flag": flags}, range(300), ("flag", *NAMES))
    blocks = [block.flagged.copy() for block in read([path]).streams[0].blocks(None) if block.flagged is not None]
    assert np.flatnonzero(np.concatenate(blocks)).tolist() == [3, 150, 299]


# The walk itself.


def test_a_walk_that_is_given_up_leaves_no_thread(tmp_path: Path, small: None) -> None:
    path = as_parquet(tmp_path / "a.parquet", numbers(700), range(700))
    before = set(threading.enumerate())
    blocks = read([path]).streams[0].blocks(None)
    assert next(blocks).axis.count == 144
    assert set(threading.enumerate()) > before
    blocks.close()  # type: ignore[attr-defined]
    assert set(threading.enumerate()) <= before


def test_a_file_that_is_cut_short_during_the_walk_is_refused_in_one_sentence(tmp_path: Path, small: None) -> None:
    values = numbers(700)
    paths = [as_parquet(tmp_path / f"{at}.parquet", values, range(at * 144, at * 144 + 144)) for at in range(4)]
    blocks = read(paths).streams[0].blocks(None)
    next(blocks)
    as_parquet(paths[3], values, range(432, 500))
    with pytest.raises(InputError, match=r"^3\.parquet changed while it was being read; run again once nothing writes"):
        list(blocks)


def test_a_block_stays_as_it_is_while_the_next_one_is_made(tmp_path: Path, small: None) -> None:
    values = numbers(700)
    path = as_parquet(tmp_path / "a.parquet", values, range(700))
    seen = 0
    for block in read([path]).streams[0].blocks(None):
        once = {channel: each.copy() for channel, each in block.values.items()}
        threading.Event().wait(0.01)
        for channel, each in block.values.items():
            assert each.tobytes() == once[channel].tobytes()
        seen += block.axis.count
    assert seen == 700


# Times, parts and blocks against plain lists.


@given(st.lists(st.integers(min_value=-5, max_value=5) | st.integers(min_value=-(1 << 60), max_value=1 << 60)))
def test_stamps_come_back_as_they_were(stamps: list[int]) -> None:
    kept = Times.of(np.array(stamps, np.int64))
    assert kept.size == len(stamps)
    assert kept.all().tolist() == stamps


def test_a_day_of_even_stamps_is_kept_as_a_few_numbers() -> None:
    stamps = START + np.concatenate([np.arange(10_000), np.arange(12_000, 28_800)]) * 3 * SECOND
    kept = Times.of(stamps)
    assert kept.counts is not None and kept.steps.size == 3
    assert kept.all().tolist() == stamps.tolist()


def _table() -> Table:
    return Table("a", "", (), 0, {}, (), NO_TIMES, False, RowNumbers.plain(1), (), InMemory({}))


runs = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 9)), min_size=1, max_size=8).map(sorted)


@settings(max_examples=200)
@given(runs, st.integers(0, 70), st.integers(1, 30))
def test_runs_within_a_block_are_those_a_list_of_slots_gives(made: list[tuple[int, int]], low: int, size: int) -> None:
    slot = np.array([start for start, _ in made], np.int64)
    count = np.array([length for _, length in made], np.int64)
    row = np.concatenate(([0], np.cumsum(count)[:-1]))
    part = FileRows(_table(), slot, row, count, {})
    pairs = [(start + step, first + step) for start, length, first in zip(slot, count, row, strict=True)
             for step in range(length)]
    found = [(start + step, first + step) for start, first, length in zip(*part.within(low, low + size), strict=True)
             for step in range(length)]
    assert sorted(found) == sorted(pair for pair in pairs if low <= pair[0] < low + size)
    edges = [(0, 20), (20, 40), (50, 70)]
    touched = files_by_block([part, replace(part, slot=slot + 30)], edges)
    for (first, end), numbers_here in zip(edges, touched, strict=True):
        for number, shift in enumerate((0, 30)):
            if any(first <= at + shift < end for at, _ in pairs):
                assert number in numbers_here


# Checksums, which are worked out while the files are judged.


def test_a_checksum_is_that_of_the_bytes(tmp_path: Path) -> None:
    paths = [as_parquet(tmp_path / f"{at}.parquet", numbers(144), range(144)) for at in range(3)]
    files = read(paths).files
    assert [file.sha256 for file in files] == [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]
    assert files[0].sha256 == files[0].sha256


@pytest.mark.parametrize(
    ("happens", "sentence"),
    [
        (lambda path: os.truncate(path, 50), r"^a\.parquet changed while it was being read; run again once nothing"),
        (lambda path: path.unlink(), r"^a\.parquet is gone; run again once nothing moves it$"),
    ],
)
def test_a_file_that_changes_after_it_was_scanned_has_no_checksum(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, happens: Callable[[Path], None], sentence: str
) -> None:
    path = as_parquet(tmp_path / "a.parquet", numbers(144), range(144))

    def and_then(read_from: Path) -> str:
        happens(read_from)
        return "of other bytes"

    monkeypatch.setattr("pqcheck.io.source_files.sha256_of", and_then)
    with pytest.raises(InputError, match=sentence):
        Checksums().of(open_source(path)).result()


def test_a_checksum_begun_ahead_is_not_worked_out_twice(tmp_path: Path) -> None:
    path = as_parquet(tmp_path / "a.parquet", numbers(144), range(144))
    checksums = Checksums()
    checksums.ahead([str(path), str(tmp_path / "missing.parquet"), str(tmp_path)])
    [begun] = checksums._ahead.values()
    assert checksums.of(open_source(path)) is begun and begun.result() == hashlib.sha256(path.read_bytes()).hexdigest()
    assert checksums.of(open_source(path)) is not begun
    checksums.ahead([str(path)])
    os.utime(path, (1, 1))
    assert checksums.of(open_source(path)).result() == begun.result(), "a file that has changed since is read again"
    assert len(checksums._ahead) == 1


FORKED = """
import os, sys
from pqcheck import check
from pqcheck.io import numbers_in_memory, read
numbers_in_memory.KEPT_BYTES = 0
site = {"supply": {"nominal_voltage": "400 V", "connection": "wye"}, "limits": {"apply": ["en50160-2010-lv"]}}
texts = [check(sys.argv[1:], site).to_json()]
known = read(sys.argv[1:])  # its checksum is still being worked out
child = os.fork()
if child == 0:
    texts += [check(sys.argv[1:], site).to_json(), check(known, site).to_json()]
    os._exit(0 if len(set(texts)) == 1 else 1)
sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_forked_process_does_not_wait_for_a_thread_of_its_parent(tmp_path: Path, kind: str) -> None:
    rows = "".join(f"2031-03-03T{at // 60:02}:{at % 60:02}:00Z,{230 + at % 5}\n" for at in range(300))
    (tmp_path / "a.csv").write_text(f"time,voltage.an [V]\n{rows}")
    as_parquet(tmp_path / "a.parquet", numbers(300), range(300), NAMES[:1], group=40)
    command = [sys.executable, "-W", "ignore", "-c", FORKED, str(tmp_path / f"a.{kind}")]
    # Should it wait for ever, this ends it.
    subprocess.run(command, check=True, timeout=120)


def test_whoever_waits_for_a_checksum_is_told_what_went_wrong(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: Path) -> str:
        raise MemoryError

    path = as_parquet(tmp_path / "a.parquet", numbers(144), range(144))
    monkeypatch.setattr("pqcheck.io.source_files.sha256_of", refuse)
    with pytest.raises(MemoryError):
        Checksums().of(open_source(path)).result(timeout=60)


@pytest.mark.parametrize("gap_s", [60, 600, 1200, 120, 3600])
def test_two_rows_that_continue_nothing_keep_their_distance(tmp_path: Path, gap_s: int) -> None:
    """Beside files of 1 min and 10 min they may hold values over any interval: none is assumed for them."""

    def rows(start: str, step_s: int, count: int, value: float) -> str:
        stamps = [np.datetime64(start) + np.timedelta64(step_s * row, "s") for row in range(count)]
        return "".join(f"{stamp}Z,{value + row % 5}\n" for row, stamp in enumerate(stamps))

    header = "time,voltage.an [V]\n"
    (tmp_path / "a.csv").write_text(header + rows("2031-03-03", 600, 144, 230.0), encoding="utf-8")
    (tmp_path / "b.csv").write_text(header + rows("2031-03-04", 60, 1440, 230.0), encoding="utf-8")
    two = rows("2031-03-05T12:00:00", gap_s, 2, 240.0)
    (tmp_path / "two.csv").write_text(header + two, encoding="utf-8")
    streams = read([tmp_path / name for name in ("a.csv", "b.csv", "two.csv")]).streams
    [longest] = [stream for stream in streams if stream.axis.end_us > 1_930_478_400_000_000]
    assert longest.axis.interval_us == gap_s * 1_000_000


def stamped(start: str, step_s: int, values: list[float]) -> str:
    """A plain table of one voltage, rows `step_s` apart."""
    stamps = [np.datetime64(start) + np.timedelta64(step_s * row, "s") for row in range(len(values))]
    return "time,voltage.an [V]\n" + "".join(f"{at}Z,{value}\n" for at, value in zip(stamps, values, strict=True))


def judged_beside_a_day(folder: Path, other: str, declared: str = "") -> tuple[dict[str, str], str]:
    """Verdicts over a day of sound 10 min values beside another file, and the remarks."""
    day = [230.0 + row % 7 / 10 for row in range(144)]
    (folder / "day.csv").write_text(stamped("2031-03-03", 600, day), encoding="utf-8")
    (folder / "other.csv").write_text(other, encoding="utf-8")
    site: dict[str, Any] = {"name": "Flat 3", "time_zone": "UTC", "supply": {
        "nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz", "measured_at": "service"}}
    if declared:
        site["recording"] = {"interval": declared}
    result = check([folder / "day.csv", folder / "other.csv"], site, ["en50160-2010-lv"], quantities=["voltage"])
    reasons = [one.reason.text for one in result.findings if one.reason is not None]
    return {one.rule: one.verdict.value for one in result.findings if one.kind == "limit"}, " ".join(reasons)


@pytest.mark.parametrize("start", ["2031-03-03T12:03:00", "2031-03-04T09:00:00"])
def test_a_row_that_continues_nothing_proves_nothing(tmp_path: Path, start: str) -> None:
    """One value of 300 V may be that of a minute: it fails no rule on 10 min values, and the file is named."""
    verdicts, said = judged_beside_a_day(tmp_path, stamped(start, 600, [300.0]))
    assert "fail" not in verdicts.values()
    assert "other.csv holds one row, which shows no interval and continues the rows of no other file" in said


def test_a_row_that_continues_a_file_counts(tmp_path: Path) -> None:
    """A recording cut behind its last row but one."""
    verdicts, _ = judged_beside_a_day(tmp_path, stamped("2031-03-04T00:00:00", 600, [300.0]))
    assert verdicts["voltage-all"] == "fail"


def test_a_declared_interval_is_no_assumption(tmp_path: Path) -> None:
    verdicts, _ = judged_beside_a_day(tmp_path, stamped("2031-03-04T09:00:00", 600, [300.0]), "10 min")
    assert verdicts["voltage-all"] == "fail"


def test_two_hourly_rows_are_no_ten_minute_values(tmp_path: Path) -> None:
    """They pass nothing, and what they fail a mean over the hour fails as well."""
    verdicts, said = judged_beside_a_day(tmp_path, stamped("2031-03-04T09:00:00", 3600, [230.0, 231.0]))
    assert set(verdicts.values()) == {"inconclusive"}, said
