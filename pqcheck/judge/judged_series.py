"""The series that tasks judge: what bounds the value of every slot, the tasks that ask for it, and their periods."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from math import lcm
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.derive.aggregate import Grouper, first_group
from pqcheck.derive.formulas import Arrays, Combined, Formula, Scratch, product_of
from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.bounded_readings import BoundedReadings, either, settled, without_marked
from pqcheck.judge.compare_with_limit import LimitBand, band
from pqcheck.judge.tasks import Task, scale_of
from pqcheck.model.clock import periods
from pqcheck.model.recording import DAY, Axis, Channel
from pqcheck.stats.series_passes import Product

if TYPE_CHECKING:
    from pqcheck.judge.period_tally import PeriodTallies, Tallied

Spans = Sequence[tuple[int, int]]
Mask = NDArray[np.bool_] | None
Dtypes = Mapping[Channel, np.dtype[Any]]


class JudgedPeriod(NamedTuple):
    """One period on an axis, shared by all tasks that judge it.

    `start_us`/`end_us` are the full period; `complete` whether the axis covers it.
    """

    start_us: int
    end_us: int
    complete: bool
    expected: int
    first_slot: int
    excluded: int
    recorded: int
    """Slots of the period that lie on the axis at all."""


class TaskRun(Struct):
    """A task with its band and its periods on a series, in time order."""

    task: Task
    band: LimitBand
    periods: Sequence[JudgedPeriod]
    tallies: PeriodTallies | None = None
    """What the periods have shown, in a `column`; None where no sample of the series was recorded."""
    column: int = 0
    means: LongerMeans | None = None

    def results(self) -> list[Tallied]:
        """What each period has shown; asked for once."""
        from pqcheck.judge.period_tally import untallied

        return untallied(self.periods) if self.tallies is None else self.tallies.take(self.column)


class SeriesRun(Struct):
    """Samples at one interval, each from the value of `low` to that of `high`, where these were recorded at all.

    Of a recorded or derived value both are the same source; minimum and maximum columns are two. Where neither is
    there, means over a longer interval (`longer`) are all that is known of the samples.
    """

    low: SeriesSource | None
    high: SeriesSource | None
    longer: SeriesSource | None
    interval_us: int
    origin_us: int
    excluded: list[tuple[int, int]]
    """Slot ranges declared out of the count."""
    runs: list[TaskRun] = []
    grouped: bool = False
    """Whether values are aggregates of recorded ones."""
    spread: bool = False
    """Whether recorded intervals begin and end elsewhere than the slots."""
    times: int = 1
    """Slots in a recorded interval, where these can be counted together."""
    single: bool = False
    """Whether values are stored as float32 and judged as they are."""

    @property
    def recorded(self) -> bool:
        """Whether every sample is a value, not something that bounds it."""
        return self.low is self.high and self.low is not None

    @property
    def source(self) -> SeriesSource:
        """Where the displayed reading comes from."""
        source = self.high or self.low or self.longer
        assert source is not None
        return source

    @property
    def sources(self) -> tuple[SeriesSource, ...]:
        """All that is read, each once."""
        sources = (self.low, self.high, self.longer)
        return tuple({id(source): source for source in sources if source is not None}.values())


def masked_product(formula: Formula, arrays: Arrays, scratch: Scratch, mask: Mask) -> Product:
    """What a formula gives for one block, NaN where the mask is set; made once for all series that ask."""
    product = product_of(formula, arrays, scratch)
    if mask is None:
        return product
    key = "masked", id(formula), id(mask)
    members = scratch.get(key)
    if members is None:
        # Held as long as what is known by its identity.
        scratch["mask", id(mask)] = mask
        members = scratch[key] = np.where(mask, product.members.dtype.type(np.nan), product.members)
    return Product(members, product.factor)


class LongerMeans:
    """Means over an interval longer than the rule's: each that lies outside shows that one of its members does.

    Where the interval is no whole multiple of the rule's, means over the smallest common multiple are formed first:
    two values over 15 min hold three of 10 min.
    """

    def __init__(
        self,
        source: SeriesSource,
        limits: LimitBand,
        grouped_limits: LimitBand,
        axis: Axis,
        interval_us: int,
        of: Sequence[JudgedPeriod],
        excluded: Spans,
    ) -> None:
        self.source = source
        self.farthest: float | None = None
        """The mean farthest beyond the nearer limit."""
        self._band, self._axis, self._interval_us = limits, axis, interval_us
        self._periods, self._excluded = of, excluded
        self._far = -np.inf
        self._outside: list[NDArray[np.int64]] = []
        self._fed = 0
        self._size_us = lcm(axis.interval_us, interval_us)
        self._offset_us = 0
        """From the start of the axis to that of the first mean that is compared."""
        self._grouper: Grouper | None = None
        if self._size_us != axis.interval_us:
            self._grouper = Grouper(axis.start_us, axis.interval_us, self._size_us, source.mean)
            self._offset_us = self._grouper.start_us - axis.start_us
        self._grouped_band = grouped_limits
        self._proves = self._grouper is None or (source.mean not in ("none", "cubic") and self._size_us <= DAY)

    def feed(self, arrays: Arrays, scratch: Scratch, mask: Mask, bounded: BoundedReadings | None) -> None:
        """The next block; `mask` marks intervals that have no value, `bounded` readings that are only a bound."""
        means = masked_product(self.source.formula, arrays, scratch, mask).values()
        if bounded is not None:
            means = settled(means, bounded.of(self.source.formula), self._band)
        far = self._band.beyond(means)
        top = float(np.fmax.reduce(far))
        if top > self._far:
            self._far, self.farthest = top, float(means[int((far == top).argmax())])
        if not self._proves:
            return
        limits = self._band
        if self._grouper is not None:
            members = masked_product(self.source.formula, arrays, scratch, mask)
            if bounded is not None:
                # A mean with a member that is only a bound is none.
                marks = bounded.of(self.source.formula)
                members = without_marked(members, either(marks.lower, marks.upper))
            (means,), limits = self._grouper.feed([members]), self._grouped_band
        self._outside.append(np.flatnonzero(limits.outside(means)) + self._fed)
        self._fed += len(means)

    def outside(self) -> list[int]:
        """How many means of each period lie outside."""
        size, rule, offset = self._size_us, self._interval_us, self._offset_us
        outside = np.concatenate([np.empty(0, np.int64), *self._outside])
        for a, b in self._excluded:
            outside = outside[((outside + 1) * size <= a * rule - offset) | (outside * size >= b * rule - offset)]
        # Only a mean that lies wholly in the period and touches no excluded slot proves a member outside.
        first = [max(-((offset - period.first_slot * rule) // size), 0) for period in self._periods]
        last = [max(((period.first_slot + period.expected) * rule - offset) // size, 0) for period in self._periods]
        held: list[int] = np.maximum(np.searchsorted(outside, last) - np.searchsorted(outside, first), 0).tolist()
        return held


def slots_of(spans: Spans, origin_us: int, interval_us: int, first: int, last: int) -> list[tuple[int, int]]:
    """Slot ranges (half-open, within first..last) that the spans touch, joined where they overlap."""
    slots: list[tuple[int, int]] = []
    for start_us, end_us in sorted(spans) if spans else ():
        start = max((start_us - origin_us) // interval_us, first)
        end = min(-(-(end_us - origin_us) // interval_us), last)
        if start >= end:
            continue
        if slots and start <= slots[-1][1]:
            slots[-1] = (slots[-1][0], max(end, slots[-1][1]))
        else:
            slots.append((start, end))
    return slots


def count_slots(spans: Spans, origin_us: int, interval_us: int, first: int, last: int) -> int:
    """Number of slots between first and last that the spans touch."""
    return sum(end - start for start, end in slots_of(spans, origin_us, interval_us, first, last))


def _periods_of(
    task: Task, origin_us: int, end_us: int, interval_us: int, zone: str, excluded: Spans
) -> Sequence[JudgedPeriod]:
    """The periods of a task on slots that count from `origin_us`; the same for hundreds of tasks."""
    period, start_us = task.rule.period, origin_us
    if task.span is not None:
        # Other streams saw more: whole slots of this grid as far as they reach.
        first, last = task.span
        start_us = min(start_us, origin_us - (origin_us - first) // interval_us * interval_us)
        end_us = max(end_us, origin_us + (last - origin_us) // interval_us * interval_us)
    return _periods(start_us, origin_us, end_us, interval_us, period.length, period.alignment, zone, tuple(excluded))


@lru_cache(maxsize=64)
def _periods(
    start_us: int,
    origin_us: int,
    end_us: int,
    interval_us: int,
    length: str,
    alignment: str,
    zone: str,
    excluded: Spans,
) -> tuple[JudgedPeriod, ...]:
    made: list[JudgedPeriod] = []
    start_slot, end_slot = (start_us - origin_us) // interval_us, (end_us - origin_us) // interval_us
    for start, end, complete in periods(start_us, end_us, interval_us, length, alignment, zone):
        first = -(-(start - origin_us) // interval_us)
        last = -(-(end - origin_us) // interval_us)
        held = max(0, min(last, end_slot) - max(first, start_slot))
        out = count_slots(excluded, origin_us, interval_us, first, last)
        made.append(JudgedPeriod(start, end, complete, last - first, first, out, held))
    return tuple(made)


def _band_of(task: Task, source: SeriesSource, dtypes: Dtypes, *, grouped: bool) -> LimitBand:
    """The task's limits in the unit of a source, in the width of its members."""
    scale = scale_of(source.formula.unit, task.unit, task.wanted)
    arithmetic = grouped or source.formula.arithmetic
    return _band(task.low, task.high, task.rule.strict, scale, _width(source, dtypes), arithmetic)


