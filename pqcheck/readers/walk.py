"""Walk a stream: decode slabs ahead, lay them into blocks of whole days, merge what several rows say about a slot."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pqcheck.readers.grid import Ints, stretches
from pqcheck.readers.table import Decoded, Slab, Table
from pqcheck.recording import DAY, Axis, Block, Channel, Values

IN_FLIGHT = 2
"""Slabs decoded at a time; more would only take memory on the two cores this is tuned for."""

AHEAD_VALUES = 8_000_000
"""Decoded values that may wait: while one block is judged the decoders go on with the next one."""

BLOCK_VALUES = 4_000_000
_PAGE, _PAD = 512, 16
"""Doubles in a memory page; columns start this many doubles off page multiples, else they share cache sets."""


@dataclass(frozen=True)
class Part:
    """The rows of one file that lie in one stream: runs of consecutive slots and data rows, sorted by slot.

    `columns` gives the column of each channel of the file that is read.
    """

    table: Table
    slot: Ints
    row: Ints
    count: Ints
    columns: Mapping[Channel, int]

    @property
    def in_order(self) -> bool:
        """Whether rows and slots grow together, so that one pass over the file serves."""
        return bool((self.row[1:] >= self.row[:-1] + self.count[:-1]).all())

    @cached_property
    def extent(self) -> tuple[int, int]:
        """First slot and the one behind the last; all that a year of files can be asked quickly."""
        return (int(self.slot[0]), int((self.slot + self.count).max())) if self.slot.size else (0, 0)

    def touches(self, low: int, high: int) -> bool:
        """Whether any row may lie in the slots low..high."""
        first, end = self.extent
        return first < high and end > low

    def within(self, low: int, high: int) -> tuple[Ints, Ints, Ints]:
        """The runs cut to the slots low..high: (slot, row, count)."""
        keep = (self.slot < high) & (self.slot + self.count > low)
        slot, row, count = self.slot[keep], self.row[keep], self.count[keep]
        front = np.maximum(low - slot, 0)
        back = np.maximum(slot + count - high, 0)
        return slot + front, row + front, count - front - back


@dataclass(frozen=True)
class Plan:
    """All that walking a stream needs. `double` are the slot ranges that more than one row describes, by channel."""

    axis: Axis
    parts: tuple[Part, ...]
    channels: tuple[Channel, ...]
    narrow: frozenset[Channel]
    double: Mapping[Channel, tuple[Ints, Ints]]


@dataclass
class Conflicts:
    """What merging found, by channel: slots with differing values, and how many values agreed."""

    slots: dict[Channel, list[Ints]] = field(default_factory=dict)
    merged: dict[Channel, int] = field(default_factory=dict)


def block_slots(axis: Axis, channels: int) -> int:
    """Slots of a block: one day, or so many whole days that a block holds about four million values."""
    days = max(1, BLOCK_VALUES * axis.interval_us // (DAY * max(1, channels)))
    return max(1, -(-days * DAY // axis.interval_us))


def walk(
    plan: Plan,
    channels: Sequence[Channel] | None,
    watch: Callable[[Table, Slab, Sequence[int], Decoded], None],
    conflicts: Conflicts | None = None,
    only: tuple[Ints, Ints] | None = None,
) -> Iterator[Block]:
    """Blocks of a stream in time order.

    `watch` sees every decoded slab. With `conflicts`, what merging finds is collected there; with `only` (slot
    ranges), blocks without any of these slots are passed over.
    """
    chosen = plan.channels if channels is None else tuple(each for each in plan.channels if each in set(channels))
    size = block_slots(plan.axis, max(1, len(chosen)))
    count = plan.axis.count
    edges = [(low, min(low + size, count)) for low in range(0, count, size)]
    if only is not None:
        edges = [(low, high) for low, high in edges if ((only[0] < high) & (only[1] > low)).any()]
    readers = [_PartReader(part, chosen) for part in plan.parts]
    feed = _Feed(readers, edges, watch)
    canvas = _Canvas(plan, chosen, min(size, count))
    try:
        for low, high in edges:
            canvas.begin(low, high)
            for reader in readers:
                if not reader.columns or not reader.part.touches(low, high):
                    continue
                runs = reader.part.within(low, high)
                if runs[0].size:
                    for slab, decoded in feed.slabs_for(reader, runs):
                        canvas.lay(reader, runs, slab, decoded)
                    feed.release(reader, high)
            yield canvas.finish(conflicts)
    finally:
        feed.close()


class _PartReader:
    """One part of a walk: which columns are decoded, and the slabs that are still held."""

    def __init__(self, part: Part, chosen: Sequence[Channel]) -> None:
        self.part = part
        self.channels = [channel for channel in chosen if channel in part.columns]
        self.columns = [part.columns[channel] for channel in self.channels]
        self.flag = part.table.flag
        if self.flag is not None and self.flag not in self.columns:
            self.columns.append(self.flag)
        self.ends = np.array([slab.first_row + slab.rows for slab in part.table.slabs], np.int64)
        self.in_order = part.in_order
        self.held: dict[int, Decoded] = {}

    def needed(self, runs: tuple[Ints, Ints, Ints]) -> list[int]:
        """Numbers of the slabs that hold the rows of some runs."""
        _, row, count = runs
        first = np.searchsorted(self.ends, row, side="right")
        last = np.searchsorted(self.ends, row + count - 1, side="right")
        wanted = np.zeros(self.ends.size + 1, np.int64)
        np.add.at(wanted, first, 1)
        np.add.at(wanted, last + 1, -1)
        return [int(number) for number in np.flatnonzero(np.cumsum(wanted[:-1]))]


class _Feed:
    """Decodes slabs in the order of their use, a few ahead, in threads."""

    def __init__(
        self,
        readers: list[_PartReader],
        edges: list[tuple[int, int]],
        watch: Callable[[Table, Slab, Sequence[int], Decoded], None],
    ) -> None:
        self._jobs = self._order(readers, edges)
        self._watch = watch
        self._pool = ThreadPoolExecutor(IN_FLIGHT)
        self._queue: deque[tuple[_PartReader, int, Future[Decoded]]] = deque()

    @staticmethod
    def _order(readers: list[_PartReader], edges: list[tuple[int, int]]) -> Iterator[tuple[_PartReader, int]]:
        done: list[set[int]] = [set() for _ in readers]
        newest = [-1] * len(readers)
        for low, high in edges:
            for at, reader in enumerate(readers):
                if not reader.columns or not reader.part.touches(low, high):
                    continue
                for number in reader.needed(reader.part.within(low, high)):
                    if reader.in_order and number > newest[at]:
                        newest[at] = number
                        yield reader, number
                    elif not reader.in_order and number not in done[at]:
                        done[at].add(number)
                        yield reader, number

    @staticmethod
    def _values(reader: _PartReader, number: int) -> int:
        return reader.part.table.slabs[number].rows * len(reader.columns)

    def _fill(self) -> None:
        waiting = sum(self._values(reader, number) for reader, number, _ in self._queue)
        while len(self._queue) <= IN_FLIGHT or waiting < AHEAD_VALUES:
            job = next(self._jobs, None)
            if job is None:
                return
            reader, number = job
            waiting += self._values(reader, number)
            table = reader.part.table
            self._queue.append((reader, number, self._pool.submit(table.decode, table.slabs[number], reader.columns)))

    def slabs_for(
        self, reader: _PartReader, runs: tuple[Ints, Ints, Ints]
    ) -> Iterator[tuple[Slab, Decoded]]:
        """The decoded slabs that some runs of a part need, in order."""
        table = reader.part.table
        for number in reader.needed(runs):
            while number not in reader.held:
                self._fill()
                owner, which, future = self._queue.popleft()
                decoded = future.result()
                self._watch(owner.part.table, owner.part.table.slabs[which], owner.columns, decoded)
                owner.held[which] = decoded
                self._fill()
            yield table.slabs[number], reader.held[number]

    @staticmethod
    def release(reader: _PartReader, high: int) -> None:
        """Let go of what later blocks do not need; a file whose rows are not in order is kept whole."""
        if reader.in_order:
            later = reader.part.slot + reader.part.count > high
            if not later.any():
                reader.held.clear()
                return
            at = int(np.argmax(later))
            row = int(reader.part.row[at] + max(0, high - int(reader.part.slot[at])))
            for number in [number for number in reader.held if reader.ends[number] <= row]:
                del reader.held[number]

    def close(self) -> None:
        """Stop the threads."""
        self._pool.shutdown(wait=True, cancel_futures=True)


class _Canvas:
    """The buffer of a block: one row per channel, reused for every block of a walk."""

    def __init__(self, plan: Plan, chosen: Sequence[Channel], size: int) -> None:
        self._plan = plan
        self._chosen = chosen
        stride = -(-size // _PAGE) * _PAGE + _PAD
        wide = [channel for channel in chosen if channel not in plan.narrow]
        slim = [channel for channel in chosen if channel in plan.narrow]
        self._rows: dict[Channel, Values] = {}
        for kind, group in ((np.float64, wide), (np.float32, slim)):
            buffer = np.empty((len(group), stride), kind)
            self._rows.update({channel: buffer[at, :size] for at, channel in enumerate(group)})
        self._flagged = np.zeros(size, np.bool_)
        self._has_flag = any(part.table.flag is not None for part in plan.parts)
        self._low = self._high = 0
        self._over: dict[Channel, NDArray[np.bool_]] = {}
        self._clash: dict[Channel, NDArray[np.bool_]] = {}
        self._conflicts = Conflicts()
        self._double: dict[Channel, tuple[Ints, Ints]] = {}
        # Channels of one set of files share their holes.
        self._groups: dict[tuple[int, ...], list[Channel]] = {}
        for channel in chosen:
            held = tuple(at for at, part in enumerate(plan.parts) if channel in part.columns)
            self._groups.setdefault(held, []).append(channel)

    def begin(self, low: int, high: int) -> None:
        """Start the block of slots low..high: blank wherever no row or more than one row writes."""
        self._low, self._high = low, high
        self._flagged[:] = False
        self._over, self._clash, self._conflicts, self._double = {}, {}, Conflicts(), {}
        nothing = np.empty(0, np.int64)
        for held, channels in self._groups.items():
            parts = [self._plan.parts[at] for at in held]
            runs = [part.within(low, high) for part in parts if part.touches(low, high)]
            slot = np.concatenate([nothing, *(run[0] for run in runs)])
            order = np.argsort(slot, kind="stable")
            starts, ends = stretches(slot[order], np.concatenate([nothing, *(run[2] for run in runs)])[order])
            holes = list(zip([low, *ends.tolist()], [*starts.tolist(), high], strict=True))
            for channel in channels:
                values = self._rows[channel]
                for start, end in holes:
                    if end > start:
                        values[start - low : end - low] = np.nan
                double = self._plan.double.get(channel)
                if double is not None:
                    keep = (double[0] < high) & (double[1] > low)
                    if keep.any():
                        cut = np.maximum(double[0][keep], low), np.minimum(double[1][keep], high)
                        self._double[channel] = cut
                        for start, end in zip(*cut, strict=True):
                            values[start - low : end - low] = np.nan

    def lay(self, reader: _PartReader, runs: tuple[Ints, Ints, Ints], slab: Slab, decoded: Decoded) -> None:
        """Write the rows of one slab that lie in this block."""
        slot, row, count = runs
        keep = (row < slab.first_row + slab.rows) & (row + count > slab.first_row)
        front = np.maximum(slab.first_row - row[keep], 0)
        back = np.maximum(row[keep] + count[keep] - slab.first_row - slab.rows, 0)
        slot, row = slot[keep] + front - self._low, row[keep] + front - slab.first_row
        count = count[keep] - front - back
        few = slot.size <= 4
        if few:
            pieces = [
                (slice(a, a + n), slice(b, b + n))
                for a, b, n in zip(slot.tolist(), row.tolist(), count.tolist(), strict=True)
            ]
        if not few or self._double:
            slots, rows = _every(slot, count), _every(row, count)
        for channel, column, values in zip(reader.channels, reader.columns, decoded.values, strict=False):
            if channel in self._double:
                self._merge(channel, slots, values[rows])
            elif few:
                target = self._rows[channel]
                for to, of in pieces:
                    target[to] = values[of]
            else:
                self._rows[channel][slots] = values[rows]
            if column in decoded.over:
                marks = self._over.setdefault(channel, np.zeros(self._high - self._low, np.bool_))
                for a, b, n in zip(slot.tolist(), row.tolist(), count.tolist(), strict=True):
                    marks[a : a + n] |= decoded.over[column][b : b + n]
        if reader.flag is not None:
            flags = decoded.values[reader.columns.index(reader.flag)]
            for a, b, n in zip(slot.tolist(), row.tolist(), count.tolist(), strict=True):
                self._flagged[a : a + n] |= np.nan_to_num(flags[b : b + n]) != 0

    def _merge(self, channel: Channel, slots: Ints, values: Values) -> None:
        """Write into slots that several rows may describe; the same slot may occur twice in one call."""
        target = self._rows[channel]
        clash = self._clash.setdefault(channel, np.zeros(self._high - self._low, np.bool_))
        starts, ends = self._double[channel]
        at = np.searchsorted(starts, slots + self._low, side="right") - 1
        inside = (at >= 0) & (slots + self._low < ends[np.maximum(at, 0)])
        target[slots[~inside]] = values[~inside]
        slots, values = slots[inside], values[inside].astype(target.dtype)
        while slots.size:
            _, first = np.unique(slots, return_index=True)
            now, new = slots[first], values[first]
            old = target[now]
            both = ~np.isnan(old) & ~np.isnan(new)
            clash[now[both & (old != new)]] = True
            same = int((both & (old == new)).sum())
            if same:
                self._conflicts.merged[channel] = self._conflicts.merged.get(channel, 0) + same
            target[now] = np.where(np.isnan(old), new, old)
            rest = np.ones(slots.size, np.bool_)
            rest[first] = False
            slots, values = slots[rest], values[rest]

    def finish(self, conflicts: Conflicts | None) -> Block:
        """The finished block; slots with differing values become blank."""
        size = self._high - self._low
        for channel, clash in self._clash.items():
            wrong = np.flatnonzero(clash)
            if wrong.size:
                self._rows[channel][wrong] = np.nan
                if conflicts is not None:
                    conflicts.slots.setdefault(channel, []).append(wrong + self._low)
        if conflicts is not None:
            for channel, same in self._conflicts.merged.items():
                conflicts.merged[channel] = conflicts.merged.get(channel, 0) + same
        axis = self._plan.axis
        return Block(
            Axis(axis.start_us + self._low * axis.interval_us, axis.interval_us, size),
            {channel: self._rows[channel][:size] for channel in self._chosen},
            self._flagged[:size].copy() if self._has_flag else None,
            self._over,
        )


def _every(start: Ints, count: Ints) -> Ints:
    """All numbers of the ranges start..start+count, one range after the other."""
    ends = np.cumsum(count)
    total = int(ends[-1]) if ends.size else 0
    every: Ints = np.arange(total, dtype=np.int64) + np.repeat(start - (ends - count), count)
    return every
