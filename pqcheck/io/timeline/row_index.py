"""Where the values of a channel stand in the files (see `recording.RowIndex`)."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct

from pqcheck.io.timeline.stream_plan import FileRows, StreamPlan
from pqcheck.io.timeline.time_grid import Ints
from pqcheck.model.recording import Channel, RowSpan

Key = tuple[str, str | None, int | None, str | None, str]


def _without_break(file: FileRows, low: int, high: int) -> RowSpan | None:
    """The rows of the slots low..high where they follow each other, slot by slot and line by line; else None."""
    row = file.row_of(low, high)
    if row is None:
        return None
    first = file.table.row_numbers.first_of(row, high - low)
    return None if first is None else RowSpan(file.table.name, first, first + high - low - 1)


class _Held(Struct, frozen=True):
    """Rows that lie in files, with the first slot of each and the one behind its last."""

    files: tuple[FileRows, ...]
    first: Ints
    end: Ints

    def rows(self, low: int, high: int) -> tuple[RowSpan, ...]:
        """Rows that hold the slots low..high, in time order."""
        numbers = [0] if len(self.files) == 1 else np.flatnonzero((self.first < high) & (self.end > low)).tolist()
        if len(numbers) == 1:
            whole = _without_break(self.files[numbers[0]], low, high)
            if whole is not None:
                return (whole,)
        spans: list[tuple[int, RowSpan]] = []
        for file in (self.files[number] for number in numbers):
            slot, row, count = file.within(low, high)
            for first_slot, first_row, size in zip(slot.tolist(), row.tolist(), count.tolist(), strict=True):
                lines = file.table.row_numbers.of(np.arange(first_row, first_row + size))
                breaks = np.flatnonzero(np.diff(lines) != 1) + 1
                for a, b in zip([0, *breaks.tolist()], [*breaks.tolist(), size], strict=True):
                    span = RowSpan(file.table.name, int(lines[a]), int(lines[b - 1]))
                    last = spans[-1][1] if spans else None
                    if last is not None and last.file == span.file and last.last + 1 == span.first:
                        spans[-1] = (spans[-1][0], RowSpan(span.file, last.first, span.last))
                    else:
                        spans.append((first_slot + a, span))
        return tuple(span for _, span in sorted(spans, key=lambda pair: pair[0]))


class Rows(Struct, frozen=True, dict=True):
    """The rows of the files of a plan, by channel; empty for arrays in memory."""

    plan: StreamPlan

    @cached_property
    def _held(self) -> dict[Key, _Held]:
        """What is asked per channel, shared by the channels of a set; corrections may have changed their units."""
        by_channel: dict[Key, _Held] = {}
        for each in self.plan.channel_sets:
            files = tuple(self.plan.files[at] for at in each.files if not self.plan.files[at].table.in_memory)
            extents = np.array([file.extent for file in files], np.int64).reshape(-1, 2)
            held = _Held(files, extents[:, 0], extents[:, 1])
            by_channel.update({channel.key: held for channel in each.channels})
        return by_channel

    @cached_property
    def _last(self) -> dict[int, tuple[int, int, tuple[RowSpan, ...]]]:
        """The last answer per set of channels: the inputs of one formula ask for the same rows in turn."""
        return {}

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        """Rows that hold `channel` for the half-open span, in time order."""
        axis, held = self.plan.axis, self._held.get(channel.key)
        if held is None:
            return ()
        low = max(0, -(-(start_us - axis.start_us) // axis.interval_us))
        high = min(axis.count, -(-(end_us - axis.start_us) // axis.interval_us))
        if high <= low:
            return ()
        last = self._last.get(id(held))
        if last is not None and last[:2] == (low, high):
            return last[2]
        spans = held.rows(low, high)
        self._last[id(held)] = low, high, spans
        return spans
