"""Where the values of a channel stand in the files (see `recording.RowIndex`)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pqcheck.readers.grid import Ints
from pqcheck.readers.plan import Part, Plan
from pqcheck.recording import Channel, RowSpan

Key = tuple[str, str | None, int | None, str | None, str]


@dataclass(frozen=True)
class _Held:
    """Parts that lie in files, with the first slot of each and the one behind its last."""

    parts: tuple[Part, ...]
    first: Ints
    end: Ints


@dataclass(frozen=True)
class Rows:
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

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        """Rows that hold `channel` for the half-open span, in time order."""
        axis, held = self.plan.axis, self._held.get(channel.key)
        if held is None:
            return ()
        low = max(0, -(-(start_us - axis.start_us) // axis.interval_us))
        high = min(axis.count, -(-(end_us - axis.start_us) // axis.interval_us))
        found: list[tuple[int, RowSpan]] = []
        for at in np.flatnonzero((held.first < high) & (held.end > low)).tolist():
            part = held.parts[at]
            slot, row, count = part.within(low, high)
            for first_slot, first_row, size in zip(slot.tolist(), row.tolist(), count.tolist(), strict=True):
                numbers = part.table.row_numbers.of(np.arange(first_row, first_row + size))
                breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
                for a, b in zip([0, *breaks.tolist()], [*breaks.tolist(), size], strict=True):
                    span = RowSpan(part.table.name, int(numbers[a]), int(numbers[b - 1]))
                    last = found[-1][1] if found else None
                    if last is not None and last.file == span.file and last.last + 1 == span.first:
                        found[-1] = (found[-1][0], RowSpan(span.file, last.first, span.last))
                    else:
                        found.append((first_slot + a, span))
        return tuple(span for _, span in sorted(found, key=lambda pair: pair[0]))
