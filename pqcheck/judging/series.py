"""One judged series: a source on its way from blocks to tallies, shared by all tasks that judge it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import periods
from pqcheck.counting import Band, band
from pqcheck.deriving.aggregate import Grouper
from pqcheck.deriving.formulas import Arrays, Scratch, product_of
from pqcheck.deriving.sources import Source
from pqcheck.judging.shown import JudgedPeriod, Shown
from pqcheck.judging.tally import Tallied, Tally, kept_of, tallied_whole
from pqcheck.judging.tasks import Task, scale_of
from pqcheck.passes import Stretch, look_at
from pqcheck.recording import Axis
from pqcheck.records import dataclass

Spans = Sequence[tuple[int, int]]

_FLUSH = 4096
_TOGETHER = 64
"""Series fed together: what they need meanwhile is used again for the next ones, since fresh memory is dear."""


@dataclass
class TaskRun:
    """A task with its band and its periods on a series, in time order.

    Only the periods under way have a tally, so that a year of days takes no more memory than a week of days.
    """

    task: Task
    band: Band
    periods: Sequence[JudgedPeriod]
    shown: Shown
    _first: int = 0
    _open: dict[int, Tally] = field(default_factory=dict)

    def feed(self, stretch: Stretch, slot: int) -> None:
        """The next values of the series, the first of them at `slot`."""
        end = slot + stretch.size
        percent, farthest = self.task.rule.statistic.percent, self._farthest_only()
        for number in range(self._first, len(self.periods)):
            period = self.periods[number]
            first, last = period.first_slot, period.first_slot + period.expected
            if first >= end:
                break
            if farthest and slot <= first < last <= end:
                part = stretch.cut(first - slot, last - slot)
                self.shown.keep(number, tallied_whole(self.band, percent, part, first))
            else:
                tally = self._open.get(number)
                if tally is None:
                    tally = self._open[number] = self._begin(period)
                tally.feed(stretch, slot)
                if last <= end:
                    self.shown.keep(number, tally.result())
                    del self._open[number]
            if last <= end and number == self._first:
                self._first += 1

    def _farthest_only(self) -> bool:
        """Whether a few farthest values say all about a period, unless some of them lie outside."""
        two_sided = self.band.low is not None and self.band.high is not None
        return not two_sided and self.task.rule.statistic.kind != "longest_run_at_most"

    def asks(self, stretch: Stretch, slot: int) -> Iterator[tuple[Stretch, int, bool]]:
        """Parts of a stretch that periods will ask for their largest values, or their smallest, and for how many."""
        if not self._farthest_only():
            return
        percent, band, end = self.task.rule.statistic.percent, self.band, slot + stretch.size
        for period in itertools.islice(self.periods, self._first, None):
            if period.first_slot >= end:
                break
            first, last = max(period.first_slot, slot), min(period.first_slot + period.expected, end)
            if first < last:
                part = stretch.cut(first - slot, last - slot)
                yield part, kept_of(period.expected, percent), band.high is None and band.low is not None

    def result(self, number: int) -> Tallied:
        """What a period has shown; asked for once."""
        over = self.shown.take(number)
        return over or (self._open.pop(number, None) or self._begin(self.periods[number])).result()

    def _begin(self, period: JudgedPeriod) -> Tally:
        statistic = self.task.rule.statistic
        about_runs = statistic.kind == "longest_run_at_most"
        return Tally(self.band, statistic.percent, period.first_slot, period.expected, possible_runs=about_runs)


def slots_of(spans: Spans, origin_us: int, interval_us: int, first: int, last: int) -> list[tuple[int, int]]:
    """Slot ranges (half-open, within first..last) that the spans touch, joined where they overlap."""
    found: list[tuple[int, int]] = []
    for start_us, end_us in sorted(spans) if spans else ():
        start = max((start_us - origin_us) // interval_us, first)
        end = min(-(-(end_us - origin_us) // interval_us), last)
        if start >= end:
            continue
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return found


def count_slots(spans: Spans, origin_us: int, interval_us: int, first: int, last: int) -> int:
    """Number of slots between first and last that the spans touch."""
    return sum(end - start for start, end in slots_of(spans, origin_us, interval_us, first, last))


def periods_of(
    task: Task, origin_us: int, end_us: int, interval_us: int, zone: str, excluded: Spans
) -> Sequence[JudgedPeriod]:
    """The periods of a task on an axis of the rule's interval; the same for hundreds of tasks."""
    period = task.rule.period
    return _periods(origin_us, end_us, interval_us, period.length, period.alignment, zone, tuple(excluded))


