"""Which rows of which files fill the slots of a stream: the rows of each file, the channels that share them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct

from pqcheck.io.decoder import Table
from pqcheck.io.timeline.time_grid import Ints, merged_ranges, overlaps
from pqcheck.model.recording import Axis, Channel

SlotRuns = tuple[Ints, Ints, Ints]
"""Slots, data rows and lengths of runs of consecutive rows."""


class FileRows(Struct, frozen=True, dict=True):
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
    def _reach(self) -> Ints:
        """Per run the slot behind the last one that it or a run before it covers: grows from run to run."""
        return np.maximum.accumulate(self.slot + self.count)

    @property
    def extent(self) -> tuple[int, int]:
        """First slot and the one behind the last; all that a year of files can be asked quickly."""
        return (int(self.slot[0]), int(self._reach[-1])) if self.slot.size else (0, 0)

    def within(self, low: int, high: int) -> SlotRuns:
        """The runs cut to the slots low..high: (slot, row, count)."""
        first = int(np.searchsorted(self._reach, low, side="right"))
        last = int(np.searchsorted(self.slot, high))
        slot, row, count = self.slot[first:last], self.row[first:last], self.count[first:last]
        front = np.maximum(low - slot, 0)
        count = count - front - np.maximum(slot + count - high, 0)
        if count.size and count.min() <= 0:
            keep = count > 0
            return (slot + front)[keep], (row + front)[keep], count[keep]
        return slot + front, row + front, count

    def row_of(self, low: int, high: int) -> int | None:
        """The data row of slot `low` where one run holds all slots low..high and no other any of them; else None."""
        first = int(np.searchsorted(self._reach, low, side="right"))
        if first == self.slot.size or (first + 1 < self.slot.size and self.slot[first + 1] < high):
            return None
        front = low - int(self.slot[first])
        return int(self.row[first]) + front if 0 <= front <= int(self.count[first]) - (high - low) else None

    def first_row_from(self, slot: int) -> int | None:
        """The first data row, in order of slots, at or behind a slot; None when there is none."""
        at = int(np.searchsorted(self._reach, slot, side="right"))
        return int(self.row[at] + max(0, slot - int(self.slot[at]))) if at < self._reach.size else None


class ChannelSet(Struct, frozen=True):
    """Channels that stand in the same files (numbers of `StreamPlan.files`), and so share their holes.

    `double` are the slot ranges (starts, ends) that more than one row describes.
    """

    channels: tuple[Channel, ...]
    files: tuple[int, ...]
    double: tuple[Ints, Ints]


class StreamPlan(Struct, frozen=True, dict=True):
    """All that walking a stream needs. `narrow` channels are float32 in every file."""

    axis: Axis
    files: tuple[FileRows, ...]
    channels: tuple[Channel, ...]
    narrow: frozenset[Channel]
    channel_sets: tuple[ChannelSet, ...]

    @cached_property
    def double(self) -> dict[Channel, tuple[Ints, Ints]]:
        """Slot ranges that more than one row describes, by channel that has any."""
        return {channel: each.double for each in self.channel_sets if each.double[0].size for channel in each.channels}

    def covered(self, channels: ChannelSet) -> tuple[Ints, Ints]:
        """Half-open slot ranges in which these channels have rows: (starts, ends)."""
        return merged_ranges(*runs_of([self.files[at] for at in channels.files]))


def plan_of(axis: Axis, files: tuple[FileRows, ...]) -> StreamPlan:
    """The plan of a stream whose rows stand in `files`."""
    held: dict[Channel, list[int]] = {}
    wide: set[Channel] = set()
    for columns, narrow, numbers in _shared_columns(files):
        for channel, column in columns.items():
            held.setdefault(channel, []).extend(numbers)
            if column not in narrow:
                wide.add(channel)
    shared: dict[tuple[int, ...], list[Channel]] = {}
    for channel, numbers in held.items():
        shared.setdefault(tuple(sorted(numbers)), []).append(channel)
    sets = [
        ChannelSet(tuple(channels), holders, overlaps(*runs_of([files[at] for at in holders])))
        for holders, channels in shared.items()
    ]
    return StreamPlan(axis, files, tuple(held), frozenset(held) - wide, tuple(sets))


def _shared_columns(files: Sequence[FileRows]) -> list[tuple[Mapping[Channel, int], frozenset[int], list[int]]]:
    """Columns, narrow columns, and the numbers of the files that share them (see `SharedColumns`)."""
    shared: list[tuple[Mapping[Channel, int], frozenset[int], list[int]]] = []
    for number, file in enumerate(files):
        for columns, narrow, numbers in shared:
            if columns is file.columns and narrow is file.table.narrow:
                numbers.append(number)
                break
        else:
            shared.append((file.columns, file.table.narrow, [number]))
    return shared


def runs_of(files: Sequence[FileRows]) -> tuple[Ints, Ints]:
    """Slots and lengths of the runs of several files, sorted by slot."""
    slot = np.concatenate([file.slot for file in files])
    order = np.argsort(slot, kind="stable")
    return slot[order], np.concatenate([file.count for file in files])[order]


def files_by_block(files: Sequence[FileRows], edges: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Per block (slots low..high, in order) the numbers of the files that may have rows there."""
    by_block: list[list[int]] = [[] for _ in edges]
    if not edges:
        return by_block
    lows, highs = (np.array(ends, np.int64) for ends in zip(*edges, strict=True))
    for number, file in enumerate(files):
        first, end = file.extent
        for at in range(int(np.searchsorted(highs, first, side="right")), int(np.searchsorted(lows, end))):
            by_block[at].append(number)
    return by_block
