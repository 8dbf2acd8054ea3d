"""What the periods of tasks have shown so far: counts, runs, candidates for the displayed reading.

Every sample lies from `low` to `high`. Of a recorded value the two are the same array; a missing one is NaN; minimum
and maximum columns, and whatever else only bounds a value, give two arrays. A tally is fed consecutive slots and never
keeps the samples themselves, so its size does not grow with the length of the recording (docs/method/aggregation.md).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.judge.bounded_readings import SlotBounds, unsettled, without
from pqcheck.judge.judged_series import JudgedPeriod, SeriesRun, TaskRun
from pqcheck.stats.percentile import largest, rank
from pqcheck.stats.runs import Runs, find_runs, join_runs, no_runs
from pqcheck.stats.series_passes import Product, largest_of

Array = NDArray[Any]


class Tallied(NamedTuple):
    """What one period of one task has shown."""

    valid: int
    """Slots proven inside or outside: of recorded values, those that are there."""
    outside: int
    """Slots proven outside."""
    reading: float | None
    """The displayed reading: the one of the rule's rank, or the bound farthest out; None when nothing was valid."""
    runs: Runs
    longest_possible: int
    """Longest run of slots not proven inside, for rules about runs: what such a rule cannot rule out."""
    rests_to: int = 0
    """Slot behind the last one that `longest_possible` rests on, where that lies beyond the period."""
    bounded: int = 0
    """Slots that hold a bound which settles nothing, so that they are not among the valid ones."""
    below: int = 0
    """Of the slots outside a band with two sides, those below its lower limit."""
    open_ended: bool = False
    """Whether a run of slots not proven inside begins or ends where nothing was recorded beyond: it may be longer."""


class SampleBounds(NamedTuple):
    """Consecutive slots of several series on one time line."""

    size: int
    low: Sequence[Product]
    high: Sequence[Product]
    """The same object as `low` where all values were recorded."""
    excluded: Sequence[tuple[int, int]] = ()
    """Slots out of the count, half-open, from the first of these samples on: they end a run."""
    bounded: Mapping[int, SlotBounds] = {}
    """Slots of recorded series that hold a bound, by the number of the series."""


class _PeriodUnderWay:
    """The tally of one period under way, an entry for each task."""

    def __init__(self, tasks: int, first: int) -> None:
        self.valid = np.zeros(tasks, np.int64)
        self.known = np.zeros(tasks, np.int64)
        """Slots that hold the value, or the bound, that may be displayed."""
        self.outside = np.zeros(tasks, np.int64)
        self.bounded = np.zeros(tasks, np.int64)
        self.below = np.zeros(tasks, np.int64)
        self.best: NDArray[np.float64] | None = None
        """Farthest of these so far, shape (tasks, ...), for limits to one side."""
        self.farthest: dict[int, tuple[Array, Array]] = {}
        """Distances beyond the nearer of two limits, and the values, of the farthest so far."""
        self.runs: dict[int, list[Runs]] = {}
        self.possible: dict[int, list[Runs]] = {}
        self.fed_to = first


