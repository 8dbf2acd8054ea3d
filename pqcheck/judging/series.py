"""One judged series: a source at one interval, with the tasks that judge it and their periods."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
from msgspec import Struct

from pqcheck.clock import periods
from pqcheck.counting import Band, band
from pqcheck.deriving.aggregate import first_group
from pqcheck.deriving.sources import Source
from pqcheck.judging.shown import JudgedPeriod, Shown
from pqcheck.judging.tally import Tallied
from pqcheck.judging.tasks import Task, scale_of
from pqcheck.recording import Axis

Spans = Sequence[tuple[int, int]]


class TaskRun(Struct):
    """A task with its band and its periods on a series, in time order."""

    task: Task
    band: Band
    periods: Sequence[JudgedPeriod]
    shown: Shown | None = None
    """What the periods have shown, in a `column`; shared with the tasks that are fed together with this one."""
    column: int = 0

    def results(self) -> list[Tallied]:
        """What each period has shown; asked for once."""
        assert self.shown is not None
        return self.shown.take(self.column)


class SeriesRun(Struct):
    """A source at one interval."""

    source: Source
    interval_us: int
    origin_us: int
    runs: list[TaskRun]
    excluded: list[tuple[int, int]]
    """Slot ranges declared out of the count."""
    grouped: bool = False
    """Whether values are aggregates of recorded ones."""
    single: bool = False
    """The members are stored as float32."""


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
    """A series with the periods of every task that judges it."""
    interval = tasks[0].interval_us
    origin, count = axis.start_us, axis.count
    grouped = interval != source.interval_us
    if grouped:
        origin, _ = first_group(axis.start_us, source.interval_us, interval)
        count = max(0, (axis.end_us - origin) // interval)
    arithmetic = grouped or source.formula.arithmetic
    widths = {dtypes[channel] for channel in source.formula.inputs}
    dtype = np.dtype(np.float32) if widths == {np.dtype(np.float32)} else np.dtype(np.float64)
    end = origin + count * interval
    runs: list[TaskRun] = []
    for task in tasks:
        limits = band_of(task, source, dtype=dtype, arithmetic=arithmetic)
        made = periods_of(task, origin, end, interval, zone, excluded)
        runs.append(TaskRun(task, limits, made))
    out = slots_of(excluded, origin, interval, 0, max(count, 1))
    return SeriesRun(source, interval, origin, runs, out, grouped, dtype == np.float32)
