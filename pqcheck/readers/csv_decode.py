"""Second pass over a delimited text: the numbers of one slab at a time.

The compiled module reads what is plainly numbers (numbers.py). Whatever it leaves, or everything where it was not
built, one library call parses with the types given. A slab with a cell that is not a number is read once more as text;
the columns concerned are remembered and read as text in later slabs, all others stay on the fast path. See
docs/speed.md for why this library.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.errors import InputError
from pqcheck.readers.cells import POINT, Column, Spelling, may_be_codes, read_column, without_codes
from pqcheck.readers.csv_scan import split_line
from pqcheck.readers.numbers import Written, parse_into, parse_numbers
from pqcheck.readers.source import Source
from pqcheck.readers.table import FIRST_BAD_ROWS, BadCells, Decoded, Move, RowNumbers, Slab
from pqcheck.recording import Values

_buffers = threading.local()


class CsvDecoder(Struct, frozen=True):
    """Decodes slabs of one delimited text. `width` is the number of columns of the header."""

    source: Source
    width: int
    delimiter: str
    row_numbers: RowNumbers
    spelling: Spelling = POINT
    texts: set[int] = field(default_factory=set)
    """Columns found to hold cells that are not plain numbers. What is here changes the speed, never a value."""
    units: dict[int, str] = field(default_factory=dict)
    """Units glued to the numbers of a column; the first one met holds for all of it."""
    learning: threading.Lock = field(default_factory=threading.Lock)
    blanks: set[str] = field(default_factory=set)
    """Signs for "no value" found in the file: the library is told of these only, each costs time on every cell."""

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """Numbers of the asked columns of one slab."""
        if not columns:
            return Decoded(())
        view, rows = self._rows(slab)
        data: bytes | None = None
        known = -1
        # Slabs in flight meet the same odd cell at the same time: one learns from it, the others try again.
        while known != (known := len(self.blanks) + len(self.texts)):
            text = self.texts & set(columns)
            plain = self._plainly(view, columns, text, rows)
            if plain is not None:
                return plain
            data = bytes(view) if data is None else data
            frame = self._parse(data, columns, text, slab.rows)
            if frame is not None:
                return self._read(frame, columns, text, rows)
            with self.learning:
                if known == len(self.blanks) + len(self.texts):
                    frame = self._parse(data, columns, set(columns), slab.rows)
                    return self._by_line(data, columns, rows) if frame is None else (
                        self._read(frame, columns, set(columns), rows))
        return self._by_line(bytes(view), columns, rows)

    def into(
        self, slab: Slab, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]
    ) -> NDArray[np.bool_] | None:
        """Write rows of a slab straight to their places, one row of a buffer per column; which have blanks.

        None when these columns must be decoded in the usual way, as some cells are not plainly numbers; then anything
        may stand in the places.
        """
        if self.texts.intersection(columns) or any(row.dtype != np.float64 for row in rows):
            return None
        view, numbers = self._rows(slab)
        told = parse_into(view, numbers.size, columns, self._written(), rows, moves)
        if told is None or may_be_codes(told.tops, told.bottoms).any():
            return None
        return told.blank

    def texts_of(self, slab: Slab, column: int) -> list[str]:
        """The cells of one column as they are written; blank cells as empty texts."""
        view, rows = self._rows(slab)
        data = bytes(view)
        frame = self._parse(data, [column], {column}, slab.rows)
        if frame is None:
            lines = data.split(b"\n")[: rows.size]
            split = [split_line(line.rstrip(b"\r").decode("utf-8", "replace"), self.delimiter) for line in lines]
            return [cells[column].strip() if column < len(cells) else "" for cells in split]
        return [(text or "").strip() for text in frame.to_series().to_list()]

    def _written(self) -> Written:
        # As they are now: another thread may learn of one more while these are gone through.
        return Written(self.width, self.delimiter, self.spelling.decimal, tuple(self.blanks))

    def _rows(self, slab: Slab) -> tuple[memoryview, NDArray[np.int64]]:
        """The lines of a slab that are rows, and their row numbers. Overwritten by the next call in this thread."""
        data = self._bytes(slab)
        rows = self.row_numbers.of(np.arange(slab.first_row, slab.first_row + slab.rows))
        lines = rows - slab.first_line
        if slab.lines != slab.rows:
            # Libraries and their versions differ in what they make of blank lines: they get none.
            split = bytes(data).split(b"\n")
            data = memoryview(b"\n".join([split[line] for line in lines.tolist()]))
        return data, rows

    def _bytes(self, slab: Slab) -> memoryview:
        start, length = slab.place
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

    def _plainly(
        self, data: memoryview, columns: Sequence[int], text: set[int], rows: NDArray[np.int64]
    ) -> Decoded | None:
        """The numbers by the compiled module and the columns in `text` by the library; None when either cannot."""
        numbers = [column for column in columns if column not in text]
        found = parse_numbers(data, rows.size, numbers, self._written())
        if found is None:
            return None
        texts = [column for column in columns if column in text]
        if texts:
            frame = self._parse(bytes(data), texts, text, rows.size)
            if frame is None:
                return None
        parsed, (tops, bottoms, blank) = found
        by_column = dict(zip(numbers, parsed, strict=True))
        coded = {column for column, odd in zip(numbers, may_be_codes(tops, bottoms), strict=True) if odd}
        values: list[Values] = []
        bad: list[BadCells] = []
        over: dict[int, NDArray[np.bool_]] = {}
        for column in columns:
            if column in text:
                series = frame.to_series(texts.index(column))
                self._take(column, read_column(series, self.spelling), rows, values, bad, over)
            elif column in coded:
                self._take(column, Column(by_column[column]), rows, values, bad, over)
            else:
                values.append(by_column[column])
        return Decoded(values, tuple(bad), over, blank=None if text or coded else blank)

    def _parse(self, data: bytes, columns: Sequence[int], text: set[int], rows: int) -> Any:
        """A frame of `rows` rows, the columns in `text` as text; None when the library cannot make it so."""
        import polars as pl

        # One column more than the header has: the library would pass over surplus cells without a word.
        names = [f"column_{number + 1}" for number in range(self.width + 1)]
        numbers = set(columns) - text
        kinds = [pl.Float64 if number in numbers else pl.String for number in range(self.width + 1)]
        try:
            frame = pl.read_csv(
                data,
                has_header=False,
                separator=self.delimiter,
                schema=dict(zip(names, kinds, strict=True)),
                columns=[*(names[column] for column in columns), names[-1]],
                missing_columns="insert",
                null_values=sorted(self.blanks) or None,
                quote_char='"' if b'"' in data else None,
                decimal_comma=self.spelling.decimal == ",",
            )
        except (pl.exceptions.ComputeError, pl.exceptions.SchemaError, pl.exceptions.NoDataError):
            return None
        surplus = frame.to_series(len(columns))
        if frame.height != rows:
            return None
        if surplus.null_count() < rows and surplus.str.strip_chars().fill_null("").ne("").any():
            return None
        return frame.drop(names[-1])

    def _read(self, frame: Any, columns: Sequence[int], text: set[int], rows: NDArray[np.int64]) -> Decoded:
        values: list[Values] = []
        bad: list[BadCells] = []
        over: dict[int, NDArray[np.bool_]] = {}
        for column, series in zip(columns, frame.get_columns(), strict=True):
            if column not in text:
                self._take(column, Column(series.to_numpy()), rows, values, bad, over)
            else:
                self._take(column, read_column(series, self.spelling), rows, values, bad, over)
        return Decoded(values, tuple(bad), over)

    def _take(
        self,
        column: int,
        found: Column,
        rows: NDArray[np.int64],
        values: list[Values],
        bad: list[BadCells],
        over: dict[int, NDArray[np.bool_]],
    ) -> None:
        numbers, codes, sample = without_codes(found.values)
        values.append(numbers)
        if codes.size:
            bad.append(_bad(column, rows, codes, sample))
        if len(found.units) > 1 or (found.units and self.units.setdefault(column, *found.units) not in found.units):
            several = " and ".join(sorted(found.units | {self.units.get(column, "")} - {""}))
            raise InputError(
                f"{self.source.name}: the cells of column {column + 1} carry different units ({several}); export the "
                "column in one unit"
            )
        self.blanks.update(found.blanks)
        if found.wrong.size or found.over is not None or found.units:
            self.texts.add(column)
        if found.over is not None:
            over[column] = found.over
        if found.wrong.size:
            bad.append(_bad(column, rows, found.wrong, found.sample))

    def _by_line(self, data: bytes, columns: Sequence[int], rows: NDArray[np.int64]) -> Decoded:
        """Line by line, for a slab whose lines do not all have the same number of cells.

        What a short line lacks is blank; of a line with too many cells no cell can be trusted.
        """
        import polars as pl

        texts: list[list[str | None]] = [[] for _ in columns]
        crowded = np.zeros(rows.size, np.bool_)
        for at, line in enumerate(data.split(b"\n")[: rows.size]):
            cells = split_line(line.rstrip(b"\r").decode("utf-8", "replace"), self.delimiter)
            crowded[at] = any(cell.strip() for cell in cells[self.width :])
            for text, column in zip(texts, columns, strict=True):
                text.append(cells[column] if column < len(cells) and not crowded[at] else None)
        values: list[Values] = []
        bad: list[BadCells] = []
        over: dict[int, NDArray[np.bool_]] = {}
        for column, text in zip(columns, texts, strict=True):
            found = read_column(pl.Series(text, dtype=pl.String), self.spelling)
            self._take(column, found, rows, values, bad, over)
            if crowded.any():
                bad.append(_bad(column, rows, np.flatnonzero(crowded), f"a line of more than {self.width} cells"))
        return Decoded(values, tuple(bad), over)


def _bad(column: int, rows: NDArray[np.int64], wrong: NDArray[np.intp], sample: str) -> BadCells:
    return BadCells(column, int(wrong.size), tuple(rows[wrong[:FIRST_BAD_ROWS]].tolist()), sample)
