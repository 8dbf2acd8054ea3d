"""What a Parquet file says of itself, by the compiled module where it was built: columns, row groups, units.

Only a plain table is understood: a time column of whole stamps beside columns of numbers or of anything else, which
`Footer.plain` tells apart. For every other file, a damaged one too, there is no footer here and the library reads it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.compiled import compiled
from pqcheck.readers.source import Source

INT32, INT64, FLOAT, DOUBLE = 1, 2, 4, 5
UNPACKED, SNAPPY, GZIP, ZSTD = 0, 1, 2, 6
"""Ways to pack pages that are read here; others are the library's."""

_TYPE, _CODEC, _VALUES, _START, _SIZE, _ENCODINGS, _FLAT, _FIELDS = range(8)
"""What the compiled module says of a chunk."""

CODEC, START, SIZE = range(3)
"""Columns of `Group.chunks`: all that is kept of it, since the files of a year hold a hundred thousand chunks."""

_VERSION = 1
_FIELDS_BYTES = 8 * _FIELDS
_MAGIC = b"PAR1"
_TAIL = 8
_KNOWN = 1 << 0 | 1 << 2 | 1 << 3 | 1 << 8
"""Plain, dictionaries of either name, and the runs in which levels stand."""

_NO_LOGICAL, _TIMESTAMP, _INTEGER = 0, 8, 10
_PER_MICROSECOND = {1: (1000, 1), 2: (1, 1), 3: (1, 1000)}
"""Factor and divisor that make microseconds of a stamp, by its unit."""


class Element(Struct, frozen=True):
    """A column as the schema describes it: physical type, whether values may be missing, meaning, unit, zone."""

    name: str
    type: int
    optional: bool
    logical: int
    unit: int
    adjusted: bool


class Group(Struct, frozen=True):
    """A row group: its rows, and per column (rows of `chunks`) how its chunk is packed and where it lies."""

    rows: int
    chunks: NDArray[np.int64]


class Footer(Struct, frozen=True):
    """A plain table: columns, row groups in order, and the texts stored under keys."""

    columns: tuple[Element, ...]
    groups: tuple[Group, ...]
    keys: dict[str, str]
    sound: NDArray[np.bool_]
    """Columns whose chunks say what the schema says, and are packed and encoded in ways known here."""

    @property
    def rows(self) -> int:
        """Rows of all groups."""
        return sum(group.rows for group in self.groups)

    def keep(self, columns: Sequence[int]) -> Footer:
        """The same file with some of its columns only."""
        if len(columns) == len(self.columns):
            return self
        kept = list(columns)
        groups = tuple(Group(group.rows, group.chunks[kept]) for group in self.groups)
        return Footer(tuple(self.columns[column] for column in kept), groups, self.keys, self.sound[kept])

    def plain(self, columns: Sequence[int]) -> frozenset[int]:
        """Those of the columns whose numbers `pages.PageDecoder` reads; the library reads the others."""
        return _one_of_equals(
            frozenset(column for column in columns if self.sound[column] and _is_number(self.columns[column]))
        )

    def stamps(self, column: int) -> tuple[int, int, bool] | None:
        """How the integers of a time column become microseconds (factor, divisor), and whether they lack a zone.

        None when it is no column of stamps that is read here.
        """
        element = self.columns[column]
        if element.type != INT64 or element.logical != _TIMESTAMP or element.unit not in _PER_MICROSECOND:
            return None
        return (*_PER_MICROSECOND[element.unit], not element.adjusted) if self.sound[column] else None


@lru_cache(maxsize=16)
def _one_of_equals(columns: frozenset[int]) -> frozenset[int]:
    """The first of the sets that are equal: it takes 30 kB, and the files of a year have the same columns."""
    return columns


def _is_number(element: Element) -> bool:
    if element.type in (FLOAT, DOUBLE):
        return element.logical == _NO_LOGICAL
    return element.type in (INT32, INT64) and element.logical in (_NO_LOGICAL, _INTEGER)


def footer_module() -> Any:
    """The compiled module; None where there is none."""
    return compiled("pqcheck.readers._footer", _VERSION)


def read_footer(source: Source) -> Footer | None:
    """The footer of a file that is a plain table; None for any other, and without the compiled module."""
    module = footer_module()
    if module is None or source.size < 2 * _TAIL:
        return None
    with source.open() as handle:
        handle.seek(source.size - _TAIL)
        tail = handle.read(_TAIL)
        length = int.from_bytes(tail[:4], "little")
        if tail[4:] != _MAGIC or length > source.size - 2 * _TAIL + 4:
            return None
        handle.seek(source.size - _TAIL - length)
        data = handle.read(length)
    if len(data) != length:
        return None
    try:
        rows, schema, groups, keys = module.footer(data)
        columns = _columns(tuple(schema))
        texts = {key.decode(): value.decode() for key, value in keys}
    except (ValueError, IndexError):
        return None
    if columns is None or any(len(chunks) != len(columns) * _FIELDS_BYTES for _, chunks in groups):
        return None
    found: list[Group] = []
    sound: NDArray[np.bool_] = np.ones(len(columns), np.bool_)
    for count, chunks in groups:
        if count:
            said = np.frombuffer(chunks, np.int64).reshape(-1, _FIELDS)
            sound &= _as_the_schema_says(columns, count, said)
            found.append(Group(count, said[:, (_CODEC, _START, _SIZE)]))
    footer = Footer(columns, tuple(found), texts, sound)
    return footer if footer.rows == rows else None


def _as_the_schema_says(columns: Sequence[Element], rows: int, said: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which chunks of a row group hold what the schema says, packed and encoded in ways known here."""
    kinds = np.array([element.type for element in columns], np.int64)
    packed = np.isin(said[:, _CODEC], np.array((UNPACKED, SNAPPY, GZIP, ZSTD)))
    sound: NDArray[np.bool_] = (said[:, _TYPE] == kinds) & (said[:, _VALUES] == rows) & (said[:, _FLAT] == 1) & packed
    sound &= (said[:, _ENCODINGS] & ~_KNOWN == 0) & (said[:, _START] >= 0) & (said[:, _SIZE] >= 0)
    return sound


@lru_cache(maxsize=16)
def _columns(schema: tuple[tuple[bytes, int, int, int, int, int, int], ...]) -> tuple[Element, ...] | None:
    """The columns below the root; None when they are nested or repeated. The files of a year share them."""
    _, _, _, children, _, _, _ = schema[0]
    if children != len(schema) - 1 or any(of or repetition not in (0, 1) for _, _, repetition, of, *_ in schema[1:]):
        return None
    return tuple(
        Element(name.decode(), kind, repetition == 1, logical, unit, bool(adjusted))
        for name, kind, repetition, _, logical, unit, adjusted in schema[1:]
    )