def _width(source: SeriesSource, dtypes: Dtypes) -> np.dtype[Any]:
    if isinstance(source.formula, Combined):
        return np.dtype(np.float32) if source.formula.single else np.dtype(np.float64)
    widths = {dtypes[channel] for channel in source.formula.inputs}
    return np.dtype(np.float32) if widths == {np.dtype(np.float32)} else np.dtype(np.float64)


@lru_cache(maxsize=1024)
def _band(
    low: Decimal | None, high: Decimal | None, strict: bool, scale: Fraction, dtype: np.dtype[Any], arithmetic: bool
) -> LimitBand:
    """The same limits hold for all phases, and often for several orders."""
    return band(
        None if low is None else Fraction(low) / scale,
        None if high is None else Fraction(high) / scale,
        strict=strict, dtype=dtype, arithmetic=arithmetic,
    )  # fmt: skip


def open_series(tasks: Sequence[Task], axis: Axis, dtypes: Dtypes, zone: str, excluded: Spans) -> list[SeriesRun]:
    """The series that tasks judge on one axis, each with the periods of every task that judges it."""
    groups: dict[tuple[object, ...], list[Task]] = {}
    for task in tasks:
        key = (*map(id, task.samples), id(task.longer), task.interval_us, task.rule.drop_flagged)
        groups.setdefault(key, []).append(task)
    return [_open(group, axis, dtypes, zone, excluded) for group in groups.values()]


