"""One pass over a stream: statistics by channel, coarse series of the main quantities, what single checks collect."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Protocol

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.model.recording import DAY, Block, Channel, Stream
from pqcheck.site.site_values import Site
from pqcheck.vet.channel_statistics import MAIN, ChannelStatistics, Holes, OfChannel, divisor
from pqcheck.vet.kept_runs import Mask, starts_and_lengths
from pqcheck.vet.time_base import Coarse

Array = NDArray[Any]

MOST_COARSE = 30_000
"""Points of the coarse series: a week of 24-second means, a month of native 1-minute values, a year of 20 minutes."""
SMALLEST_BLOCK = 4096
"""Short blocks are put together until this many intervals are there: a call per channel and day is dear."""


class Marks(Struct, frozen=True):
    """Which values of a block are only bounds: the truth may be more (`lower`) or less (`upper`).

    `read` are the values of channels that hold upper bounds, these included; elsewhere they count as unobserved.
    """

    lower: Mapping[Channel, Mask] = field(default_factory=dict)
    upper: Mapping[Channel, Mask] = field(default_factory=dict)
    read: Mapping[Channel, Array] = field(default_factory=dict)


class OfStream(Protocol):
    """What a check collects of a stream."""

    def __init__(self, stream: Stream, site: Site) -> None: ...

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block that begins at `slot`."""


class StreamCollector:
    """Takes the blocks of one stream in time order.

    `of_channels` are what checks count of every channel, `of_main` of main quantities only, `of_stream` of all channels
    together.
    """

    def __init__(
        self, stream: Stream, site: Site, of_channels: Iterable[type[OfChannel]], of_main: Iterable[type[OfChannel]],
        of_stream: Iterable[type[OfStream]],
    ) -> None:
        self._axis = stream.axis
        every, main = tuple(of_channels), (*of_channels, *of_main)
        self.channels = {
            channel: ChannelStatistics(channel, self._axis, main if channel.quantity in MAIN else every)
            for channel in stream.channels
        }
        self.collected = {kind: kind(stream, site) for kind in of_stream}
        self._group = _coarse_group(self._axis.interval_us, self._axis.count)
        self._coarse = {
            channel: np.full(-(-self._axis.count // self._group), np.nan) for channel in stream.channels
            if channel.quantity in MAIN and channel.reading == "mean"
        }
        self._waiting: list[tuple[Mapping[Channel, Array], Marks, int]] = []
        self._slot = 0

    def feed(self, block: Block) -> None:
        """Take one block; its arrays may be reused afterwards."""
        size = block.axis.count
        slot = (block.axis.start_us - self._axis.start_us) // self._axis.interval_us
        waiting = sum(count for _, _, count in self._waiting)
        if waiting and (slot != self._slot + waiting or waiting + size > 2 * SMALLEST_BLOCK):
            self._flush()
            waiting = 0
        if not waiting:
            self._slot = slot
            if size >= SMALLEST_BLOCK:
                self._take(slot, _readings(block), _marks(block))
                return
        marks = _marks(block)
        self._waiting.append((
            _copied(_readings(block)), Marks(_copied(marks.lower), _copied(marks.upper), _copied(marks.read)), size
        ))
        if waiting + size >= SMALLEST_BLOCK:
            self._flush()

    def finish(self) -> Coarse:
        """Take what still waits; the coarse series."""
        self._flush()
        axis = self._axis
        return Coarse(axis.start_us, axis.interval_us * self._group, axis.interval_us, self._coarse)

    def _flush(self) -> None:
        waiting, self._waiting = self._waiting, []
        if waiting:
            self._take(self._slot, _joined([(values, size) for values, _, size in waiting], np.nan), Marks(
                _joined([(marks.lower, size) for _, marks, size in waiting], False),
                _joined([(marks.upper, size) for _, marks, size in waiting], False),
                _joined([({**values, **marks.read}, size) for values, marks, size in waiting], np.nan)
                if any(marks.read for _, marks, _ in waiting) else {},
            ))

    def _take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        mask: Array | None = None
        holes = _holes(np.empty(0, np.bool_), slot)
        with np.errstate(invalid="ignore"):
            for channel, statistics in self.channels.items():
                array = values.get(channel)
                if array is None or not array.size:
                    continue
                # Rows that are missing are missing in every channel: their runs are looked for, and kept, once.
                here = np.isnan(array)
                if mask is None or not np.array_equal(here, mask):
                    mask, holes = here, _holes(here, slot)
                statistics.take(slot, array, holes, marks.lower.get(channel), marks.upper.get(channel))
                if channel in self._coarse:
                    self._coarsen(slot, channel, array)
            for collected in self.collected.values():
                collected.take(slot, values, marks)

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


def _readings(block: Block) -> Mapping[Channel, Array]:
    """The values of a block without those that are only known to lie below a number: they are no reading at all."""
    if not block.upper_bounds:
        return block.values
    return {
        channel: values if channel not in block.upper_bounds else np.where(block.upper_bounds[channel], np.nan, values)
        for channel, values in block.values.items()
    }


def _marks(block: Block) -> Marks:
    return Marks(block.lower_bounds, block.upper_bounds,
                 {channel: block.values[channel] for channel in block.upper_bounds})


def _copied(arrays: Mapping[Channel, Array]) -> Mapping[Channel, Array]:
    return {channel: array.copy() for channel, array in arrays.items()}


def _holes(mask: Array, slot: int) -> Holes:
    starts, lengths = starts_and_lengths(mask)
    return Holes(int(lengths.sum()), starts, lengths, starts + slot)


def _coarse_group(interval_us: int, count: int) -> int:
    """Intervals per point of the coarse series."""
    if DAY % interval_us:
        return 1
    day = DAY // interval_us
    group = divisor(day, max(1, math.ceil(count / MOST_COARSE)))
    while count / group > MOST_COARSE and group < day:
        group = divisor(day, group + 1)
    return group


def _joined(parts: list[tuple[Mapping[Channel, Array], int]], missing: float | bool) -> dict[Channel, Array]:
    """Arrays of consecutive blocks by channel, filled up where a block lacks the channel."""
    dtypes = {channel: array.dtype for arrays, _ in parts for channel, array in arrays.items()}
    return {
        channel: np.concatenate([
            arrays[channel] if channel in arrays else np.full(size, missing, dtype) for arrays, size in parts
        ])
        for channel, dtype in dtypes.items()
    }
