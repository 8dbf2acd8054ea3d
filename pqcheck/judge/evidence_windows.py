"""Evidence windows made only when somebody reads them: runs stay arrays until then."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import Any, overload

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import iso
from pqcheck.model.findings import Window
from pqcheck.model.recording import Channel, RowIndex, RowSpan
from pqcheck.stats.runs import Runs


class WindowPlace(Struct, frozen=True):
    """What the windows of all findings of one task share: the slots they count in, the unit, where the rows stand."""

    origin_us: int
    interval_us: int
    zone: str
    scale: Fraction
    single: bool
    index: RowIndex
    inputs: Sequence[Channel]

    def stamp(self, slot: int) -> str:
        """The start of a slot, in the zone of the site."""
        return iso(self.origin_us + slot * self.interval_us, self.zone)

    def rows(self, first: int, end: int) -> tuple[RowSpan, ...]:
        """Rows of the files that hold the slots from `first` to `end`."""
        start_us, end_us = (self.origin_us + slot * self.interval_us for slot in (first, end))
        # Inputs of one formula nearly always share their rows; a few of them name every file concerned.
        asked = self.inputs if len(self.inputs) <= 4 else (self.inputs[0], self.inputs[-1])
        return tuple(dict.fromkeys(span for channel in asked for span in self.index.rows(channel, start_us, end_us)))


class RunWindows(Sequence[Window]):
    """The windows of one finding, in time order."""

    __slots__ = ("_count", "_first", "_place", "_worst", "_worst_slot", "below")

    def __init__(self, runs: Runs, place: WindowPlace, below: int = 0) -> None:
        self.below = below
        """Of the intervals outside a band with two sides, those below it: a window may hold both kinds."""
        self._first = _narrow(runs.first)
        self._count = _narrow(runs.count)
        self._worst = runs.worst
        self._worst_slot = _narrow(runs.worst_slot)
        self._place = place

    def __len__(self) -> int:
        return len(self._first)

    def _reading(self, index: int) -> float:
        return in_unit(float(self._worst[index]), self._place.scale, single=self._place.single)

    def farthest(self, beyond: Callable[[float], float], among: int) -> Window:
        """The first of the windows whose worst reading gives the largest value of `beyond`, among the first ones."""
        return self._window(max(range(min(among, len(self))), key=lambda index: beyond(self._reading(index))))

    def _window(self, index: int) -> Window:
        place, first, count = self._place, int(self._first[index]), int(self._count[index])
        return Window(
            place.stamp(first),
            place.stamp(first + count),
            count,
            self._reading(index),
            place.stamp(int(self._worst_slot[index])),
            place.rows(first, first + count),
        )

    @overload
    def __getitem__(self, index: int) -> Window: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Window, ...]: ...
    def __getitem__(self, index: int | slice) -> Window | tuple[Window, ...]:
        if isinstance(index, slice):
            return tuple(self._window(position) for position in range(*index.indices(len(self))))
        if index < 0:
            index += len(self)
        if not 0 <= index < len(self):
            raise IndexError(index)
        return self._window(index)

    def __iter__(self) -> Iterator[Window]:
        return (self._window(index) for index in range(len(self)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash((self._place.origin_us, len(self)))


def _narrow(slots: NDArray[Any]) -> NDArray[Any]:
    """Slots in half the memory where they fit: data that alternates around a limit has millions of windows."""
    return slots.astype(np.int32) if len(slots) and int(slots.max()) < 2**31 else slots


def in_unit(value: float, scale: Fraction, *, single: bool) -> float:
    """A reading in the unit of the finding; `single` (float32) readings as their shortest decimal."""
    if single:
        value = float(str(np.float32(value)))
    if scale == 1:
        return value
    return float(Fraction(repr(value)) * scale)
