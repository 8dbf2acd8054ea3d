"""The buffer of a block: rows of decoded slabs laid into slots, and what several rows say about one slot merged."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import compress

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.readers.grid import Ints, stretches
from pqcheck.readers.plan import Group, Plan, Runs
from pqcheck.readers.table import Decoded, Slab
from pqcheck.recording import Axis, Block, Channel, Values

_PAGE, _PAD = 512, 16
"""Doubles in a memory page; columns start this many doubles off page multiples, else they share cache sets."""

_FEW = 4
"""So many runs of rows are copied one by one; more of them by their indices."""


class Conflicts(Struct):
    """What merging found, by channel: slots with differing values, and how many values agreed."""

    slots: dict[Channel, list[Ints]] = field(default_factory=dict)
    merged: dict[Channel, int] = field(default_factory=dict)


class Canvas:
    """One row per channel, reused for every block that is laid into it."""

    def __init__(self, plan: Plan, chosen: Sequence[Channel], size: int) -> None:
        """For blocks of at most `size` slots that hold the `chosen` channels."""
        self._plan = plan
        stride = -(-size // _PAGE) * _PAGE + _PAD
        rows: dict[Channel, Values] = {}
        wide = [channel for channel in chosen if channel not in plan.narrow]
        slim = [channel for channel in chosen if channel in plan.narrow]
        for kind, group in ((np.float64, wide), (np.float32, slim)):
            buffer = np.empty((len(group), stride), kind)
            rows.update({channel: buffer[at, :size] for at, channel in enumerate(group)})
        self._rows = {channel: rows[channel] for channel in chosen}
        self._flagged = np.zeros(size, np.bool_)
        self._has_flag = any(part.table.flag is not None for part in plan.parts)
        self._low = self._high = 0
        self._over: dict[Channel, NDArray[np.bool_]] = {}
        self._clash: dict[Channel, NDArray[np.bool_]] = {}
        self._conflicts = Conflicts()
        self._double: dict[Channel, tuple[Ints, Ints]] = {}
        self._not_whole: set[Channel] = set()
        self._groups = [
            (group, frozenset(group.parts), [self._rows[channel] for channel in group.channels if channel in rows])
            for group in plan.groups
        ]

    def begin(self, low: int, high: int, runs: Mapping[int, Runs]) -> None:
        """Start the block of slots low..high: blank wherever no row or more than one row writes.

        `runs` are the rows in it by number of their part.
        """
        self._low, self._high = low, high
        self._flagged[:] = False
        self._over, self._clash, self._conflicts, self._double = {}, {}, Conflicts(), {}
        self._not_whole = set()
        for group, parts, rows in self._groups:
            if not rows:
                continue
            here = [mine for at, mine in runs.items() if at in parts]
            for start, end in _holes(here, low, high):
                for values in rows:
                    values[start - low : end - low] = np.nan
            if group.double[0].size:
                self._blank_double(group)

    def _blank_double(self, group: Group) -> None:
        starts, ends = group.double
        keep = (starts < self._high) & (ends > self._low)
        if not keep.any():
            return
        cut = np.maximum(starts[keep], self._low), np.minimum(ends[keep], self._high)
        for channel in group.channels:
            if channel not in self._rows:
                continue
            self._double[channel] = cut
            for start, end in zip(cut[0].tolist(), cut[1].tolist(), strict=True):
                self._rows[channel][start - self._low : end - self._low] = np.nan

    def lay(
        self, channels: Sequence[Channel], columns: Sequence[int], flag: int | None, runs: Runs, slab: Slab,
        decoded: Decoded,
    ) -> None:
        """Write the rows of one slab that lie in this block.

        `columns` are those that were decoded: of the `channels`, then that of the flags if it is none of them.
        """
        self.not_whole(channels if decoded.blank is None else compress(channels, decoded.blank.tolist()))
        slot, row, count = self._within(runs, slab)
        pieces = list(zip(slot.tolist(), row.tolist(), count.tolist(), strict=True))
        few = len(pieces) <= _FEW
        if not few or self._double:
            slots, rows = _every(slot, count), _every(row, count)
        for channel, column, values in zip(channels, columns, decoded.values, strict=False):
            target = self._rows[channel]
            if channel in self._double:
                self._merge(channel, slots, values[rows])
            elif few:
                for to, of, size in pieces:
                    target[to : to + size] = values[of : of + size]
            else:
                target[slots] = values[rows]
            if column in decoded.over:
                marks = self._over.setdefault(channel, np.zeros(self._high - self._low, np.bool_))
                for to, of, size in pieces:
                    marks[to : to + size] |= decoded.over[column][of : of + size]
        if flag is not None and flag in columns:
            flags = decoded.values[list(columns).index(flag)]
            for to, of, size in pieces:
                self._flagged[to : to + size] |= np.nan_to_num(flags[of : of + size]) != 0

    def not_whole(self, channels: Iterable[Channel]) -> None:
        """Take note of channels that may lack a value where there is a row."""
        self._not_whole.update(channels)

    def _within(self, runs: Runs, slab: Slab) -> Runs:
        """The runs cut to the rows of a slab, counted from its first row; slots from the first of the block."""
        slot, row, count = runs
        keep = (row < slab.first_row + slab.rows) & (row + count > slab.first_row)
        front = np.maximum(slab.first_row - row[keep], 0)
        back = np.maximum(row[keep] + count[keep] - slab.first_row - slab.rows, 0)
        return (
            slot[keep] + front - self._low, row[keep] + front - slab.first_row, count[keep] - front - back,
        )

    def places(
        self, channels: Sequence[Channel], runs: Runs, slab: Slab
    ) -> tuple[list[Values], list[tuple[int, int, int]]] | None:
        """The rows of these channels, and where rows of a slab go in them: (slot, row, count).

        None when some slots are described more than once.
        """
        if self._double and any(channel in self._double for channel in channels):
            return None
        slot, row, count = self._within(runs, slab)
        moves = list(zip(slot.tolist(), row.tolist(), count.tolist(), strict=True))
        return [self._rows[channel] for channel in channels], moves

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
            {channel: row[:size] for channel, row in self._rows.items()},
            self._flagged[:size].copy() if self._has_flag else None,
            self._over,
            tuple(self._alike()),
        )

    def _alike(self) -> Iterator[frozenset[Channel]]:
        """Sets of channels that have a value wherever there is a row."""
        for group, _, rows in self._groups:
            if rows:
                yield frozenset(group.channels).intersection(self._rows) - self._not_whole - self._clash.keys()


def _holes(runs: Sequence[Runs], low: int, high: int) -> list[tuple[int, int]]:
    """Slot ranges of low..high without any row."""
    if not runs:
        return [(low, high)]
    slot = np.concatenate([run[0] for run in runs])
    order = np.argsort(slot, kind="stable")
    starts, ends = stretches(slot[order], np.concatenate([run[2] for run in runs])[order])
    return [
        (start, end) for start, end in zip([low, *ends.tolist()], [*starts.tolist(), high], strict=True) if end > start
    ]


def _every(start: Ints, count: Ints) -> Ints:
    """All numbers of the ranges start..start+count, one range after the other."""
    ends = np.cumsum(count)
    total = int(ends[-1]) if ends.size else 0
    every: Ints = np.arange(total, dtype=np.int64) + np.repeat(start - (ends - count), count)
    return every
