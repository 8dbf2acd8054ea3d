"""Values of a longer interval written into every row: held, or on straight lines from one to the next."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import by_group, not_measured_in
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.kept_runs import Array, Slots
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase

FEWEST_MOVES = Threshold(12, "1", EVIDENCE, "Rows with a new value.")
FEWEST_VALUES = Threshold(10, "1", EVIDENCE, "Different values: what has few moves by schedules, or by coarse steps.")
MOVING_SHARE = Threshold(0.5, "1", CHOSEN, "Share of the rows that may hold a new value which do hold one.")
BENDING_SHARE = Threshold(0.2, "1", CHOSEN, "The same of bends: rounding hides those of neighbouring slopes.")
SURPRISE = Threshold(14, "natural logarithm", CHOSEN,
                     "How improbable it must be by chance that all moves fall on these rows (one in a million).")
ROUNDED = Threshold(2.01, "steps of the instrument", EVIDENCE, "Bend that rounding leaves on a straight line.")
NATURAL_HOURS = Threshold({"flicker_pst": 1 / 6, "flicker_plt": 2}, "h", EVIDENCE,
                          "Interval of a quantity by its definition (IEC 61000-4-15): rows in between may repeat it.")

HEAD = 512
"""Rows at the beginning of a day of 3 s values that show of nearly every channel that nothing is held."""

CHECK = Check(
    name="held",
    question="Is a value of a longer interval written into every row?",
    looks_at="The rows in which a channel moves, and those in which it bends.",
    how="Every move of a day or longer falls on one row out of two, three or more, always the same, and most of these "
        "rows hold a new value: the values are those of a longer interval, held. The same of bends, with straight "
        "lines in between: interpolated. Held values that begin at whole intervals of the clock answer rules of their "
        "interval and of its multiples, nothing shorter; straight lines answer nothing.",
    example="voltage.an has a new value only every 6 rows.",
    codes={"held-values": "Values of a longer interval"},
    refuses={
        "held-values": (
            Refusal(ITSELF, "same", "What it was over shorter intervals was not recorded."),
        ),
    },
    thresholds=thresholds(globals()),
)


class Residue(NamedTuple):
    """Rows that all are `first` plus a multiple of `apart`; `moves` of them, up to and with `last`."""

    first: int
    last: int
    apart: int
    moves: int

    def joined(self, other: Residue) -> Residue:
        """Both together."""
        apart = math.gcd(self.apart, other.apart, abs(other.first - self.first))
        return Residue(min(self.first, other.first), max(self.last, other.last), apart, self.moves + other.moves)

    def unlikely(self, rows: int, share: float) -> bool:
        """Whether that is no chance, among so many `rows`, and most rows that may be among these are."""
        return (self.apart > 1 and self.moves >= FEWEST_MOVES.value and self.moves * self.apart >= share * rows
                and (self.moves - 1) * math.log(self.apart) >= SURPRISE.value)


class RegularRows:
    """Rows of a kind in the whole channel and in each day from the start of the stream."""

    def __init__(self, day_slots: int) -> None:
        self._day = day_slots
        self.whole: Residue | None = None
        self.days: dict[int, Residue] = {}

    def add(self, rows: Slots) -> None:
        """Take the rows of a block, in order."""
        if not rows.size:
            return
        number = rows // self._day if self._day else np.zeros_like(rows)
        heads = np.flatnonzero(np.diff(number, prepend=-1))
        ends = np.append(heads[1:], rows.size)
        steps = np.diff(rows, prepend=rows[0])
        steps[heads] = 0
        apart = np.gcd.reduceat(steps, heads)
        # A day inside the block that moves in neighbouring rows stays as it is: the common case.
        kept = apart > 1
        kept[[0, -1]] = True
        free = not kept.all()
        for head, end, rows_apart in zip(heads[kept].tolist(), ends[kept].tolist(), apart[kept].tolist(), strict=True):
            part = Residue(int(rows[head]), int(rows[end - 1]), rows_apart, end - head)
            at = int(number[head])
            self.days[at] = self.days[at].joined(part) if at in self.days else part
            self.whole = part if self.whole is None else self.whole.joined(part)
        if free and self.whole is not None:
            self.whole = self.whole._replace(apart=1)

    def add_neighbours(self, slot: int) -> None:
        """Take it that the day of a slot has such rows side by side."""
        part, day = Residue(slot, slot + 1, 1, 2), slot // self._day
        self.days[day] = self.days[day].joined(part) if day in self.days else part
        self.whole = part if self.whole is None else self.whole.joined(part)

    def stretches(self, share: float, slots: int) -> list[tuple[int, int, Residue]]:
        """First slot, end and rows of what is regular throughout: the whole channel, else its days."""
        whole = self.whole
        if whole is None:
            return []
        if whole.unlikely(whole.last - whole.first + 1, share):
            return [(0, slots, whole)]
        return [(day * self._day, min((day + 1) * self._day, slots), rows) for day, rows in sorted(self.days.items())
                if rows.unlikely(self._day, share)]


class HeldRows:
    """The rows with a new value, the rows at which the channel bends by more than rounding, and some of its values."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._of = of
        self.moves, self.bends = RegularRows(of.day_slots), RegularRows(of.day_slots)
        self.values: set[float] = set()
        self._tail: Array | None = None
        self._next = 0

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        if len(self.values) < FEWEST_VALUES.value:
            few = part.values[:: max(1, part.values.size // 128)]
            self.values.update(few[~np.isnan(few)].tolist())
        size, day, begin = part.values.size, self._of.day_slots, 0
        long = day > 2 * HEAD
        while begin < size:
            end = min(size, (part.slot + begin) // day * day + day - part.slot) if long else size
            # A day that moves and bends in neighbouring rows is irregular, whatever follows.
            if long and self._irregular(part.values[begin : begin + HEAD]):
                self.moves.add_neighbours(part.slot + begin)
                self.bends.add_neighbours(part.slot + begin)
            else:
                self._look(part, begin, end)
            begin = end
        self._tail, self._next = part.values[-2:].copy(), part.slot + size

    def _irregular(self, values: Array) -> bool:
        """Whether there are moves, and bends, in neighbouring rows."""
        steps = np.diff(values)
        moved, bent = np.abs(steps) > 0, np.abs(np.diff(steps)) > self._rounded(values)
        return bool((moved[1:] & moved[:-1]).any() and (bent[1:] & bent[:-1]).any())

    def _rounded(self, values: Array) -> float:
        """Bend that a straight line may show: by rounding, and by ten units in the last place of a number in a file."""
        step = self._of.resolution
        return float(ROUNDED.value * step + 10 * np.finfo(values.dtype).eps * max(abs(self._of.highest), step))

    def _look(self, part: ChannelBlock, begin: int, end: int) -> None:
        """Look at some rows of a block, which are all of one day where days are long."""
        before = self._tail if begin == 0 and self._tail is not None and part.slot == self._next else part.values[:0]
        values = np.concatenate((before, part.values[max(0, begin - 2) : end]))
        first, start = part.slot + end - values.size, part.slot + begin
        steps = np.diff(values)
        moved = np.flatnonzero((steps != 0) & ~np.isnan(steps)) + first + 1
        self.moves.add(moved[moved >= start])
        bent = np.flatnonzero(np.abs(np.diff(steps)) > self._rounded(values)) + first + 1
        self.bends.add(bent[bent >= start - 1])


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per group of channels."""
    yield from by_group(base, lambda statistics: _of_channel(base, statistics))


def _of_channel(base: TimeBase, statistics: ChannelStatistics) -> Outcome:
    channel, rows, step = statistics.channel, statistics.of(HeldRows), base.interval_us
    passed = Outcome(CHECK, Verdict.PASS, channel.name, channel.quantity, channel.phase, channel.order)
    natural_us = NATURAL_HOURS.value.get(channel.quantity, 0) * 3600e6
    if len(rows.values) < FEWEST_VALUES.value:
        return passed
    held = rows.moves.stretches(MOVING_SHARE.value, statistics.slots)
    stretches = held or rows.bends.stretches(BENDING_SHARE.value, statistics.slots)
    stretches = [stretch for stretch in stretches if stretch[2].apart * step > natural_us]
    if not stretches:
        return passed
    starts, ends = (np.array([stretch[which] for stretch in stretches]) for which in (0, 1))
    apart = stretches[0][2].apart
    what = "has a new value only" if held else "bends only"
    between = "held in between" if held else "on straight lines in between"
    outcome = not_measured_in(
        passed, "held-values", base.spans(starts, ends - starts),
        f"{channel.name} {what} every {apart} rows ({duration_text(apart * step)}), {between}, for "
        f"{duration_text(int((ends - starts).sum()) * step)}: these are values of that interval, not of "
        f"{duration_text(step)}.",
        "Export the recording at its true interval, without filling rows.",
    )
    readings = () if channel.reading == "mean" else (channel.reading,)
    # Flicker over longer than its own interval is no severity of that interval, and makes none of a longer one.
    intervals = [_judged_by(base, residue) if held and not natural_us else None for _, _, residue in stretches]
    return replace(outcome, subjects=tuple(
        replace(subject, readings=readings, recorded_us=recorded_us)
        for subject, recorded_us in zip(outcome.subjects, intervals, strict=False)
    ))


def _judged_by(base: TimeBase, residue: Residue) -> int | None:
    """The interval whose multiples held values answer; None where they do not begin at whole intervals of the clock."""
    whole_us = residue.apart * base.interval_us
    begin_us = base.stream.axis.start_us + residue.first * base.interval_us
    return whole_us if begin_us % whole_us == 0 else None
