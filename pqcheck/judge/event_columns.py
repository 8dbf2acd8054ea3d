"""Events as columns, held against the numbers of a table all at once and exactly: a duration on an edge is on it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from pqcheck.limit_tables.rules import ValueRange
from pqcheck.model.recording import EVENT_KINDS, Event

Mask = NDArray[np.bool_]
Places = NDArray[np.intp]


class Ranked:
    """Decimals by their rank: comparing all of them with a number takes one look-up in their order."""

    def __init__(self, values: Sequence[Decimal | None]) -> None:
        self._order = sorted({value for value in values if value is not None})
        rank = {value: number for number, value in enumerate(self._order)}
        self._rank = np.array([-1 if value is None else rank[value] for value in values], np.intp)
        self.known: Mask = self._rank >= 0

    def below(self, edge: Decimal, *, closed: bool) -> Mask:
        """Which values lie below an edge, or with `closed` on it."""
        at = (bisect_right if closed else bisect_left)(self._order, edge)
        below: Mask = (self._rank < at) & self.known
        return below

    def held(self, span: ValueRange) -> Mask:
        """Which values a span holds."""
        held = self.known.copy()
        if span.low is not None:
            held &= ~self.below(span.low, closed=not span.low_closed)
        if span.high is not None:
            held &= self.below(span.high, closed=span.high_closed)
        return held

    def as_floats(self) -> NDArray[np.float64]:
        """The values, NaN where there is none."""
        values = np.array([*map(float, self._order), np.nan])
        return values[self._rank]


class EventColumns:
    """Events, and behind them the parts of those of several phases; `owner` is the number of the event of each row."""

    def __init__(self, events: Sequence[Event]) -> None:
        self.count = len(events)
        self.rows: list[Event] = [*events, *(part for event in events for part in event.parts)]
        parts = [number for number, event in enumerate(events) for _ in event.parts]
        self.owner: Places = np.array([*range(self.count), *parts], np.intp)
        self.duration = Ranked([event.duration_s for event in self.rows])
        self.residual = Ranked([event.residual_percent for event in self.rows])
        kinds = np.array([event.kind for event in self.rows], "U12")
        self.of_kind: dict[str, Mask] = {kind: kinds == kind for kind in EVENT_KINDS}
        self.open: Places = np.array([number for number, event in enumerate(self.rows) if _leaves_open(event)], np.intp)
        """Rows whose duration or residual the event table leaves open."""


def _leaves_open(event: Event) -> bool:
    depths = (event.residual_percent, *(part.residual_percent for part in event.parts))
    return event.up_to_s is not None or None in depths
