"""Evidence windows made only when somebody reads them: runs stay arrays until then."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import overload

from pqcheck.clock import iso
from pqcheck.evidence import Runs
from pqcheck.findings import Window
from pqcheck.judging.tally import shortest
from pqcheck.recording import RowSpan

Rows = Callable[[int, int], tuple[RowSpan, ...]]


class RunWindows(Sequence[Window]):
    """The windows of one finding, in time order."""

    def __init__(
        self, runs: Runs, origin_us: int, interval_us: int, zone: str, scale: Fraction, rows: Rows, *, single: bool
    ) -> None:
        self._runs = runs
        self._origin = origin_us
        self._interval = interval_us
        self._zone = zone
        self._scale = scale
        self._rows = rows
        self._single = single

    def __len__(self) -> int:
        return len(self._runs)

    def _window(self, index: int) -> Window:
        runs = self._runs
        start = self._origin + int(runs.first[index]) * self._interval
        end = start + int(runs.count[index]) * self._interval
        worst_at = self._origin + int(runs.worst_slot[index]) * self._interval
        return Window(
            iso(start, self._zone),
            iso(end, self._zone),
            int(runs.count[index]),
            in_unit(float(runs.worst[index]), self._scale, single=self._single),
            iso(worst_at, self._zone),
            self._rows(start, end),
        )

    @overload
    def __getitem__(self, index: int) -> Window: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Window, ...]: ...
    def __getitem__(self, index: int | slice) -> Window | tuple[Window, ...]:
        if isinstance(index, slice):
            return tuple(self._window(one) for one in range(*index.indices(len(self))))
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
        return hash((self._origin, len(self)))


def in_unit(value: float, scale: Fraction, *, single: bool) -> float:
    """A reading in the unit of the finding; `single` (float32) readings as their shortest decimal."""
    if single:
        import numpy as np

        value = shortest(np.float32(value)) or 0.0
    if scale == 1:
        return value
    return float(Fraction(repr(value)) * scale)
