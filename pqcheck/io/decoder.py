"""What one file is after it was scanned: its columns, the instant of every row, and how its numbers reach a block.

A *chunk* are the rows that are read at a time. Every format has a decoder with one method, `fill`, that writes the
numbers of a chunk to their places in the rows of a block.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from typing import Protocol

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.io.timeline.stamps_of_rows import NO_TIMES, Times
from pqcheck.model.recording import Channel, Event, Note, Values


class Chunk(Struct, frozen=True):
    """Some whole rows of a file that are read at a time. `place` is a byte span of a text; else of no meaning."""

    first_row: int
    rows: int
    place: tuple[int, int] = (0, 0)
    first_line: int = 0
    """Line number of the first line of a text, whether it holds a row or not."""
    lines: int = 0
    """Lines of a text, rows or not."""


BAD = "not a number"
"""What a cell is that is no reading, where there is no more to say."""


class BadCells(Struct, frozen=True):
    """Cells of one column of a chunk that are no readings: how many, the row numbers of the first, one such text."""

    column: int
    count: int
    rows: tuple[int, ...]
    text: str
    all_blank: bool
    """Whether the chunk holds no reading in this column at all."""
    why: str = BAD


FIRST_BAD_ROWS = 5
"""So many rows with such cells are named."""

Move = tuple[int, int, int]
"""Place in the rows of a block, row of a chunk, and how many rows go there from this row on."""


class Filled(Struct, frozen=True):
    """What was noticed while a chunk was written into a block.

    `lower_bounds` and `upper_bounds` mark by column the rows of the chunk whose reading is only that (``OL``, ``>600``;
    ``<0.5``).
    """

    bad: tuple[BadCells, ...] = ()
    lower_bounds: Mapping[int, NDArray[np.bool_]] = field(default_factory=dict)
    upper_bounds: Mapping[int, NDArray[np.bool_]] = field(default_factory=dict)

    @classmethod
    def joined(cls, columns: Sequence[Filled]) -> Filled:
        """What was noticed in several columns."""
        lower = {column: marks for each in columns for column, marks in each.lower_bounds.items()}
        upper = {column: marks for each in columns for column, marks in each.upper_bounds.items()}
        return cls(tuple(cells for each in columns for cells in each.bad), lower, upper)


class Decoder(Protocol):
    """The numbers of one file."""

    def fill(self, chunk: Chunk, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]) -> Filled:
        """Write rows of a chunk to their places, one array per column; NaN where a cell is blank or no number.

        `moves` are in the order of the rows of the chunk. The arrays have the width of the column or are float64.
        """


_FEW = 4
"""So many runs of rows are copied one by one; more of them by their indices."""


def indices_of(moves: Sequence[Move]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places in the rows of a block and rows of a chunk, one of each per row that is moved."""
    to, of, size = np.array(moves, np.int64).reshape(-1, 3).T
    behind = np.cumsum(size)
    every = np.arange(int(behind[-1]) if behind.size else 0) - np.repeat(behind - size, size)
    return every + np.repeat(to, size), every + np.repeat(of, size)


def move_values(values: Sequence[Values], rows: Sequence[Values], moves: Sequence[Move]) -> None:
    """Write the values of a chunk to their places, one array per column."""
    if len(moves) > _FEW:
        places, chosen = indices_of(moves)
        for column, row in zip(values, rows, strict=True):
            row[places] = column[chosen]
        return
    for column, row in zip(values, rows, strict=True):
        for to, of, size in moves:
            row[to : to + size] = column[of : of + size]


def values_of(
    decoder: Decoder, chunk: Chunk, columns: Sequence[int], narrow: frozenset[int] = frozenset()
) -> tuple[list[Values], Filled]:
    """The numbers of a chunk in arrays of their own, one per column; float32 for those in `narrow`."""
    arrays: list[Values] = [np.empty(chunk.rows, np.float32 if column in narrow else np.float64) for column in columns]
    return arrays, decoder.fill(chunk, columns, arrays, [(0, 0, chunk.rows)])


class Ground(Struct, frozen=True):
    """How sure the reading of a column is (certain, clear, likely, left alone) and on what grounds."""

    confidence: str
    why: str


