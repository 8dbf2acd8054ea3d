"""Our own reading of Parquet: the library's values bit for bit, for whatever writers write; never a crash on damage."""

from __future__ import annotations

import os
import random
import zlib
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from pqcheck.errors import InputError
from pqcheck.readers import pages, read
from pqcheck.readers.pages import PageDecoder
from pqcheck.readers.parquet_footer import SIZE, Footer, read_footer
from pqcheck.readers.parquet_footer import START as PLACE
from pqcheck.readers.parquet_table import ParquetDecoder, read_parquet_table
from pqcheck.readers.source import Source, open_source
from pqcheck.readers.table import RowNumbers, Slab, Table
from tests.recordings import same_on_both_ways

START = 1_900_000_000_000_000
CODECS = ("none", "snappy", "gzip", "zstd")


@pytest.fixture(scope="module", autouse=True)
def compiled() -> None:
    """Needs the compiled modules; CI demands them wherever there is a compiler."""
    if not pages.available():
        if os.environ.get("PQCHECK_COMPILED") == "required":
            pytest.fail("the compiled modules were not built, or are of another version")
        pytest.skip("no compiled modules here: no C compiler at installation")


def stamps(rows: int, kind: pa.DataType | None = None) -> pa.Array:
    """So many stamps, three seconds apart."""
    return pa.array([START + 3_000_000 * row for row in range(rows)], pa.timestamp("us", tz="UTC")).cast(
        kind or pa.timestamp("us", tz="UTC")
    )


def written(path: Path, columns: dict[str, Any], **how: Any) -> Path:
    """A file with a time column before these columns."""
    rows = len(next(iter(columns.values())))
    parquet.write_table(pa.table({"time": stamps(rows), **columns}), path, **how)
    return path


def decoders(path: Path) -> tuple[PageDecoder, ParquetDecoder]:
    """Our own reader and the library's, of the same file."""
    decoder = read_parquet_table(path, None).decode
    assert isinstance(decoder, PageDecoder), "our own reader does not take this file"
    assert isinstance(decoder.library, ParquetDecoder)
    return decoder, decoder.library


def same(path: Path, columns: Sequence[int], ranges: Sequence[tuple[int, int]]) -> None:
    """Both readers give the same bits and the same odd cells for these rows."""
    own, library = decoders(path)
    assert own.numbers >= set(columns)
    for low, high in ranges:
        slab = Slab(low, high - low, (low, high))
        ours, theirs = own(slab, columns), library(slab, columns)
        assert ours.bad == theirs.bad
        for mine, other in zip(ours.values, theirs.values, strict=True):
            assert mine.dtype == other.dtype
            # Every NaN is the same blank, whatever its bits.
            assert np.array_equal(np.isnan(mine), np.isnan(other))
            assert np.nan_to_num(mine, nan=0.0).tobytes() == np.nan_to_num(other, nan=0.0).tobytes()
        if ours.release is not None:
            ours.release()


# What writers write.

