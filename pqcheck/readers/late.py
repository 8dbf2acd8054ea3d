"""Cells that are not numbers: they show only when slabs are decoded, so their notes come late for large files."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.errors import InputError
from pqcheck.readers.table import DECODERS, BadCells, Decoded, Slab, Table
from pqcheck.recording import Note, RowSpan

EAGER_BYTES = 32 << 20
"""Up to this size all files are decoded at once while they are read, and kept: nothing is late then."""

FIRST_ROWS = 5


class _Kept(Struct, frozen=True):
    """A decoder whose slabs were decoded already."""

    slabs: dict[int, tuple[dict[int, int], Decoded]]

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """The asked columns of a slab that is kept."""
        at, decoded = self.slabs[slab.first_row]
        bad = tuple(cells for cells in decoded.bad if cells.column in columns)
        return Decoded([decoded.values[at[column]] for column in columns], bad, decoded.over)


class LateNotes:
    """Collects what slabs show, whatever the order and however often they are walked."""

    def __init__(self, tables: Sequence[Table]) -> None:
        """Watch these tables."""
        self._tables = list(tables)
        self._bad: dict[tuple[str, int, int], BadCells] = {}
        self._empty: dict[tuple[str, int], set[int]] = {}
        self._lock = threading.Lock()

    def preview(self) -> bool:
        """Look at everything that is kept; True when that is everything there is."""
        whole = True
        for table in self._tables:
            if not isinstance(table.decode, _Kept):
                whole = False
                continue
            columns = sorted(table.channels)
            for slab in table.slabs:
                self.watch(table, slab, columns, table.decode(slab, columns))
        return whole

    def watch(self, table: Table, slab: Slab, columns: Sequence[int], decoded: Decoded) -> None:
        """Take note of a decoded slab; InputError when a column turns out to hold no number at all."""
        if not decoded.bad:
            return
        with self._lock:
            for cells in decoded.bad:
                self._bad[(table.name, cells.column, slab.first_row)] = cells
                values = decoded.values[list(columns).index(cells.column)]
                if np.isnan(values).all():
                    seen = self._empty.setdefault((table.name, cells.column), set())
                    seen.add(slab.first_row)
                    if len(seen) == len(table.slabs):
                        self._refuse(table, cells.column)

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
                rows = [row for each in cells for row in each.rows][:FIRST_ROWS]
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


def nothing_late() -> tuple[Note, ...]:
    """No notes to come."""
    return ()


def keep_small(tables: Sequence[Table]) -> list[Table]:
    """The tables, decoded at once and kept when all of them together are small."""
    if sum(table.size for table in tables) > EAGER_BYTES:
        return list(tables)
    kept = []
    for table in tables:
        columns = sorted(table.channels)
        at = {column: number for number, column in enumerate(columns)}
        slabs = {
            slab.first_row: (at, _own(decoded))
            for slab, decoded in zip(table.slabs, _decoded(table, columns), strict=True)
        }
        kept.append(replace(table, decode=_Kept(slabs)) if table.slabs else table)
    return kept


def _decoded(table: Table, columns: Sequence[int]) -> Iterator[Decoded]:
    """Every slab of a table, decoded some at a time."""
    if len(table.slabs) < 2:
        yield from (table.decode(slab, columns) for slab in table.slabs)
        return
    with ThreadPoolExecutor(DECODERS) as pool:
        yield from pool.map(lambda slab: table.decode(slab, columns), table.slabs)


def _own(decoded: Decoded) -> Decoded:
    return replace(decoded, values=[np.ascontiguousarray(values) for values in decoded.values])
