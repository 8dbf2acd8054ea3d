"""One pass over a stream: tallies per channel, a coarse series of the main quantities, samples of the spectrum."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.evidence import Runs, find_runs, join_runs
from pqcheck.passes import same_holes
from pqcheck.recording import DAY, Block, Channel, Stream
from pqcheck.vetting.extremes import ExtremesCount
from pqcheck.vetting.neutral import NeutralWatch
from pqcheck.vetting.pieces import Holes, Pieces
from pqcheck.vetting.runs import mask_runs
from pqcheck.vetting.sampled import Room, Samples
from pqcheck.vetting.spectrum import SpectrumSamples
from pqcheck.vetting.tally import Tally

Array = NDArray[Any]

FULL = (
    "voltage", "current", "frequency", "active_power", "reactive_power", "apparent_power", "power_factor",
    "displacement_power_factor", "active_energy_import", "active_energy_export", "reactive_energy",
    "negative_sequence_unbalance",
)
"""Quantities looked at value by value."""

MOST_COARSE = 30_000
"""Points of the coarse series: a week of 24-second means, a month of native 1-minute values, a year of 20 minutes."""
SAMPLES_PER_DAY = 144
COPY_SAMPLES_PER_DAY = 1440
SMALLEST_BATCH = 4096
"""Short blocks are put together until this many intervals are there: a call per channel and day is dear."""


class Watch(Struct, frozen=True):
    """A band that must not be left for long, in the channel's own unit."""

    channel: Channel
    low: float | None
    high: float | None


class Gathered(Struct):
    """What one pass leaves of a stream.

    `series` holds the coarse means (NaN where nothing was observed), `watched` the runs outside the watched bands,
    `dark` the runs in which all voltages are below the interruption threshold.
    """

    number: int
    stream: Stream
    tallies: dict[Channel, Tally]
    coarse_us: int
    series: dict[Channel, Array]
    watched: dict[Channel, Runs]
    dark: Pieces
    extremes: ExtremesCount
    spectrum: SpectrumSamples
    neutral: NeutralWatch
    flagged: int = 0


SAMPLED_TOGETHER = 32
"""Channels whose samples are looked at in one go."""


