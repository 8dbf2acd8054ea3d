"""What the report and the observations need of a recording, in one pass and bounded memory.

Every channel is kept twice, thinned: about a thousand points for plots, and up to 210,000 points (a week of 3-second
values as it is, a year of 10-minute values as it is) for the channels that are no harmonic. What was judged and is no
single order is kept at the rule's own interval, formed exactly as judging forms it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.derive.aggregate import Grouper
from pqcheck.derive.sources import Catalogue, SeriesSource, Wanted
from pqcheck.derive.usable_sources import usable
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.judge.tasks import Task, scale_of
from pqcheck.limit_tables import LimitTable
from pqcheck.model.findings import Findings
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Block, Channel, Event, Recording
from pqcheck.model.units import UnitError, factor
from pqcheck.observe.reduce import Reducer, members_per_point
from pqcheck.site.site_values import Site
from pqcheck.stats.series_passes import Product

PLOT_POINTS = 1500
DETAIL_POINTS = 210_000
ORDER_POINTS = 9_000
JUDGED_POINTS = 250_000


class Track(Struct, frozen=True):
    """One channel over the recording in its canonical unit, thinned to `step_us`; all arrays have one length."""

    channel: Channel
    unit: str
    start_us: int
    step_us: int
    interval_us: int
    low: NDArray[np.float32]
    mean: NDArray[np.float32]
    high: NDArray[np.float32]
    valid: NDArray[np.int32]

    def index(self, instant_us: int) -> int | None:
        """The point that covers an instant; None outside."""
        place = (instant_us - self.start_us) // self.step_us
        return int(place) if 0 <= place < len(self.mean) else None

    def at(self, instant_us: int) -> float | None:
        """The mean at an instant; None where nothing was recorded."""
        place = self.index(instant_us)
        return None if place is None or np.isnan(self.mean[place]) else float(self.mean[place])

    def between(self, start_us: int, end_us: int) -> slice:
        """The points that overlap a half-open span."""
        first = max((start_us - self.start_us) // self.step_us, 0)
        return slice(int(first), int(max(-(-(end_us - self.start_us) // self.step_us), first)))

    @property
    def times_us(self) -> NDArray[np.int64]:
        """Start of every point."""
        return self.start_us + np.arange(len(self.mean), dtype=np.int64) * self.step_us


class Judged(Struct, frozen=True):
    """A judged quantity at the rule's interval, in the unit of its findings."""

    quantity: str
    phase: str | None
    interval_us: int
    unit: str
    start_us: int
    values: NDArray[np.float64]


class Gathered(Struct, frozen=True):
    """Everything kept of a recording. `plots` by channel; `detail` for channels that are no single order."""

    zone: str
    start_us: int
    end_us: int
    plots: Mapping[Channel, Track] = field(default_factory=dict)
    detail: Mapping[Channel, Track] = field(default_factory=dict)
    judged: tuple[Judged, ...] = ()
    events: tuple[Event, ...] = ()

    def find(
        self, quantity: str, phase: str | None = None, order: int | None = None, reading: str = "mean"
    ) -> Track | None:
        """The detail of a channel that holds any reading, the finest stream first."""
        tracks = [
            track
            for channel, track in self.detail.items()
            if (channel.quantity, channel.phase, channel.order, channel.reading) == (quantity, phase, order, reading)
            and track.valid.any()
        ]
        return min(tracks, key=lambda track: track.step_us, default=None)

    def tracks(self, quantity: str, phases: Iterable[str | None], order: int | None = None) -> list[Track]:
        """The details of a quantity on those of the phases that hold any reading, in their order."""
        return [track for phase in phases if (track := self.find(quantity, phase, order)) is not None]

    def phases(self, quantity: str, order: int | None = None) -> list[str]:
        """Phases with readings of a quantity, in the order of the contract."""
        held = {
            channel.phase
            for channel, track in self.detail.items()
            if (channel.quantity, channel.order, channel.reading) == (quantity, order, "mean") and track.valid.any()
        }
        return [phase for phase in QUANTITIES[quantity].phases if phase in held]


