"""Notes about cells that are not numbers: they show only when chunks are read, so they come late for large files."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from pqcheck.io.decoder import BAD, FIRST_BAD_ROWS, BadCells, Chunk, Filled, Table
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Note, RowSpan


class BadCellNotes:
    """Collects the cells that are not numbers, whatever the order of the chunks and however often they are read."""

    def __init__(self, tables: Sequence[Table]) -> None:
        """Watch these tables."""
        self._tables = list(tables)
        self._bad: dict[tuple[str, int, int], list[BadCells]] = {}
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
            for column in dict.fromkeys(cells.column for cells in filled.bad if cells.column in table.channels):
                here = [cells for cells in filled.bad if cells.column == column]
                self._bad[table.name, column, chunk.first_row] = here
                if here[0].all_blank and self._no_number(table, column):
                    self._refuse(table, column)

    def _no_number(self, table: Table, column: int) -> bool:
        """Whether every chunk was read and none holds a number in this column."""
        chunks = [self._bad.get((table.name, column, chunk.first_row)) for chunk in table.chunks]
        return all(cells is not None and cells[0].all_blank for cells in chunks)

    def _refuse(self, table: Table, column: int) -> None:
        refused = [
            cells for (name, at, _), chunk in sorted(self._bad.items()) if (name, at) == (table.name, column)
            for cells in chunk
        ]
        count = sum(cells.count for cells in refused)
        why = "" if refused[0].why == BAD else f", {refused[0].why}"
        raise InputError(
            f"{table.name}: column {table.headers[column]!r} holds no number in any of {count} cells (the first, in "
            f"row {refused[0].rows[0]}, is {refused[0].text!r}{why}); remove it, or map the right column to "
            f"{table.channels[column].name} under [recording.columns]"
        )

    def notes(self) -> tuple[Note, ...]:
        """One note per column and reason why cells are no readings, in file and column order."""
        bad: dict[tuple[str, int], dict[str, list[BadCells]]] = {}
        for (name, column, _), chunk in sorted(self._bad.items(), key=lambda item: item[0]):
            for each in chunk:
                bad.setdefault((name, column), {}).setdefault(each.why, []).append(each)
        columns = sorted({column for _, column in bad})
        notes = []
        for table in self._tables:
            for column in columns:
                channel = table.channels.get(column)
                for why, cells in bad.get((table.name, column), {}).items() if channel is not None else ():
                    notes.append(bad_cells_note(table, column, why, cells))
        return tuple(notes)


def bad_cells_note(table: Table, column: int, why: str, cells: Sequence[BadCells]) -> Note:
    """The sentence for the cells of a column that are no readings for one reason, as they were met chunk by chunk."""
    channel = table.channels.get(column)
    count = sum(each.count for each in cells)
    rows = [row for each in cells for row in each.rows][:FIRST_BAD_ROWS]
    what = "1 cell is" if count == 1 else f"{count} cells are"
    where = f"row {rows[0]}" if count == 1 else f"first in row {rows[0]}"
    return Note(
        "not-a-number",
        f"{table.name}, column {table.headers[column]!r}: {what} {why} ({where}: {cells[0].text!r}); left unobserved",
        () if channel is None else (channel,),
        rows=tuple(RowSpan(table.name, row, row) for row in rows),
        serious=True,
    )
