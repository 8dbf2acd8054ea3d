"""Parquet: the time column alone first, then the numbers, some rows of the asked columns at a time."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.io.csv.cells import ReadCells, read_cells
from pqcheck.io.csv.csv_decoder import unit_behind
from pqcheck.io.csv.error_codes import needs_a_look, write_cells
from pqcheck.io.decoder import Chunk, Filled, Move, RowNumbers, Table, move_values
from pqcheck.io.event_table import find_event_header
from pqcheck.io.headers.exact_names import find_time, resolve_columns
from pqcheck.io.source_files import CHUNK, LATER, RATIO_LIMIT, Source, open_source
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.io.unit_conversions import converted, scales_of
from pqcheck.model.clock import Instants, parse_iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Values
from pqcheck.site.site_values import Site

if TYPE_CHECKING:
    import pyarrow as pa

CHUNK_BYTES = 48 << 20
"""Bytes of the numbers of a chunk: some small row groups together."""

CUT_BYTES = 16 << 20
"""The same where a large row group is cut: its days share chunks, which are held until the last of them is done."""

BATCH_VALUES = 500_000
"""Values that one call of the library decodes: more only take memory."""

BATCH_COLUMNS = 16
"""Columns that one call decodes: few long columns copy faster than many short ones."""

FREE_ROWS = 40_000_000
"""Rows that a file of any size may have, a year of seconds; beyond, they are held against its size."""

LONGEST_NAME = 10_000
"""Characters of the name of a column."""

LONGEST_TEXT = 100
"""Characters of a text cell that are looked at: what is longer is no number and no stamp."""

UNIT_KEYS = (b"unit", b"units")
"""Keys of a column's metadata under which writers store its unit."""

_INDEX = "__index_level_"
_PER_MICROSECOND = {"s": (1_000_000, 1), "ms": (1000, 1), "us": (1, 1), "ns": (1, 1000)}
"""Factor and divisor that make microseconds of a stamp, by its unit."""


def read_parquet_table(path: Path, site: Site | None) -> Table:
    """Scan one Parquet file. InputError says what keeps it from being read."""
    import pyarrow as pa

    source = open_source(path)
    mapping = site.recording.columns if site is not None else {}
    with _damage_of(source):
        from pyarrow import parquet

        file = parquet.ParquetFile(path)
        schema = file.schema_arrow
        texts = tuple(each.name for each in schema if _is_text(each.type))
        _check_proportions(source, file.metadata, texts)
        # A text that is stored once stays so, however many rows it stands in.
        file = parquet.ParquetFile(path, read_dictionary=texts) if texts else file
        groups = tuple(file.metadata.row_group(number).num_rows for number in range(file.metadata.num_row_groups))
        fields = [each for each in schema if not each.name.startswith(_INDEX)]
        # The files of a year have the same names, which are held once.
        names = tuple(sys.intern(each.name) for each in fields)
        headers = [_header(each.name, each.metadata or {}) for each in fields]
        if find_event_header([",".join(headers)]) is not None:
            raise InputError(f"{source.name} is an event table; events are read from CSV or a workbook, export it so")
        time_column = find_time(headers, mapping, source.name)
        times = file.read([names[time_column]], use_pandas_metadata=False)
        stamps, local = _stamps(times.column(times.schema.names.index(names[time_column])), source.name)
    if not stamps.size:
        raise InputError(f"{source.name} holds a header and no rows; export the recording again")
    channels, unknown = resolve_columns(headers, mapping)
    channels.pop(time_column, None)
    for number in channels:
        if pa.types.is_nested(fields[number].type):
            raise InputError(
                f"{source.name}: column {headers[number]!r} holds values of type {fields[number].type}; store it as "
                "a column of numbers"
            )
    written = channels
    channels, scales = scales_of(channels, site)
    single = frozenset(number for number in channels if str(fields[number].type) == "float")
    row_bytes = sum(4 if number in single else 8 for number in channels) or 8
    numbers = RowNumbers.plain(1)
    numeric = frozenset(number for number in channels if _is_number(fields[number].type))
    decoder = ParquetDecoder(source, names, numeric, groups, numbers, written, texts)
    return Table(
        name=source.name,
        checksum=LATER.of(source),
        headers=tuple(headers),
        time_column=time_column,
        channels=channels,
        unknown=tuple(pair for pair in unknown if pair[0] != time_column),
        stamps=Times.of(stamps),
        local=local,
        row_numbers=numbers,
        chunks=_chunks(groups, row_bytes),
        decoder=converted(decoder, scales, single),
        narrow=single - scales.keys(),
        size=stamps.size * row_bytes,
    )


