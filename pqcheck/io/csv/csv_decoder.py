"""Second pass over a delimited text: the numbers of a chunk to their places in a block.

The compiled parser writes what is plainly numbers. A column with anything else is read cell by cell (`cells`), and
remembered, so that the other columns stay on the quick way. Without the compiled parser every column is read so.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct, field

from pqcheck.io.csv.cells import BLANKS, Refused, read_cells
from pqcheck.io.csv.compiled_numbers import Written, parse_into
from pqcheck.io.csv.error_codes import needs_a_look, write_cells
from pqcheck.io.csv.text_file import split_line
from pqcheck.io.decoder import Chunk, Filled, Move, RowNumbers
from pqcheck.io.source_files import Source
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Values

AT_A_TIME = 2
"""Chunks of text that are read at a time; more would only take memory on the two cores this is tuned for."""

_buffers = threading.local()


class CsvDecoder(Struct, frozen=True):
    """The numbers of one delimited text. `width` is the number of columns of the header."""

    source: Source
    width: int
    delimiter: str
    row_numbers: RowNumbers
    decimal: str = "."
    channels: Mapping[int, Channel] = field(default_factory=dict)
    """What the columns hold, in the units in which they are written; nothing of those of tables in another shape."""
    by_cell: set[int] = field(default_factory=set)
    """Columns found to hold cells that are not plain numbers. What is here changes the speed, never a value."""
    units: dict[int, str] = field(default_factory=dict)
    """Units glued to the numbers of a column; the first one met holds for all of it."""

    def fill(self, chunk: Chunk, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]) -> Filled:
        """Write the asked columns of a chunk to their places."""
        text = self._rows(chunk)
        slow = self.by_cell.intersection(columns)
        quick = [at for at, column in enumerate(columns) if column not in slow]
        written = Written(self.width, self.delimiter, self.decimal)
        extremes = parse_into(
            _unquoted(text, self.delimiter), chunk.rows, [columns[at] for at in quick], written,
            [rows[at] for at in quick], moves,
        )
        if extremes is None:
            left = list(range(len(columns)))
        else:
            coded = needs_a_look(*extremes, [self.channels.get(columns[at]) for at in quick])
            left = sorted([at for at, column in enumerate(columns) if column in slow]
                          + [at for at, odd in zip(quick, coded.tolist(), strict=True) if odd])
        return self._by_cell(chunk, bytes(text), columns, left, rows, moves) if left else Filled()

    def texts_of(self, chunk: Chunk, column: int) -> list[str]:
        """The cells of one column as they are written; blank cells as empty texts."""
        lines = self._split(bytes(self._rows(chunk)), chunk.rows)
        return [cells[column].strip() if column < len(cells) else "" for cells in lines]

    def _by_cell(
        self, chunk: Chunk, text: bytes, columns: Sequence[int], left: Sequence[int], rows: Sequence[Values],
        moves: Sequence[Move],
    ) -> Filled:
        """Read some of the columns cell by cell.

        What a short line lacks is blank; of a line with too many cells no cell can be trusted.
        """
        lines = self._split(text, chunk.rows)
        surplus = (any(cell.strip() not in BLANKS for cell in cells[self.width :]) for cells in lines)
        crowded = [at for at, filled in enumerate(surplus) if filled]
        for at in crowded:
            lines[at] = []
        too_many = Refused(np.array(crowded, np.intp), f"a line of more than {self.width} cells")
        noticed = []
        for at in left:
            column = columns[at]
            channel = self.channels.get(column)
            cells = read_cells(
                [line[column] if column < len(line) else "" for line in lines], self.decimal, unit_behind(channel)
            )
            if channel is None:
                self._check_units(column, cells.units)
            if not cells.plain:
                self.by_cell.add(column)
            noticed.append(write_cells(column, cells, rows[at], moves, chunk, self.row_numbers, channel, too_many))
        return Filled.joined(noticed)

    def _check_units(self, column: int, units: frozenset[str]) -> None:
        """InputError when the cells of a column carry several units."""
        several = units | {self.units.setdefault(column, next(iter(sorted(units))))} if units else units
        if len(several) > 1:
            raise InputError(
                f"{self.source.name}: the cells of column {column + 1} carry different units "
                f"({' and '.join(sorted(several))}); export the column in one unit"
            )

    def _split(self, text: bytes, rows: int) -> list[list[str]]:
        """The cells of every line."""
        lines = [line.rstrip(b"\r").decode("utf-8", "replace") for line in text.split(b"\n")[:rows]]
        return [split_line(line, self.delimiter) if '"' in line else line.split(self.delimiter) for line in lines]

    def _rows(self, chunk: Chunk) -> memoryview:
        """The lines of a chunk that are rows. Overwritten by the next call in this thread."""
        text = self._bytes(chunk)
        if chunk.lines == chunk.rows:
            return text
        split = bytes(text).split(b"\n")
        lines = self.row_numbers.of(np.arange(chunk.first_row, chunk.first_row + chunk.rows)) - chunk.first_line
        return memoryview(b"\n".join([split[line] for line in lines.tolist()]))

    def _bytes(self, chunk: Chunk) -> memoryview:
        start, length = chunk.place
        # Every thread fills one buffer again and again: fresh memory costs as much as reading into it.
        buffer = getattr(_buffers, "bytes", None)
        if buffer is None or len(buffer) < length:
            buffer = _buffers.bytes = bytearray(length + length // 8)
        view = memoryview(buffer)[:length]
        filled = 0
        with self.source.open() as handle:
            handle.seek(start)
            while filled < length:
                got = handle.readinto(view[filled:])  # type: ignore[attr-defined]
                if not got:
                    raise InputError(f"{self.source.name} became shorter while it was being read; run again")
                filled += got
        return view


def unit_behind(channel: Channel | None) -> str | None:
    """The unit of the numbers of a column; empty where none may stand behind them, None where nothing is known."""
    if channel is None:
        return None
    return "" if channel.unit == "1" and not channel.quantity.endswith("power_factor") else channel.unit


def _unquoted(text: memoryview, delimiter: str) -> memoryview | bytes:
    """The text without quotes where they hide nothing; the compiled parser takes no quoted cells."""
    whole: bytearray = text.obj  # type: ignore[assignment]
    parts = bytes(text).split(b'"') if whole.find(b'"', 0, len(text)) >= 0 else []
    hiding = any(delimiter.encode() in part or b"\n" in part for part in parts[1::2])
    return text if not parts or hiding else b"".join(parts)
