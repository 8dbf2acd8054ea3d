"""Parquet: the time column alone first, then some rows of all columns at a time."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from pqcheck.clock import Instants, parse_iso
from pqcheck.errors import InputError
from pqcheck.readers.arrow_schema import units_of
from pqcheck.readers.cells import POINT, read_column, without_codes
from pqcheck.readers.columns import find_time, resolve_columns
from pqcheck.readers.scale import Scaled, scales_of
from pqcheck.readers.source import Source, hashed_beside, open_source
from pqcheck.readers.table import BadCells, Decoded, RowNumbers, Slab, Table
from pqcheck.readers.times import Times
from pqcheck.recording import Values
from pqcheck.records import dataclass
from pqcheck.site.model import Site

SLAB_BYTES = 48 << 20
"""Decoded bytes of the row groups that are taken together: a day of 3-second values of 300 channels."""

GROUP_BYTES = 256 << 20
"""Up to this size a row group is decoded once and held until its last block (a week in one group: 236 MiB)."""

STEP_BYTES = 96 << 20
"""A larger row group is decoded in steps. Each decodes the pages it touches anew: for nothing where pages are small
(20,000 rows), and the whole group where each of its columns is one page."""

FIRST_BAD_ROWS = 5
_PER_SECOND = {"ms": 1000, "us": 1}


def read_parquet_table(path: Path, site: Site | None) -> Table:
    """Scan one Parquet file. InputError says what keeps it from being read."""
    source = open_source(path)
    with hashed_beside(path) as digest:
        table = _looked_at(source, path, site)
        return replace(table, sha256=digest.result())


def _looked_at(source: Source, path: Path, site: Site | None) -> Table:
    """The table without its checksum."""
    import polars as pl

    mapping = site.recording.columns if site is not None else {}
    try:
        frame = pl.scan_parquet(path, glob=False, hive_partitioning=False)
        schema = frame.collect_schema()
        # The files of a year have the same names, which are held once.
        columns = [sys.intern(name) for name in schema.names() if not name.startswith("__index_level_")]
        units = units_of(pl.read_parquet_metadata(path).get("ARROW:schema", ""))
        headers = [f"{name} [{units[name]}]" if name in units and "[" not in name else name for name in columns]
        time_column = find_time(headers, mapping, source.name)
        times = frame.select(columns[time_column]).collect().to_series()
        stamps, local = _stamps(times, source.name)
    except (pl.exceptions.PolarsError, OSError) as error:
        reason = str(error).splitlines()[0]
        raise InputError(f"{source.name} is a damaged Parquet file ({reason}); copy it again") from None
    if not stamps.size:
        raise InputError(f"{source.name} holds a header and no rows; export the recording again")
    channels, unknown = resolve_columns(headers, mapping)
    channels.pop(time_column, None)
    channels, scales = scales_of(channels, site)
    narrow = frozenset(number for number in channels if schema[columns[number]] == pl.Float32 and number not in scales)
    row_bytes = sum(4 if number in narrow else 8 for number in channels) or 8
    numbers = RowNumbers.plain(1)
    decode = ParquetDecoder(source, tuple(columns), numbers)
    return Table(
        name=source.name,
        sha256="",
        headers=tuple(headers),
        time_column=time_column,
        channels=channels,
        unknown=tuple(pair for pair in unknown if pair[0] != time_column),
        stamps=Times.of(stamps),
        local=local,
        row_numbers=numbers,
        slabs=_slabs(times.chunk_lengths(), row_bytes),
        decode=Scaled(decode, scales) if scales else decode,
        narrow=narrow,
        columnar=True,
        size=stamps.size * row_bytes,
    )


def _slabs(groups: Sequence[int], row_bytes: int) -> tuple[Slab, ...]:
    """Slabs that begin and end with row groups, given by their rows, as far as these are not too large."""
    ends: list[int] = []
    first = rows = 0
    for count in filter(None, groups):
        if (rows + count - first) * row_bytes > SLAB_BYTES and rows > first:
            ends.append(rows)
            first = rows
        if count * row_bytes > GROUP_BYTES:
            steps = -(-count * row_bytes // STEP_BYTES)
            ends += [rows + count * step // steps for step in range(1, steps)]
            first = ends[-1]
        rows += count
    ends.append(rows)
    return tuple(Slab(low, high - low, (low, high)) for low, high in pairwise([0, *ends]) if high > low)


def _stamps(series: Any, name: str) -> tuple[Instants, bool]:
    """Microseconds of the time column and whether they still lack a zone."""
    import polars as pl

    kind = series.dtype
    if series.null_count():
        row = int(np.argmax(series.is_null().to_numpy())) + 1
        raise InputError(f"{name}, row {row}: the time is empty; every row needs a stamp")
    if isinstance(kind, pl.Datetime):
        whole: Instants = series.to_physical().to_numpy().astype(np.int64)
        if kind.time_unit == "ns":
            return whole // 1000, kind.time_zone is None
        return whole * _PER_SECOND[kind.time_unit], kind.time_zone is None
    if kind == pl.Date:
        return series.cast(pl.Datetime("us")).to_physical().to_numpy().astype(np.int64), True
    if kind in (pl.Categorical, pl.Enum):
        series = series.cast(pl.String)
    if series.dtype != pl.String:
        raise InputError(f"{name}: column 'time' is of type {kind}; store it as a timestamp or as ISO 8601 text")
    values, offsets = np.zeros(len(series), np.int64), set()
    for row, text in enumerate(series.to_list()):
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
    """Decodes ranges of rows of one Parquet file."""

    source: Source
    columns: tuple[str, ...]
    row_numbers: RowNumbers

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """Numbers of the asked columns of some rows."""
        import polars as pl

        if not columns:
            return Decoded(())
        asked = [self.columns[column] for column in columns]
        self.source.open().close()
        frame = pl.scan_parquet(self.source.path, glob=False, hive_partitioning=False)
        try:
            found = frame.slice(slab.first_row, slab.rows).select(asked).collect()
        except (pl.exceptions.PolarsError, OSError) as error:
            reason = str(error).splitlines()[0]
            raise InputError(f"{self.source.name} is a damaged Parquet file ({reason}); copy it again") from None
        if found.height != slab.rows:
            raise InputError(f"{self.source.name} became shorter while it was being read; run again")
        values: list[Values] = []
        bad: list[BadCells] = []
        for column, series in zip(columns, found.get_columns(), strict=True):
            numbers, wrong, sample = _numbers(series)
            values.append(numbers)
            if wrong.size:
                rows = self.row_numbers.of(wrong[:FIRST_BAD_ROWS] + slab.first_row)
                bad.append(BadCells(column, int(wrong.size), tuple(rows.tolist()), sample))
        return Decoded(values, tuple(bad))


def _numbers(series: Any) -> tuple[Values, Any, str]:
    """Numbers of a column, the places that hold none, and the first text there."""
    import polars as pl

    if series.dtype not in (pl.Float32, pl.Float64):
        if series.dtype.is_numeric() or series.dtype in (pl.Boolean, pl.Null):
            series = series.cast(pl.Float64)
        else:
            try:
                found = read_column(series.cast(pl.String), POINT)
            except pl.exceptions.PolarsError:
                return np.full(len(series), np.nan), np.flatnonzero(series.is_not_null().to_numpy()), str(series.dtype)
            return found.values, found.wrong, found.sample
    return without_codes(series.to_numpy())
