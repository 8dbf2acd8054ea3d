"""Minimum and maximum columns that only repeat the mean: they bound nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from msgspec import Struct

from pqcheck.model.recording import DAY, Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, ITSELF, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.extremes import Trios, last_decimal
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array, starts_and_lengths
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

SHARE = Threshold(95, "%", PRACTICE,
                  "Intervals that move in which the extreme of shorter values equals the mean: they are few.")
FEWEST_MOVES = Threshold(20, "1", CHOSEN, "Intervals whose mean moved, before anything is said.")
STEPS = Threshold(1.5, "last decimals", CHOSEN,
                  "Change of the mean from which the values inside an interval differ too.")

CHECK = Check(
    name="extremes-copied",
    question="Are minimum and maximum more than copies of the mean?",
    looks_at="Minimum and maximum columns beside their mean, or beside each other where no mean was recorded.",
    how="Where the mean moves from interval to interval, the values that it was formed from differ, and so do their "
        "extremes. Columns that equal the mean in 95 % of such intervals, over a day or throughout, are copies of it: "
        "no verdict rests on them as bounds; the mean is judged as before. Without a declared base window extremes "
        "prove nothing anyway, and this is a note.",
    example="voltage.an.max equals the mean in 1006 of the 1007 intervals that move.",
    codes={"extremes-copied": "Extremes that repeat the mean"},
    refuses={
        "extremes-copied": (
            Refusal(ITSELF, "same", "The column bounds nothing."),
        ),
    },
    thresholds=thresholds(globals()),
)


class Pair(Struct):
    """A column and the extreme of its intervals: how many of each day moved, and how many of these are equal."""

    column: Channel
    extreme: Channel
    moved: Array
    equal: Array
    step: float = 0.0
    last: tuple[float, float] = (float("nan"), float("nan"))

    def take(self, slot: int, column: Array, extreme: Array, day_slots: int) -> None:
        """Look at one block."""
        first, second = (np.append(before, values) for before, values in zip(self.last, (column, extreme), strict=True))
        self.last = float(first[-1]), float(second[-1])
        self.step = max(self.step, last_decimal(column), last_decimal(extreme))
        moved = np.abs(np.diff(first)) > STEPS.value * self.step
        moved &= ~np.isnan(second[1:])
        equal = moved & (np.abs(second[1:] - first[1:]) <= np.maximum(0.51 * self.step, 1e-6 * np.abs(first[1:])))
        for mask, by_day in ((moved, self.moved), (equal, self.equal)):
            by_day += np.bincount((np.flatnonzero(mask) + slot) // day_slots, minlength=by_day.size)


class CopiedExtremes:
    """Every column of a stream beside each of its extremes."""

    def __init__(self, stream: Stream, site: Site) -> None:
        axis = stream.axis
        self.day_slots = max(1, DAY // axis.interval_us)
        days = axis.count // self.day_slots + 1
        base = site.recording.extremes_of_us
        self.declared = base is not None
        # Extremes of values as long as the interval itself equal the mean by right.
        trios = Trios(stream, site).trios if base is None or base < axis.interval_us else []
        self.pairs = [
            Pair(trio.mean, extreme, np.zeros(days, np.int64), np.zeros(days, np.int64))
            for trio in trios for extreme in (trio.low, trio.high) if extreme is not None
        ]

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        for pair in self.pairs:
            column, extreme = values.get(pair.column), values.get(pair.extreme)
            if column is not None and extreme is not None and column.size:
                pair.take(slot, column, extreme, self.day_slots)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per quantity and phase that has extremes."""
    watch = base.of(CopiedExtremes)
    groups: dict[tuple[str, str | None], list[Pair]] = {}
    for pair in watch.pairs:
        groups.setdefault((pair.column.quantity, pair.column.phase), []).append(pair)
    for (quantity, phase), pairs in groups.items():
        name = ".".join(part for part in (quantity, phase) if part)
        passed = Outcome(CHECK, Verdict.PASS, name, quantity, phase)
        copied = [(pair, days) for pair in pairs for days in _copied_days(pair)]
        if not copied:
            yield passed
            continue
        pair, (first, end) = max(copied, key=lambda each: int(each[0].equal[slice(*each[1])].sum()))
        moved, equal = (int(by_day[first:end].sum()) for by_day in (pair.moved, pair.equal))
        what = "the mean" if pair.column.reading == "mean" else "the minimum"
        held = [_slots(days, watch.day_slots, base.stream.axis.count) for _, days in copied]
        spans = base.spans(np.array([start for start, _ in held]), np.array([size for _, size in held]))
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE if watch.declared else Verdict.PASS, name, quantity, phase,
            code="extremes-copied", likelihood="likely",
            text=f"{pair.extreme.name} equals {what} in {equal} of {moved} intervals in which that moves: it is a "
                 "copy, and no bound.",
            advice="Export the minimum and the maximum of the short values, or leave the columns out.",
            spans=spans,
            subjects=tuple(
                Subject(quantity, (phase,) if phase else (), (each.extreme.order,) if each.extreme.order else (),
                        span.start_us, span.end_us, _readings(each))
                for (each, _), span in zip(copied, spans, strict=True)
            ) if watch.declared else (),
        )


def _readings(pair: Pair) -> tuple[str, ...]:
    """The readings that bound nothing."""
    return (pair.extreme.reading,) if pair.column.reading == "mean" else (pair.column.reading, pair.extreme.reading)


def _copied_days(pair: Pair) -> list[tuple[int, int]]:
    """Days in a row, half-open, in which the extreme repeats the column: all of them, or stretches."""
    share = SHARE.value / 100
    if int(pair.moved.sum()) >= FEWEST_MOVES.value and pair.equal.sum() >= share * pair.moved.sum():
        return [(0, pair.moved.size)]
    starts, lengths = starts_and_lengths((pair.moved > 0) & (pair.equal >= share * pair.moved))
    stretches = zip(starts.tolist(), (starts + lengths).tolist(), strict=True)
    return [(first, end) for first, end in stretches if pair.moved[first:end].sum() >= FEWEST_MOVES.value]


def _slots(days: tuple[int, int], day_slots: int, count: int) -> tuple[int, int]:
    """First slot and number of slots of some days."""
    first = days[0] * day_slots
    return first, min(days[1] * day_slots, count) - first