class Gatherer:
    """Takes the blocks of one stream in time order."""

    def __init__(
        self, number: int, stream: Stream, watches: tuple[Watch, ...], dark_below: Mapping[Channel, float],
        neutral: NeutralWatch,
    ) -> None:
        interval, count = stream.axis.interval_us, stream.axis.count
        day = DAY // interval if DAY % interval == 0 else 0
        stride = _divisor(day, max(1, day // SAMPLES_PER_DAY)) if day else 1
        hour = max(1, (DAY // 24) // interval)
        self._group = _divisor(day, max(1, math.ceil(count / MOST_COARSE))) if day else 1
        while day and count / self._group > MOST_COARSE and self._group < day:
            self._group = _divisor(day, self._group + 1)
        self._out = Gathered(
            number, stream, {}, interval * self._group, {}, {}, Pieces(),
            ExtremesCount(stream.channels), SpectrumSamples(stream.channels), neutral,
        )
        for channel in stream.channels:
            full = channel.quantity in FULL
            width = max(24, hour if full else 24)
            self._out.tallies[channel] = Tally(channel, full, 1 if full else stride, width, day)
        self._sampled = [channel for channel, tally in self._out.tallies.items() if not tally.full]
        # A few channels at a time: their matrices stay small enough to be used again from the cache.
        room = Room()
        self._samples = [
            Samples([self._out.tallies[channel] for channel in self._sampled[first : first + SAMPLED_TOGETHER]], room)
            for first in range(0, len(self._sampled), SAMPLED_TOGETHER)
        ]
        points = -(-count // self._group)
        self._coarse = {
            channel: np.full(points, np.nan) for channel in stream.channels
            if channel.quantity in FULL and channel.reading == "mean"
        }
        self._watches = watches
        self._runs: dict[Channel, list[Runs]] = {watch.channel: [] for watch in watches}
        self._dark_below = dark_below
        self._pending: dict[Channel, Array] = {}
        self._pending_over: dict[Channel, Array] = {}
        self._pending_size = 0
        self._slot = 0

    def feed(self, block: Block) -> None:
        """Take one block; its arrays may be reused afterwards."""
        size = block.axis.count
        if block.flagged is not None:
            self._out.flagged += int(np.count_nonzero(block.flagged))
        slot = (block.axis.start_us - self._out.stream.axis.start_us) // self._out.stream.axis.interval_us
        if self._pending_size and slot != self._slot + self._pending_size:
            self._flush()
        if not self._pending_size:
            self._slot = slot
        if size >= SMALLEST_BATCH and not self._pending_size:
            self._work(slot, block.values, block.over_range, block.alike)
            return
        room = 2 * SMALLEST_BATCH
        if self._pending_size + size > room:
            self._flush()
            self._slot = slot
            if size > room:
                self._work(slot, block.values, block.over_range)
                return
        for channel, values in block.values.items():
            held = self._pending.get(channel)
            if held is None:
                held = self._pending[channel] = np.full(room, np.nan, values.dtype)
            held[self._pending_size : self._pending_size + size] = values
        for channel, mask in block.over_range.items():
            marks = self._pending_over.setdefault(channel, np.zeros(room, np.bool_))
            marks[self._pending_size : self._pending_size + size] = mask
        self._pending_size += size
        if self._pending_size >= SMALLEST_BATCH:
            self._flush()

    def finish(self) -> Gathered:
        """What was gathered."""
        self._flush()
        self._out.series = self._coarse
        self._out.watched = {channel: join_runs(parts) for channel, parts in self._runs.items()}
        return self._out

    def _flush(self) -> None:
        size = self._pending_size
        if size:
            self._pending_size = 0
            values = {channel: held[:size] for channel, held in self._pending.items()}
            over = {channel: marks[:size] for channel, marks in self._pending_over.items()}
            self._work(self._slot, values, over)
            for marks in self._pending_over.values():
                marks[:] = False

    def _work(
        self, slot: int, values: Mapping[Channel, Array], over: Mapping[Channel, Array],
        alike: Sequence[frozenset[Channel]] = (),
    ) -> None:
        mask: Array | None = None
        holes = _NO_HOLES
        number_of = {channel: number for number, some in enumerate(alike) for channel in some}
        known: dict[int, tuple[Array, Holes]] = {}
        for channel, tally in self._out.tallies.items():
            array = values.get(channel)
            if array is None or not array.size:
                continue
            # Rows that are missing are missing in every channel: their runs are looked for once.
            number = number_of.get(channel, -1)
            if number in known:
                mask, holes = known[number]
            elif mask is None or not same_holes(array, mask):
                mask = np.isnan(array)
                holes = _holes(mask, slot)
            if number >= 0:
                known[number] = mask, holes
            if tally.full:
                tally.take(slot, array, over.get(channel), holes)
                if channel in self._coarse:
                    self._coarsen(slot, channel, array)
            else:
                tally.count_holes(array.size, holes)
                if channel in over:
                    tally.mark_over_range(slot, over[channel])
        for number, samples in enumerate(self._samples):
            some = self._sampled[number * SAMPLED_TOGETHER : (number + 1) * SAMPLED_TOGETHER]
            samples.take(slot, [values.get(channel) for channel in some])
        for watch in self._watches:
            array = values.get(watch.channel)
            if array is not None:
                self._watch(slot, watch, array)
        self._darkness(slot, values)
        self._out.extremes.take(slot, values)
        self._out.spectrum.take(slot, values)
        self._out.neutral.take(slot, values)

    def _coarsen(self, slot: int, channel: Channel, values: Array) -> None:
        group, out = self._group, self._coarse[channel]
        at = slot // group
        if group == 1:
            out[at : at + values.size] = values
            return
        whole = values.size // group * group
        if whole:
            rows = values[:whole].reshape(-1, group)
            sums = np.asarray(rows.sum(axis=1), np.float64)
            means = sums / group
            holes = np.isnan(sums)
            if holes.any():
                part = rows[holes]
                known = np.count_nonzero(~np.isnan(part), axis=1)
                # A group with few observed values still says where the channel stood.
                means[holes] = np.where(known > 0, np.nansum(part, axis=1) / np.maximum(known, 1), np.nan)
            out[at : at + means.size] = means
        if whole < values.size:
            rest = values[whole:]
            rest = rest[~np.isnan(rest)]
            if rest.size:
                out[at + whole // group] = float(rest.mean())

    def _watch(self, slot: int, watch: Watch, values: Array) -> None:
        low, high = watch.low, watch.high
        tops = high is not None and float(np.fmax.reduce(values)) > high
        lows = low is not None and float(np.fmin.reduce(values)) < low
        if not tops and not lows:
            return
        above = values - high if high is not None else np.full(values.size, -np.inf)
        below = low - values if low is not None else np.full(values.size, -np.inf)
        beyond = np.fmax(above, below)
        self._runs[watch.channel].append(find_runs(beyond > 0, values, beyond, slot))

    def _darkness(self, slot: int, values: Mapping[Channel, Array]) -> None:
        """Intervals in which every recorded voltage lies below the interruption threshold."""
        dark: Array | None = None
        for channel, below in self._dark_below.items():
            array = values.get(channel)
            if array is None:
                continue
            if dark is None and not float(np.fmin.reduce(array)) < below:
                return
            here = array < below
            dark = here if dark is None else dark & here
        if dark is not None and dark.any():
            starts, lengths = mask_runs(dark)
            self._out.dark.add(starts + slot, lengths, lengths)


_NONE = np.empty(0, np.int64)
_NO_HOLES = Holes(0, _NONE, _NONE, _NONE, np.empty(0))


def _holes(mask: Array, slot: int) -> Holes:
    """Holes of a chunk that begins at `slot`."""
    count = int(np.count_nonzero(mask))
    if not count:
        return _NO_HOLES
    starts, lengths = mask_runs(mask)
    return Holes(count, starts, lengths, starts + slot, lengths.astype(np.float64))


def _divisor(whole: int, at_least: int) -> int:
    """The smallest divisor of `whole` that is at least `at_least`."""
    return next((number for number in range(at_least, whole + 1) if whole % number == 0), whole)


def channels_of(gathered: Gathered, quantity: str, reading: str = "mean") -> Iterator[Channel]:
    """Channels of one quantity and reading, in the order of the recording."""
    for channel in gathered.stream.channels:
        if channel.quantity == quantity and channel.reading == reading:
            yield channel