def _check_proportions(source: Source, footer: Any, texts: Sequence[str]) -> None:
    """Raise InputError for a footer that promises more rows or text than a file of this size holds of a recording."""
    longest = max((footer.schema.column(number).path for number in range(footer.num_columns)), key=len, default="")
    if len(longest) > LONGEST_NAME:
        raise InputError(
            f"{source.name} has a column with a name of {len(longest)} characters ({longest[:20]!r}...), which no "
            "recording has; export it again"
        )
    groups = [footer.row_group(number) for number in range(footer.num_row_groups)]
    rows = sum(group.num_rows for group in groups)
    if rows > max(FREE_ROWS, RATIO_LIMIT * source.size // 8):
        raise InputError(
            f"{source.name} states {rows} rows in {source.size} bytes, which no recording has; export it again"
        )
    for number in range(footer.num_columns):
        if (name := footer.schema.column(number).path) not in texts:
            continue
        size = sum(group.column(number).total_uncompressed_size for group in groups)
        if size > max(CHUNK, RATIO_LIMIT * source.size):
            raise InputError(
                f"{source.name}: the text of column {name!r} unpacks to more than {RATIO_LIMIT} times the size of the "
                "file, which no recording does; export it again with numbers in the columns"
            )


@contextmanager
def _damage_of(source: Source) -> Iterator[None]:
    """Whatever the library meets in damaged bytes becomes an InputError."""
    import pyarrow as pa

    try:
        yield
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        why = (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
        raise InputError(f"{source.name} is a damaged Parquet file ({why}); copy it again") from None


def _header(name: str, metadata: Mapping[bytes, bytes]) -> str:
    unit = next((metadata[key].decode("utf-8", "replace") for key in UNIT_KEYS if key in metadata), None)
    return name if unit is None or "[" in name else f"{name} [{unit}]"


def _chunks(groups: Sequence[int], row_bytes: int) -> tuple[Chunk, ...]:
    """Chunks of small row groups together, given by their rows; a large one is cut."""
    ends = [0]
    rows = 0
    for count in groups:
        if (rows + count - ends[-1]) * row_bytes > CHUNK_BYTES:
            ends.append(rows)
        rows += count
        if count * row_bytes > CHUNK_BYTES:
            steps = -(-count * row_bytes // CUT_BYTES)
            ends += [rows - count + count * step // steps for step in range(1, steps + 1)]
    return tuple(Chunk(low, high - low) for low, high in pairwise([*ends, rows]) if high > low)


def _stamps(column: pa.ChunkedArray, name: str) -> tuple[Instants, bool]:
    """Microseconds of the time column and whether they still lack a zone."""
    import pyarrow as pa

    kind = column.type
    if column.null_count:
        row = next(row for row, stamp in enumerate(column) if not stamp.is_valid) + 1
        raise InputError(f"{name}, row {row}: the time is empty; every row needs a stamp")
    if pa.types.is_date(kind):
        column = column.cast(pa.timestamp("us"))
        kind = column.type
    if pa.types.is_timestamp(kind):
        factor, divisor = _PER_MICROSECOND[kind.unit]
        whole = [_buffer_of(each, np.dtype(np.int64)) for each in column.chunks]
        stamps = np.concatenate([*whole, np.zeros(0, np.int64)])
        return (stamps // divisor if divisor > 1 else stamps * factor), kind.tz is None
    if not _is_text(kind):
        raise InputError(f"{name}: column 'time' is of type {kind}; store it as a timestamp or as ISO 8601 text")
    values, offsets = np.zeros(len(column), np.int64), set()
    for row, text in enumerate(text for chunk in column.chunks for text in _texts_of(chunk)):
        try:
            values[row], with_offset = parse_iso(text)
        except ValueError:
            raise InputError(f"{name}, row {row + 1}: the time is {text!r}, which is no ISO 8601 stamp") from None
        offsets.add(with_offset)
    if len(offsets) > 1:
        raise InputError(f"{name}: some stamps carry an offset and some do not; write all of them one way")
    return values, offsets != {True}


def _is_text(kind: pa.DataType) -> bool:
    import pyarrow as pa

    kind = kind.value_type if pa.types.is_dictionary(kind) else kind
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _buffer_of(array: pa.Array, kind: np.dtype[Any]) -> NDArray[Any]:
    """The values of an array of fixed width as they lie in memory; its own conversion would load pandas."""
    if not len(array):
        return np.zeros(0, kind)
    return np.frombuffer(array.buffers()[1], kind, len(array), kind.itemsize * array.offset)


_KINDS = {
    "float": np.float32, "double": np.float64, "int8": np.int8, "int16": np.int16, "int32": np.int32, "int64": np.int64,
    "uint8": np.uint8, "uint16": np.uint16, "uint32": np.uint32, "uint64": np.uint64,
}  # fmt: skip


def _is_number(kind: pa.DataType) -> bool:
    import pyarrow as pa

    is_whole, is_broken = pa.types.is_integer(kind), pa.types.is_floating(kind)
    return bool(is_whole or is_broken or pa.types.is_boolean(kind) or pa.types.is_null(kind))


def _numbers_of(array: pa.Array, width: np.dtype[Any]) -> Values:
    """The numbers of an array, NaN where they are missing."""
    import pyarrow as pa

    if str(array.type) not in _KINDS:
        array = array.cast(pa.float64())
    values: Values = _buffer_of(array, np.dtype(_KINDS[str(array.type)]))
    if array.null_count:
        valid = np.unpackbits(np.frombuffer(array.buffers()[0], np.uint8), bitorder="little")
        values = values.astype(width)
        values[valid[array.offset : array.offset + len(array)] == 0] = np.nan
    return values


def _texts_of(array: pa.Array) -> list[str]:
    """The cells of a column that is no column of numbers, as texts; blank where they are missing."""
    import pyarrow as pa

    if pa.types.is_dictionary(array.type):
        # In damaged pages a place may lie outside the dictionary.
        array.validate(full=True)
        words = _texts_of(array.dictionary)
        return ["" if place is None else words[place] for place in array.indices.to_pylist()]
    try:
        texts = [text or "" for text in array.cast(pa.string()).to_pylist()]
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
        return [str(array.type) if cell.is_valid else "" for cell in array]
    return [text if len(text) <= LONGEST_TEXT else f"{text[:LONGEST_TEXT]}..." for text in texts]


class _Batches:
    """The rows of one row group in order, a batch at a time; a chunk may end in its midst."""

    def __init__(self, decoder: ParquetDecoder, columns: tuple[int, ...], row: int) -> None:
        """Of the row group that holds a row."""
        ends = np.cumsum(decoder.groups)
        group = int(np.searchsorted(ends, row, side="right"))
        self.end = int(ends[group])
        self.row = self.end - decoder.groups[group]
        self._rest: pa.RecordBatch | None = None
        self._following = decoder.file().iter_batches(
            max(1, BATCH_VALUES // len(columns)), [group],
            list(dict.fromkeys(decoder.columns[column] for column in columns)), use_threads=False,
        )

    def rows(self, low: int, high: int) -> Iterator[tuple[int, pa.RecordBatch]]:
        """Batches of the rows low..high of the file, each with the place of its first row among them."""
        while self.row < high:
            batch = self._rest if self._rest is not None else next(self._following, None)
            if batch is None:
                raise ValueError("it ends before its last row")
            begin, behind = max(0, low - self.row), min(batch.num_rows, high - self.row)
            if begin < behind:
                yield self.row + begin - low, batch.slice(begin, behind - begin)
            # The batch is let go before the next one is decoded.
            self._rest = batch.slice(behind) if behind < batch.num_rows else None
            self.row += behind
            del batch


class ParquetDecoder(Struct, frozen=True):
    """The numbers of one Parquet file.

    `groups` are the rows of its row groups, `numeric` the columns of numbers; all others are read as texts. `channels`
    say what the columns hold, in the units in which they are written.
    """

    source: Source
    columns: tuple[str, ...]
    numeric: frozenset[int]
    groups: tuple[int, ...]
    row_numbers: RowNumbers
    channels: Mapping[int, Channel] = field(default_factory=dict)
    texts: tuple[str, ...] = ()
    """Names of the columns of texts."""
    under_way: dict[tuple[int, ...], _Batches] = field(default_factory=dict)
    """By columns: the row group that was read in part. The next chunk goes on from there."""
    opened: list[Any] = field(default_factory=list)
    """The file, while it is being read: its footer is parsed once."""

    def fill(self, chunk: Chunk, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]) -> Filled:
        """Write the asked columns of a chunk to their places."""
        with _damage_of(self.source):
            filled = Filled.joined(list(self._columns(chunk, dict(zip(columns, rows, strict=True)), moves)))
        if chunk.first_row + chunk.rows == sum(self.groups):
            self.opened.clear()
        return filled

    def _columns(self, chunk: Chunk, rows: Mapping[int, Values], moves: Sequence[Move]) -> Iterator[Filled]:
        """Write columns to their places; what was noticed in those that needed a closer look."""
        numbers = [column for column in rows if column in self.numeric]
        for column in self._numbers(chunk, numbers, rows, moves):
            # What may be an error code is told apart by all readings of the chunk.
            whole = {column: np.empty(chunk.rows, rows[column].dtype)}
            self._numbers(chunk, [column], whole, [(0, 0, chunk.rows)])
            cells = ReadCells(whole[column])
            yield write_cells(
                column, cells, rows[column], moves, chunk, self.row_numbers, self.channels.get(column)
            )
        for column in sorted(rows.keys() - self.numeric):
            texts = [text for _, batch in self._batches(chunk, [column]) for text in _texts_of(batch.column(0))]
            channel = self.channels.get(column)
            cells = read_cells(texts, ".", unit_behind(channel))
            yield write_cells(column, cells, rows[column], moves, chunk, self.row_numbers, channel)

    def _numbers(
        self, chunk: Chunk, columns: Sequence[int], rows: Mapping[int, Values], moves: Sequence[Move]
    ) -> list[int]:
        """Write columns of numbers to their places; those of which the largest or smallest may be an error code."""
        tops, bottoms = np.full(len(columns), -np.inf), np.full(len(columns), np.inf)
        for start in range(0, len(columns), BATCH_COLUMNS):
            part = columns[start : start + BATCH_COLUMNS]
            for first, batch in self._batches(chunk, part):
                here = _moves_within(moves, first, batch.num_rows)
                names = {name: place for place, name in enumerate(batch.schema.names)}
                for at, column in enumerate(part, start):
                    values = _numbers_of(batch.column(names[self.columns[column]]), rows[column].dtype)
                    move_values([values], [rows[column]], here)
                    tops[at] = np.fmax(tops[at], np.fmax.reduce(values))
                    bottoms[at] = np.fmin(bottoms[at], np.fmin.reduce(values))
        look = needs_a_look(tops, bottoms, [self.channels.get(column) for column in columns])
        return [column for column, odd in zip(columns, look.tolist(), strict=True) if odd]

    def file(self) -> Any:
        """The open file."""
        from pyarrow import parquet

        if not self.opened:
            texts = self.texts or None
            self.opened.append(parquet.ParquetFile(self.source.path, pre_buffer=False, read_dictionary=texts))
        return self.opened[0]

    def _batches(self, chunk: Chunk, columns: Sequence[int]) -> Iterator[tuple[int, pa.RecordBatch]]:
        """The rows of a chunk in batches, each with the place of its first row in the chunk."""
        if not columns:
            return
        asked, row, high = tuple(columns), chunk.first_row, chunk.first_row + chunk.rows
        self.source.open().close()
        while row < high:
            group = self.under_way.pop(asked, None)
            if group is None or group.row != row:
                group = _Batches(self, asked, row)
            stop = min(high, group.end)
            yield from ((row - chunk.first_row + at, batch) for at, batch in group.rows(row, stop))
            if stop < group.end:
                self.under_way[asked] = group
            row = stop


def _moves_within(moves: Sequence[Move], first: int, rows: int) -> list[Move]:
    """The moves of some rows of a chunk from the first on, counted from there."""
    inside = []
    for to, of, size in moves:
        low, high = max(of, first), min(of + size, first + rows)
        if low < high:
            inside.append((to + low - of, low - first, high - low))
    return inside