def _open(tasks: Sequence[Task], axis: Axis, dtypes: Dtypes, zone: str, excluded: Spans) -> SeriesRun:
    interval = tasks[0].interval_us
    low, high = tasks[0].samples
    series = SeriesRun(low, high, tasks[0].longer, interval, axis.start_us, [])
    # With bounds a longer interval is taken apart, since each of its members lies between them.
    series.grouped = series.recorded and interval != axis.interval_us
    if series.grouped:
        series.origin_us, _ = first_group(axis.start_us, axis.interval_us, interval)
    count = max(0, (axis.end_us - series.origin_us) // interval)
    # Slots of a recorded axis end with the last full one; bounds are asked for up to the end of the recording.
    end = series.origin_us + count * interval if series.recorded else axis.end_us
    series.excluded = slots_of(excluded, series.origin_us, interval, 0, max(count, 1))
    series.single = (
        not series.grouped and not series.source.formula.arithmetic and _width(series.source, dtypes) == np.float32
    )
    for task in tasks:
        made = _periods_of(task, series.origin_us, end, interval, zone, excluded)
        run = TaskRun(task, _band_of(task, series.source, dtypes, grouped=series.grouped), made)
        if series.longer is not None:
            longer = series.longer
            limits, grouped_limits = (_band_of(task, longer, dtypes, grouped=grouped) for grouped in (False, True))
            run.means = LongerMeans(longer, limits, grouped_limits, axis, interval, made, series.excluded)
        series.runs.append(run)
    if not series.recorded and axis.interval_us != interval:
        _bring_to_slots(series, axis)
    return series


def _bring_to_slots(series: SeriesRun, axis: Axis) -> None:
    """How bounds over recorded intervals become bounds of slots: as they are, counted several times, or spread out."""
    times, rest = divmod(axis.interval_us, series.interval_us)
    periods = {id(run.periods): run.periods for run in series.runs}
    whole = not rest and all(
        period.first_slot % times == 0 and period.expected % times == 0 for some in periods.values() for period in some
    )
    # With exclusions a recorded interval can be partly in the count: then every slot is looked at by itself.
    if whole and not series.excluded:
        series.times = times
    else:
        series.spread = True
