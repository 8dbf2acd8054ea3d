"""Walk a stream: decode slabs ahead, lay them into blocks of whole days, merge what several rows say about a slot."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import compress

import numpy as np
from msgspec import Struct

from pqcheck.readers.canvas import Canvas, Conflicts
from pqcheck.readers.grid import Ints
from pqcheck.readers.plan import Part, Plan, Runs, parts_by_block
from pqcheck.readers.table import DECODERS, Decoded, Slab, Straight, Table
from pqcheck.recording import DAY, Axis, Block, Channel

BLOCK_VALUES = 4_000_000

Watch = Callable[[Table, Slab, Sequence[int], Decoded], None]


def block_slots(axis: Axis, channels: int) -> int:
    """Slots of a block: one day, or so many whole days that a block holds about four million values."""
    days = max(1, BLOCK_VALUES * axis.interval_us // (DAY * max(1, channels)))
    return max(1, -(-days * DAY // axis.interval_us))


def walk(
    plan: Plan,
    channels: Sequence[Channel] | None,
    watch: Watch,
    conflicts: Conflicts | None = None,
    only: tuple[Ints, Ints] | None = None,
) -> Iterator[Block]:
    """Blocks of a stream in time order.

    `watch` sees every decoded slab. With `conflicts`, what merging finds is collected there; with `only` (slot
    ranges), blocks without any of these slots are passed over.
    """
    asked = set(plan.channels if channels is None else channels)
    chosen = tuple(channel for channel in plan.channels if channel in asked)
    size = block_slots(plan.axis, max(1, len(chosen)))
    count = plan.axis.count
    edges = [(low, min(low + size, count)) for low in range(0, count, size)]
    if only is not None:
        edges = [(low, high) for low, high in edges if ((only[0] < high) & (only[1] > low)).any()]
    canvases = [Canvas(plan, chosen, min(size, count)) for _ in edges[:2]]
    blocks = _blocks(plan, chosen, edges, canvases, watch, conflicts)
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
    plan: Plan,
    chosen: Sequence[Channel],
    edges: Sequence[tuple[int, int]],
    canvases: Sequence[Canvas],
    watch: Watch,
    conflicts: Conflicts | None,
) -> Generator[Block, None, None]:
    """Blocks laid into the canvases in turn."""
    readers = _readers(plan.parts, chosen)
    touched = parts_by_block(plan.parts, edges)
    feed = _Feed(readers, edges, touched, watch)
    try:
        for number, ((low, high), parts) in enumerate(zip(edges, touched, strict=True)):
            canvas = canvases[number % len(canvases)]
            runs = {at: readers[at].part.within(low, high) for at in parts if readers[at].asked.columns}
            canvas.begin(low, high, runs)
            feed.hurry = number == 0
            for at, mine in runs.items():
                if mine[0].size:
                    feed.fill(canvas, readers[at], mine, high)
            yield canvas.finish(conflicts)
    finally:
        feed.close()


class _Asked(Struct, frozen=True):
    """What is decoded of files with the same columns: channels, their columns, and the column of flags behind them."""

    channels: tuple[Channel, ...]
    columns: tuple[int, ...]
    flag: int | None


def _asked(part: Part, chosen: Sequence[Channel]) -> _Asked:
    channels = tuple(channel for channel in chosen if channel in part.columns)
    columns = tuple(part.columns[channel] for channel in channels)
    flag = part.table.flag
    return _Asked(channels, columns if flag is None or flag in columns else (*columns, flag), flag)


Piece = tuple[int, int]
"""What one call decodes: the number of a slab, and of the first of the asked columns."""


class _PartReader:
    """One part of a walk: what is decoded of it, and the pieces that are still held."""

    def __init__(self, part: Part, asked: _Asked) -> None:
        self.part = part
        self.asked = asked
        decode = part.table.decode
        self.straight = decode if asked.flag is None and isinstance(decode, Straight) else None
        """Where the file can be read straight into a block."""
        self.ends = np.array([slab.first_row + slab.rows for slab in part.table.slabs], np.int64)
        self.in_order = part.in_order
        self.held: dict[Piece, Decoded] = {}

    def needed(self, runs: Runs) -> list[Piece]:
        """The pieces that hold the rows of some runs."""
        _, row, count = runs
        first = np.searchsorted(self.ends, row, side="right")
        last = np.searchsorted(self.ends, row + count - 1, side="right")
        wanted = np.zeros(self.ends.size + 1, np.int64)
        np.add.at(wanted, first, 1)
        np.add.at(wanted, last + 1, -1)
        numbers = np.flatnonzero(np.cumsum(wanted[:-1])).tolist()
        every = len(self.asked.columns)
        return [(number, column) for number in numbers for column in range(0, every, self._step(number))]

    def _step(self, number: int) -> int:
        table = self.part.table
        if table.piece_values is None:
            return len(self.asked.columns)
        return max(1, table.piece_values // table.slabs[number].rows)

    def columns(self, piece: Piece) -> slice:
        """Which of the asked columns a piece holds."""
        number, first = piece
        return slice(first, first + self._step(number))


def _readers(parts: Sequence[Part], chosen: Sequence[Channel]) -> list[_PartReader]:
    readers: list[_PartReader] = []
    kinds: list[_PartReader] = []
    for part in parts:
        like = next((one for one in kinds if one.part.table.channels is part.table.channels), None)
        readers.append(_PartReader(part, like.asked if like is not None else _asked(part, chosen)))
        if like is None:
            kinds.append(readers[-1])
    return readers


class _Feed:
    """Decodes pieces in the order of their use, a few ahead, in threads."""

    def __init__(
        self,
        readers: Sequence[_PartReader],
        edges: Sequence[tuple[int, int]],
        touched: Sequence[Sequence[int]],
        watch: Watch,
    ) -> None:
        self._jobs = self._order(readers, edges, touched)
        self._following = next(self._jobs, None)
        self._watch = watch
        self._pool = ThreadPoolExecutor(DECODERS)
        self._queue: deque[tuple[_PartReader, Piece, Future[Decoded]]] = deque()
        self.hurry = False
        """Whether somebody stands and waits: then two threads decode, which is quicker and costs more."""

    @staticmethod
    def _order(
        readers: Sequence[_PartReader], edges: Sequence[tuple[int, int]], touched: Sequence[Sequence[int]]
    ) -> Iterator[tuple[_PartReader, Piece]]:
        done: dict[int, set[Piece]] = {}
        newest = [(-1, 0)] * len(readers)
        for (low, high), numbers in zip(edges, touched, strict=True):
            for at in numbers:
                reader = readers[at]
                for piece in reader.needed(reader.part.within(low, high)) if reader.asked.columns else ():
                    if reader.in_order and piece > newest[at]:
                        newest[at] = piece
                        yield reader, piece
                    elif not reader.in_order and piece not in done.setdefault(at, set()):
                        done[at].add(piece)
                        yield reader, piece

    def _start(self) -> None:
        """Start decoding the next pieces of text that is not read straight into the blocks, some at a time."""
        while self._following is not None and len(self._queue) < DECODERS:
            reader, piece = self._following
            if reader.part.table.piece_values is not None or reader.straight is not None:
                return
            self._queue.append((reader, piece, self._pool.submit(self._decode, reader, piece)))
            self._following = next(self._jobs, None)

    def _decode(self, reader: _PartReader, piece: Piece) -> Decoded:
        table = reader.part.table
        return table.decode(table.slabs[piece[0]], reader.asked.columns[reader.columns(piece)])

    def _next(self) -> None:
        """Take over the next decoded piece.

        Some columns of a file are decoded here: handing them over would cost as much as half of the work. So is text at
        the border of two blocks, while threads are busy with the rest of it.
        """
        self._start()
        if self._queue:
            reader, piece, future = self._queue.popleft()
            decoded = future.result()
            self._start()
        else:
            assert self._following is not None, "no piece is left, yet one is missing"
            reader, piece = self._following
            self._following = next(self._jobs, None)
            decoded = self._decode(reader, piece)
        table, columns = reader.part.table, reader.asked.columns[reader.columns(piece)]
        self._watch(table, table.slabs[piece[0]], columns, decoded)
        reader.held[piece] = decoded

    def fill(self, canvas: Canvas, reader: _PartReader, runs: Runs, high: int) -> None:
        """Lay the rows of some runs of a part into a block that ends at slot `high`.

        What later blocks do not need is let go at once; a file whose rows are not in order is kept whole.
        """
        asked = reader.asked
        later = reader.part.first_row_from(high)
        begun: deque[tuple[Piece, Future[Decoded | None]]] = deque()

        def ended(most: int) -> None:
            while len(begun) > most:
                which, future = begun.popleft()
                decoded = future.result()
                if decoded is not None:
                    self._lay(canvas, reader, which, runs, decoded)
                    _let_go(decoded)

        for number, piece in enumerate(reader.needed(runs)):
            alone = reader.in_order and (later is None or reader.ends[piece[0]] <= later)
            if alone and reader.straight is not None and self._following == (reader, piece):
                self._following = next(self._jobs, None)
                if reader.part.table.piece_values is None or (self.hurry and number % 2):
                    begun.append((piece, self._pool.submit(self._straight, canvas, reader, piece, runs)))
                    ended(DECODERS)
                elif (decoded := self._straight(canvas, reader, piece, runs)) is not None:
                    self._lay(canvas, reader, piece, runs, decoded)
                    _let_go(decoded)
                continue
            while piece not in reader.held:
                self._next()
            ended(0)
            columns, slab = reader.columns(piece), reader.part.table.slabs[piece[0]]
            canvas.lay(asked.channels[columns], asked.columns[columns], asked.flag, runs, slab, reader.held[piece])
            if alone:
                _let_go(reader.held.pop(piece))
        ended(0)

    def _straight(self, canvas: Canvas, reader: _PartReader, piece: Piece, runs: Runs) -> Decoded | None:
        """Write a piece that only this block needs to its places at once; its numbers where it holds something odd."""
        assert reader.straight is not None
        columns, slab = reader.columns(piece), reader.part.table.slabs[piece[0]]
        channels = reader.asked.channels[columns]
        places = canvas.places(channels, runs, slab)
        blank = None if places is None else reader.straight.into(slab, reader.asked.columns[columns], *places)
        if blank is None:
            return self._decode(reader, piece)
        canvas.not_whole(compress(channels, blank.tolist()))
        return None

    def _lay(self, canvas: Canvas, reader: _PartReader, piece: Piece, runs: Runs, decoded: Decoded) -> None:
        """Lay a piece that was decoded for this block alone."""
        table, asked, columns = reader.part.table, reader.asked, reader.columns(piece)
        slab = table.slabs[piece[0]]
        self._watch(table, slab, asked.columns[columns], decoded)
        canvas.lay(asked.channels[columns], asked.columns[columns], asked.flag, runs, slab, decoded)

    def close(self) -> None:
        """Stop the threads."""
        self._pool.shutdown(wait=True, cancel_futures=True)


def _let_go(decoded: Decoded) -> None:
    if decoded.release is not None:
        decoded.release()
