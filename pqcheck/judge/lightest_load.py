"""For figures that hold without load: the intervals of lightest load, which are the best evidence a recording has."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.derive.aggregate import Grouper
from pqcheck.derive.formulas import Arrays, Scratch
from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.bounded_readings import BoundedReadings, Mask, either
from pqcheck.judge.tasks import Task
from pqcheck.model.clock import iso
from pqcheck.model.recording import Axis, Channel
from pqcheck.model.units import factor
from pqcheck.stats.series_passes import Product

HOW_MANY = 3


class LightestLoad:
    """The judged quantity where the sum of the phase currents is smallest, at the rule's interval.

    Only the few lightest intervals so far are kept, so that a year takes no more memory than a day.
    """

    def __init__(self, task: Task, source: SeriesSource, axis: Axis, currents: tuple[Channel, ...]) -> None:
        self.task = task
        self._source = source
        self._currents = currents
        self._interval = task.interval_us
        self._origin = axis.start_us
        self._grouper: Grouper | None = None
        if self._interval != source.interval_us:
            self._grouper = Grouper(axis.start_us, source.interval_us, self._interval, "rms")
            self._origin = self._grouper.start_us
        self._seen = 0
        self._slot: NDArray[np.int64] = np.empty(0, np.int64)
        self._quantity: NDArray[Any] = np.empty(0)
        self._load: NDArray[Any] = np.empty(0)

    def feed(self, arrays: Arrays, scratch: Scratch, mask: Mask, bounded: BoundedReadings | None) -> None:
        """The next block; `mask` marks intervals without a value, `bounded` readings that are only a bound."""
        if bounded is not None:
            for channel in (*self._source.formula.inputs, *self._currents):
                mask = either(mask, either(bounded.lower.get(channel), bounded.upper.get(channel)))
        parts = [self._source.formula.compute(arrays, scratch)]
        parts += [
            np.asarray(arrays[current], np.float64) * float(factor(current.unit, "A")) for current in self._currents
        ]
        if mask is not None:
            parts = [np.where(mask, np.nan, part) for part in parts]
        if self._grouper is not None:
            parts = list(self._grouper.feed([Product(part) for part in parts]))
        quantity, load = np.array(parts[0], dtype=np.float64), np.sum(np.array(parts[1:]), axis=0)
        known = np.flatnonzero(~np.isnan(quantity) & ~np.isnan(load))
        slots = np.concatenate([self._slot, known + self._seen])
        quantities = np.concatenate([self._quantity, quantity[known]])
        loads = np.concatenate([self._load, load[known]])
        # What was kept comes first: of equal loads the earlier interval stays.
        order = np.argsort(loads, kind="stable")[:HOW_MANY]
        self._slot, self._quantity, self._load = slots[order], quantities[order], loads[order]
        self._seen += len(quantity)

    def sentence(self, zone: str) -> str:
        """``At the lightest load: 0.8 % at 2031-03-04T03:10 (12 A in all phases), ...``; empty without a reading."""
        if not len(self._slot):
            return ""
        parts = [
            f"{quantity:.3g} {self.task.unit} at {iso(self._origin + int(slot) * self._interval, zone)} "
            f"({load:.4g} A in all phases)"
            for slot, quantity, load in zip(self._slot, self._quantity, self._load, strict=True)
        ]
        return f" At the lightest load, the best evidence for a figure without load: {', '.join(parts)}."
