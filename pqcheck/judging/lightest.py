"""For figures that hold without load: the intervals of lightest load, which are the best evidence a recording has."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import iso
from pqcheck.deriving.aggregate import Grouper
from pqcheck.deriving.formulas import Arrays, Scratch
from pqcheck.deriving.sources import Source
from pqcheck.judging.tasks import Task
from pqcheck.passes import Stretch
from pqcheck.recording import Axis, Channel
from pqcheck.units import factor

HOW_MANY = 3


class LightestLoad:
    """Keeps the judged quantity and the sum of the phase currents at the rule's interval."""

    def __init__(self, task: Task, source: Source, axis: Axis, currents: tuple[Channel, ...]) -> None:
        self.task = task
        self._source = source
        self._currents = currents
        self._interval = task.interval_us
        self._origin = axis.start_us
        self._groupers: list[Grouper] = []
        if self._interval != source.interval_us:
            self._groupers = [
                Grouper(axis.start_us, source.interval_us, self._interval, "rms") for _ in range(1 + len(currents))
            ]
            self._origin = self._groupers[0].start_us
        self._quantity: list[NDArray[Any]] = []
        self._load: list[NDArray[Any]] = []

    def feed(self, arrays: Arrays, scratch: Scratch, mask: NDArray[np.bool_] | None) -> None:
        """The next block."""
        parts = [self._source.formula.compute(arrays, scratch)]
        parts += [np.asarray(arrays[one], np.float64) * float(factor(one.unit, "A")) for one in self._currents]
        if mask is not None:
            parts = [np.where(mask, np.nan, part) for part in parts]
        if self._groupers:
            parts = [grouper.feed(Stretch(part)) for grouper, part in zip(self._groupers, parts, strict=True)]
        self._quantity.append(np.array(parts[0], dtype=np.float64))
        self._load.append(np.sum(np.array(parts[1:]), axis=0))

    def sentence(self, zone: str) -> str:
        """``At the lightest load: 0.8 % at 2031-03-04T03:10 (12 A in all phases), ...``; empty without a reading."""
        quantity, load = np.concatenate(self._quantity), np.concatenate(self._load)
        known = np.flatnonzero(~np.isnan(quantity) & ~np.isnan(load))
        if not len(known):
            return ""
        chosen = known[np.argsort(load[known], kind="stable")[:HOW_MANY]]
        parts = [
            f"{quantity[slot]:.3g} {self.task.unit} at {iso(self._origin + int(slot) * self._interval, zone)} "
            f"({load[slot]:.4g} A in all phases)"
            for slot in chosen
        ]
        return f" At the lightest load, the best evidence for a figure without load: {', '.join(parts)}."
