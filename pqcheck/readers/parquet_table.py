"""Parquet: the time column alone first, then some rows of some columns at a time.

Plain tables are read by our own reader (pages.py), without the library; what it does not understand, the library reads.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.clock import Instants, parse_iso
from pqcheck.errors import InputError
from pqcheck.readers.arrow_schema import units_of
from pqcheck.readers.cells import POINT, read_column, without_codes
from pqcheck.readers.columns import find_time, resolve_columns
from pqcheck.readers.pages import PageDecoder, available, damaged, read_integers
from pqcheck.readers.parquet_footer import FLOAT, Footer, read_footer
from pqcheck.readers.scale import Scaled, scales_of
from pqcheck.readers.source import LATER, Source, open_source
from pqcheck.readers.table import BadCells, Decoded, RowNumbers, Slab, Table, bad_cells
from pqcheck.readers.times import Times
from pqcheck.recording import Values
from pqcheck.site.model import Site

SLAB_BYTES = 48 << 20
"""Decoded bytes of the row groups that are taken together: a day of 3-second values of 300 channels."""

GROUP_BYTES = 256 << 20
"""Up to this size a row group is decoded once and held until its last block (a week in one group: 236 MiB)."""

STEP_BYTES = 96 << 20
"""A larger row group is decoded in steps. Each decodes the pages it touches anew: for nothing where pages are small
(20,000 rows), and the whole group where each of its columns is one page."""

OWN_STEP = 600_000
"""Values that one call of our own reader decodes: few enough to be laid while they are in the caches."""

LIBRARY_STEP = 3_000_000
"""The same for the library, whose calls cost more."""

_INDEX = "__index_level_"
_SCHEMA_KEY = "ARROW:schema"
_PER_SECOND = {"ms": 1000, "us": 1}


def read_parquet_table(path: Path, site: Site | None) -> Table:
    """Scan one Parquet file. InputError says what keeps it from being read."""
    source = open_source(path)
    return replace(_looked_at(source, path, site), checksum=LATER.of(source))


class _Head(Struct, frozen=True):
    """What a file says before its numbers are read. `narrow` are the float32 columns."""

    columns: tuple[str, ...]
    units: Mapping[str, str]
    narrow: frozenset[int]
    footer: Footer | None
    """Where our own reader understands the file."""


def _looked_at(source: Source, path: Path, site: Site | None) -> Table:
    """The table without its checksum."""
    mapping = site.recording.columns if site is not None else {}
    head = _own_head(source) or _library_head(source, path)
    headers = [
        f"{name} [{head.units[name]}]" if name in head.units and "[" not in name else name for name in head.columns
    ]
    time_column = find_time(headers, mapping, source.name)
    own = head.footer.stamps(time_column) if head.footer is not None else None
    if head.footer is not None and own is not None:
        stamps, local = _as_microseconds(read_integers(source, head.footer, time_column), *own[:2]), own[2]
        groups: Sequence[int] = [group.rows for group in head.footer.groups]
    else:
        stamps, local, groups = _library_stamps(source, head.columns[time_column])
    if not stamps.size:
        raise InputError(f"{source.name} holds a header and no rows; export the recording again")
    channels, unknown = resolve_columns(headers, mapping)
    channels.pop(time_column, None)
    channels, scales = scales_of(channels, site)
    narrow = frozenset(number for number in channels if number in head.narrow and number not in scales)
    row_bytes = sum(4 if number in narrow else 8 for number in channels) or 8
    numbers = RowNumbers.plain(1)
    decode: Callable[[Slab, Sequence[int]], Decoded] = ParquetDecoder(source, head.columns, numbers)
    plain = head.footer.plain(sorted(channels)) if head.footer is not None else frozenset()
    if head.footer is not None and plain:
        decode = PageDecoder(source, head.footer, plain, numbers, decode)
    return Table(
        name=source.name,
        checksum="",
        headers=tuple(headers),
        time_column=time_column,
        channels=channels,
        unknown=tuple(pair for pair in unknown if pair[0] != time_column),
        stamps=Times.of(stamps),
        local=local,
        row_numbers=numbers,
        slabs=_slabs(groups, row_bytes),
        decode=Scaled(decode, scales) if scales else decode,
        narrow=narrow,
        piece_values=OWN_STEP if plain else LIBRARY_STEP,
        size=stamps.size * row_bytes,
    )


def _own_head(source: Source) -> _Head | None:
    """What our own reader understands of a file; None where that is not enough."""
    footer = read_footer(source) if available() else None
    if footer is None or not footer.rows:
        return None
    footer = footer.keep([number for number, each in enumerate(footer.columns) if not each.name.startswith(_INDEX)])
    # The files of a year have the same names, which are held once.
    names = tuple(sys.intern(element.name) for element in footer.columns)
    narrow = frozenset(number for number, element in enumerate(footer.columns) if element.type == FLOAT)
    # What is stored under keys is large, and no longer needed.
    return _Head(names, units_of(footer.keys.get(_SCHEMA_KEY, "")), narrow, replace(footer, keys={}))


def _library_head(source: Source, path: Path) -> _Head:
    import polars as pl

    try:
        schema = pl.scan_parquet(path, glob=False, hive_partitioning=False).collect_schema()
        names = tuple(sys.intern(name) for name in schema.names() if not name.startswith(_INDEX))
        units = units_of(pl.read_parquet_metadata(path).get(_SCHEMA_KEY, ""))
    except (pl.exceptions.PolarsError, OSError) as error:
        raise damaged(source, str(error).splitlines()[0]) from None
    narrow = frozenset(number for number, name in enumerate(names) if schema[name] == pl.Float32)
    return _Head(names, units, narrow, None)


def _as_microseconds(stamps: Instants, factor: int, divisor: int) -> Instants:
    return stamps * factor if divisor == 1 else stamps // divisor


def _library_stamps(source: Source, name: str) -> tuple[Instants, bool, Sequence[int]]:
    """Microseconds of the time column, whether they still lack a zone, and the rows of every row group."""
    import polars as pl

    try:
        frame = pl.scan_parquet(source.path, glob=False, hive_partitioning=False)
        times = frame.select(name).collect().to_series()
    except (pl.exceptions.PolarsError, OSError) as error:
        raise damaged(source, str(error).splitlines()[0]) from None
    return *_stamps(times, source.name), times.chunk_lengths()


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


class ParquetDecoder(Struct, frozen=True):
    """Decodes ranges of rows of one Parquet file by the library."""

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
            raise damaged(self.source, str(error).splitlines()[0]) from None
        if found.height != slab.rows:
            raise InputError(f"{self.source.name} became shorter while it was being read; run again")
        values: list[Values] = []
        bad: list[BadCells] = []
        for column, series in zip(columns, found.get_columns(), strict=True):
            numbers, wrong, sample = _numbers(series)
            values.append(numbers)
            if wrong.size:
                bad.append(bad_cells(column, self.row_numbers, slab, wrong, sample))
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
