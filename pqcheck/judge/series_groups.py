"""Series fed together: work per series and block is what a check would spend its time on, as a week has 750 series."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.derive.aggregate import Grouper, Spread, first_group
from pqcheck.derive.formulas import Arrays, Scratch
from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.bounded_readings import BoundedReadings, BoundedSlots, without_marked
from pqcheck.judge.judged_series import Mask, SeriesRun, TaskRun, masked_product
from pqcheck.judge.period_tally import PeriodTallies, SampleBounds, sides
from pqcheck.model.recording import Axis
from pqcheck.stats.series_passes import Product

_AT_ONCE = 4096
"""Slots that are waited for: a call costs more than a hundred values do."""
_TOGETHER = 128
"""Series in a group: what they need meanwhile is used again for the next ones, since fresh memory is dear."""


def groups_of(series: Sequence[SeriesRun], axis: Axis) -> list[SeriesGroup]:
    """The series of a stream in groups on one time line each, in the order of their first inputs."""
    order = sorted(series, key=lambda run: str(run.source.formula.inputs[0]))
    groups: list[SeriesGroup] = []
    for first in range(0, len(order), _TOGETHER):
        alike: dict[tuple[object, ...], list[SeriesRun]] = {}
        for run in order[first : first + _TOGETHER]:
            if run.low is None and run.high is None:
                continue
            mean = run.source.mean if run.grouped else None
            # Slots that recorded intervals are spread over are many: one series at a time.
            alone = id(run) if run.spread else None
            key = run.interval_us, run.recorded, mean, run.times, alone, run.runs[0].task.rule.drop_flagged
            alike.setdefault(key, []).append(run)
        groups += [SeriesGroup(some, axis) for some in alike.values()]
    return groups


class SeriesGroup:
    """Series of one interval and origin. Feed them blocks in time order, then `finish`."""

    def __init__(self, series: Sequence[SeriesRun], axis: Axis) -> None:
        first = series[0]
        self._recorded = first.recorded
        self._drops_flagged = first.recorded and first.runs[0].task.rule.drop_flagged
        self._low = [run.low for run in series]
        self._high = [run.high for run in series]
        self._to_slots: list[Grouper | Spread] = []
        """What brings recorded values to slots of the rule, lower and upper bounds each; empty where they are slots."""
        if first.grouped:
            self._to_slots = [Grouper(axis.start_us, axis.interval_us, first.interval_us, first.source.mean)]
        elif first.spread:
            self._to_slots = [Spread(axis.interval_us, first.interval_us, pick) for pick in (np.minimum, np.maximum)]
        self._excluded = first.excluded
        self._slot = 0
        self._held: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
        self._held_size = 0
        skipped = first_group(axis.start_us, axis.interval_us, first.interval_us)[1] if first.grouped else 0
        members = first.interval_us // axis.interval_us if first.grouped else 1
        self._bounded = BoundedSlots(skipped, members)
        self._dropped: NDArray[np.int64] = np.empty(0, np.int64)
        """Flagged slots that are out of the count, for rules about runs: they end one."""
        alike: dict[tuple[Any, ...], list[tuple[int, SeriesRun, TaskRun]]] = {}
        for row, run in enumerate(series):
            for task_run in run.runs:
                statistic = task_run.task.rule.statistic
                key = id(task_run.periods), statistic.kind, statistic.percent, sides(task_run)
                alike.setdefault(key, []).append((row, run, task_run))
        self._tallies = [PeriodTallies(some, first.times) for some in alike.values()]
        # Periods that are waited for, so that each is looked at once and whole.
        self._awaited = [tally for tally in self._tallies if tally.longest <= _AT_ONCE]

    def feed(
        self, arrays: Arrays, scratch: Scratch, size: int, mask: Mask, mask_or_flags: Mask,
        bounded: BoundedReadings | None,
    ) -> None:
        """Take the next block of `size` recorded intervals.

        `mask` marks intervals that have no value for any rule, `mask_or_flags` those that some rules leave out as well,
        `bounded` readings that are only a bound.
        """
        hidden = mask_or_flags if self._drops_flagged else mask
        if self._drops_flagged and mask_or_flags is not None:
            flags = mask_or_flags if mask is None else mask_or_flags & ~mask
            self._dropped = np.union1d(self._dropped, self._bounded.slots(flags))
        if not self._to_slots:
            hidden = self._with_exclusions(hidden, size)

        def products(sources: Sequence[SeriesSource | None]) -> list[Product]:
            return [
                masked_product(source.formula, arrays, scratch, hidden) if source is not None else _unbounded(size)
                for source in sources
            ]

        low = products(self._low)
        high = low if self._recorded else products(self._high)
        if self._recorded:
            formulas = [source.formula for source in self._low if source is not None]
            self._bounded.feed(bounded, formulas, size)
        elif bounded is not None:
            # The minimum of an interval that is at most so much bounds nothing from below.
            for row, (lowest, highest) in enumerate(zip(self._low, self._high, strict=True)):
                if lowest is not None:
                    low[row] = without_marked(low[row], bounded.of(lowest.formula).upper)
                if highest is not None:
                    high[row] = without_marked(high[row], bounded.of(highest.formula).lower)
        if not self._to_slots and size >= _AT_ONCE and not self._held:
            self._tally(SampleBounds(size, low, high))
            return
        if self._to_slots:
            lows = self._to_slots[0].feed(low)
            highs = lows if self._recorded else self._to_slots[1].feed(high)
        else:
            lows = _matrix(low)
            highs = lows if self._recorded else _matrix(high)
        self._hold(lows, highs)

    def _with_exclusions(self, mask: Mask, size: int) -> Mask:
        touched = self._touched(self._slot + self._held_size, size)
        if touched:
            mask = np.zeros(size, np.bool_) if mask is None else mask.copy()
            for start, end in touched:
                mask[start:end] = True
        return mask

    def _touched(self, slot: int, size: int) -> list[tuple[int, int]]:
        """Exclusions within `size` slots from `slot` on, counted from there."""
        return [(max(a - slot, 0), min(b - slot, size)) for a, b in self._excluded if a < slot + size and b > slot]

    def _hold(self, low: NDArray[np.float64], high: NDArray[np.float64]) -> None:
        """Short pieces wait until there are enough of them, or all periods end with them."""
        if not low.shape[1]:
            return
        self._held.append((low, high))
        self._held_size += low.shape[1]
        end = self._slot + self._held_size
        ended = self._awaited and all(one.ends_at(end) for one in self._awaited)
        if ended or self._held_size >= _AT_ONCE:
            self._flush()

    def _flush(self) -> None:
        if not self._held:
            return
        low = high = np.concatenate([one for one, _ in self._held], axis=1)
        if not self._recorded:
            high = np.concatenate([one for _, one in self._held], axis=1)
        self._held, self._held_size = [], 0
        if self._to_slots:
            for start, end in self._touched(self._slot, low.shape[1]):
                low[:, start:end] = high[:, start:end] = np.nan
        lows = [Product(row) for row in low]
        self._tally(SampleBounds(low.shape[1], lows, lows if self._recorded else [Product(row) for row in high]))

    def _tally(self, samples: SampleBounds) -> None:
        excluded = self._touched(self._slot, samples.size)
        dropped = self._dropped[self._dropped < self._slot + samples.size] - self._slot
        self._dropped = self._dropped[len(dropped) :]
        excluded += [(slot, slot + 1) for slot in dropped.tolist()]
        bounded = self._bounded.take(self._slot, self._slot + samples.size)
        if excluded or bounded:
            samples = samples._replace(excluded=excluded, bounded=bounded)
        for tallies in self._tallies:
            tallies.feed(samples, self._slot)
        self._slot += samples.size

    def finish(self) -> None:
        """Nothing more comes."""
        self._flush()
        for tallies in self._tallies:
            tallies.finish()


@lru_cache(maxsize=1)
def _unbounded(size: int) -> Product:
    return Product(np.full(size, np.nan))


def _matrix(series: Sequence[Product]) -> NDArray[np.float64]:
    """The values of series, a row each, copied."""
    return np.array([product.values() for product in series], np.float64)
