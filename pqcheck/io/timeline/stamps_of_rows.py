"""Stamps of all rows of a file, kept short until the interval of every file is known."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from pqcheck.model.clock import Instants


class Times(Struct, frozen=True):
    """Stamps as written (not yet shifted to interval starts), in row order.

    Kept as the first stamp and runs of equal steps where that is shorter: the days of a year hold ten million stamps,
    and all files are scanned before the first is walked. `counts` is None where `steps` holds the stamps themselves.
    """

    size: int
    first: int
    steps: Instants
    counts: Instants | None

    @classmethod
    def of(cls, stamps: Instants) -> Times:
        """Keep these stamps; they are not changed and may be reused."""
        first = int(stamps[0]) if stamps.size else 0
        steps = np.diff(stamps)
        if not steps.size:
            return cls(stamps.size, first, steps, steps)
        begin = np.concatenate(([0], np.flatnonzero(steps[1:] != steps[:-1]) + 1))
        if 2 * begin.size >= stamps.size:
            return cls(stamps.size, first, stamps.copy(), None)
        return cls(stamps.size, first, steps[begin], np.diff(np.append(begin, steps.size)))

    def all(self) -> Instants:
        """Every stamp, in row order."""
        if self.counts is None:
            return self.steps
        stamps = np.empty(self.size, np.int64)
        if self.size:
            stamps[0] = self.first
            np.cumsum(np.repeat(self.steps, self.counts), out=stamps[1:])
            stamps[1:] += self.first
        return stamps


NO_TIMES = Times.of(np.empty(0, np.int64))
"""Of a file whose interval is known: its stamps are let go."""
