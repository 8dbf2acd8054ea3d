"""Notes about cells that are not numbers: they show only when chunks are read, so they come late for large files."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from pqcheck.io.decoder import FIRST_BAD_ROWS, BadCells, Chunk, Filled, Table
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Note, RowSpan


class BadCellNotes:
    """Collects the cells that are not numbers, whatever the order of the chunks and however often they are read."""

    def __init__(self, tables: Sequence[Table]) -> None:
        """Watch these tables."""
        self._tables = list(tables)
        self._bad: dict[tuple[str, int, int], BadCells] = {}
        self._lock = threading.Lock()

    def look_at_kept(self) -> bool:
        """Look at everything that is held in memory; True when that is everything there is."""
        whole = True
        for table in self._tables:
            if isinstance(table.decoder, InMemory):
                for chunk in table.chunks:
                    self.watch(table, chunk, table.decoder.noticed.get(chunk.first_row, Filled()))
            else:
                whole = False
        return whole

    def watch(self, table: Table, chunk: Chunk, filled: Filled) -> None:
        """Take note of a chunk that was read; InputError when a column turns out to hold no number at all."""
        with self._lock:
            for cells in filled.bad:
                if cells.column not in table.channels:
                    continue
                self._bad[table.name, cells.column, chunk.first_row] = cells
                if cells.all_blank and self._no_number(table, cells.column):
                    self._refuse(table, cells.column)

    def _no_number(self, table: Table, column: int) -> bool:
        """Whether every chunk was read and none holds a number in this column."""
        found = [self._bad.get((table.name, column, chunk.first_row)) for chunk in table.chunks]
        return all(cells is not None and cells.all_blank for cells in found)

    def _refuse(self, table: Table, column: int) -> None:
        found = [cells for (name, at, _), cells in sorted(self._bad.items()) if (name, at) == (table.name, column)]
        count = sum(cells.count for cells in found)
        raise InputError(
            f"{table.name}: column {table.headers[column]!r} holds no number in any of {count} cells (the first, in "
            f"row {found[0].rows[0]}, is {found[0].text!r}); remove it, or map the right column to "
            f"{table.channels[column].name} under [recording.columns]"
        )

    def notes(self) -> tuple[Note, ...]:
        """One note per column with cells that are not numbers, in file and column order."""
        bad: dict[tuple[str, int], list[BadCells]] = {}
        for (name, column, _), one in sorted(self._bad.items(), key=lambda item: item[0]):
            bad.setdefault((name, column), []).append(one)
        columns = sorted({column for _, column in bad})
        found = []
        for table in self._tables:
            for column in columns:
                cells, channel = bad.get((table.name, column)), table.channels.get(column)
                if cells is None or channel is None:
                    continue
                count = sum(each.count for each in cells)
                rows = [row for each in cells for row in each.rows][:FIRST_BAD_ROWS]
                what = "1 cell is" if count == 1 else f"{count} cells are"
                where = f"row {rows[0]}" if count == 1 else f"first in row {rows[0]}"
                found.append(
                    Note(
                        "not-a-number",
                        f"{table.name}, column {table.headers[column]!r}: {what} not a number ({where}: "
                        f"{cells[0].text!r}); left unobserved",
                        (channel,),
                        rows=tuple(RowSpan(table.name, row, row) for row in rows),
                        serious=True,
                    )
                )
        return tuple(found)
