"""Where the values of a channel stand in the files (see `recording.RowIndex`)."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct

from pqcheck.readers.grid import Ints
from pqcheck.readers.plan import Part, Plan
from pqcheck.recording import Channel, RowSpan

Key = tuple[str, str | None, int | None, str | None, str]


def _in_one_piece(part: Part, low: int, high: int) -> RowSpan | None:
    """The rows of the slots low..high where they follow each other, slot by slot and line by line; else None."""
    row = part.row_of(low, high)
    if row is None:
        return None
    first = part.table.row_numbers.first_of(row, high - low)
    return None if first is None else RowSpan(part.table.name, first, first + high - low - 1)


class _Held(Struct, frozen=True):
    """Parts that lie in files, with the first slot of each and the one behind its last."""

    parts: tuple[Part, ...]
    first: Ints
    end: Ints

    def rows(self, low: int, high: int) -> tuple[RowSpan, ...]:
        """Rows that hold the slots low..high, in time order."""
        numbers = [0] if len(self.parts) == 1 else np.flatnonzero((self.first < high) & (self.end > low)).tolist()
        if len(numbers) == 1:
            whole = _in_one_piece(self.parts[numbers[0]], low, high)
            if whole is not None:
                return (whole,)
        found: list[tuple[int, RowSpan]] = []
        for part in (self.parts[number] for number in numbers):
            slot, row, count = part.within(low, high)
            for first_slot, first_row, size in zip(slot.tolist(), row.tolist(), count.tolist(), strict=True):
                lines = part.table.row_numbers.of(np.arange(first_row, first_row + size))
                breaks = np.flatnonzero(np.diff(lines) != 1) + 1
                for a, b in zip([0, *breaks.tolist()], [*breaks.tolist(), size], strict=True):
                    span = RowSpan(part.table.name, int(lines[a]), int(lines[b - 1]))
                    last = found[-1][1] if found else None
                    if last is not None and last.file == span.file and last.last + 1 == span.first:
                        found[-1] = (found[-1][0], RowSpan(span.file, last.first, span.last))
                    else:
                        found.append((first_slot + a, span))
        return tuple(span for _, span in sorted(found, key=lambda pair: pair[0]))


class Rows(Struct, frozen=True, dict=True):
    """The rows of the parts of a plan, by channel; empty for arrays in memory."""

    plan: Plan

    @cached_property
    def _held(self) -> dict[Key, _Held]:
        """What is asked per channel, shared by the channels of a group; corrections may have changed their units."""
        found: dict[Key, _Held] = {}
        for group in self.plan.groups:
            parts = tuple(self.plan.parts[at] for at in group.parts if not self.plan.parts[at].table.in_memory)
            extents = np.array([part.extent for part in parts], np.int64).reshape(-1, 2)
            held = _Held(parts, extents[:, 0], extents[:, 1])
            found.update({channel.key: held for channel in group.channels})
        return found

    @cached_property
    def _last(self) -> dict[int, tuple[int, int, tuple[RowSpan, ...]]]:
        """The last answer per group of channels: the inputs of one formula ask for the same rows in turn."""
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
        found = held.rows(low, high)
        self._last[id(held)] = low, high, found
        return found
