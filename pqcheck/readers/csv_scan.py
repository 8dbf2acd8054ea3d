"""First pass over a delimited text: where its rows lie, on which line each stands, and its stamps."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import Instants, parse_iso, parse_iso_rows
from pqcheck.errors import InputError
from pqcheck.readers.source import Hashing, Source, chunks
from pqcheck.readers.table import RowNumbers, Slab

_LONG_LINE = 256
"""Above this length searching line by line beats comparing every byte."""

_WIDEST_STAMP = 40


@dataclass(frozen=True)
class Scan:
    """What the first pass found. `stamps` are as written; `local` = they carry no offset."""

    stamps: Instants
    local: bool
    row_numbers: RowNumbers
    slabs: tuple[Slab, ...]


@dataclass(frozen=True)
class Layout:
    """How the lines of a text are cut: the delimiter, which column holds the time, where the rows begin."""

    delimiter: str
    time_column: int
    first_byte: int
    first_line: int
    """Line number of the first row."""


def split_line(text: str, delimiter: str) -> list[str]:
    """The cells of one line, quotes removed."""
    return next(csv.reader([text], delimiter=delimiter), [])


class _Numbering:
    """Collects the row numbers of rows piece by piece."""

    def __init__(self) -> None:
        self.first: list[int] = []
        self.number: list[int] = []
        self.rows = 0

    def add(self, numbers: NDArray[np.int64]) -> None:
        if not numbers.size:
            return
        breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
        starts = [0, *breaks.tolist()]
        for start in starts:
            number, first = int(numbers[start]), self.rows + start
            if self.first and number - first == self.number[-1] - self.first[-1]:
                continue
            self.first.append(first)
            self.number.append(number)
        self.rows += numbers.size

    def result(self) -> RowNumbers:
        return RowNumbers(np.array(self.first, np.int64), np.array(self.number, np.int64))


def line_ends(piece: memoryview, long_lines: bool) -> NDArray[np.int64]:
    """Offsets of the line feeds of a piece; the end of an unfinished last line counts as one."""
    if long_lines:
        found: list[int] = []
        data: bytearray = piece.obj  # type: ignore[assignment]
        at = data.find(b"\n", 0, len(piece))
        while at >= 0:
            found.append(at)
            at = data.find(b"\n", at + 1, len(piece))
        ends = np.array(found, np.int64)
    else:
        ends = np.flatnonzero(np.frombuffer(piece, np.uint8) == 10)
    if not ends.size or ends[-1] != len(piece) - 1:
        ends = np.append(ends, len(piece))
    return ends


def scan(
    source: Source,
    layout: Layout,
    hashing: Hashing | None = None,
    read_stamp: Callable[[str], tuple[int, bool]] = parse_iso,
) -> Scan:
    """Walk the whole file once. InputError names the first row whose stamp cannot be read."""
    numbering = _Numbering()
    slabs: list[Slab] = []
    stamps: list[Instants] = []
    offsets: bool | None = None
    line, long_lines = layout.first_line, False
    fast = read_stamp is parse_iso
    for offset, whole in chunks(source, hashing):
        skip = max(0, layout.first_byte - offset)
        if skip >= len(whole):
            continue
        data = np.frombuffer(whole, np.uint8)
        ends = line_ends(whole, long_lines)
        if skip:
            ends = ends[ends >= skip]
        starts = np.append(skip, ends[:-1] + 1)
        long_lines = len(whole) > _LONG_LINE * ends.size
        lengths = ends - starts
        returns = (lengths > 0) & (data[np.maximum(ends - 1, 0)] == 13)
        filled = lengths - returns > 0
        numbers = line + np.flatnonzero(filled)
        first_line = line
        line += ends.size
        starts, ends = starts[filled], (ends - returns)[filled]
        if not starts.size:
            continue
        first_row = numbering.rows
        numbering.add(numbers)
        values, with_offset = _stamps(data, starts, ends, numbers, layout, read_stamp, source.name, fast)
        if offsets is None:
            offsets = bool(with_offset[0])
        odd = np.flatnonzero(with_offset != offsets)
        if odd.size:
            raise InputError(
                f"{source.name}, row {numbers[odd[0]]}: some stamps carry an offset and some do not; "
                "write all of them one way"
            )
        stamps.append(values)
        slabs.append(Slab(first_row, values.size, (offset + skip, len(whole) - skip), first_line))
    if not slabs:
        raise InputError(f"{source.name} holds a header and no rows; export the recording again")
    return Scan(np.concatenate(stamps), not offsets, numbering.result(), tuple(slabs))


def _stamps(
    data: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    numbers: NDArray[np.int64],
    layout: Layout,
    read_stamp: Callable[[str], tuple[int, bool]],
    name: str,
    fast: bool,
) -> tuple[Instants, NDArray[np.bool_]]:
    count = starts.size
    values = np.zeros(count, np.int64)
    with_offset = np.zeros(count, np.bool_)
    good = np.zeros(count, np.bool_)
    if fast and layout.time_column == 0:
        quoted = int(data[starts[0]] == ord('"'))
        closing = ord('"') if quoted else ord(layout.delimiter)
        head = data[starts[0] + quoted : min(starts[0] + quoted + _WIDEST_STAMP, ends[0])]
        width = int(np.argmax(head == closing)) if (head == closing).any() else 0
        if width:
            fits = np.flatnonzero(starts + quoted + width < ends)
            matrix = data[(starts[fits] + quoted)[:, None] + np.arange(width + 1)]
            parsed, right, zoned = parse_iso_rows(matrix[:, :width])
            right &= matrix[:, width] == closing
            values[fits], good[fits] = parsed, right
            with_offset[:] = zoned
    for row in np.flatnonzero(~good).tolist():
        text = data[starts[row] : ends[row]].tobytes().decode("utf-8", "replace")
        cells = split_line(text, layout.delimiter)
        stamp = cells[layout.time_column].strip() if layout.time_column < len(cells) else ""
        try:
            values[row], with_offset[row] = read_stamp(stamp)
        except (ValueError, OverflowError):
            shown = repr(stamp) if stamp else "empty"
            raise InputError(
                f"{name}, row {numbers[row]}: the time is {shown}, which is no ISO 8601 stamp such as "
                "2031-03-03T00:10:00+00:00"
            ) from None
    return values, with_offset