@lru_cache(maxsize=64)
def _periods(
    origin_us: int, end_us: int, interval_us: int, length: str, alignment: str, zone: str, excluded: Spans
) -> tuple[JudgedPeriod, ...]:
    made: list[JudgedPeriod] = []
    for start, end, complete in periods(origin_us, end_us, interval_us, length, alignment, zone):
        first = -(-(start - origin_us) // interval_us)
        last = -(-(end - origin_us) // interval_us)
        held = max(0, min(last, (end_us - origin_us) // interval_us) - max(first, 0))
        out = count_slots(excluded, origin_us, interval_us, first, last)
        made.append(JudgedPeriod(start, end, complete, last - first, first, out, held))
    return tuple(made)


def feed_all(
    series: Sequence[SeriesRun], arrays: Arrays, scratch: Scratch, masks: Sequence[NDArray[np.bool_] | None]
) -> None:
    """Give every series the next block, with the mask of each.

    What they will ask of their stretches is worked out in one call for many of them, during which other threads go on.
    """
    for first in range(0, len(series), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        _feed_some(series[part], arrays, scratch, masks[part])


def _feed_some(
    series: Sequence[SeriesRun], arrays: Arrays, scratch: Scratch, masks: Sequence[NDArray[np.bool_] | None]
) -> None:
    stretches = [run.stretch(arrays, scratch, mask) for run, mask in zip(series, masks, strict=True)]
    largest_of: list[tuple[Stretch, int, bool]] = []
    squares_of: list[tuple[Stretch, int]] = []
    for run, stretch in zip(series, stretches, strict=True):
        if run.grouper is not None:
            size = run.grouper.asks(stretch.size)
            if size:
                squares_of.append((stretch, size))
        elif stretch.size >= _FLUSH:
            largest_of += run.asks(stretch)
    look_at(largest_of, squares_of)
    for run, stretch in zip(series, stretches, strict=True):
        run.feed(stretch)


@dataclass
class SeriesRun:
    """A source at one interval. Feed it blocks in time order, then `finish`."""

    source: Source
    interval_us: int
    axis: Axis
    origin_us: int
    runs: list[TaskRun]
    excluded: list[tuple[int, int]]
    """Slot ranges declared out of the count."""
    grouper: Grouper | None
    single: bool = False
    """The members are stored as float32."""
    _slot: int = 0
    _parts: list[NDArray[Any]] = field(default_factory=list)
    _held: int = 0

    def stretch(self, arrays: Arrays, scratch: Scratch, mask: NDArray[np.bool_] | None) -> Stretch:
        """What the next block holds; `mask` marks intervals that have no value for any rule."""
        return Stretch(*product_of(self.source.formula, arrays, scratch), mask)

    def feed(self, stretch: Stretch) -> None:
        """Take the stretch of the next block."""
        if self.grouper is not None:
            stretch = Stretch(self.grouper.feed(stretch))
            if not stretch.size:
                return
        if stretch.size >= _FLUSH and not self._parts:
            self._tally(stretch)
            return
        # Short pieces wait until there are enough of them: a call costs more than a hundred values do.
        values = stretch.whole()
        self._parts.append(values.copy() if values is stretch.members else values)
        self._held += len(values)
        if self._held >= _FLUSH:
            self._flush()

    def asks(self, stretch: Stretch) -> Iterator[tuple[Stretch, int, bool]]:
        """See `TaskRun.asks`; nothing where the stretch is put together or changed before it is looked at."""
        if not self._parts and not self.excluded:
            for run in self.runs:
                yield from run.asks(stretch, self._slot)

    def _flush(self) -> None:
        if self._parts:
            values = np.concatenate(self._parts) if len(self._parts) > 1 else self._parts[0]
            self._parts, self._held = [], 0
            self._tally(Stretch(values))

    def _tally(self, stretch: Stretch) -> None:
        slot = self._slot
        self._slot += stretch.size
        touched = [(a, b) for a, b in self.excluded if a < slot + stretch.size and b > slot]
        if touched:
            values = stretch.whole().copy()
            for start, end in touched:
                values[max(start - slot, 0) : max(end - slot, 0)] = np.nan
            stretch = Stretch(values)
        for run in self.runs:
            run.feed(stretch, slot)

    def finish(self) -> None:
        """Nothing more comes."""
        self._flush()


def band_of(task: Task, source: Source, *, dtype: np.dtype[Any], arithmetic: bool) -> Band:
    """The task's limits in the unit of a source."""
    scale = scale_of(source.formula.unit, task.unit, task.wanted)
    return _band(task.low, task.high, task.rule.strict, scale, dtype, arithmetic)


@lru_cache(maxsize=1024)
def _band(
    low: Decimal | None, high: Decimal | None, strict: bool, scale: Fraction, dtype: np.dtype[Any], arithmetic: bool
) -> Band:
    """The same limits hold for all phases, and often for several orders."""
    return band(
        None if low is None else Fraction(low) / scale,
        None if high is None else Fraction(high) / scale,
        strict=strict, dtype=dtype, arithmetic=arithmetic,
    )


def open_series(
    source: Source, tasks: Sequence[Task], axis: Axis, dtypes: Mapping[Any, np.dtype[Any]], zone: str, excluded: Spans
) -> SeriesRun:
    """A series with a tally for every period of every task that judges it."""
    interval = tasks[0].interval_us
    grouper = None
    origin, count = axis.start_us, axis.count
    if interval != source.interval_us:
        mean = source.mean
        grouper = Grouper(axis.start_us, source.interval_us, interval, mean)
        origin = grouper.start_us
        count = max(0, (axis.end_us - origin) // interval)
    arithmetic = grouper is not None or source.formula.arithmetic
    widths = {dtypes[channel] for channel in source.formula.inputs}
    dtype = np.dtype(np.float32) if widths == {np.dtype(np.float32)} else np.dtype(np.float64)
    end = origin + count * interval
    runs: list[TaskRun] = []
    for task in tasks:
        limits = band_of(task, source, dtype=dtype, arithmetic=arithmetic)
        made = periods_of(task, origin, end, interval, zone, excluded)
        runs.append(TaskRun(task, limits, made, Shown(len(made))))
    return SeriesRun(
        source,
        interval,
        axis,
        origin,
        runs,
        slots_of(excluded, origin, interval, 0, max(count, 1)),
        grouper,
        dtype == np.float32,
    )
