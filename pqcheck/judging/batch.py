"""Series fed together: what is asked of all of them in a block is answered by one sweep.

A week has 750 series and 7 blocks, so work per series and block is what a check would spend its time on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.deriving.aggregate import Grouper
from pqcheck.deriving.formulas import Arrays, Scratch, product_of
from pqcheck.judging.series import SeriesRun, TaskRun
from pqcheck.judging.shown import JudgedPeriod, Shown
from pqcheck.judging.tally import Tally, is_below, kept_of, outside_of
from pqcheck.passes import Stretch, look_at
from pqcheck.recording import Axis
from pqcheck.sweep import Indices, Sweep, fits

Mask = NDArray[np.bool_] | None
Take = Callable[[], None]

_FLUSH = 4096
"""Values of a series that are waited for: a call costs more than a hundred values do."""
_TOGETHER = 128
"""Series in a sweep: what they need meanwhile is used again for the next ones, since fresh memory is dear."""


def lots_of(series: Sequence[SeriesRun], axis: Axis) -> list[Lot]:
    """The series in the order of their first inputs, in lots for one sweep each."""
    order = sorted(series, key=lambda run: str(run.source.formula.inputs[0]))
    return [Lot(order[first : first + _TOGETHER], axis) for first in range(0, len(order), _TOGETHER)]


class Lot:
    """Series that share a sweep, in batches on one time line each. Feed it blocks in time order, then `finish`."""

    def __init__(self, series: Sequence[SeriesRun], axis: Axis) -> None:
        alike: dict[tuple[Any, ...], list[SeriesRun]] = {}
        for run in series:
            mean = run.source.mean if run.grouped else None
            drops = run.runs[0].task.rule.drop_flagged
            alike.setdefault((run.interval_us, run.source.interval_us, mean, drops), []).append(run)
        self._batches = [Batch(some, axis) for some in alike.values()]
        # Many are judged at two intervals.
        formulas = {id(run.source.formula): run.source.formula for run in series}
        self._formulas = list(formulas.values())
        numbers = {key: number for number, key in enumerate(formulas)}
        self._rows = [np.array([numbers[id(run.source.formula)] for run in some]) for some in alike.values()]

    def feed(self, arrays: Arrays, scratch: Scratch, size: int, mask: Mask, flags: Mask) -> None:
        """Take the next block of `size` intervals.

        `mask` marks intervals that have no value for any rule, `flags` those that some rules leave out as well.
        """
        either = mask if flags is None else flags if mask is None else mask | flags
        sweep = Sweep(size)
        products = [product_of(formula, arrays, scratch) for formula in self._formulas]
        begun: dict[int, int] = {}
        takes: list[Take] = []
        for batch, rows in zip(self._batches, self._rows, strict=True):
            hidden = batch.hidden(either if batch.drops_flagged else mask, size)
            begin = begun.get(id(hidden))
            if begin is None:
                begin = begun[id(hidden)] = sweep.add([(*product, hidden) for product in products])
            takes.append(batch.ask(sweep, rows + begin))
        sweep.run()
        for take in takes:
            take()

    def finish(self) -> None:
        """Nothing more comes."""
        for batch in self._batches:
            batch.finish()


class Batch:
    """Series of one interval and origin. Feed them blocks in time order, then `finish`."""

    def __init__(self, series: Sequence[SeriesRun], axis: Axis) -> None:
        first = series[0]
        self.drops_flagged = first.runs[0].task.rule.drop_flagged
        self._grouper: Grouper | None = None
        if first.grouped:
            source = first.source
            self._grouper = Grouper(axis.start_us, source.interval_us, first.interval_us, source.mean)
        self._excluded = first.excluded
        self._slot = 0
        self._held: list[NDArray[np.float64]] = []
        self._held_size = 0
        alike: dict[tuple[Any, ...], list[tuple[int, TaskRun]]] = {}
        for row, run in enumerate(series):
            for one in run.runs:
                statistic = one.task.rule.statistic
                key = (id(one.periods), statistic.kind, statistic.percent, _sides(one))
                alike.setdefault(key, []).append((row, one))
        self._alike = [Alike(some) for some in alike.values()]
        # Periods that are waited for, so that each is looked at once and whole.
        self._awaited = [one for one in self._alike if one.at_once <= _FLUSH]

    def hidden(self, mask: Mask, size: int) -> Mask:
        """The mask for the values of the next block; where these are judged as they are, with the exclusions in it."""
        touched = [] if self._grouper is not None else self._touched(self._slot + self._held_size, size)
        if touched:
            mask = np.zeros(size, np.bool_) if mask is None else mask.copy()
            for start, end in touched:
                mask[start:end] = True
        return mask

    def _touched(self, slot: int, size: int) -> list[tuple[int, int]]:
        """Exclusions within `size` values from `slot` on, counted from there."""
        return [(max(a - slot, 0), min(b - slot, size)) for a, b in self._excluded if a < slot + size and b > slot]

    def ask(self, sweep: Sweep, items: Indices) -> Take:
        """Ask for what the next block must answer; what is returned takes the answers once the sweep has run."""
        if self._grouper is not None:
            given = self._grouper.ask(sweep, items)
            return lambda: self._hold(given())
        if sweep.size >= _FLUSH and not self._held:
            return self._ask(sweep, items)
        return lambda: self._hold(np.array([sweep.stretch(one).whole() for one in items.tolist()], np.float64))

    def _ask(self, sweep: Sweep, items: Indices) -> Take:
        slot, self._slot = self._slot, self._slot + sweep.size
        asked = [one.ask(sweep, items, slot) for one in self._alike]

        def take() -> None:
            stretches = _Stretches(sweep, items)
            for one, answers in zip(self._alike, asked, strict=True):
                one.take(sweep, stretches, slot, answers)

        return take

    def _hold(self, rows: NDArray[np.float64]) -> None:
        """Short pieces wait until there are enough of them, or all periods end with them."""
        if not rows.shape[1]:
            return
        self._held.append(rows)
        self._held_size += rows.shape[1]
        end = self._slot + self._held_size
        ended = self._awaited and all(one.ends_at(end) for one in self._awaited)
        if ended or self._held_size >= _FLUSH:
            self._flush()

    def _flush(self) -> None:
        if not self._held:
            return
        rows = np.concatenate(self._held, axis=1) if len(self._held) > 1 else self._held[0]
        self._held, self._held_size = [], 0
        if self._grouper is not None:
            for start, end in self._touched(self._slot, rows.shape[1]):
                rows[:, start:end] = np.nan
        sweep = Sweep(rows.shape[1])
        take = self._ask(sweep, sweep.add([(row, None, None) for row in rows]) + np.arange(len(rows)))
        sweep.run()
        take()

    def finish(self) -> None:
        """Nothing more comes."""
        self._flush()
        for one in self._alike:
            one.finish()


class _Stretches:
    """The stretches of a batch, made when they are looked at: most of them never are."""

    def __init__(self, sweep: Sweep, items: Indices) -> None:
        self._sweep = sweep
        self._items = items
        self._made: dict[int, Stretch] = {}

    def __getitem__(self, row: int) -> Stretch:
        made = self._made.get(row)
        if made is None:
            made = self._made[row] = self._sweep.stretch(int(self._items[row]))
        return made


def _sides(run: TaskRun) -> tuple[bool, bool]:
    return run.band.low is not None, run.band.high is not None


class Alike:
    """Tasks of a batch with the same periods and statistic, and the same sides to their limits.

    Only the periods under way have tallies, so that a year of days takes no more memory than a week of days.
    """

    def __init__(self, tasks: Sequence[tuple[int, TaskRun]]) -> None:
        first = tasks[0][1]
        statistic = first.task.rule.statistic
        self._tasks = tasks
        self._rows = np.array([row for row, _ in tasks])
        self._periods = first.periods
        self._percent = statistic.percent
        self._share = Fraction(statistic.percent) / 100
        self._about_runs = statistic.kind == "longest_run_at_most"
        self._below = is_below(first.band)
        # Of a limit to one side a few farthest values say all about a period, unless some of them lie outside.
        self._one_sided = _sides(first) != (True, True) and not self._about_runs
        cuts = [_cut(run, below=self._below) for _, run in tasks]
        self._cuts = np.array([np.inf if cut is None else cut for cut in cuts])
        self._strict = np.array([run.band.strict for _, run in tasks])
        self._first = 0
        self._open: dict[int, list[Tally]] = {}
        self._shown = Shown(len(self._periods), len(tasks))
        for column, (_, run) in enumerate(tasks):
            run.shown, run.column = self._shown, column

    @property
    def at_once(self) -> float:
        """Values of the longest period; infinite where periods are looked at bit by bit anyway."""
        if not self._one_sided or not fits(self._share):
            return float("inf")
        return max((period.expected for period in self._periods), default=0)

    def ends_at(self, slot: int) -> bool:
        """Whether no period is over only in part there, as far as periods go."""
        return all(period.first_slot + period.expected <= slot for _, period in self._reached(slot - 1, slot))

    def _reached(self, slot: int, end: int) -> list[tuple[int, JudgedPeriod]]:
        """Periods that are not over and begin before `end`, and their numbers."""
        found = []
        for number in range(self._first, len(self._periods)):
            period = self._periods[number]
            if period.first_slot >= end:
                break
            if period.first_slot + period.expected > slot:
                found.append((number, period))
        return found

    def ask(self, sweep: Sweep, items: Indices, slot: int) -> Mapping[int, int]:
        """Ask for what the periods that lie within the stretches must know: by their number, where it will stand."""
        asked: dict[int, int] = {}
        if not self._one_sided or not fits(self._share):
            return asked
        mine = items[self._rows]
        for number, period in self._reached(slot, slot + sweep.size):
            first, last = period.first_slot - slot, period.first_slot + period.expected - slot
            if 0 <= first < last <= sweep.size:
                keep = kept_of(period.expected, self._percent)
                asked[number] = sweep.ranks(mine, first, last, keep, self._share, smallest=self._below)
        return asked

    def take(self, sweep: Sweep, stretches: _Stretches, slot: int, asked: Mapping[int, int]) -> None:
        """Take the stretches from `slot` on, with the answers of the sweep."""
        end = slot + sweep.size
        reached = self._reached(slot, end)
        self._look_at(stretches, slot, end, [period for number, period in reached if number not in asked])
        for number, period in reached:
            if number in asked:
                answers = sweep.answers(asked[number], len(self._tasks), 3)
                self._keep(number, period, answers, stretches, slot)
                continue
            tallies = self._open.get(number)
            if tallies is None:
                tallies = self._open[number] = self._begin(period)
            for (row, _), tally in zip(self._tasks, tallies, strict=True):
                tally.feed(stretches[row], slot)
            if period.first_slot + period.expected <= end:
                self._close(number)
        while self._first < len(self._periods) and self._shown.over[self._first]:
            self._first += 1

    def _look_at(self, stretches: _Stretches, slot: int, end: int, periods: Sequence[JudgedPeriod]) -> None:
        """What the tallies will ask for, in one call."""
        if not self._one_sided or not periods:
            return
        asked = []
        for period in periods:
            first, last = max(period.first_slot, slot), min(period.first_slot + period.expected, end)
            keep = kept_of(period.expected, self._percent)
            asked += [(stretches[row].cut(first - slot, last - slot), keep, self._below) for row, _ in self._tasks]
        look_at(asked, [])

    def _keep(
        self, number: int, period: JudgedPeriod, answers: NDArray[np.float64], stretches: _Stretches, slot: int
    ) -> None:
        """Keep what a period has shown whose values came all at once."""
        valid, top, reading = answers.T
        beyond = np.where(self._strict, top >= self._cuts, top > self._cuts)
        first = period.first_slot - slot
        shown = self._shown
        shown.keep_all(number, valid, reading)
        for column in np.flatnonzero(beyond).tolist():
            row, run = self._tasks[column]
            part = stretches[row].cut(first, first + period.expected)
            shown.keep_outside(number, column, *outside_of(run.band, part.whole(), period.first_slot))

    def _begin(self, period: JudgedPeriod) -> list[Tally]:
        return [
            Tally(run.band, self._percent, period.first_slot, period.expected, possible_runs=self._about_runs)
            for _, run in self._tasks
        ]

    def _close(self, number: int) -> None:
        for column, tally in enumerate(self._open.pop(number)):
            self._shown.keep(number, column, tally.result())

    def finish(self) -> None:
        """Nothing more comes: periods under way are over as well."""
        for number in list(self._open):
            self._close(number)
        for number in range(self._first, len(self._periods)):
            if not self._shown.over[number]:
                self._open[number] = self._begin(self._periods[number])
                self._close(number)


def _cut(run: TaskRun, *, below: bool) -> float | None:
    """Where values, or with `below` their negatives, begin to lie outside."""
    if not below:
        return run.band.high_cut
    return None if run.band.low_cut is None else -run.band.low_cut
