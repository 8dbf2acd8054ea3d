"""Parquet: the values that were written, whatever writers write; one sentence, never a traceback, on damage."""

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

from pqcheck.io import parquet as parquet_table
from pqcheck.io import read
from pqcheck.io.decoder import Chunk, Filled, values_of
from pqcheck.io.parquet import read_parquet_table
from pqcheck.io.source_files import Source
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Values

START = 1_900_000_000_000_000
CODECS = ("none", "snappy", "gzip", "zstd")


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


def decoded(path: Path, low: int, high: int, columns: Sequence[int]) -> tuple[list[Values], Filled]:
    """The numbers of some columns in the rows low..high."""
    table = read_parquet_table(path, None)
    return values_of(table.decoder, Chunk(low, high - low), columns, table.narrow)


def same(values: Values, wanted: Any) -> None:
    """The values, bit for bit and in their own width, whatever the bits of a blank."""
    known = np.array([np.nan if value is None else value for value in wanted], values.dtype)
    assert np.array_equal(np.isnan(values), np.isnan(known))
    assert np.nan_to_num(values, nan=0.0).tobytes() == np.nan_to_num(known, nan=0.0).tobytes()


# What writers write.

numbers = st.one_of(st.none(), st.floats(-1000, 1000, width=32), st.sampled_from((229.5, 230.0, 230.5, -0.0)))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_the_values_that_were_written(tmp_path: Path, data: st.DataObject) -> None:
    rows = data.draw(st.integers(1, 400), "rows")
    few = data.draw(st.lists(numbers, min_size=1, max_size=40), "values")
    chance = random.Random(data.draw(st.integers(0, 2**32 - 1), "seed"))
    repeats = data.draw(st.sampled_from((1, 3, 50)), "equal neighbours")
    drawn = [value for _ in range(rows) for value in [chance.choice(few)] * repeats][:rows]
    whole = [None if value is None else chance.randrange(-5, 5) for value in drawn]
    last = [chance.random() for _ in range(rows)]
    columns = {
        "active_power.a [W]": pa.array(drawn, pa.float32()),
        "active_power.b [W]": pa.array(drawn[::-1], pa.float64()),
        "active_power.c [W]": pa.array(
            whole,
            data.draw(st.sampled_from((pa.int32(), pa.int64(), pa.int8(), pa.uint16()))
                      if min(filter(None, whole), default=0) >= 0 else
                      st.sampled_from((pa.int32(), pa.int64(), pa.int8()))),
        ),
        "current.a [A]": pa.array(last, pa.float32()),
    }
    path = written(
        tmp_path / "a.parquet", columns,
        compression=data.draw(st.sampled_from(CODECS), "codec"),
        use_dictionary=data.draw(st.booleans(), "dictionary"),
        data_page_version=data.draw(st.sampled_from(("1.0", "2.0")), "pages"),
        data_page_size=data.draw(st.sampled_from((64, 1000, 1 << 20)), "page size"),
        row_group_size=data.draw(st.sampled_from((rows, 1 + rows // 3, 10)), "group"),
    )
    low = data.draw(st.integers(0, rows - 1), "first row")
    high = data.draw(st.integers(low + 1, rows), "last row")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parquet_table, "BATCH_VALUES", data.draw(st.sampled_from((1, 20, 2_000_000)), "batch"))
        values, filled = decoded(path, low, high, [3, 1, 4, 2])
    assert not filled.bad
    assert [array.dtype.itemsize for array in values] == [8, 4, 4, 8]
    for array, wanted in zip(values, (whole, drawn, last, drawn[::-1]), strict=True):
        same(array, wanted[low:high])


@pytest.mark.parametrize("codec", ["uncompressed", "snappy", "gzip", "zstd"])
def test_files_of_another_writer(tmp_path: Path, codec: Any) -> None:
    chance = np.random.default_rng(1)
    rows = 30_000
    few = chance.choice([229.5, 230.0, np.nan, 231.25], rows)
    volts, amperes = chance.normal(230, 2, rows).astype(np.float32), chance.integers(0, 4, rows)
    frame = pl.DataFrame({
        "time": pl.Series(START + 3_000_000 * np.arange(rows)).cast(pl.Datetime("us", "UTC")),
        "voltage.an [V]": volts, "voltage.bn [V]": pl.Series(few).fill_nan(None), "current.a [A]": amperes,
    })
    frame.write_parquet(tmp_path / "a.parquet", compression=codec, row_group_size=12_000)
    for low, high in ((0, rows), (11_000, 13_000), (29_999, rows)):
        values, _ = decoded(tmp_path / "a.parquet", low, high, [1, 2, 3])
        for array, known in zip(values, (volts, few, amperes), strict=True):
            same(array, known[low:high])


@pytest.mark.parametrize(
    "how",
    [
        {"compression": "brotli"}, {"compression": "lz4"}, {"use_byte_stream_split": True, "use_dictionary": False},
        {"column_encoding": {"voltage.an [V]": "BYTE_STREAM_SPLIT"}, "use_dictionary": False},
    ],
)
def test_other_ways_to_write(tmp_path: Path, how: dict[str, Any]) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": pa.array([230.0] * 9, pa.float32())}, **how)
    same(decoded(path, 0, 9, [1])[0][0], [230.0] * 9)


@pytest.mark.parametrize(
    ("kind", "local"),
    [("s", True), ("ms", True), ("us", True), ("ns", True), ("ms", False), ("us", False), ("ns", False)],
)
def test_stamps_of_every_unit(tmp_path: Path, kind: str, local: bool) -> None:
    columns = {
        "time": stamps(50, pa.timestamp(kind, tz=None if local else "Asia/Tokyo")), "voltage.an [V]": [230.0] * 50,
    }
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet", row_group_size=20)
    table = read_parquet_table(tmp_path / "a.parquet", None)
    assert table.stamps.all().tolist() == [START + 3_000_000 * row for row in range(50)]
    assert table.local is local


def test_stamps_as_old_writers_store_them(tmp_path: Path) -> None:
    columns = {"time": stamps(5, pa.timestamp("ns")), "voltage.an [V]": [230.0] * 5}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet", use_deprecated_int96_timestamps=True)
    table = read_parquet_table(tmp_path / "a.parquet", None)
    assert table.stamps.all().tolist() == [START + 3_000_000 * row for row in range(5)]


def test_a_missing_stamp_is_named_by_its_row(tmp_path: Path) -> None:
    instants = stamps(50).to_pylist()
    instants[31] = None
    columns = {"time": pa.array(instants, pa.timestamp("us", tz="UTC")), "voltage.an [V]": [230.0] * 50}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet", row_group_size=20)
    with pytest.raises(InputError, match=r"^a\.parquet, row 32: the time is empty; every row needs a stamp$"):
        read([tmp_path / "a.parquet"])


def test_columns_of_every_type(tmp_path: Path) -> None:
    columns = {
        "voltage.an [V]": pa.array([229.0, None, 231.0], pa.float32()),
        "voltage.bn [V]": pa.array(["230", "no", None]),
        "voltage.cn [V]": pa.array([True, False, None]),
        "current.a [A]": pa.array([1, 2, 3], pa.uint32()),
        "current.b [A]": pa.array([1, 2, None], pa.decimal128(9, 2)),
        "current.c [A]": pa.array(["1.5", ">600", "1.5"]).dictionary_encode(),
        "frequency [Hz]": pa.nulls(3),
    }
    path = written(tmp_path / "a.parquet", columns)
    values, filled = decoded(path, 0, 3, range(1, 8))
    wanted = [[229.0, None, 231.0], [230.0, None, None], [1.0, 0.0, None], [1.0, 2.0, 3.0], [1.0, 2.0, None],
              [1.5, 600.0, 1.5], [None] * 3]
    for array, known in zip(values, wanted, strict=True):
        same(array, known)
    assert {cells.column: (cells.text, cells.rows) for cells in filled.bad} == {2: ("no", (2,))}
    assert {column: marks.tolist() for column, marks in filled.lower_bounds.items()} == {6: [False, True, False]}


def test_a_unit_in_the_metadata_of_a_column(tmp_path: Path) -> None:
    fields = [pa.field("time", pa.timestamp("us", tz="UTC")),
              pa.field("voltage.an", pa.float32(), metadata={"unit": "kV"}),
              pa.field("voltage.an.min", pa.float32(), metadata={"units": "V"})]
    columns = [stamps(3), pa.array([0.23] * 3, pa.float32()), pa.array([229.0] * 3, pa.float32())]
    parquet.write_table(pa.table(columns, schema=pa.schema(fields)), tmp_path / "a.parquet")
    table = read_parquet_table(tmp_path / "a.parquet", None)
    assert [channel.unit for channel in table.channels.values()] == ["kV", "V"]
    values, _ = values_of(table.decoder, table.chunks[0], [1, 2], table.narrow)
    assert values[1].tolist() == [229.0] * 3


def test_an_index_that_pandas_stored_is_no_column(tmp_path: Path) -> None:
    columns = {"__index_level_0__": pa.array([5, 6, 7]), "voltage.an [V]": [230.0, 231.0, 232.0]}
    path = written(tmp_path / "a.parquet", columns)
    [stream] = read([path]).streams
    [block] = stream.blocks(None)
    assert [value.tolist() for value in block.values.values()] == [[230.0, 231.0, 232.0]]


# Rows of a chunk to their places, whatever the row groups.


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_rows_go_to_their_places(tmp_path: Path, data: st.DataObject) -> None:
    rows = data.draw(st.integers(2, 300), "rows")
    values = np.random.default_rng(rows).choice([229.5, 230.0, np.nan, 65535.0, 231.0], rows)
    columns = {"voltage.an [V]": pa.array(values, pa.float32(), mask=np.isnan(values)), "current.a [A]": values}
    path = written(tmp_path / "a.parquet", columns, row_group_size=data.draw(
        st.sampled_from((rows, 1 + rows // 2, 17)), "group"))
    table = read_parquet_table(path, None)
    cuts = data.draw(st.lists(st.integers(0, rows), min_size=2, max_size=8, unique=True).map(sorted), "cuts")
    moves, place = [], 0
    for low, high in pairwise(cuts):
        place += data.draw(st.integers(0, 9), "hole")
        if data.draw(st.booleans(), "taken") or high == cuts[-1]:
            moves.append((place, low - cuts[0], high - low))
            place += high - low
    buffers: list[Any] = [np.full(place + 3, -1, np.float32), np.full(place + 3, -1.0)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parquet_table, "BATCH_VALUES", data.draw(st.sampled_from((1, 20, 2_000_000)), "batch"))
        table.decoder.fill(Chunk(cuts[0], cuts[-1] - cuts[0]), [1, 2], buffers, moves)
    wanted = np.full(place + 3, -1.0)
    plain = np.where(values == 65535.0, np.nan, values)
    for to, of, count in moves:
        wanted[to : to + count] = plain[cuts[0] + of : cuts[0] + of + count]
    for buffer in buffers:
        assert np.array_equal(buffer, wanted, equal_nan=True)


def test_a_large_row_group_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_table, "CHUNK_BYTES", 800)
    monkeypatch.setattr(parquet_table, "CUT_BYTES", 800)
    monkeypatch.setattr(parquet_table, "BATCH_VALUES", 70)
    values = np.random.default_rng(2).normal(230, 2, 1000)
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": values}, row_group_size=900)
    table = read_parquet_table(path, None)
    assert [chunk.rows for chunk in table.chunks] == [100] * 10
    opened = []
    usual = parquet_table._Batches.__init__

    def counted(self: Any, *arguments: Any) -> None:
        opened.append(self)
        usual(self, *arguments)

    monkeypatch.setattr(parquet_table._Batches, "__init__", counted)
    for number in (*range(10), 4, 3):
        chunk = table.chunks[number]
        same(values_of(table.decoder, chunk, [1])[0][0], values[chunk.first_row : chunk.first_row + chunk.rows])
    assert len(opened) == 4, "each of two row groups once in order, and again for each step back"


def test_a_code_is_named_by_its_row(tmp_path: Path) -> None:
    values = [230.0] * 40
    values[17] = 65535.0
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": pa.array(values, pa.float32())})
    _, filled = decoded(path, 10, 30, [1])
    [bad] = filled.bad
    assert (bad.rows, bad.text, bad.count, bad.all_blank) == ((18,), "65535", 1, False)


def test_lists_in_a_column_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": pa.array([[1.0], None, [2.0]])})
    with pytest.raises(InputError, match=r"column 'voltage.an \[V\]' holds values of type list<.*; store it as "):
        read([path])


# Small files that promise large ones.


def test_more_rows_than_a_file_of_its_size_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pqcheck.io.parquet.FREE_ROWS", 1000)
    columns = {"time": pa.array(np.full(2_000_000, START), pa.timestamp("us", tz="UTC")),
               "voltage.an [V]": np.full(2_000_000, 230.0)}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet")
    with pytest.raises(InputError, match=r"^a\.parquet states 2000000 rows in \d+ bytes, which no recording has; "):
        read([tmp_path / "a.parquet"])


@pytest.mark.parametrize("dictionary", [True, False])
def test_texts_that_unpack_to_gigabytes(tmp_path: Path, dictionary: bool) -> None:
    """20 GB where every row is written out; what is stored once is looked at once."""
    count = 20_000 if dictionary else 40
    once = pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array(["2" * 1_000_000]))
    column = once if dictionary else once.cast(pa.string())
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": column}, use_dictionary=dictionary, compression="zstd",
                   write_statistics=False)
    with pytest.raises(InputError, match="no number in any of 20000" if dictionary else "unpacks to more than 200"):
        read([path])


def test_a_text_stamp_in_every_row(tmp_path: Path) -> None:
    stamp = pa.array(["2031-03-03T00:00:00Z" + " " * 1_000_000])
    columns = {"time": pa.DictionaryArray.from_arrays(pa.array(np.zeros(20_000, np.int32)), stamp),
               "voltage.an [V]": np.full(20_000, 230.0)}
    parquet.write_table(pa.table(columns), tmp_path / "a.parquet")
    with pytest.raises(InputError, match=r"^a\.parquet, row 1: the time is '2031-03-03T00:00:00Z .*\.\.\.', which"):
        read([tmp_path / "a.parquet"])


def test_the_name_of_a_column_has_an_end(tmp_path: Path) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]" + "x" * 100_000: [230.0] * 3})
    with pytest.raises(InputError, match=r"a name of 100014 characters \('voltage.an \[V\]xxxxxx'\.\.\.\)"):
        read([path])


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
                "current.b [A]": pa.array([str(value) for value in chance.integers(0, 9, 300)]),
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
def test_damaged_bytes_end_in_a_sentence_or_in_values(sound: dict[str, bytes], name: str, tmp_path: Path) -> None:
    """Bytes changed at random places, in the pages and in the footer."""
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
    begin = parquet.ParquetFile(path).metadata.row_group(0).column(1).data_page_offset
    data = bytearray(path.read_bytes())
    data[begin : begin + 60] = b"\xff" * 60
    path.write_bytes(data)
    table = read_parquet_table(path, None)
    with pytest.raises(InputError, match=r"^a\.parquet is a damaged Parquet file \(.*\); copy it again$"):
        values_of(table.decoder, table.chunks[0], [1])


def test_a_file_that_ends_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": np.random.default_rng(5).random(300)})
    table = read_parquet_table(path, None)

    def unwatched(source: Source) -> Any:
        return open(source.path, "rb", buffering=0)

    monkeypatch.setattr(Source, "open", unwatched)
    os.truncate(path, 100)
    with pytest.raises(InputError, match=r"^a\.parquet is a damaged Parquet file \(.*\); copy it again$"):
        values_of(table.decoder, table.chunks[0], [1])


def test_a_text_that_is_none_is_a_damaged_file(tmp_path: Path) -> None:
    path = written(tmp_path / "a.parquet", {"voltage.an [V]": ["231.5", "229.5"]}, compression="none")
    path.write_bytes(path.read_bytes().replace(b"231.5", b"231.\xd7"))
    with pytest.raises(InputError, match=r"^a\.parquet is a damaged Parquet file \(.*\); copy it again$"):
        read([path])


@pytest.mark.parametrize("end", [b"\xff\xff\xff\x7fPAR1", b"\x02\x00\x00\x00PAR1", b"PARE", None, b""])
def test_a_footer_that_contradicts_itself(sound: dict[str, bytes], tmp_path: Path, end: bytes | None) -> None:
    whole = sound["zstd-1.0"]
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PAR1PAR1" if end is None else whole[:-8] + end)
    with pytest.raises(InputError, match="damaged Parquet"):
        read([path])


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
