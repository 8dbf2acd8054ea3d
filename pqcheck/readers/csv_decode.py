"""Second pass over a delimited text: the numbers of one slab at a time.

One library call parses a slab with the types given; a slab that holds a cell which is not a number is read once more
as text, and only the columns concerned are then read cell by cell. See docs/speed.md for why this library.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.errors import InputError
from pqcheck.readers.csv_scan import split_line
from pqcheck.readers.source import Source
from pqcheck.readers.table import BadCells, Decoded, RowNumbers, Slab
from pqcheck.recording import Values

BLANKS = ("", "NaN", "nan", "NA", "N/A", "n/a", "null", "NULL", "-", "--", "---", "*")
"""Cells that say "no value here"; they are blanks and not reported as bad."""

FIRST_BAD_ROWS = 5


@dataclass(frozen=True)
class CsvDecoder:
    """Decodes slabs of one delimited text. `width` is the number of columns of the header."""

    source: Source
    width: int
    delimiter: str
    row_numbers: RowNumbers
    decimal: str = "."
    blanks: tuple[str, ...] = BLANKS
    local: threading.local = field(default_factory=threading.local)
    """Per thread a buffer that is used again for every slab: fresh pages are dear."""

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """Numbers of the asked columns of one slab."""
        if not columns:
            return Decoded(())
        data = self._bytes(slab)
        import pyarrow as pa

        try:
            table = self._parse(data, columns, pa.float64())
            if table.num_rows == slab.rows:
                return Decoded([_numbers(table.column(at)) for at in range(len(columns))])
        except pa.ArrowInvalid:
            pass
        return self._by_text(slab, data, columns)

    def _bytes(self, slab: Slab) -> memoryview:
        start, length = slab.place
        buffer: bytearray | None = getattr(self.local, "buffer", None)
        if buffer is None or len(buffer) < length:
            buffer = self.local.buffer = bytearray(max(length, 1 << 16))
        view = memoryview(buffer)[:length]
        with self.source.open() as handle:
            handle.seek(start)
            got = 0
            while got < length:
                more = handle.readinto(view[got:])  # type: ignore[attr-defined]
                if not more:
                    raise InputError(f"{self.source.name} became shorter while it was being read; run again")
                got += more
        return view

    def _parse(self, data: memoryview, columns: Sequence[int], kind: Any) -> Any:
        import pyarrow as pa
        from pyarrow import csv

        names = [str(number) for number in range(self.width)]
        asked = [names[column] for column in columns]
        return csv.read_csv(
            pa.BufferReader(pa.py_buffer(data)),
            read_options=csv.ReadOptions(use_threads=False, block_size=len(data) + 1, column_names=names),
            parse_options=csv.ParseOptions(delimiter=self.delimiter),
            convert_options=csv.ConvertOptions(
                column_types=dict.fromkeys(asked, kind),
                include_columns=asked,
                null_values=list(self.blanks),
                decimal_point=self.decimal,
                check_utf8=False,
            ),
        )

    def _by_text(self, slab: Slab, data: memoryview, columns: Sequence[int]) -> Decoded:
        """Each column by itself: by the library where it can, else cell by cell."""
        import pyarrow as pa

        try:
            table = self._parse(data, columns, pa.binary())
            whole = table.num_rows == slab.rows
        except pa.ArrowInvalid:
            whole = False
        texts: Any = table.columns if whole else self._ragged(data, columns)
        values: list[Values] = []
        bad: list[BadCells] = []
        for column, text in zip(columns, texts, strict=True):
            numbers, found = self._column(slab, column, text)
            values.append(numbers)
            if found is not None:
                bad.append(found)
        return Decoded(values, tuple(bad))

    def _ragged(self, data: memoryview, columns: Sequence[int]) -> list[list[bytes | None]]:
        """Cells of a slab whose lines do not all have the same number of cells; what is missing is blank."""
        texts: list[list[bytes | None]] = [[] for _ in columns]
        for line in bytes(data).split(b"\n"):
            line = line.rstrip(b"\r")
            if not line:
                continue
            cells = split_line(line.decode("utf-8", "replace"), self.delimiter)
            for text, column in zip(texts, columns, strict=True):
                text.append(cells[column].encode() if column < len(cells) else None)
        return texts

    def _column(self, slab: Slab, column: int, text: Any) -> tuple[Values, BadCells | None]:
        cells = text.to_pylist() if hasattr(text, "to_pylist") else text
        numbers = np.full(len(cells), np.nan)
        wrong: list[int] = []
        for at, cell in enumerate(cells):
            if cell is None:
                continue
            shown = cell.decode("utf-8", "replace").strip()
            if shown in self.blanks:
                continue
            number = self._number(shown)
            if number is None:
                wrong.append(at)
            else:
                numbers[at] = number
        if not wrong:
            return numbers, None
        first = np.array(wrong[:FIRST_BAD_ROWS], np.int64) + slab.first_row
        sample = cells[wrong[0]].decode("utf-8", "replace").strip()
        return numbers, BadCells(column, len(wrong), tuple(self.row_numbers.of(first).tolist()), sample)

    def _number(self, text: str) -> float | None:
        if self.decimal != ".":
            text = text.replace(self.decimal, ".") if "." not in text else "x"
        try:
            number = float(text)
        except ValueError:
            return None
        # Python reads "1_0" and "inf"; neither is a reading.
        return number if np.isfinite(number) and "_" not in text else None


def _numbers(column: Any) -> Values:
    """A float column as an array, nulls as NaN, without a copy where the library allows it."""
    pieces: list[NDArray[np.float64]] = [chunk.to_numpy(zero_copy_only=False) for chunk in column.chunks]
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces or [np.zeros(0)])
