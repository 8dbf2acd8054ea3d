"""What is kept of one channel while the data pass by: counts and runs, never the values.

Main quantities (rms voltages, currents, powers and the like) are looked at value by value, the many others at every
`stride`-th value, about one every ten minutes. What a single check counts stands in the module of that check.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol, TypeVar

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.recording import DAY, Axis, Channel
from pqcheck.vet.kept_runs import KeptRuns, Mask, Slots

Array = NDArray[Any]

MAIN = (
    "voltage", "current", "frequency", "active_power", "reactive_power", "apparent_power", "power_factor",
    "displacement_power_factor", "active_energy_import", "active_energy_export", "reactive_energy",
    "negative_sequence_unbalance",
)
"""Quantities looked at value by value."""

SAMPLES_PER_DAY = 144
STEPS_FOR_RESOLUTION = 4096


class Holes(Struct, frozen=True):
    """Slots of a block without a value: how many, and their runs, counted from the block and from the stream (`slots`).

    Channels that miss the same rows share the arrays, also where they keep them.
    """

    count: int
    starts: Slots
    lengths: Slots
    slots: Slots


class ChannelBlock(Struct, frozen=True):
    """One channel over one block of its stream.

    `values` are all of them, `samples` those looked at. `chain` are the samples with the last one of the block before
    in front, `first` its number counted from the start of the stream; `steps` lead from one to the next.
    """

    slot: int
    values: Array
    samples: Array
    chain: Array
    first: int
    steps: Array


class OfChannel(Protocol):
    """What a check counts of a channel."""

    def __init__(self, of: ChannelStatistics) -> None: ...

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""


C = TypeVar("C", bound=OfChannel)


class ChannelStatistics:
    """One channel: `expected` slots seen so far, `missing` of them without a value, `gaps` their runs,
    `over_range` and `under_range` those of readings that are only lower and only upper bounds; the latter, `bounded` of
    them, are missing.

    `resolution` is the smallest step between neighbours; `lowest` is known of main quantities only. `before_gaps` holds
    the first slot of each hole and the lowest of the last three values before it (voltages only).
    """

    def __init__(self, channel: Channel, axis: Axis, kinds: Iterable[type[OfChannel]]) -> None:
        self.channel = channel
        self.slots, self.interval_us = axis.count, axis.interval_us
        self.every_value = channel.quantity in MAIN
        self.day_slots = DAY // axis.interval_us if DAY % axis.interval_us == 0 else 0
        self.hour_slots = max(1, DAY // 24 // axis.interval_us)
        self.stride = stride_of(self.day_slots) if self.day_slots and not self.every_value else 1
        self.expected = self.missing = self.bounded = 0
        self.lowest, self.highest, self.resolution = float("inf"), float("-inf"), float("inf")
        self.gaps, self.over_range, self.under_range = KeptRuns(), KeptRuns(), KeptRuns()
        self.before_gaps: list[tuple[int, float]] = []
        self._level_sum, self._level_count = 0.0, 0
        self._last: Array | None = None
        self._counted = {kind: kind(self) for kind in kinds}

    def of(self, kind: type[C]) -> C:
        """What one check counted."""
        return self._counted[kind]  # type: ignore[return-value]

    @property
    def valid(self) -> int:
        """Slots with a value."""
        return self.expected - self.missing

    @property
    def steps(self) -> float:
        """Distance between the lowest and the highest reading in steps of the instrument: two values are one step.

        Not above 0 where the channel never moved or is not looked at value by value.
        """
        moved = np.isfinite(self.resolution) and self.resolution > 0
        return (self.highest - self.lowest) / self.resolution if moved else 0.0

    @property
    def level(self) -> float:
        """Mean of some absolute values, NaN when there is none."""
        return self._level_sum / self._level_count if self._level_count else float("nan")

    def take(
        self, slot: int, values: Array, holes: Holes, over_range: Mask | None, under_range: Mask | None
    ) -> None:
        """Look at one block that begins at `slot`."""
        self.expected += values.size
        if holes.count:
            self.missing += holes.count
            self.gaps.add(holes.slots, holes.lengths)
            if self.channel.quantity == "voltage":
                self._before_gaps(slot, values, holes)
        if over_range is not None:
            self.over_range.add_mask(over_range, slot)
        if under_range is not None:
            self.under_range.add_mask(under_range, slot)
            self.bounded += int(np.count_nonzero(under_range))
        if self.every_value and holes.count == values.size:
            self._last = None
            return
        samples = values if self.every_value else np.asarray(values[:: self.stride], np.float64)
        self._levels(values, samples)
        carried = self._last is not None and slot > 0
        chain = np.concatenate((self._last, samples)) if carried and self._last is not None else samples
        self._last = samples[-1:].copy()
        steps = chain[1:] - chain[:-1]
        sizes = np.abs(steps[:STEPS_FOR_RESOLUTION] if self.every_value else steps)
        moved = sizes[sizes > 0]
        if moved.size:
            self.resolution = min(self.resolution, float(moved.min()))
        part = ChannelBlock(slot, values, samples, chain, slot // self.stride - int(carried), steps)
        for counted in self._counted.values():
            counted.take(part)

    def _levels(self, values: Array, samples: Array) -> None:
        top = float(np.fmax.reduce(samples))
        if self.every_value:
            self.lowest = min(self.lowest, float(np.fmin.reduce(samples)))
        elif not top > 0 and not self.highest > 0:
            # An order that is zero is only zero if no single value says otherwise.
            top = float(np.fmax.reduce(values))
        self.highest = max(self.highest, top)
        few = np.abs(samples[:: max(1, samples.size // 64)])
        few = few[~np.isnan(few)]
        self._level_sum += float(few.sum())
        self._level_count += int(few.size)

    def _before_gaps(self, slot: int, values: Array, holes: Holes) -> None:
        for start in holes.starts[:200].tolist():
            before = values[max(0, start - 3) : start]
            last = float(before.min()) if before.size else float("nan")
            if not before.size and self._last is not None and slot > 0:
                last = float(self._last[-1])
            self.before_gaps.append((slot + start, last))


def stride_of(day_slots: int) -> int:
    """Every how many slots a channel is looked at that is not looked at value by value."""
    return divisor(day_slots, max(1, day_slots // SAMPLES_PER_DAY))


def divisor(whole: int, at_least: int) -> int:
    """The smallest divisor of `whole` that is at least `at_least`."""
    return next((number for number in range(at_least, whole + 1) if whole % number == 0), whole)