class PeriodTallies:
    """Tallies of tasks with the same periods and statistic, and the same sides to their limits.

    Only periods under way have more than a few numbers each, so that a year of days takes no more memory than a week of
    days. One slot fed counts for `times` slots of the rule.
    """

    def __init__(self, tasks: Sequence[tuple[int, SeriesRun, TaskRun]], times: int) -> None:
        _, series, first = tasks[0]
        statistic = first.task.rule.statistic
        self._rows = [row for row, _, _ in tasks]
        self._bands = [run.band for _, _, run in tasks]
        self._periods = first.periods
        self._times = times
        self._edges = [
            (entry.first_slot // times, (entry.first_slot + entry.expected) // times) for entry in first.periods
        ]
        self._percent = statistic.percent
        self._recorded = series.recorded
        self._about_runs = statistic.kind == "longest_run_at_most"
        # Where no period adjoins another, nothing was recorded beyond.
        self._ends_of_record = {one.first_slot for one in self._periods} ^ {
            one.first_slot + one.expected for one in self._periods
        }  # fmt: skip
        lower, upper = sides(first)
        self._two_sided = lower and upper
        self._below = lower and not upper
        # Which bound is displayed, and whether it is the one that shows a slot to lie inside.
        self._from_high = np.array([
            (entry.low is None) if self._below else (entry.high is not None) for _, entry, _ in tasks
        ])  # fmt: skip
        self._proves_inside = self._from_high != self._below
        self._proven_by_high = [self._below or entry.low is None for _, entry, _ in tasks]
        cuts = [-_or_infinite(band.low_cut, -1) if self._below else _or_infinite(band.high_cut) for band in self._bands]
        self._cuts = np.array(cuts)
        self._strict = np.array([band.strict for band in self._bands])
        self._first = 0
        self._under_way: dict[int, _PeriodUnderWay] = {}
        shape = len(self._periods), len(tasks)
        self._over = np.zeros(shape[0], np.bool_)
        self._valid, self._outside, self._bounded, self._under = (np.zeros(shape, np.int64) for _ in range(4))
        self._reading = np.full(shape, np.nan)
        self._runs: dict[tuple[int, int], Runs] = {}
        self._possible: dict[tuple[int, int], Runs] = {}
        """For rules about runs: runs of slots not proven inside."""
        for column, (_, _, run) in enumerate(tasks):
            run.tallies, run.column = self, column

    @property
    def longest(self) -> int:
        """Slots fed that the longest period holds."""
        return max((last - first for first, last in self._edges), default=0)

    def ends_at(self, slot: int) -> bool:
        """Whether no period is over only in part there."""
        return all(last <= slot for first, last in self._edges[self._first :] if first < slot)

    def feed(self, samples: SampleBounds, slot: int) -> None:
        """Take the next samples, of which the first stands at `slot`."""
        end = slot + samples.size
        for number in range(self._first, len(self._periods)):
            first, last = self._edges[number]
            if first >= end:
                break
            if self._over[number] or last <= slot:
                continue
            period = self._under_way.get(number)
            if period is None:
                period = self._under_way[number] = _PeriodUnderWay(len(self._rows), first)
            if max(first, slot) < min(last, end):
                self._count(period, number, samples, slot, max(first, slot), min(last, end))
            if last <= end:
                self._close(number)
        while self._first < len(self._periods) and self._over[self._first]:
            self._first += 1

    def _count(
        self, period: _PeriodUnderWay, number: int, samples: SampleBounds, slot: int, start: int, end: int
    ) -> None:
        """Count the slots from `start` to `end`."""
        keep = self._keep(number)
        low = [samples.low[row].cut(start - slot, end - slot) for row in self._rows]
        for column, row in enumerate(self._rows if samples.bounded else ()):
            if row in samples.bounded:
                bounds = samples.bounded[row].cut(start - slot, end - slot)
                at = unsettled(low[column].values(), bounds, self._bands[column])
                low[column], unseen = without(low[column], at)
                period.bounded[column] += unseen
        high = low
        if not self._recorded:
            high = [samples.high[row].cut(start - slot, end - slot) for row in self._rows]
        shown = low
        if not self._recorded:
            shown = [b if upper else a for a, b, upper in zip(low, high, self._from_high, strict=True)]
        counted: NDArray[np.bool_] | None = None
        if self._about_runs:
            counted = np.ones(end - start, np.bool_)
            for first, last in samples.excluded:
                counted[max(first + slot - start, 0) : max(last + slot - start, 0)] = False
            if start > period.fed_to:
                for column in range(len(low)):
                    period.possible.setdefault(column, []).append(_run(period.fed_to, start))
        period.fed_to = end
        if self._two_sided:
            looked_at = np.ones(len(low), np.bool_)
            for column, product in enumerate(shown):
                self._keep_farthest(period, column, product.values(), keep)
        else:
            # A few farthest values say all about a limit to one side, unless some of them lie outside.
            known, best = largest_of(shown, min(keep, end - start), smallest=self._below)
            top = best.max(axis=1)
            if not self._recorded:
                other = [a if upper else b for a, b, upper in zip(low, high, self._from_high, strict=True)]
                top = np.maximum(top, largest_of(other, 1, smallest=self._below)[1][:, 0])
            looked_at = np.where(self._strict, top >= self._cuts, top > self._cuts)
            if self._about_runs:
                looked_at[:] = True
            period.known += known
            period.valid += known if self._recorded else np.where(self._proves_inside & ~looked_at, known, 0)
            period.best = best if period.best is None else _farthest(np.hstack((period.best, best)), keep)
        for column in np.flatnonzero(looked_at).tolist():
            self._look_at(period, column, low[column], high[column], start, counted)

    def _keep(self, number: int) -> int:
        """How many of the farthest readings of a period the displayed one can be the nearest of."""
        first, last = self._edges[number]
        return _kept_of(last - first, self._percent) if self._recorded else 1

    def _look_at(
        self, period: _PeriodUnderWay, column: int, low: Product, high: Product, start: int,
        counted: NDArray[np.bool_] | None,
    ) -> None:
        """Count what lies outside, with its runs; `counted`, for rules about runs, is not set where excluded."""
        band, lows = self._bands[column], low.values()
        highs = lows if self._recorded else high.values()
        outside = band.outside(lows, highs)
        count = int(np.count_nonzero(outside))
        period.outside[column] += count
        if count and self._two_sided:
            period.below[column] += int(np.count_nonzero(band.below(highs)))
        if not self._recorded:
            period.valid[column] += int(np.count_nonzero(band.inside(lows, highs))) + count
        if count:
            # Of two limits, the upper bound alone may show a slot to lie below: there the lower one is missing.
            proven = highs if self._proven_by_high[column] else np.where(np.isnan(lows), highs, lows)
            beyond = band.beyond(proven)
            runs = find_runs(outside, proven, beyond if self._recorded else np.nan_to_num(beyond), start)
            period.runs.setdefault(column, []).append(runs)
        if counted is not None:
            zeros = np.zeros(len(lows))
            possible = find_runs(counted & ~band.inside(lows, highs), zeros, zeros, start)
            period.possible.setdefault(column, []).append(possible)

    def _keep_farthest(self, period: _PeriodUnderWay, column: int, values: Array, keep: int) -> None:
        """Of two limits, the values farthest beyond the nearer one."""
        band, value = self._bands[column], values[~np.isnan(values)]
        period.known[column] += len(value)
        if self._recorded:
            period.valid[column] += len(value)
        if not len(value):
            return
        # What lies outside ranks behind everything inside, however near to the limit both are.
        far = band.beyond(value)
        far = np.where(band.outside(value), np.maximum(far, np.finfo(np.float64).tiny), np.minimum(far, 0.0))
        if len(far) > keep:
            chosen = far >= largest(far, keep).min()
            far, value = far[chosen], value[chosen]
        if column in period.farthest:
            far = np.concatenate((period.farthest[column][0], far))
            value = np.concatenate((period.farthest[column][1], value))
        # Ties in distance are settled by the value, so that the order of rows cannot show.
        order = np.lexsort((value, far))[-keep:]
        period.farthest[column] = far[order], value[order]

    def _close(self, number: int) -> None:
        """Keep a few numbers of a period that is over."""
        period = self._under_way.pop(number)
        self._over[number] = True
        self._valid[number] = period.valid * self._times
        self._outside[number] = period.outside * self._times
        self._bounded[number] = period.bounded * self._times
        self._under[number] = period.below * self._times
        self._reading[number] = self._displayed_readings(period)
        for column, parts in period.runs.items():
            self._runs[number, column] = _stretched(join_runs(parts), self._times)
        if self._about_runs:
            last = self._edges[number][1]
            rest = [_run(period.fed_to, last)] if period.fed_to < last else []
            for column in range(len(self._rows)):
                parts = [*period.possible.get(column, []), *rest]
                self._possible[number, column] = _stretched(join_runs(parts), self._times)

    def _displayed_readings(self, period: _PeriodUnderWay) -> NDArray[np.float64]:
        """The displayed reading of each task, NaN where there is none: the only place that picks it."""
        places = np.ones(len(self._rows), np.int64)
        if self._recorded:
            counts: list[int] = period.known.tolist()
            places = np.array([known - rank(known, self._percent) + 1 if known else 1 for known in counts])
        readings = np.full(len(places), np.nan)
        for column, (_, value) in period.farthest.items():
            readings[column] = value[-places[column]]
        if period.best is not None:
            size = period.best.shape[1]
            if (places == size).all():
                readings = period.best.min(axis=1)
            else:
                readings = np.sort(period.best, axis=1)[np.arange(len(places)), size - places]
        readings[period.known == 0] = np.nan
        return -readings if self._below else readings

    def finish(self) -> None:
        """Nothing more comes: periods under way, and those that never began, are over as well."""
        for number in range(self._first, len(self._periods)):
            if not self._over[number]:
                self._under_way.setdefault(number, _PeriodUnderWay(len(self._rows), self._edges[number][0]))
                self._close(number)

    def take(self, column: int) -> list[Tallied]:
        """What the periods of a task have shown, in order; their runs for the last time."""
        numbers = range(len(self._periods))
        runs = [self._runs.pop((number, column), no_runs()) for number in numbers]
        possible = [self._possible.pop((number, column), no_runs()) for number in numbers]
        if self._about_runs:
            runs, possible = whole_where_they_begin(self._periods, runs, possible)
        kept = self._valid, self._outside, self._reading, self._bounded, self._under
        columns = (of[:, column].tolist() for of in kept)
        return [
            Tallied(
                valid, outside, None if reading != reading else reading, runs[number],
                int(possible[number].count.max(initial=0)), _end(possible[number]), bounded, below,
                _touches(possible[number], self._ends_of_record),
            )
            for number, (valid, outside, reading, bounded, below) in enumerate(zip(*columns, strict=True))
        ]  # fmt: skip


def whole_where_they_begin(
    periods: Sequence[JudgedPeriod], outside: Sequence[Runs], possible: Sequence[Runs]
) -> tuple[list[Runs], list[Runs]]:
    """Runs over the border of two periods, whole in the period in which they begin.

    `outside` are the runs of slots proven outside, `possible` those of slots not proven inside; one entry a period.
    """
    outside, possible = list(outside), list(possible)
    # From the last on, so that a run that fills a whole period goes on to where it began.
    for number in range(len(periods) - 2, -1, -1):
        border = periods[number + 1].first_slot
        if periods[number].first_slot + periods[number].expected != border:
            continue
        goes_on = _end(outside[number]) == border
        lead = 0
        if goes_on and _starts_at(outside[number + 1], border):
            lead = int(outside[number + 1].count[0])
            outside[number] = join_runs([outside[number], outside[number + 1].part(0, 1)])
            outside[number + 1] = outside[number + 1].part(1, None)
        if _starts_at(possible[number + 1], border):
            first, rest = possible[number + 1].part(0, 1), possible[number + 1].part(1, None)
            if _end(possible[number]) == border:
                possible[number] = join_runs([possible[number], first])
            # What continues a run of the period before for certain cannot begin one here.
            left = _run(border + lead, border + int(first.count[0]))
            possible[number + 1] = join_runs([left, rest]) if len(left) else rest
    return outside, possible


def _touches(runs: Runs, edges: Set[int]) -> bool:
    """Whether the first run begins, or the last one ends, at one of the slots."""
    return bool(len(runs)) and not edges.isdisjoint((int(runs.first[0]), _end(runs)))


def _end(runs: Runs) -> int:
    """The slot behind the last run; 0 without one."""
    return int(runs.first[-1] + runs.count[-1]) if len(runs) else 0


def _starts_at(runs: Runs, slot: int) -> bool:
    return bool(len(runs)) and int(runs.first[0]) == slot


def _run(first: int, last: int) -> Runs:
    """One run of slots without readings, half-open; none where it would be empty."""
    if last <= first:
        return no_runs()
    at, zero = np.array([first], np.int64), np.zeros(1)
    return Runs(at, np.array([last - first], np.int64), zero, at, zero)


def sides(run: TaskRun) -> tuple[bool, bool]:
    """Whether a task has a lower and an upper limit."""
    return run.band.low is not None, run.band.high is not None


def untallied(periods: Sequence[JudgedPeriod]) -> list[Tallied]:
    """What periods have shown of which no sample was fed."""
    return [Tallied(0, 0, None, no_runs(), period.expected) for period in periods]


@lru_cache(maxsize=256)
def _kept_of(slots: int, percent: Decimal) -> int:
    return slots - rank(slots, percent) + 1


def _or_infinite(cut: float | None, sign: int = 1) -> float:
    return sign * np.inf if cut is None else cut


def _farthest(values: NDArray[np.float64], keep: int) -> NDArray[np.float64]:
    """The `keep` largest of each row."""
    return values if values.shape[1] <= keep else np.partition(values, -keep, axis=1)[:, -keep:]


def _stretched(runs: Runs, times: int) -> Runs:
    """Runs of slots as runs of slots a `times`-th as long."""
    if times == 1:
        return runs
    return Runs(runs.first * times, runs.count * times, runs.worst, runs.worst_slot * times, runs.beyond)
