"""What is kept of the runs and repeats of a channel, chunk by chunk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.vetting.runs import Slots

Array = NDArray[Any]

MOST_RUNS = 2000
"""Runs kept per channel and kind; worst data alternate at every interval, and memory must not grow with them."""


class Holes(Struct, frozen=True):
    """Slots of a chunk without a value: how many, and their runs, counted from the chunk and from the stream (`slots`).

    Channels that miss the same rows share the arrays, also where they keep them.
    """

    count: int
    starts: Slots
    lengths: Slots
    slots: Slots
    sizes: Array


class Pieces(Struct):
    """Runs found chunk by chunk: first slot, length, and one number per run."""

    starts: list[Slots] = field(default_factory=list)
    lengths: list[Slots] = field(default_factory=list)
    numbers: list[Array] = field(default_factory=list)
    kept: int = 0

    def add(self, starts: Slots, lengths: Slots, numbers: Array) -> None:
        """Keep the runs, up to MOST_RUNS per channel."""
        room = MOST_RUNS - self.kept
        if starts.size > room:
            starts, lengths, numbers = starts[:room], lengths[:room], numbers[:room]
        if starts.size:
            self.starts.append(starts)
            self.lengths.append(lengths)
            self.numbers.append(np.asarray(numbers, np.float64))
            self.kept += int(starts.size)

    def joined(self, *, add: bool = True) -> tuple[Slots, Slots, Array]:
        """All runs; one that goes on across a border of chunks is one run, its numbers added up or the first kept."""
        if not self.starts:
            nothing = np.empty(0, np.int64)
            return nothing, nothing, np.empty(0)
        first, count, number = (np.concatenate(part) for part in (self.starts, self.lengths, self.numbers))
        new = np.append(True, first[1:] != first[:-1] + count[:-1])
        heads = np.flatnonzero(new)
        numbers = np.add.reduceat(number, heads) if add else number[heads]
        return first[heads], np.add.reduceat(count, heads), numbers


class Bins(Struct):
    """Repeats per bin of pairs, chunk by chunk: number of the first bin, repeats (row by channel), pairs of each bin.

    Sampled channels share the chunks and have a `row` each. Numbers are kept in the smallest type that holds them.
    """

    chunks: list[tuple[int, Array, Array]] = field(default_factory=list)
    row: int = 0

    def add(self, first: int, held: Array, amount: Array) -> None:
        """Keep a chunk; no bin holds more repeats than pairs."""
        kind = np.min_scalar_type(int(amount.max()))
        self.chunks.append((first, held.astype(kind), amount.astype(kind)))

    def __iter__(self) -> Iterator[tuple[int, Slots, Slots]]:
        """The chunks of one channel."""
        for first, held, amount in self.chunks:
            yield first, held[self.row].astype(np.int64), amount.astype(np.int64)