class Asked(Struct, frozen=True):
    """A judged quantity to keep: its source, the interval it is judged at, the unit and scale of its findings."""

    source: SeriesSource
    quantity: str
    phase: str | None
    interval_us: int
    unit: str
    scale: Fraction


class _JudgedRun(Struct):
    asked: Asked
    start_us: int
    grouper: Grouper | None
    parts: list[NDArray[np.float64]] = field(default_factory=list)

    def judged(self) -> Judged:
        asked = self.asked
        return Judged(
            asked.quantity, asked.phase, asked.interval_us, asked.unit, self.start_us, np.concatenate(self.parts)
        )


def _joined(parts: Sequence[Judged]) -> Judged:
    """Series of one quantity as one, each value from the first that holds it."""
    if len(parts) == 1:
        return parts[0]
    step = parts[0].interval_us
    start = min(part.start_us for part in parts)
    first = [(part.start_us - start) // step for part in parts]
    values = np.full(max(at + len(part.values) for at, part in zip(first, parts, strict=True)), np.nan)
    for at, part in zip(first, parts, strict=True):
        place = values[at : at + len(part.values)]
        np.copyto(place, part.values, where=np.isnan(place))
    return replace(parts[0], start_us=start, values=values)


class Gatherer:
    """Feed it every block once, blocks of a stream in time order, then `finish`."""

    def __init__(self, recording: Recording, asked: Iterable[Asked] = ()) -> None:
        self._recording = recording
        self._plots: list[dict[Channel, Reducer]] = []
        self._detail: list[dict[Channel, Reducer]] = []
        self._slot = [0] * len(recording.streams)
        for stream in recording.streams:
            count, interval = stream.axis.count, stream.axis.interval_us
            kept = [channel for channel in stream.channels if channel.quantity != "flag"]
            plot = members_per_point(count, interval, PLOT_POINTS)
            self._plots.append({channel: Reducer(count, plot) for channel in kept})
            detail: dict[Channel, Reducer] = {}
            for channel in kept:
                single = channel.order is not None and channel.order > 1
                members = members_per_point(count, interval, ORDER_POINTS if single else DETAIL_POINTS)
                detail[channel] = self._plots[-1][channel] if members == plot else Reducer(count, members)
            self._detail.append(detail)
        self._runs = self._open(asked)

    def _open(self, asked: Iterable[Asked]) -> list[list[_JudgedRun]]:
        runs: list[list[_JudgedRun]] = [[] for _ in self._recording.streams]
        for quantity in dict.fromkeys(asked):
            axis = self._recording.streams[quantity.source.stream].axis
            if axis.count * axis.interval_us // quantity.interval_us > JUDGED_POINTS:
                continue
            grouper, start = None, axis.start_us
            if quantity.interval_us != axis.interval_us:
                grouper = Grouper(axis.start_us, axis.interval_us, quantity.interval_us, quantity.source.mean)
                start = grouper.start_us
            runs[quantity.source.stream].append(_JudgedRun(quantity, start, grouper))
        return runs

    def feed(self, number: int, block: Block) -> None:
        """The next block of stream `number`; nothing of its arrays is kept."""
        slot = self._slot[number]
        self._slot[number] += block.axis.count
        for channel, values in block.values.items():
            plot = self._plots[number].get(channel)
            if plot is None:
                continue
            by = _factor(channel)
            plot.feed(values, slot, by)
            detail = self._detail[number][channel]
            if detail is not plot:
                detail.feed(values, slot, by)
        scratch: dict[Any, NDArray[Any]] = {}
        for run in self._runs[number]:
            formula = run.asked.source.formula
            if not all(channel in block.values for channel in formula.inputs):
                continue
            values = np.array(formula.compute(block.values, scratch), dtype=np.float64)
            if run.grouper is not None:
                values = run.grouper.feed([Product(values)])[0]
            run.parts.append(values * float(run.asked.scale))

    def finish(self) -> Gathered:
        """What was gathered."""
        recording = self._recording
        axes = [stream.axis for stream in recording.streams]
        instants = [event.time_us for event in recording.events]
        return Gathered(
            recording.zone,
            min([axis.start_us for axis in axes] or instants or [0]),
            max([axis.end_us for axis in axes] or instants or [0]),
            self._tracks(self._plots),
            self._tracks(self._detail),
            self._judged(),
            recording.events,
        )  # fmt: skip

    def _judged(self) -> tuple[Judged, ...]:
        """One series for each quantity, phase and interval, from all its sources."""
        alike: dict[tuple[str, str | None, int, str], list[Judged]] = {}
        for one in (run.judged() for runs in self._runs for run in runs if run.parts):
            alike.setdefault((one.quantity, one.phase, one.interval_us, one.unit), []).append(one)
        return tuple(_joined(parts) for parts in alike.values())

    def _tracks(self, reducers: Sequence[Mapping[Channel, Reducer]]) -> dict[Channel, Track]:
        tracks: dict[Channel, Track] = {}
        for stream, held in zip(self._recording.streams, reducers, strict=True):
            for channel, reducer in held.items():
                axis = stream.axis
                tracks.setdefault(
                    channel,
                    Track(
                        channel, _unit(channel), axis.start_us, axis.interval_us * reducer.members, axis.interval_us,
                        reducer.low, reducer.mean, reducer.high, reducer.valid,
                    ),
                )  # fmt: skip
        return tracks


def gather(recording: Recording, asked: Iterable[Asked] = ()) -> Gathered:
    """Walk the recording once."""
    gatherer = Gatherer(recording, asked)
    for number, stream in enumerate(recording.streams):
        for block in stream.blocks(None):
            gatherer.feed(number, block)
    return gatherer.finish()


def _unit(channel: Channel) -> str:
    """The canonical unit, or the recorded one where it cannot be turned into it without other columns."""
    unit = QUANTITIES[channel.quantity].unit
    try:
        factor(channel.unit or "1", unit)
    except UnitError:
        return channel.unit
    return unit


def _factor(channel: Channel) -> float:
    try:
        return float(factor(channel.unit or "1", QUANTITIES[channel.quantity].unit))
    except UnitError:
        return 1.0


def asked_by_tables(tables: Sequence[LimitTable], recording: Recording, site: Site) -> list[Asked]:
    """The sources that judging uses, one per quantity, phase and interval."""
    tasks, _ = resolve(tables, recording, site, site.quantities)
    return asked_by_tasks(tasks)


def asked_by_tasks(tasks: Iterable[Task]) -> list[Asked]:
    """The same from tasks that are at hand."""
    asked: dict[tuple[str, str | None, int, str], list[Asked]] = {}
    for task in tasks:
        wanted = task.wanted
        key = wanted.quantity, wanted.phase, task.interval_us, task.unit
        if task.source is None or wanted.order is not None or wanted.hertz is not None or key in asked:
            continue
        asked[key] = [
            Asked(source, wanted.quantity, wanted.phase, task.interval_us, task.unit,
                  scale_of(source.formula.unit, task.unit, wanted))
            for source in task.sources or (task.source,)
        ]  # fmt: skip
    return [one for sources in asked.values() for one in sources]


def asked_by_findings(findings: Findings, recording: Recording) -> list[Asked]:
    """The same from a findings file whose tables are not at hand: columns as recorded, no change of base."""
    catalogue = Catalogue(recording)
    asked: dict[tuple[str, str | None, int], Asked] = {}
    for finding in findings.findings:
        statistic = finding.statistic
        if finding.kind != "limit" or finding.order is not None or finding.quantity is None or statistic is None:
            continue
        if statistic.value is None or statistic.interval_s is None:
            continue
        interval_us = round(statistic.interval_s * 1_000_000)
        sources = usable(catalogue.sources(Wanted(finding.quantity, finding.phase, None)), interval_us, [interval_us])
        if not sources:
            continue
        try:
            scale = Fraction(1)
            if not sources[0].formula.unit.startswith("%"):
                scale = Fraction(factor(sources[0].formula.unit or "1", statistic.unit))
        except UnitError:
            continue
        key = (finding.quantity, finding.phase, interval_us)
        asked.setdefault(key, Asked(sources[0], finding.quantity, finding.phase, interval_us, statistic.unit, scale))
    return list(asked.values())
