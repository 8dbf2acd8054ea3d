"""The blocks of a stream: chunks of its files read into whole days, each block made ready while the last is judged."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext

import numpy as np
from msgspec import Struct

from pqcheck.io.decoder import Chunk, Filled, Table, values_of
from pqcheck.io.timeline.block_buffer import BlockBuffer, Conflicts
from pqcheck.io.timeline.stream_plan import FileRows, SlotRuns, StreamPlan, files_by_block
from pqcheck.io.timeline.time_grid import Ints
from pqcheck.model.recording import DAY, Axis, Block, Channel, Values

BLOCK_VALUES = 4_000_000

Watch = Callable[[Table, Chunk, Filled], None]


def block_slots(axis: Axis, channels: int) -> int:
    """Slots of a block: one day, or so many whole days that a block holds about four million values."""
    days = max(1, BLOCK_VALUES * axis.interval_us // (DAY * max(1, channels)))
    return max(1, -(-days * DAY // axis.interval_us))


def blocks_of(
    plan: StreamPlan,
    channels: Sequence[Channel] | None,
    watch: Watch,
    conflicts: Conflicts | None = None,
    only: tuple[Ints, Ints] | None = None,
) -> Iterator[Block]:
    """Blocks of a stream in time order.

    `watch` is told of every chunk that is read. With `conflicts`, what merging finds is collected there; with `only`
    (slot ranges), blocks without any of these slots are passed over.
    """
    asked = set(plan.channels if channels is None else channels)
    chosen = tuple(channel for channel in plan.channels if channel in asked)
    size = block_slots(plan.axis, max(1, len(chosen)))
    count = plan.axis.count
    edges = [(low, min(low + size, count)) for low in range(0, count, size)]
    if only is not None:
        edges = [(low, high) for low, high in edges if ((only[0] < high) & (only[1] > low)).any()]
    buffers = [BlockBuffer(plan, chosen, min(size, count)) for _ in edges[:2]]
    blocks = _blocks(plan, chosen, edges, buffers, watch, conflicts)
    return _one_ahead(blocks) if len(edges) > 1 else blocks


def _one_ahead(blocks: Generator[Block, None, None]) -> Generator[Block, None, None]:
    """The same blocks, each of them made ready in a thread while the one before it is looked at."""
    pool = ThreadPoolExecutor(1)
    try:
        following = pool.submit(next, blocks, None)
        while (block := following.result()) is not None:
            following = pool.submit(next, blocks, None)
            yield block
    finally:
        pool.shutdown(wait=True)
        blocks.close()


def _blocks(
    plan: StreamPlan,
    chosen: Sequence[Channel],
    edges: Sequence[tuple[int, int]],
    buffers: Sequence[BlockBuffer],
    watch: Watch,
    conflicts: Conflicts | None,
) -> Generator[Block, None, None]:
    """Blocks laid into the buffers in turn."""
    readers = _readers(plan.files, chosen, watch)
    threads = max((file.table.at_a_time for file in plan.files), default=1)
    with ThreadPoolExecutor(threads) if threads > 1 else nullcontext() as pool:
        for number, ((low, high), files) in enumerate(zip(edges, files_by_block(plan.files, edges), strict=True)):
            buffer = buffers[number % len(buffers)]
            runs = {at: readers[at].file.within(low, high) for at in files if readers[at].columns}
            buffer.begin(low, high, runs)
            for at, mine in runs.items():
                if mine[0].size:
                    readers[at].fill(buffer, mine, high, pool)
            yield buffer.finish(conflicts)


class _Reader(Struct, frozen=True):
    """What is read of one file: channels, their columns, and the column of flags behind them.

    `held` are chunks that more than one block needs, by number: their values and what was noticed.
    """

    file: FileRows
    channels: tuple[Channel, ...]
    columns: tuple[int, ...]
    with_flags: bool
    in_order: bool
    ends: Ints
    watch: Watch
    held: dict[int, tuple[list[Values], Filled]]

    def fill(self, buffer: BlockBuffer, runs: SlotRuns, high: int, pool: ThreadPoolExecutor | None) -> None:
        """Write the rows of some runs into a block that ends at slot `high`."""
        later = self.file.first_row_from(high)

        def write(number: int) -> None:
            # What later blocks need too is held; a file whose rows are not in order is held whole.
            alone = self.in_order and (later is None or int(self.ends[number]) <= later)
            self._write(buffer, runs, number, alone)

        # Chunks of one file go to different slots, unless several rows describe one: then they take turns.
        together = pool is not None and self.file.table.at_a_time > 1 and buffer.rows(self.channels, False) is not None
        each = pool.map if pool is not None and together else map
        for _ in each(write, self._chunks(runs)):
            pass

    def _chunks(self, runs: SlotRuns) -> list[int]:
        """The numbers of the chunks that hold the rows of some runs."""
        _, row, count = runs
        first = np.searchsorted(self.ends, row, side="right")
        last = np.searchsorted(self.ends, row + count - 1, side="right")
        wanted = np.zeros(self.ends.size + 1, np.int64)
        np.add.at(wanted, first, 1)
        np.add.at(wanted, last + 1, -1)
        numbers: list[int] = np.flatnonzero(np.cumsum(wanted[:-1])).tolist()
        return numbers

    def _write(self, buffer: BlockBuffer, runs: SlotRuns, number: int, alone: bool) -> None:
        """Write one chunk: straight to its places where only this block needs it, else from arrays that are held."""
        table = self.file.table
        chunk = table.chunks[number]
        moves = buffer.moves(runs, chunk)
        rows = buffer.rows(self.channels, self.with_flags)
        if alone and number not in self.held and rows is not None:
            filled = table.decoder.fill(chunk, self.columns, rows, moves)
            self.watch(table, chunk, filled)
        else:
            if number not in self.held:
                self.held[number] = values_of(table.decoder, chunk, self.columns, table.narrow)
                self.watch(table, chunk, self.held[number][1])
            values, filled = self.held[number]
            buffer.lay(self.channels, values, moves)
            if alone:
                del self.held[number]
        buffer.note(self.channels, self.columns, self.with_flags, moves, filled)


def _readers(files: Sequence[FileRows], chosen: Sequence[Channel], watch: Watch) -> list[_Reader]:
    readers: list[_Reader] = []
    known: dict[int, tuple[tuple[Channel, ...], tuple[int, ...]]] = {}
    for file in files:
        # Files of one recorder share their channels.
        channels, columns = known.setdefault(id(file.columns), _asked(file.columns, chosen))
        flag = file.table.flag
        ends = np.array([chunk.first_row + chunk.rows for chunk in file.table.chunks], np.int64)
        readers.append(
            _Reader(file, channels, columns if flag is None else (*columns, flag), flag is not None, file.in_order,
                    ends, watch, {})
        )
    return readers


def _asked(
    columns: Mapping[Channel, int], chosen: Sequence[Channel]
) -> tuple[tuple[Channel, ...], tuple[int, ...]]:
    channels = tuple(channel for channel in chosen if channel in columns)
    return channels, tuple(columns[channel] for channel in channels)
