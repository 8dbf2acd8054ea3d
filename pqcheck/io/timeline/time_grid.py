"""From stamps to intervals and slots: pure functions over the instants of one file, then over all files together.

Rows are kept as runs (rows that follow each other by exactly one interval), so that a year of rows costs no memory.
The rules are explained in docs/method/reading.md.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import Instants

LONG_RUN = 6
"""So many equal steps in a row show another interval; fewer are gaps or irregular stamps."""

Ints = NDArray[np.int64]


class RowRuns(Struct, frozen=True):
    """Rows that follow each other by exactly one interval: first start, first data row, how many."""

    start_us: Ints
    row: Ints
    count: Ints

    @property
    def rows(self) -> int:
        """How many rows the runs hold."""
        return int(self.count.sum())


class IntervalChange(Struct, frozen=True):
    """A change of the recording interval inside one file: when, at which data row, from and to which interval."""

    at_us: int
    row: int
    before_us: int
    after_us: int


class FileGrid(Struct, frozen=True):
    """Intervals of one file. `runs` by interval; None stands for rows whose interval cannot be told (a single row).

    `backward` counts rows whose stamp lies before that of the row above, `first_backward` is the first of them.
    """

    runs: dict[int | None, RowRuns]
    changes: tuple[IntervalChange, ...]
    backward: int
    first_backward: int
    start_us: int
    end_us: int


def file_grid(instants: Instants, rows: Ints, stamp: str, interval: int | None = None) -> FileGrid:
    """Intervals and runs of one file.

    `instants` are UTC stamps of the data rows `rows`, in row order; `stamp` says whether they mark the start or the
    end of the interval. With `interval`, that is taken as the interval of all rows.
    """
    steps = np.diff(instants)
    falls = np.flatnonzero(steps < 0)
    if falls.size:
        order = np.argsort(instants, kind="stable")
        instants, rows = instants[order], rows[order]
    intervals = _interval_of_rows(instants, stamp) if interval is None else np.full(instants.size, interval)
    runs: dict[int | None, RowRuns] = {}
    starts = instants.copy()
    for each in _distinct(intervals).tolist():
        mine = np.flatnonzero(intervals == each)
        if stamp == "end":
            starts[mine] -= each
        runs[each or None] = _runs(starts[mine], rows[mine], each)
    edges = np.flatnonzero(np.diff(intervals)) + 1
    changes = tuple(
        IntervalChange(int(starts[at]), int(rows[at]), int(intervals[at - 1]), int(intervals[at]))
        for at in edges.tolist()
    )
    return FileGrid(
        runs,
        changes,
        int(falls.size),
        int(falls[0]) + 1 if falls.size else -1,
        int(starts[0]),
        int(starts[-1] + intervals[-1]),
    )


def weak_interval(grid: FileGrid) -> int | None:
    """The interval of a file that shows it in a few steps only: it may be a multiple of the true one."""
    if len(grid.runs) != 1:
        return None
    interval, runs = next(iter(grid.runs.items()))
    steps = int((runs.count - 1).sum())
    return interval if steps < LONG_RUN else None


def _runs(starts: Instants, rows: Ints, interval: int) -> RowRuns:
    joined = (np.diff(starts) == interval) & (np.diff(rows) == 1)
    first = np.concatenate(([0], np.flatnonzero(~joined) + 1))
    count = np.diff(np.append(first, starts.size))
    return RowRuns(starts[first], rows[first], count)


def _distinct(values: Ints) -> Ints:
    # Asked without counts, numpy loads its masked arrays first, which takes longer than all else here.
    return np.unique(values, return_counts=True)[0]


def _interval_of_rows(instants: Instants, stamp: str) -> Ints:
    """The interval of every row of sorted stamps; 0 where there is nothing to tell it from."""
    distinct, back = np.unique(instants, return_inverse=True)
    steps = np.diff(distinct)
    if not steps.size:
        return np.zeros(instants.size, np.int64)
    values, counts = np.unique(steps, return_counts=True)
    base = int(values[np.argmax(counts)])
    first = np.concatenate(([0], np.flatnonzero(np.diff(steps)) + 1))
    length = np.diff(np.append(first, steps.size))
    value = steps[first]
    # Two passes over the runs: the values that occur in long runs, then every run takes the one it belongs to.
    lasting = _distinct(value[length >= LONG_RUN])
    lasting = lasting[np.abs(lasting - base) * 10 > base]
    label = np.zeros(first.size, np.int64)
    label[np.abs(value - base) * 10 <= base] = base
    for other in lasting.tolist():
        label[(value == other) & (length >= LONG_RUN)] = other
    if not lasting.size:
        return np.full(instants.size, base, np.int64)
    per_step = _spread(np.repeat(label, length), backward=stamp == "end")
    # A start stamp opens the interval that follows it, an end stamp closes the one before it.
    per_stamp = np.append(per_step, per_step[-1]) if stamp == "start" else np.append(per_step[0], per_step)
    return per_stamp[back]


def _spread(label: Ints, backward: bool) -> Ints:
    """Steps that belong to no interval take that of their neighbour: before them, or after them when `backward`."""
    if backward:
        return _spread(label[::-1], backward=False)[::-1]
    known = np.flatnonzero(label)
    at = np.searchsorted(known, np.arange(label.size), side="right") - 1
    return label[known[np.maximum(at, 0)]]


class Placed(Struct, frozen=True):
    """Where the runs of one file stand on the axis of a stream: runs of consecutive slots and data rows, by slot.

    `snapped` rows were moved by up to a tenth of an interval, `moved` rows belong to a run that keeps the
    interval at another phase; `outside` rows fit no slot. All three are data rows.
    """

    slot: Ints
    row: Ints
    count: Ints
    snapped: Ints
    largest_us: int
    moved: Ints
    outside: Ints
    outside_us: Ints

    @property
    def rows(self) -> int:
        """How many rows found a slot."""
        return int(self.count.sum())


def phase_of(runs: list[RowRuns], interval: int) -> int:
    """The grid that most rows keep: their start modulo the interval."""
    starts = np.concatenate([each.start_us for each in runs]) % interval
    weights = np.concatenate([each.count for each in runs])
    phases, back = np.unique(starts, return_inverse=True)
    return int(phases[np.argmax(np.bincount(back, weights=weights))])


def place(runs: RowRuns, interval: int, phase: int) -> Placed:
    """Slots of the runs, counted from the instant `phase`.

    A start within a tenth of the interval of a slot is taken to it. A run of two and more rows that keeps the
    interval at another phase is taken to the nearest slots as a whole. Any other row stays outside.
    """
    away = (runs.start_us - phase + interval // 2) % interval - interval // 2
    near = np.abs(away) * 10 <= interval
    whole = ~near & (_phase_lengths(runs, interval, ~near) >= 2)
    keep = near | whole
    slot = (runs.start_us[keep] - away[keep] - phase) // interval
    row, count = runs.row[keep], runs.count[keep]
    order = np.lexsort((row, slot))
    slot, row, count = slot[order], row[order], count[order]
    joined = (slot[1:] == slot[:-1] + count[:-1]) & (row[1:] == row[:-1] + count[:-1])
    first = np.concatenate(([0], np.flatnonzero(~joined) + 1)) if slot.size else np.zeros(0, np.int64)
    shifted = near & (away != 0)
    return Placed(
        slot[first],
        row[first],
        np.add.reduceat(count, first) if slot.size else count,
        _rows(runs, shifted),
        int(np.abs(away[shifted]).max(initial=0)),
        _rows(runs, whole),
        _rows(runs, ~keep),
        runs.start_us[~keep],
    )


def _phase_lengths(runs: RowRuns, interval: int, chosen: NDArray[np.bool_]) -> Ints:
    """Per run how many slots the rows of equal phase around it cover, whatever the order of its rows."""
    lengths = np.zeros(runs.count.size, np.int64)
    at = np.flatnonzero(chosen)
    if not at.size:
        return lengths
    slots = runs.start_us[at] // interval
    slots -= slots.min()
    _, rank = np.unique(runs.start_us[at] % interval, return_inverse=True)
    # Each phase gets a range of slot numbers of its own, so that one sort serves all of them.
    slots += rank * int((slots + runs.count[at]).max() + 1)
    order = np.argsort(slots, kind="stable")
    starts, ends = merged_ranges(slots[order], runs.count[at][order])
    own = np.searchsorted(starts, slots, side="right") - 1
    lengths[at] = (ends - starts)[own]
    return lengths


def _rows(runs: RowRuns, chosen: NDArray[np.bool_]) -> Ints:
    if not chosen.any():
        return np.zeros(0, np.int64)
    ranges = [np.arange(row, row + count) for row, count in zip(runs.row[chosen], runs.count[chosen], strict=True)]
    return np.sort(np.concatenate(ranges))


def merged_ranges(slots: Ints, counts: Ints) -> tuple[Ints, Ints]:
    """Half-open slot ranges covered by runs, merged: (starts, ends). The runs may overlap; they are sorted by slot."""
    if not slots.size:
        return slots, slots
    ends = np.maximum.accumulate(slots + counts)
    new = np.concatenate(([True], slots[1:] > ends[:-1]))
    first = np.flatnonzero(new)
    last = np.append(first[1:] - 1, slots.size - 1)
    return slots[first], ends[last]


def overlaps(slots: Ints, counts: Ints) -> tuple[Ints, Ints]:
    """Half-open slot ranges covered by more than one run: (starts, ends), merged. The runs are sorted by slot."""
    if slots.size < 2:
        return slots[:0], slots[:0]
    ends = np.maximum.accumulate(slots + counts)
    double = np.flatnonzero(slots[1:] < ends[:-1]) + 1
    start = slots[double]
    stop = np.minimum(slots[double] + counts[double], ends[double - 1])
    return merged_ranges(start, stop - start)