class RowNumbers(Struct, frozen=True):
    """Row numbers as an editor shows them, for data rows 0, 1, 2 ...: runs of consecutive numbers.

    From data row ``first[i]`` on, row k stands on line ``number[i] + (k - first[i])``.
    """

    first: NDArray[np.int64]
    number: NDArray[np.int64]

    @classmethod
    def plain(cls, start: int) -> RowNumbers:
        """Rows that follow each other without a break."""
        return cls(np.zeros(1, np.int64), np.array([start], np.int64))

    def first_of(self, row: int, count: int) -> int | None:
        """The row number of a data row when `count` of them from there on are numbered without a break; else None."""
        run = int(np.searchsorted(self.first, row, side="right")) - 1
        if run + 1 < self.first.size and row + count > self.first[run + 1]:
            return None
        return int(self.number[run]) + row - int(self.first[run])

    def of(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Row numbers of data rows."""
        run = np.searchsorted(self.first, rows, side="right") - 1
        numbers: NDArray[np.int64] = self.number[run] + rows - self.first[run]
        return numbers


class Table(Struct, frozen=True):
    """One scanned file.

    `channels` gives the channel of each column that is read, by column number; `unknown` the columns left alone and
    why. `stamps` are the stamps as written (not yet shifted to interval starts), in row order; `local` tells whether
    they still lack a zone. `decoder` reads the numbers, a chunk at a time.
    """

    name: str
    checksum: str | Future[str]
    headers: tuple[str, ...]
    time_column: int
    channels: Mapping[int, Channel]
    unknown: tuple[tuple[int, str], ...]
    stamps: Times
    local: bool
    row_numbers: RowNumbers
    chunks: tuple[Chunk, ...]
    decoder: Decoder
    narrow: frozenset[int] = frozenset()
    """Columns stored as float32."""
    at_a_time: int = 1
    """Chunks that are best filled at a time, in threads; 1 where a library uses all cores itself."""
    size: int = 0
    """Bytes of text or of decoded numbers, whichever the file holds."""
    stamp: str | None = None
    """Stamp meaning written in the file itself, if any."""
    events: tuple[Event, ...] = ()
    event_columns: tuple[tuple[int, str], ...] = ()
    """Of an event table: its columns and how they are read; without any, the table holds readings."""
    grounds: Mapping[int, Ground] = field(default_factory=dict)
    """Why a column is read as it is, for columns whose header is not the contract's."""
    written: str = ""
    """How the file is written (delimiter, decimal mark, header), in words."""
    clock_column: int | None = None
    """A second time column with the time of day, if there is one."""
    time_format: str = ""
    """How the stamps are written, in words."""
    notes: tuple[Note, ...] = ()
    """What was noticed while the file was scanned."""
    in_memory: bool = False
    """The values come from arrays, so that rows have no place in a file."""

    blank_early: frozenset[int] | None = None
    """Columns that are blank in one of the first two rows; None = not looked at."""
    again: bool = False
    """Its rows stand in another table of the same file too, which counts them."""

    @property
    def flag(self) -> int | None:
        """The column that flags intervals, if there is one."""
        return next((column for column, channel in self.channels.items() if channel.quantity == "flag"), None)


class SharedColumns:
    """Files of one recorder have the same columns: what is equal in them is held once, and looked at once."""

    def __init__(self) -> None:
        """Nothing was seen so far."""
        self._seen: dict[tuple[str, ...], list[Table]] = {}

    def of(self, table: Table) -> Table:
        """The table, with the columns of an earlier one where they are equal in everything."""
        earlier = self._seen.setdefault(table.headers, [])
        other = next((each for each in earlier if _same(each, table)), None)
        if other is None:
            earlier.append(replace(table, stamps=NO_TIMES))
            return table
        return replace(
            table, headers=other.headers, channels=other.channels, unknown=other.unknown, narrow=other.narrow,
            grounds=other.grounds,
        )


def _same(first: Table, other: Table) -> bool:
    return (
        first.channels == other.channels and first.unknown == other.unknown and first.narrow == other.narrow
        and first.grounds == other.grounds
    )


def one_of_each(tables: Sequence[Table]) -> list[Table]:
    """The first of the tables that share their channels, for what depends on nothing else."""
    by_channels = {id(table.channels): table for table in reversed(tables)}
    return list(reversed(by_channels.values()))
