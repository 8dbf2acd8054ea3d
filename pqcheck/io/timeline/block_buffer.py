"""The buffer of a block: rows of chunks laid into slots, and what several rows say about one slot merged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.io.decoder import Chunk, Filled, Move, indices_of, move_values
from pqcheck.io.timeline.stream_plan import ChannelSet, SlotRuns, StreamPlan
from pqcheck.io.timeline.time_grid import Ints, merged_ranges
from pqcheck.model.recording import Axis, Block, Channel, Values

_PAGE, _PAD = 512, 16
"""Doubles in a memory page; columns start this many doubles off page multiples, else they share cache sets."""


class Conflicts(Struct):
    """What merging found, by channel: slots with differing values, and how many values agreed."""

    slots: dict[Channel, list[Ints]] = field(default_factory=dict)
    merged: dict[Channel, int] = field(default_factory=dict)


class BlockBuffer:
    """One row per channel, reused for every block that is laid into it."""

    def __init__(self, plan: StreamPlan, chosen: Sequence[Channel], size: int) -> None:
        """For blocks of at most `size` slots that hold the `chosen` channels."""
        self._plan = plan
        stride = -(-size // _PAGE) * _PAGE + _PAD
        rows: dict[Channel, Values] = {}
        wide = [channel for channel in chosen if channel not in plan.narrow]
        slim = [channel for channel in chosen if channel in plan.narrow]
        for kind, channels in ((np.float64, wide), (np.float32, slim)):
            buffer = np.empty((len(channels), stride), kind)
            rows.update({channel: buffer[at, :size] for at, channel in enumerate(channels)})
        self._rows = {channel: rows[channel] for channel in chosen}
        self._flagged = np.zeros(size, np.bool_)
        self._flags = np.empty(size)
        self._has_flag = any(file.table.flag is not None for file in plan.files)
        self._low = self._high = 0
        self._lower_bounds: dict[Channel, NDArray[np.bool_]] = {}
        self._upper_bounds: dict[Channel, NDArray[np.bool_]] = {}
        self._clash: dict[Channel, NDArray[np.bool_]] = {}
        self._merged: dict[Channel, int] = {}
        self._double: dict[Channel, tuple[Ints, Ints]] = {}

    def begin(self, low: int, high: int, runs: Mapping[int, SlotRuns]) -> None:
        """Start the block of slots low..high: blank wherever no row or more than one row writes.

        `runs` are the rows in it by number of their file.
        """
        self._low, self._high = low, high
        self._flagged[:] = False
        self._lower_bounds, self._upper_bounds = {}, {}
        self._clash, self._merged, self._double = {}, {}, {}
        for channels in self._plan.channel_sets:
            rows = [self._rows[channel] for channel in channels.channels if channel in self._rows]
            here = [mine for at, mine in runs.items() if at in channels.files]
            for start, end in _holes(here, low, high) if rows else ():
                for values in rows:
                    values[start - low : end - low] = np.nan
            if rows and channels.double[0].size:
                self._blank_double(channels)

    def _blank_double(self, channels: ChannelSet) -> None:
        starts, ends = channels.double
        keep = (starts < self._high) & (ends > self._low)
        if not keep.any():
            return
        cut = np.maximum(starts[keep], self._low), np.minimum(ends[keep], self._high)
        for channel in channels.channels:
            if channel not in self._rows:
                continue
            self._double[channel] = cut
            for start, end in zip(cut[0].tolist(), cut[1].tolist(), strict=True):
                self._rows[channel][start - self._low : end - self._low] = np.nan

    def rows(self, channels: Sequence[Channel], with_flags: bool) -> list[Values] | None:
        """The rows of these channels, then one for flags; None when some slots are described more than once."""
        if self._double and any(channel in self._double for channel in channels):
            return None
        return [*(self._rows[channel] for channel in channels), *([self._flags] if with_flags else [])]

    def moves(self, runs: SlotRuns, chunk: Chunk) -> list[Move]:
        """Where the rows of a chunk go in the rows of the block, in the order of the slots."""
        slot, row, count = runs
        keep = (row < chunk.first_row + chunk.rows) & (row + count > chunk.first_row)
        front = np.maximum(chunk.first_row - row[keep], 0)
        back = np.maximum(row[keep] + count[keep] - chunk.first_row - chunk.rows, 0)
        to, of, size = slot[keep] + front - self._low, row[keep] + front - chunk.first_row, count[keep] - front - back
        return list(zip(to.tolist(), of.tolist(), size.tolist(), strict=True))

    def lay(self, channels: Sequence[Channel], values: Sequence[Values], moves: Sequence[Move]) -> None:
        """Write rows of a chunk that is held: values of the channels, then those of the flags if there are any."""
        rows = [*(self._rows[channel] for channel in channels), self._flags][: len(values)]
        double = [at for at, channel in enumerate(channels) if channel in self._double]
        if double:
            slots, chosen = indices_of(moves)
        for at in double:
            self._merge(channels[at], slots, values[at][chosen])
        single = sorted(set(range(len(values))) - set(double))
        move_values([values[at] for at in single], [rows[at] for at in single], moves)

    def note(
        self, channels: Sequence[Channel], columns: Sequence[int], with_flags: bool, moves: Sequence[Move],
        filled: Filled,
    ) -> None:
        """Take over the marks of rows that were written: bounds, and the intervals that are flagged."""
        for kept, noticed in (
            (self._lower_bounds, filled.lower_bounds), (self._upper_bounds, filled.upper_bounds),
        ):
            for channel, column in zip(channels, columns, strict=False):
                if column in noticed:
                    marks = kept.setdefault(channel, np.zeros(self._high - self._low, np.bool_))
                    for to, of, size in moves:
                        marks[to : to + size] |= noticed[column][of : of + size]
        for to, _, size in moves if with_flags else ():
            self._flagged[to : to + size] |= np.nan_to_num(self._flags[to : to + size]) != 0

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
                self._merged[channel] = self._merged.get(channel, 0) + same
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
            for channel, same in self._merged.items():
                conflicts.merged[channel] = conflicts.merged.get(channel, 0) + same
        axis = self._plan.axis
        return Block(
            Axis(axis.start_us + self._low * axis.interval_us, axis.interval_us, size),
            {channel: row[:size] for channel, row in self._rows.items()},
            self._flagged[:size].copy() if self._has_flag else None,
            self._lower_bounds,
            self._upper_bounds,
        )


def _holes(runs: Sequence[SlotRuns], low: int, high: int) -> list[tuple[int, int]]:
    """Slot ranges of low..high without any row."""
    if not runs:
        return [(low, high)]
    slot = np.concatenate([run[0] for run in runs])
    order = np.argsort(slot, kind="stable")
    starts, ends = merged_ranges(slot[order], np.concatenate([run[2] for run in runs])[order])
    return [
        (start, end) for start, end in zip([low, *ends.tolist()], [*starts.tolist(), high], strict=True) if end > start
    ]
