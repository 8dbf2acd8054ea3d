"""Harmonic orders and the other many channels, looked at together at every `stride`-th value.

A week of 3-second values holds three hundred such channels: one row each in a matrix of samples, and one pass of array
arithmetic per chunk for all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.passes import marks, neighbours
from pqcheck.vetting.pieces import Bins
from pqcheck.vetting.tally import SHORTEST_COPY, SHORTEST_RUN, Tally

Array = NDArray[Any]


class Room:
    """A matrix that is used again for one group of channels after the other: fresh memory is dear."""

    def __init__(self) -> None:
        self._held: Array = np.empty(0)

    def matrix(self, rows: int, columns: int) -> Array:
        """Room for so many rows and columns; what it held before is lost."""
        size = rows * columns
        if self._held.size < size:
            self._held = np.empty(size)
        return self._held[:size].reshape(rows, columns)


class Samples:
    """The sampled channels of a stream, or some of them; all have one stride."""

    def __init__(self, tallies: Sequence[Tally], room: Room) -> None:
        self._tallies = list(tallies)
        self._room = room
        self._stride = tallies[0].stride if tallies else 1
        self._day = tallies[0].day_slots // self._stride if tallies else 0
        self._last: Array | None = None
        self._before: Array | None = None
        self._bins = Bins()
        for number, tally in enumerate(self._tallies):
            tally.bins = Bins(self._bins.chunks, number)

    def take(self, slot: int, rows: Sequence[Array | None]) -> None:
        """Look at one chunk: the arrays of the channels in the order of the tallies, None where one is absent."""
        first_row = next((row for row in rows if row is not None), None)
        if first_row is None:
            return
        matrix = self._room.matrix(len(rows), -(-first_row.size // self._stride))
        for number, row in enumerate(rows):
            matrix[number] = np.nan if row is None else row[:: self._stride]
        self._levels(matrix, rows)
        self._equal_neighbours(slot, matrix, rows)
        self._day_apart(slot, matrix)
        for tally, row, mark in zip(self._tallies, rows, marks(matrix).tolist(), strict=True):
            if row is not None:
                tally.add_mark(mark)

    def _levels(self, matrix: Array, rows: Sequence[Array | None]) -> None:
        tops = np.fmax.reduce(matrix, axis=1)
        few = np.abs(matrix[:, :: max(1, matrix.shape[1] // 64)])
        known = ~np.isnan(few)
        sums, counts = np.where(known, few, 0.0).sum(axis=1), known.sum(axis=1)
        for number, tally in enumerate(self._tallies):
            row, top = rows[number], float(tops[number])
            if row is None:
                continue
            if not top > 0 and not tally.highest > 0:
                # An order that is zero is only zero if no single value says otherwise.
                top = float(np.fmax.reduce(row))
            tally.highest = max(tally.highest, top)
            tally.level_sum += float(sums[number])
            tally.level_count += int(counts[number])

    def _equal_neighbours(self, slot: int, matrix: Array, rows: Sequence[Array | None]) -> None:
        carried = self._last is not None and slot > 0
        chain = np.column_stack((self._last, matrix)) if carried and self._last is not None else matrix
        first = slot // self._stride - (1 if carried else 0)
        self._last = matrix[:, -1].copy()
        if chain.shape[1] < 2:
            return
        found = neighbours(chain, first, self._tallies[0].bin_pairs)
        self._bins.add(first // self._tallies[0].bin_pairs, found.held, np.diff(found.edges))
        equal = found.equal
        touching = (equal[:, 0] | equal[:, -1] | (found.repeats >= SHORTEST_RUN - 1)).tolist()
        counts = zip(found.known.tolist(), found.repeats.tolist(), found.moves.tolist(), found.smallest.tolist(),
                     strict=True)
        for number, (known, repeats, moves, smallest) in enumerate(counts):
            tally, row = self._tallies[number], rows[number]
            tally.pairs += known
            tally.repeats += repeats
            tally.moves += moves
            tally.resolution = min(tally.resolution, smallest)
            if touching[number] and row is not None:
                self._runs(tally, equal[number], first, chain[number], row, 1 if carried else 0)

    def _runs(self, tally: Tally, equal: Array, first: int, chain: Array, row: Array, shift: int) -> None:
        """Keep runs of equal samples whose values in between are equal too."""
        if self._stride > 1:
            equal = equal.copy()
            for number in np.flatnonzero(equal).tolist():
                begin = max(0, number - shift) * self._stride
                piece = row[begin : (number - shift + 1) * self._stride + 1]
                equal[number] = bool((piece == piece[:1]).all()) if piece.size else False
        tally.keep_runs(equal, first, chain, int(np.count_nonzero(equal)))

    def _day_apart(self, slot: int, matrix: Array) -> None:
        """Samples equal to those exactly 24 h earlier."""
        day, before = self._day, self._before
        if not day:
            return
        chain = matrix if before is None else np.concatenate((before, matrix), axis=1)
        offset = 0 if before is None else before.shape[1]
        if chain.shape[1] > day:
            now, then = chain[:, day:], chain[:, :-day]
            equal = now == then
            hits = equal.sum(axis=1)
            first = slot // self._stride - offset + day
            for number, tally in enumerate(self._tallies):
                if hits[number] >= SHORTEST_COPY or equal[number, 0] or equal[number, -1]:
                    tally.keep_copies(now[number], equal[number], first)
                else:
                    tally.copy_equal += int(hits[number])
                    tally.copy_pairs += int(now.shape[1])
        self._before = chain[:, -day:].copy()
