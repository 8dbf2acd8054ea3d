"""Numbers in memory: arrays that were handed over, long tables, and small files, which are read once and kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.io.decoder import Chunk, Filled, Move, Table, move_values, values_of
from pqcheck.model.recording import Values

KEPT_BYTES = 32 << 20
"""Up to this size all files are read at once and kept: all there is to note about their cells is known then."""


class InMemory(Struct, frozen=True):
    """A decoder of chunks that are held, by their first row and column; `noticed` when they were read from a file."""

    values: Mapping[int, Mapping[int, Values]]
    noticed: Mapping[int, Filled] = field(default_factory=dict)

    @classmethod
    def whole(cls, columns: Mapping[int, Values]) -> InMemory:
        """Columns that are one chunk."""
        return cls({0: columns})

    def fill(self, chunk: Chunk, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]) -> Filled:
        """Copy rows of a chunk to their places."""
        held = self.values[chunk.first_row]
        move_values([held[column] for column in columns], rows, moves)
        return self.noticed.get(chunk.first_row, Filled())


def kept_if_small(tables: Sequence[Table]) -> list[Table]:
    """The tables, read at once and kept when all of them together are small."""
    if sum(table.size for table in tables) > KEPT_BYTES:
        return list(tables)
    return [_kept(table) if table.chunks else table for table in tables]


def _kept(table: Table) -> Table:
    columns = sorted(table.channels)

    def read(chunk: Chunk) -> tuple[list[Values], Filled]:
        return values_of(table.decoder, chunk, columns, table.narrow)

    if len(table.chunks) == 1 or table.at_a_time == 1:
        read_chunks = [read(chunk) for chunk in table.chunks]
    else:
        with ThreadPoolExecutor(table.at_a_time) as pool:
            read_chunks = list(pool.map(read, table.chunks))
    values = {chunk.first_row: dict(zip(columns, arrays, strict=True))
              for chunk, (arrays, _) in zip(table.chunks, read_chunks, strict=True)}
    noticed = {chunk.first_row: filled for chunk, (_, filled) in zip(table.chunks, read_chunks, strict=True)}
    return replace(table, decoder=InMemory(values, noticed), at_a_time=1)
