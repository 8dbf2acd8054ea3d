"""Parquet: the time column alone first, then one row group at a time."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import Instants, parse_iso
from pqcheck.errors import InputError
from pqcheck.readers.columns import resolve_columns
from pqcheck.readers.csv_table import find_time
from pqcheck.readers.source import open_source, sha256_of
from pqcheck.readers.table import BadCells, Decoded, RowNumbers, Slab, Table
from pqcheck.recording import Values

_MAGIC = b"PAR1"
_UNIT_KEYS = (b"unit", b"units")
_MICROSECONDS = {"s": 1_000_000, "ms": 1000, "us": 1}


def is_parquet(path: Path) -> bool:
    """Whether a file starts like a Parquet file."""
    try:
        with open(path, "rb") as handle:
            return handle.read(4) == _MAGIC
    except OSError:
        return False


def read_parquet_table(path: Path, mapping: Mapping[str, str]) -> Table:
    """Scan one Parquet file. InputError says what keeps it from being read."""
    import pyarrow as pa
    from pyarrow import parquet

    source = open_source(path)
    try:
        file = parquet.ParquetFile(path)
        schema = file.schema_arrow
        columns = [name for name in schema.names if not name.startswith("__index_level_")]
        headers = [_with_unit(name, schema.field(name)) for name in columns]
        time_column = find_time([header if name != "time" else name for name, header in zip(columns, headers,
                                strict=True)], mapping, source.name)
        stamps, local = _stamps(file.read(columns=[columns[time_column]]).column(0), source.name)
        groups = [file.metadata.row_group(number).num_rows for number in range(file.num_row_groups)]
        file.close()
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, OSError) as error:
        reason = str(error).splitlines()[0]
        raise InputError(f"{source.name} is a damaged Parquet file ({reason}); copy it again") from None
    if not stamps.size:
        raise InputError(f"{source.name} holds a header and no rows; export the recording again")
    channels, unknown = resolve_columns(headers, mapping)
    channels.pop(time_column, None)
    narrow = frozenset(number for number in channels if schema.field(columns[number]).type == pa.float32())
    firsts = np.concatenate(([0], np.cumsum(groups)))
    slabs = tuple(
        Slab(int(firsts[number]), rows, (number, 0)) for number, rows in enumerate(groups) if rows
    )
    numbers = RowNumbers.plain(1)
    return Table(
        name=source.name,
        sha256=sha256_of(path),
        headers=tuple(headers),
        time_column=time_column,
        channels=channels,
        unknown=tuple(pair for pair in unknown if pair[0] != time_column),
        stamps=stamps,
        local=local,
        row_numbers=numbers,
        slabs=slabs,
        decode=ParquetDecoder(path, tuple(columns), numbers),
        narrow=narrow,
        size=stamps.size * sum(4 if number in narrow else 8 for number in channels),
    )


def _with_unit(name: str, field: Any) -> str:
    """The header of a column; a unit in the column's metadata completes a header that has none."""
    metadata = field.metadata or {}
    for key in _UNIT_KEYS:
        if key in metadata and "[" not in name:
            return f"{name} [{metadata[key].decode('utf-8', 'replace')}]"
    return name


def _stamps(column: Any, name: str) -> tuple[Instants, bool]:
    """Microseconds of the time column and whether they still lack a zone."""
    import pyarrow as pa

    kind = column.type
    if column.null_count:
        row = int(np.argmax(column.is_null().to_numpy())) + 1
        raise InputError(f"{name}, row {row}: the time is empty; every row needs a stamp")
    if pa.types.is_timestamp(kind):
        whole = column.cast(pa.int64()).to_numpy()
        if kind.unit == "ns":
            return whole // 1000, kind.tz is None
        return whole * _MICROSECONDS[kind.unit], kind.tz is None
    if pa.types.is_date(kind):
        return column.cast(pa.timestamp("us")).cast(pa.int64()).to_numpy(), True
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        raise InputError(f"{name}: column 'time' is of type {kind}; store it as a timestamp or as ISO 8601 text")
    values, offsets = np.zeros(len(column), np.int64), set()
    for row, text in enumerate(column.to_pylist()):
        try:
            values[row], with_offset = parse_iso(text)
        except ValueError:
            raise InputError(f"{name}, row {row + 1}: the time is {text!r}, which is no ISO 8601 stamp") from None
        offsets.add(with_offset)
    if len(offsets) > 1:
        raise InputError(f"{name}: some stamps carry an offset and some do not; write all of them one way")
    return values, offsets != {True}


@dataclass(frozen=True)
class ParquetDecoder:
    """Decodes row groups of one Parquet file."""

    path: Path
    columns: tuple[str, ...]
    row_numbers: RowNumbers
    local: threading.local = field(default_factory=threading.local)

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """Numbers of the asked columns of one row group."""
        from pyarrow import parquet

        with parquet.ParquetFile(self.path) as file:
            asked = [self.columns[column] for column in columns]
            table = file.read_row_group(slab.place[0], columns=asked, use_threads=False)
        values: list[Values] = []
        bad: list[BadCells] = []
        for column, name in zip(columns, asked, strict=True):
            numbers, found = self._numbers(table.column(name), column, slab)
            values.append(numbers)
            if found is not None:
                bad.append(found)
        return Decoded(values, tuple(bad))

    def _numbers(self, column: Any, number: int, slab: Slab) -> tuple[Values, BadCells | None]:
        import pyarrow as pa

        kind = column.type
        if kind not in (pa.float32(), pa.float64()):
            try:
                column = column.cast(pa.float64(), safe=False)
            except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
                return self._texts(column.to_pylist(), number, slab)
        pieces: list[NDArray[Any]] = [chunk.to_numpy(zero_copy_only=False) for chunk in column.chunks]
        return (pieces[0] if len(pieces) == 1 else np.concatenate(pieces)), None

    def _texts(self, cells: list[Any], number: int, slab: Slab) -> tuple[Values, BadCells | None]:
        values = np.full(len(cells), np.nan)
        wrong = []
        for at, cell in enumerate(cells):
            if cell is None or not str(cell).strip():
                continue
            try:
                values[at] = float(cell)
            except (TypeError, ValueError):
                wrong.append(at)
        if not wrong:
            return values, None
        rows = self.row_numbers.of(np.array(wrong[:5], np.int64) + slab.first_row)
        return values, BadCells(number, len(wrong), tuple(rows.tolist()), str(cells[wrong[0]]))
