"""Runs found block by block while the data pass by."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.stats.runs import runs

Array = NDArray[Any]
Slots = NDArray[np.int64]
Mask = NDArray[np.bool_]

MOST_RUNS = 2000
"""Runs kept per channel and kind; worst data alternate at every interval, and memory must not grow with them."""


def starts_and_lengths(mask: Mask) -> tuple[Slots, Slots]:
    """First index and length of every run of true in a mask."""
    starts, ends = runs(mask)
    return starts, ends - starts


class KeptRuns:
    """First slot and length of runs, and one number per run; at most MOST_RUNS of them."""

    def __init__(self) -> None:
        self._parts: list[tuple[Slots, Slots, Array | None]] = []
        self.count = 0

    def add(self, starts: Slots, lengths: Slots, numbers: Array | None = None) -> None:
        """Keep runs of one block (slots of the stream), with `numbers` or their lengths."""
        room = MOST_RUNS - self.count
        if starts.size > room:
            starts, lengths, numbers = starts[:room], lengths[:room], None if numbers is None else numbers[:room]
        if starts.size:
            self._parts.append((starts, lengths, numbers))
            self.count += int(starts.size)

    def add_mask(self, mask: Mask, slot: int) -> None:
        """Keep the runs of true of a block that begins at `slot`."""
        starts, lengths = starts_and_lengths(mask)
        self.add(starts + slot, lengths)

    def joined(self, *, add: bool = True) -> tuple[Slots, Slots, Array]:
        """Starts, lengths, numbers; a run that goes on across a border of blocks is one, its numbers added up or the
        first kept."""
        if not self._parts:
            nothing = np.empty(0, np.int64)
            return nothing, nothing, np.empty(0)
        first, count = (np.concatenate([part[which] for part in self._parts]) for which in (0, 1))
        given = [lengths if numbers is None else numbers for _, lengths, numbers in self._parts]
        number = np.concatenate(given, dtype=np.float64)
        new = np.append(True, first[1:] != first[:-1] + count[:-1])
        heads = np.flatnonzero(new)
        numbers = np.add.reduceat(number, heads) if add else number[heads]
        return first[heads], np.add.reduceat(count, heads), numbers
