"""What one file is after it was scanned: its columns, the instant of every row, and how its numbers are decoded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from typing import Protocol, runtime_checkable

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.readers.times import Times
from pqcheck.recording import Channel, Event, Note, Values

DECODERS = 2
"""Pieces decoded at a time; more would only take memory on the two cores this is tuned for."""


class Slab(Struct, frozen=True):
    """Some whole rows of a file that are decoded by one library call. `place` is a byte span or a range of rows."""

    first_row: int
    rows: int
    place: tuple[int, int]
    first_line: int = 0
    """Line number of the first line of a text slab, whether it holds a row or not."""
    lines: int = 0
    """Lines of a text slab, rows or not."""


class BadCells(Struct, frozen=True):
    """Cells of one column that are not numbers: how many, the row numbers of the first, and one such text."""

    column: int
    count: int
    rows: tuple[int, ...]
    text: str


FIRST_BAD_ROWS = 5
"""So many rows with such cells are named."""


def bad_cells(column: int, numbers: RowNumbers, slab: Slab, wrong: NDArray[np.intp], text: str) -> BadCells:
    """What to tell of a column of a slab, of which the places `wrong` hold no number."""
    rows = numbers.of(wrong[:FIRST_BAD_ROWS] + slab.first_row)
    return BadCells(column, int(wrong.size), tuple(rows.tolist()), text)


Move = tuple[int, int, int]
"""Place in a buffer, row of a slab, and how many rows go there from this row on."""


class Decoded(Struct, frozen=True):
    """Numbers of one slab, one array per column asked for; NaN where the cell is empty or not a number.

    `over` marks cells that are only lower bounds (``OL``, ``>600``), by column.
    """

    values: Sequence[Values]
    bad: tuple[BadCells, ...] = ()
    over: Mapping[int, NDArray[np.bool_]] = field(default_factory=dict)
    release: Callable[[], None] | None = None
    """To be called when nobody looks at the values any more: their memory is used again."""
    blank: NDArray[np.bool_] | None = None
    """Which of the columns may lack a value somewhere; None when that is not known."""


@runtime_checkable
class Straight(Protocol):
    """A decoder that can write rows straight to their places."""

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """The numbers of some columns of a slab."""

    def into(
        self, slab: Slab, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]
    ) -> NDArray[np.bool_] | None:
        """Write rows of a slab to their places in rows of a buffer, one per column; which columns may have blanks.

        None when these columns must be decoded in the usual way; then anything may stand in the places.
        """


class Ground(Struct, frozen=True):
    """How sure the reading of a column is (certain, clear, likely, left alone) and on what grounds."""

    confidence: str
    why: str


class RowNumbers(Struct, frozen=True):
    """Row numbers as an editor shows them, for data rows 0, 1, 2 ...: pieces of consecutive numbers.

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
        piece = int(np.searchsorted(self.first, row, side="right")) - 1
        if piece + 1 < self.first.size and row + count > self.first[piece + 1]:
            return None
        return int(self.number[piece]) + row - int(self.first[piece])

    def of(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Row numbers of data rows."""
        piece = np.searchsorted(self.first, rows, side="right") - 1
        numbers: NDArray[np.int64] = self.number[piece] + rows - self.first[piece]
        return numbers


class Table(Struct, frozen=True):
    """One scanned file.

    `channels` gives the channel of each column that is read, by column number; `unknown` the columns left alone and
    why. `stamps` are the stamps as written (not yet shifted to interval starts), in row order; `local` tells whether
    they still lack a zone. `decode` reads the asked columns of one slab.
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
    slabs: tuple[Slab, ...]
    decode: Callable[[Slab, Sequence[int]], Decoded]
    narrow: frozenset[int] = frozenset()
    """Columns stored as float32."""
    piece_values: int | None = None
    """Where some columns are decoded for their share of the time: how many values one call had best decode."""
    size: int = 0
    """Bytes of text or of decoded numbers, whichever the file holds."""
    stamp: str | None = None
    """Stamp meaning written in the file itself, if any."""
    events: tuple[Event, ...] = ()
    grounds: Mapping[int, Ground] = field(default_factory=dict)
    """Why a column is read as it is, for columns whose header is not the contract's."""
    written: str = ""
    """How the file is written (delimiter, decimal mark, header), in words."""
    clock_column: int | None = None
    """A second time column with the time of day, if there is one."""
    time_said: str = ""
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