numbers = st.one_of(
    st.none(), st.floats(width=32), st.sampled_from((229.5, 230.0, 230.5, -0.0, 9999.0, 65535.0, 3e38, float("inf"))),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_the_same_values_as_the_library(tmp_path: Path, data: st.DataObject) -> None:
    rows = data.draw(st.integers(1, 400), "rows")
    few = data.draw(st.lists(numbers, min_size=1, max_size=40), "values")
    seed = data.draw(st.integers(0, 2**32 - 1), "seed")
    chance = random.Random(seed)
    repeats = data.draw(st.sampled_from((1, 3, 50)), "equal neighbours")
    drawn = [value for _ in range(rows) for value in [chance.choice(few)] * repeats][:rows]
    whole = [None if value is None else chance.randrange(-5, 5) for value in drawn]
    columns = {
        "voltage.an [V]": pa.array(drawn, pa.float32()),
        "voltage.bn [V]": pa.array(drawn[::-1], pa.float64()),
        "voltage.cn [V]": pa.array(whole, data.draw(st.sampled_from((pa.int32(), pa.int64(), pa.int8())))),
        "current.a [A]": pa.array([chance.random() for _ in range(rows)], pa.float32()),
    }
    path = written(
        tmp_path / "a.parquet", columns,
        compression=data.draw(st.sampled_from(CODECS), "codec"),
        use_dictionary=data.draw(st.booleans(), "dictionary"),
        data_page_version=data.draw(st.sampled_from(("1.0", "2.0")), "pages"),
        data_page_size=data.draw(st.sampled_from((64, 1000, 1 << 20)), "page size"),
        write_batch_size=data.draw(st.sampled_from((7, 64, 1024)), "batch"),
        row_group_size=data.draw(st.sampled_from((rows, 1 + rows // 3, 10)), "group"),
    )
    low = data.draw(st.integers(0, rows - 1), "first row")
    high = data.draw(st.integers(low + 1, rows), "last row")
    same(path, [1, 2, 3, 4], [(0, rows), (low, high)])
    same(path, [3, 1], [(low, high)])


@pytest.mark.parametrize("codec", ["uncompressed", "snappy", "gzip", "zstd"])
def test_files_of_another_writer(tmp_path: Path, codec: Any) -> None:
    chance = np.random.default_rng(1)
    rows = 30_000
    few = chance.choice([229.5, 230.0, np.nan, 231.25], rows)
    frame = pl.DataFrame({
        "time": pl.Series(START + 3_000_000 * np.arange(rows)).cast(pl.Datetime("us", "UTC")),
        "voltage.an [V]": chance.normal(230, 2, rows).astype(np.float32),
        "voltage.bn [V]": pl.Series(few).fill_nan(None),
        "current.a [A]": chance.integers(0, 4, rows),
    })
    frame.write_parquet(tmp_path / "a.parquet", compression=codec, row_group_size=12_000)
    same(tmp_path / "a.parquet", [1, 2, 3], [(0, rows), (11_000, 13_000), (29_999, rows)])


def test_places_of_every_width(tmp_path: Path) -> None:
    """Dictionaries of 1 to 70,000 numbers: places of 0 to 17 bits."""
    rows = 140_000
    for bits in range(18):
        size = min(2**bits, 70_000)
        values = (np.arange(rows) * 7919 % size).astype(np.float32)
        path = written(tmp_path / "a.parquet", {"voltage.an [V]": pa.array(values)},
                       dictionary_pagesize_limit=1 << 30, compression="none")
        same(path, [1], [(0, rows), (3, 100_003)])


@pytest.mark.parametrize(
    ("kind", "local"),
    [("s", True), ("ms", True), ("us", True), ("ns", True), ("ms", False), ("us", False), ("ns", False)],
)
def test_stamps_of_every_unit(tmp_path: Path, kind: str, local: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    columns = {
        "time": stamps(50, pa.timestamp(kind, tz=None if local else "Asia/Tokyo")), "voltage.an [V]": [230.0] * 50,
    }
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet", row_group_size=20)

    def looked_at() -> Table:
        return read_parquet_table(tmp_path / "a.parquet", None)

    ours = looked_at()
    assert isinstance(ours.decode, PageDecoder)
    monkeypatch.setattr("pqcheck.readers.parquet_table.available", lambda: False)
    theirs = looked_at()
    assert isinstance(theirs.decode, ParquetDecoder)
    assert ours.stamps.all().tolist() == theirs.stamps.all().tolist()
    assert (ours.local, ours.slabs, ours.narrow) == (theirs.local, theirs.slabs, theirs.narrow)


def test_a_missing_stamp_is_named_by_its_row(tmp_path: Path) -> None:
    instants = stamps(50).to_pylist()
    instants[31] = None
    columns = {"time": pa.array(instants, pa.timestamp("us", tz="UTC")), "voltage.an [V]": [230.0] * 50}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet", row_group_size=20)
    with pytest.raises(InputError, match=r"^a\.parquet, row 32: the time is empty; every row needs a stamp$"):
        read([tmp_path / "a.parquet"])


@pytest.mark.parametrize("kind", [pa.float32(), pa.float64(), pa.int64()])
def test_both_forms_of_the_compiled_loops_give_the_same(tmp_path: Path, kind: pa.DataType) -> None:
    """Places in the dictionary of every width that a writer uses for so many values."""
    chance = np.random.default_rng(3)
    many = {f"current_harmonic.a.h{2 + bits} [A]": chance.integers(0, 2**bits, 70_000) for bits in range(1, 17)}
    columns = {name: pa.array(values, kind, mask=chance.random(70_000) < 0.01) for name, values in many.items()}
    path = written(tmp_path / "a.parquet", columns, dictionary_pagesize_limit=1 << 22)
    own, _ = decoders(path)
    wanted, module = list(range(1, 17)), pages._compiled()
    found = []
    for choice in (False, True):
        before = module.use_wide(choice)
        found.append([values.tobytes() for values in own(Slab(0, 70_000, (0, 70_000)), wanted).values])
        module.use_wide(before)
    assert found[0] == found[1]
    known = np.frombuffer(found[0][15], np.float32 if kind == pa.float32() else np.float64)
    good = ~np.isnan(known)
    assert good.mean() > 0.98 and np.array_equal(known[good], many["current_harmonic.a.h18 [A]"][good])


# Rows of a slab straight to their places.


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_rows_go_to_their_places(tmp_path: Path, data: st.DataObject) -> None:
    rows = data.draw(st.integers(2, 300), "rows")
    values = np.random.default_rng(rows).choice([229.5, 230.0, np.nan, 231.0], rows)
    columns = {"voltage.an [V]": pa.array(values, pa.float32(), mask=np.isnan(values)), "current.a [A]": values}
    path = written(tmp_path / "a.parquet", columns, data_page_size=64, write_batch_size=20,
                   row_group_size=data.draw(st.sampled_from((rows, 1 + rows // 2, 17)), "group"))
    own, _ = decoders(path)
    cuts = data.draw(st.lists(st.integers(0, rows), min_size=2, max_size=8, unique=True).map(sorted), "cuts")
    moves, place = [], 0
    for low, high in pairwise(cuts):
        place += data.draw(st.integers(0, 9), "hole")
        if data.draw(st.booleans(), "taken") or high == cuts[-1]:
            moves.append((place, low - cuts[0], high - low))
            place += high - low
    buffers: list[Any] = [np.full(place + 3, -1, np.float32), np.full(place + 3, -1.0)]
    blank = own.into(Slab(cuts[0], cuts[-1] - cuts[0], (cuts[0], cuts[-1])), [1, 2], buffers, moves)
    assert blank is not None
    wanted = np.full(place + 3, -1.0)
    for to, of, count in moves:
        wanted[to : to + count] = values[cuts[0] + of : cuts[0] + of + count]
    for buffer, some in zip(buffers, blank, strict=True):
        assert np.array_equal(buffer, wanted, equal_nan=True)
        # Of pages that are looked up in a dictionary more is told than of the rows alone.
        assert some or not np.isnan(buffer).any()
        assert not some or np.isnan(values).any()


def test_odd_values_take_the_usual_way(tmp_path: Path) -> None:
    columns = {
        "voltage.an [V]": pa.array([230.0, 65535.0, 231.0], pa.float32()),
        "voltage.bn [V]": pa.array([230.0, np.inf, 231.0], pa.float32()),
        "voltage.cn [V]": pa.array([230.0, 229.0, 231.0], pa.float32()),
        "current.a [A]": pa.array(["1", "2", "3"]),
    }
    own, _ = decoders(written(tmp_path / "a.parquet", columns))
    slab, moves = Slab(0, 3, (0, 3)), [(0, 0, 3)]
    row = np.empty(3, np.float32)
    assert own.into(slab, [1], [row], moves) is None
    assert own.into(slab, [2], [row], moves) is None
    blank = own.into(slab, [3], [row], moves)
    assert blank is not None and blank.tolist() == [False] and row.tolist() == [230.0, 229.0, 231.0]
    assert own.into(slab, [3], [np.empty(3)], moves) is None
    assert own.into(slab, [4], [np.empty(3)], moves) is None


def test_blocks_are_the_same_on_both_ways(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Days with holes, a code, and files that meet within a day."""
    chance = np.random.default_rng(6)
    monkeypatch.setattr("pqcheck.readers.walk.BLOCK_VALUES", 1)
    monkeypatch.setattr("pqcheck.readers.parquet_table.OWN_STEP", 3000)
    monkeypatch.setattr("pqcheck.readers.parquet_table.SLAB_BYTES", 1)
    monkeypatch.setattr("pqcheck.readers.late.EAGER_BYTES", 0)
    slots = np.flatnonzero(chance.random(3 * 1440) > 0.001)
    values = chance.normal(230, 2, 3 * 1440)
    values[slots[600]] = 65535.0
    paths = []
    for number, part in enumerate(np.array_split(slots, [2000])):
        columns: dict[str, Any] = {"time": pa.array(START + 60_000_000 * part, pa.timestamp("us", tz="UTC"))}
        columns |= {f"voltage.{name} [V]": pa.array(values[part] + at, kind) for at, (name, kind) in enumerate(
            [("an", pa.float32()), ("bn", pa.float32()), ("cn", pa.float64()), ("ng", pa.float32())])}
        columns["current.a [A]"] = pa.array(chance.normal(5, 1, len(part)), mask=chance.random(len(part)) < 0.002)
        columns["current.b [A]"] = np.where(chance.random(len(part)) < 0.002, np.nan, values[part])
        paths.append(tmp_path / f"{number}.parquet")
        parquet.write_table(pa.table(columns), paths[-1], row_group_size=400)

    without = ("pqcheck.readers.parquet_table.available", lambda: False)
    alike = same_on_both_ways(paths, PageDecoder, without, monkeypatch)
    assert 4 <= len(alike) < 12 and not any(channel.quantity == "current" for channel in alike)


# What is left to the library.


def plain_of(path: Path) -> frozenset[int]:
    footer = read_footer(open_source(path))
    return footer.plain(range(1, len(footer.columns))) if footer is not None else frozenset()


def test_columns_that_are_no_numbers_are_the_librarys(tmp_path: Path) -> None:
    columns = {
        "voltage.an [V]": pa.array([229.0, None, 231.0], pa.float32()),
        "voltage.bn [V]": pa.array(["230", "no", None]),
        "voltage.cn [V]": pa.array([True, False, None]),
        "current.a [A]": pa.array([1, 2, 3], pa.uint32()),
        "current.b [A]": pa.array([1, 2, 3], pa.decimal128(9, 2)),
    }
    path = written(tmp_path / "a.parquet", columns)
    own, library = decoders(path)
    assert own.numbers == plain_of(path) == {1}
    slab = Slab(0, 3, (0, 3))
    mixed, alone = own(slab, [3, 1, 2, 4, 5]), library(slab, [3, 1, 2, 4, 5])
    assert mixed.bad == alone.bad and [bad.text for bad in mixed.bad] == ["no"]
    for mine, other in zip(mixed.values, alone.values, strict=True):
        assert np.array_equal(mine, other, equal_nan=True)


@pytest.mark.parametrize(
    "how",
    [
        {"compression": "brotli"}, {"compression": "lz4"}, {"use_byte_stream_split": True, "use_dictionary": False},
        {"column_encoding": {"voltage.an [V]": "BYTE_STREAM_SPLIT"}, "use_dictionary": False},
    ],
)
def test_other_ways_to_write_are_the_librarys(tmp_path: Path, how: dict[str, Any]) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": pa.array([230.0] * 9, pa.float32())}, **how)
    assert plain_of(path) == frozenset()
    [stream] = read([path]).streams
    [block] = stream.blocks(None)
    assert next(iter(block.values.values())).tolist() == [230.0] * 9


def test_nested_columns_are_the_librarys(tmp_path: Path) -> None:
    written(tmp_path / "a.parquet", {"voltage.an [V]": [230.0, 231.0], "more": [[1.0], [2.0, 3.0]]})
    assert read_footer(open_source(tmp_path / "a.parquet")) is None
    assert [channel.name for channel in read([tmp_path / "a.parquet"]).streams[0].channels] == ["voltage.an.mean"]


def test_an_index_that_pandas_stored_is_no_column(tmp_path: Path) -> None:
    columns = {"__index_level_0__": pa.array([5, 6, 7]), "voltage.an [V]": [230.0, 231.0, 232.0]}
    path = written(tmp_path / "a.parquet", columns)
    [stream] = read([path]).streams
    [block] = stream.blocks(None)
    assert [value.tolist() for value in block.values.values()] == [[230.0, 231.0, 232.0]]


# Only what is asked for is touched.


def test_pages_without_rows_asked_for_are_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.random.default_rng(2).normal(230, 2, 40_000).astype(np.float32)
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": values}, use_dictionary=False, compression="gzip",
                   data_page_size=4_000, write_batch_size=1_000)
    own, _ = decoders(path)
    unpacked = []
    usual = pages._gzip

    def counted(pieces: Any, sizes: Any) -> Any:
        unpacked.append(len(pieces))
        return usual(pieces, sizes)

    monkeypatch.setattr(pages, "_gzip", counted)
    found = own(Slab(20_500, 10, (20_500, 20_510)), [1])
    assert unpacked == [1] and found.values[0].tolist() == values[20_500:20_510].tolist()


def test_buffers_are_used_again(tmp_path: Path) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": np.arange(1000, dtype=np.float32)})
    own, _ = decoders(path)
    first = own(Slab(0, 500, (0, 500)), [1])
    address = first.values[0].__array_interface__["data"][0]
    second = own(Slab(500, 500, (500, 1000)), [1])
    assert second.values[0].__array_interface__["data"][0] != address, "values that are looked at stay as they are"
    assert first.values[0].tolist() == list(range(500))
    assert first.release is not None
    first.release()
    third = own(Slab(500, 500, (500, 1000)), [1])
    assert third.values[0].__array_interface__["data"][0] == address


# Damage.


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Small files of every codec and page version, with blanks and dictionaries."""
    folder = tmp_path_factory.mktemp("sound")
    chance = np.random.default_rng(4)
    found = {}
    for codec in CODECS:
        for version in ("1.0", "2.0"):
            columns = {
                "voltage.an [V]": pa.array(chance.choice([229.5, 230.0, 231.0], 300), pa.float32(),
                                           mask=chance.random(300) < 0.1),
                "current.a [A]": pa.array(chance.normal(10, 1, 300)),
            }
            path = written(folder / f"{codec}-{version}.parquet", columns, compression=codec, data_page_version=version,
                           data_page_size=500, write_batch_size=50, row_group_size=200)
            found[f"{codec}-{version}"] = path.read_bytes()
    return found


def attempt(path: Path) -> None:
    """Read everything; one sentence is as good as values."""
    try:
        for stream in read([path]).streams:
            for _ in stream.blocks(None):
                pass
    except InputError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize("name", [f"{codec}-{version}" for codec in CODECS for version in ("1.0", "2.0")])
def test_damaged_bytes_end_in_a_sentence_or_in_values(
    sound: dict[str, bytes], name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bytes changed at random places, in the pages and in the footer, read by our own reader alone."""

    def refuse(*_: Any) -> Any:
        raise InputError("for the library")

    monkeypatch.setattr("pqcheck.readers.parquet_table._library_head", refuse)
    monkeypatch.setattr("pqcheck.readers.parquet_table._library_stamps", refuse)
    monkeypatch.setattr(ParquetDecoder, "__call__", refuse)
    chance = random.Random(zlib.crc32(name.encode()))
    whole = sound[name]
    path = tmp_path / "a.parquet"
    for _ in range(250):
        data = bytearray(whole)
        for _ in range(chance.choice((1, 1, 2, 8))):
            data[chance.randrange(4, len(data))] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
        path.write_bytes(data)
        attempt(path)


def test_a_page_that_lies_is_a_damaged_file(tmp_path: Path) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": np.arange(300, dtype=np.float32)}, compression="zstd",
                   use_dictionary=False)
    table = read_parquet_table(path, None)
    decoder = table.decode
    assert isinstance(decoder, PageDecoder)
    chunk = decoder.footer.groups[0].chunks[1]
    data = bytearray(path.read_bytes())
    begin = int(chunk[PLACE])
    data[begin : begin + 60] = b"\xff" * 60
    path.write_bytes(data)
    fresh = read_parquet_table(path, None)
    with pytest.raises(InputError, match=r"^a\.parquet is a damaged Parquet file \(.*\); copy it again$"):
        fresh.decode(fresh.slabs[0], [1])


def test_a_file_that_ends_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": np.random.default_rng(5).random(300)})
    table = read_parquet_table(path, None)

    def unwatched(source: Source) -> Any:
        return open(source.path, "rb", buffering=0)

    monkeypatch.setattr(Source, "open", unwatched)
    os.truncate(path, 100)
    with pytest.raises(InputError, match=r"^a\.parquet became shorter while it was being read; run again$"):
        table.decode(table.slabs[0], [1])


@pytest.mark.parametrize("instant", [2**62, -(2**62), 260_000_000_000_000_000])
def test_a_stamp_out_of_every_calendar(tmp_path: Path, instant: int) -> None:
    columns = {"time": pa.array([START, instant, START + 6_000_000], pa.timestamp("us", tz="UTC")),
               "voltage.an [V]": [230.0] * 3}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet")
    with pytest.raises(InputError, match=r"^a\.parquet, row 2: the stamp lies outside the years 1 to 9999; check the "):
        read([tmp_path / "a.parquet"])


def test_a_stamp_of_another_century(tmp_path: Path) -> None:
    instants = [START, START + 300 * 366 * 86_400_000_000, START + 6_000_000]
    columns = {"time": pa.array(instants, pa.timestamp("us", tz="UTC")), "voltage.an [V]": [230.0] * 3}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet")
    with pytest.raises(InputError, match=r"^a\.parquet, row 2: the stamp lies 300 years from the others; remove the "):
        read([tmp_path / "a.parquet"])


def test_footers_that_contradict_themselves_are_the_librarys(sound: dict[str, bytes], tmp_path: Path) -> None:
    whole = sound["zstd-1.0"]
    path = tmp_path / "a.parquet"
    for data in (whole[:-8] + b"\xff\xff\xff\x7fPAR1", whole[:-8] + b"\x02\x00\x00\x00PAR1", whole[:-4] + b"PARE",
                 b"PAR1PAR1", b"PAR1\x00\x00\x00\x00PAR1"):
        path.write_bytes(data)
        assert read_footer(open_source(path)) is None
        with pytest.raises(InputError, match="damaged Parquet"):
            read([path])


def test_the_compiled_functions_check_the_sizes_they_are_given() -> None:
    module = pages._compiled()
    index = np.zeros((1, 10), np.int64)
    columns, row, ends = np.array([[4, 0, 0, 0]], np.int64), np.zeros(16, np.float32), np.zeros((1, 3))

    def moves(*of: int) -> Any:
        return np.array([of], np.int64)

    def page(**fields: int) -> Any:
        changed = index.copy()
        for name, value in fields.items():
            changed[0, int(name[1:])] = value
        return changed

    wrong: list[tuple[Any, ...]] = [
        (b"", index, [], columns, [row], moves(0, 0, 1), ends, 1.0),
        (b"", index, [None], columns, [], moves(0, 0, 1), ends, 1.0),
        (b"", index, [None], columns, [row], moves(0, 0, 17), ends, 1.0),
        (b"", index, [None], columns, [row], moves(16, 0, 1), ends, 1.0),
        (b"", index, [None], columns, [row], moves(-1, 0, 1), ends, 1.0),
        (b"", index, [None], columns, [row], moves(0, -1, 1), ends, 1.0),
        (b"", index, [None], columns, [row], moves(0, 2**63 - 1, 1), ends, 1.0),
        (b"", index, [None], np.array([[3, 0, 0, 0]], np.int64), [row], moves(0, 0, 1), ends, 1.0),
        (b"", index, [None], np.array([[5, 0, 0, 0]], np.int64), [row], moves(0, 0, 9), ends, 1.0),
        (b"", index, [None], columns, [row], moves(0, 0, 1), np.zeros(1), 1.0),
        (b"", page(f0=1), [None], columns, [row], moves(0, 0, 1), ends, 1.0),
        (b"", page(f3=9, f4=9), [None], columns, [row], moves(0, 0, 1), ends, 1.0),
        (b"", page(f5=1, f8=2**63 - 1), [None], columns, [row], moves(0, 0, 1), ends, 1.0),
    ]
    for arguments in wrong:
        with pytest.raises(ValueError, match="sizes of the buffers do not fit"):
            module.lay(*arguments)
    with pytest.raises(ValueError, match="a row is missing"):
        module.lay(b"", index, [None], columns, [None], moves(0, 0, 1), ends, 1.0)
    with pytest.raises(BufferError):
        module.lay(b"", index, [None], columns, [b"read only"], moves(0, 0, 1), ends, 1.0)


def test_a_footer_is_read_as_another_library_reads_it(sound: dict[str, bytes], tmp_path: Path) -> None:
    (tmp_path / "a.parquet").write_bytes(sound["snappy-2.0"])
    footer = read_footer(open_source(tmp_path / "a.parquet"))
    assert isinstance(footer, Footer)
    theirs = parquet.ParquetFile(tmp_path / "a.parquet").metadata
    assert [element.name for element in footer.columns] == theirs.schema.names
    assert footer.rows == theirs.num_rows and len(footer.groups) == theirs.num_row_groups
    for number, group in enumerate(footer.groups):
        assert group.rows == theirs.row_group(number).num_rows
        for at, chunk in enumerate(group.chunks.tolist()):
            column = theirs.row_group(number).column(at)
            start = column.dictionary_page_offset if column.has_dictionary_page else column.data_page_offset
            assert (chunk[PLACE], chunk[SIZE]) == (start, column.total_compressed_size)


def test_row_numbers_of_codes(tmp_path: Path) -> None:
    """A number that stands for an error is named by its row, through either reader."""
    values = [230.0] * 40
    values[17] = 65535.0
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": pa.array(values, pa.float32())})
    footer = read_footer(open_source(path))
    assert footer is not None
    source = open_source(path)
    own = PageDecoder(source, footer, frozenset({1}), RowNumbers.plain(1),
                      ParquetDecoder(source, ("time", "voltage.an [V]"), RowNumbers.plain(1)))
    [bad] = own(Slab(10, 20, (10, 30)), [1]).bad
    assert (bad.rows, bad.text, bad.count) == ((18,), "65535", 1)
