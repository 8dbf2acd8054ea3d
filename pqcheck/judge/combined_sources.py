"""Several sources of one quantity as one series at the judged interval: each slot once, from the first that holds it.

Streams are walked one after the other, so the values of these sources are kept at the judged interval until the walk is
over; then they are a stream like any other. Only quantities that more than one stream serves are kept so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import lcm
from typing import Any, NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.derive.aggregate import Grouper, first_group
from pqcheck.derive.formulas import Arrays, Combined, Scratch
from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.bounded_readings import BoundedReadings, BoundedSlots, SlotBounds
from pqcheck.judge.judged_series import Mask, masked_product
from pqcheck.judge.sources_disagree import Compared
from pqcheck.judge.tasks import Task, scale_of
from pqcheck.model.clock import duration_text, iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import DAY, Axis, Block, Channel, RowSpan, Stream
from pqcheck.stats.runs import runs

_NOWHERE = 255
"""Stands for the number of a source where none holds a slot."""
_STRETCHES_SHOWN = 3
_MOST_SLOTS = 5_000_000
_SPARSE = 20
"""More slots than that, and that many times those of the streams: a mistyped year, not a recording."""


class SlotValues:
    """Values of sources of one stream at the judged interval, slot by slot; `values` has a row for each source."""

    def __init__(self, sources: Sequence[SeriesSource], axis: Axis, interval_us: int, drops_flagged: bool) -> None:
        self.stream = sources[0].stream
        self.drops_flagged = drops_flagged
        self.sources = sources
        self.start_us = axis.start_us
        self._grouper: Grouper | None = None
        self._bounded = BoundedSlots(0, 1)
        if axis.interval_us != interval_us:
            self._grouper = Grouper(axis.start_us, axis.interval_us, interval_us, sources[0].mean)
            self.start_us, skipped = first_group(axis.start_us, axis.interval_us, interval_us)
            self._bounded = BoundedSlots(skipped, interval_us // axis.interval_us)
        self.values = np.full((len(sources), max(0, (axis.end_us - self.start_us) // interval_us)), np.nan)
        self.single = [False] * len(sources)
        self._fed = 0

    @property
    def grouped(self) -> bool:
        """Whether the values are aggregates."""
        return self._grouper is not None

    def feed(self, arrays: Arrays, scratch: Scratch, mask: Mask, bounded: BoundedReadings | None) -> None:
        """The next block; `mask` marks intervals that have no value, `bounded` readings that are only a bound."""
        series = [masked_product(source.formula, arrays, scratch, mask) for source in self.sources]
        self.single = [product.factor is None and product.members.dtype == np.float32 for product in series]
        self._bounded.feed(bounded, [source.formula for source in self.sources], len(series[0].members))
        if self._grouper is not None:
            made = self._grouper.feed(series)
            self.values[:, self._fed : self._fed + made.shape[1]] = made
            self._fed += made.shape[1]
            return
        for row, product in enumerate(series):
            self.values[row, self._fed : self._fed + len(product.members)] = product.values()
        self._fed += len(series[0].members)

    def bounds_of(self, source: SeriesSource) -> SlotBounds:
        """Slots of one source whose value is only a bound."""
        return self._bounded.of(next(number for number, other in enumerate(self.sources) if other is source))

    def of(self, source: SeriesSource) -> tuple[NDArray[np.float64], bool]:
        """The values of one source, and whether they come from float32 values."""
        row = next(number for number, other in enumerate(self.sources) if other is source)
        values = self.values[row]
        if self.single[row] and not self.grouped and not source.formula.arithmetic:
            # Recorded values stand for the shortest decimals that read back to them.
            values = np.array([float(str(value)) for value in values.astype(np.float32)])
        return values, self.single[row]


class _Slots(NamedTuple):
    """The values of one combined channel, and where the truth may be more (`lower`) or less (`upper`)."""

    values: NDArray[np.float64]
    lower: NDArray[np.bool_]
    upper: NDArray[np.bool_]


class _Origin(NamedTuple):
    """Where the values of one combined channel come from."""

    sources: tuple[SeriesSource, ...]
    axis: Axis
    filled_by: NDArray[np.uint8]
    """For each slot the number of the source that filled it."""
    later_us: tuple[int, ...]
    """How much later than their slots the values of each source begin, for those off the grid."""

    def stretches(self, first: int, last: int) -> Iterator[tuple[int, int, int]]:
        """(number of the source, first slot, slot behind the last) within some slots, in order of time."""
        first, last = max(first, 0), max(last, 0)
        part = self.filled_by[first:last]
        for number in np.unique(part).tolist():
            if number != _NOWHERE:
                for start, end in zip(*(edge.tolist() for edge in runs(part == number)), strict=True):
                    yield number, first + start, first + end


class _Rows(Struct, frozen=True):
    """Rows of combined channels: those of the streams that filled the slots."""

    origins: dict[Channel, _Origin]
    streams: Sequence[Stream]

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        """Rows that hold the channel for the half-open span."""
        origin = self.origins[channel]
        start, step = origin.axis.start_us, origin.axis.interval_us
        spans: dict[RowSpan, None] = {}
        for number, first, last in sorted(
            origin.stretches((start_us - start) // step, -((start - end_us) // step)), key=lambda part: part[1]
        ):
            source = origin.sources[number]
            inputs = source.formula.inputs
            for read in inputs if len(inputs) <= 4 else (inputs[0], inputs[-1]):
                index = self.streams[source.stream].index
                begin = start + origin.later_us[number]
                spans |= dict.fromkeys(index.rows(read, begin + first * step, begin + last * step))
        return tuple(spans)


_Key = tuple[tuple[int, ...], int, bool, str]


class CombinedSources:
    """Tasks with several sources. `add` them, `feed` every block of every stream, then ask for the `streams`."""

    def __init__(self, streams: Sequence[Stream], zone: str) -> None:
        self._streams, self._zone = streams, zone
        self._tasks: dict[_Key, list[Task]] = {}
        self._slots: dict[int, list[SlotValues]] = {}
        self._slots_of: dict[tuple[int, int, bool], SlotValues] = {}
        self._origins: dict[Channel, _Origin] = {}
        self._pairs: dict[tuple[int, int], tuple[Task, SeriesSource, SeriesSource, int]] = {}
        self.compared: list[Compared] = []
        """Pairs of exact sources over the slots that both hold."""

    def add(self, task: Task) -> None:
        """A task whose `sources` are more than one."""
        key = tuple(map(id, task.sources)), task.interval_us, task.rule.drop_flagged, task.unit
        self._tasks.setdefault(key, []).append(task)

    def compare(self, task: Task) -> None:
        """A task with `rivals` in other streams than its sources: the two are compared at an interval both divide."""
        sources = task.sources or ((task.source,) if task.source is not None else ())
        judged = {source.stream for source in sources}
        # Within a stream samples are compared (`RivalsOfStream`), which costs less.
        for rival in task.rivals:
            if rival.exactness != "exact" or rival.stream in judged:
                continue
            for source in sources:
                common_us = lcm(source.interval_us, rival.interval_us)
                means = {side.mean for side in (source, rival) if side.interval_us != common_us}
                if common_us <= DAY and not means & {"none", "cubic"}:
                    self._pairs.setdefault((id(source), id(rival)), (task, source, rival, common_us))

    def open(self) -> None:
        """All tasks were added."""
        alike: dict[tuple[int, int, bool, str], dict[int, SeriesSource]] = {}
        for _, *both, common_us in self._pairs.values():
            for source in both:
                alike.setdefault((source.stream, common_us, False, source.mean), {})[id(source)] = source
        for (_, interval_us, drops, _), tasks in self._tasks.items():
            for source in tasks[0].sources:
                alike.setdefault((source.stream, interval_us, drops, source.mean), {})[id(source)] = source
        for (stream, interval_us, drops, _), sources in alike.items():
            held = SlotValues(list(sources.values()), self._streams[stream].axis, interval_us, drops)
            self._slots.setdefault(stream, []).append(held)
            self._slots_of |= {(one, interval_us, drops): held for one in sources}

    def led_by(self, stream: int) -> list[Task]:
        """The tasks whose first source is in a stream."""
        return [task for tasks in self._tasks.values() for task in tasks if task.stream == stream]

    def inputs(self, stream: int) -> set[Channel]:
        """Channels of a stream that are read."""
        return {one for held in self._slots.get(stream, ()) for source in held.sources for one in source.formula.inputs}

    def feed(
        self, stream: int, arrays: Arrays, scratch: Scratch, mask: Mask, mask_or_flags: Mask,
        bounded: BoundedReadings | None,
    ) -> None:
        """The next block of a stream."""
        for held in self._slots.get(stream, ()):
            held.feed(arrays, scratch, mask_or_flags if held.drops_flagged else mask, bounded)

    def streams(self) -> list[tuple[Stream, list[Task]]]:
        """One stream for each grid, and the tasks it answers, each with a single source; every block was fed."""
        grids: dict[Axis, tuple[dict[Channel, _Slots], list[Task]]] = {}
        for number, (key, tasks) in enumerate(self._tasks.items()):
            axis, channel, source, slots = self._combine(number, key, tasks[0])
            held, answered = grids.setdefault(axis, ({}, []))
            held[channel] = slots
            answered += [replace(task, source=source) for task in tasks]
        self.compared += [self._compared(*pair) for pair in self._pairs.values()]
        self._slots, self._slots_of = {}, {}
        index = _Rows(self._origins, self._streams)
        return [
            (Stream(axis, tuple(held), _one_block(axis, held), index), tasks) for axis, (held, tasks) in grids.items()
        ]

    def _compared(self, task: Task, first: SeriesSource, second: SeriesSource, interval_us: int) -> Compared:
        """Two sources over the slots that both may hold."""
        parts = [(self._slots_of[id(source), interval_us, False], source) for source in (first, second)]
        starts = [held.start_us // interval_us for held, _ in parts]
        begin = max(starts)
        end = min(start + held.values.shape[1] for start, (held, _) in zip(starts, parts, strict=True))
        values = []
        for start, (held, source) in zip(starts, parts, strict=True):
            own = held.of(source)[0] * float(scale_of(source.formula.unit, task.unit, task.wanted))
            for at in held.bounds_of(source):
                own[at[at < len(own)]] = np.nan
            values.append(own[begin - start : max(begin, end) - start])
        return Compared(task, first, second, np.arange(begin, max(begin, end)) * interval_us, *values)

    def _combine(self, number: int, key: _Key, task: Task) -> tuple[Axis, Channel, SeriesSource, _Slots]:
        _, interval_us, drops, unit = key
        slots = [self._slots_of[id(source), interval_us, drops] for source in task.sources]
        # The grid of the first source: that of UTC for aggregates, its own for values recorded at the judged interval.
        # A value that begins between two slots counts for the earlier one.
        offset = slots[0].start_us % interval_us
        first = [(held.start_us - offset) // interval_us for held in slots]
        begin = min(first)
        count = max(start + held.values.shape[1] for start, held in zip(first, slots, strict=True)) - begin
        axis = Axis(offset + begin * interval_us, interval_us, count)
        if count > _MOST_SLOTS and count > _SPARSE * sum(held.values.shape[1] for held in slots):
            raise InputError(
                f"the time bases of {task.base_name} lie too far apart ({iso(axis.start_us, self._zone)} to "
                f"{iso(axis.end_us, self._zone)}, mostly without rows); correct the stamps, or check the files singly"
            )
        values, filled_by = np.full(count, np.nan), np.full(count, _NOWHERE, np.uint8)
        bounds = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
        parts: list[NDArray[np.float64]] = []
        single = arithmetic = False
        for place, (source, held, start) in enumerate(zip(task.sources, slots, first, strict=True)):
            scale = scale_of(source.formula.unit, unit, task.wanted)
            part, is_single = held.of(source)
            changed = held.grouped or source.formula.arithmetic or scale != 1
            arithmetic, single = arithmetic or changed, single or (is_single and changed)
            whole = np.full(count, np.nan)
            whole[start - begin : start - begin + len(part)] = part if scale == 1 else part * float(scale)
            here = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
            for mask, at in zip(here, held.bounds_of(source), strict=True):
                mask[at[at < len(part)] + start - begin] = True
            bounded = here[0] | here[1]
            parts.append(np.where(bounded, np.nan, whole))
            # A value is better than a bound.
            new = ~np.isnan(whole) & (np.isnan(values) | ((bounds[0] | bounds[1]) & ~bounded))
            values[new], filled_by[new] = whole[new], place
            for mask, own in zip(bounds, here, strict=True):
                mask[new] = own[new]
        if task.sources[0].exactness != "lower bound":
            # Two that stand on the same proxy can be compared as well as two exact ones.
            times = axis.start_us + np.arange(count) * interval_us
            self.compared += [
                Compared(task, task.sources[0], other, times, parts[0], part)
                for other, part in zip(task.sources[1:], parts[1:], strict=True)
            ]
        wanted = task.wanted
        channel = Channel(wanted.quantity, wanted.phase, wanted.order, wanted.hertz, f"combined {number}", unit)
        later = tuple((held.start_us - offset) % interval_us for held in slots)
        self._origins[channel] = _Origin(task.sources, axis, filled_by, later)
        formula = Combined(channel, arithmetic, single, tuple(source.formula for source in task.sources))
        # Different notes stand with the intervals they are about (`shares`).
        notes = {source.note for source in task.sources}
        missing = sorted({order for source in task.sources for order in source.missing_orders})
        combined = replace(
            task.sources[0],
            interval_us=interval_us,
            formula=formula,
            missing_orders=tuple(missing),
            note=notes.pop() if len(notes) == 1 else "",
        )
        return axis, channel, combined, _Slots(values, *bounds)

    def shares(self, channel: Channel, first: int, last: int) -> str:
        """Which slots from `first` to `last` came from which source, in words; empty where none filled any."""
        origin = self._origins[channel]
        parts = sorted(origin.stretches(first, last), key=lambda part: part[1])
        numbers = sorted({number for number, _, _ in parts})
        words = []
        if len(numbers) == 1:
            return f"from {_recorded(origin, numbers[0])}"
        for number in numbers:
            own = [(start, end) for of, start, end in parts if of == number]
            count = sum(end - start for start, end in own)
            spans = [f"{self._stamp(origin, start)} to {self._stamp(origin, end)}" for start, end in own]
            more = f" and {len(spans) - _STRETCHES_SHOWN} more" if len(spans) > _STRETCHES_SHOWN else ""
            where = ", ".join(spans[:_STRETCHES_SHOWN]) + more
            words.append(f"{count} intervals from {_recorded(origin, number)} ({where})")
        return ", ".join(words)

    def _stamp(self, origin: _Origin, slot: int) -> str:
        return iso(origin.axis.start_us + slot * origin.axis.interval_us, self._zone)


def _recorded(origin: _Origin, number: int) -> str:
    source = origin.sources[number]
    differs = len({other.note for other in origin.sources}) > 1
    how = f", {source.note}" if source.note and differs else ""
    return f"values over {duration_text(source.interval_us)}{how}"


def _one_block(axis: Axis, held: dict[Channel, _Slots]) -> Any:
    lower = {channel: slots.lower for channel, slots in held.items() if slots.lower.any()}
    upper = {channel: slots.upper for channel, slots in held.items() if slots.upper.any()}

    def blocks(wanted: Sequence[Channel] | None = None) -> Iterator[Block]:
        yield Block(axis, {one: held[one].values for one in (held if wanted is None else wanted)}, None, lower, upper)

    return blocks
