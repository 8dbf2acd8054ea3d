"""Stretches in which a channel that moves by nature holds one single value, zero included."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from msgspec import Struct

from pqcheck.model.recording import DAY
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics

MOVES_BY_NATURE = ("voltage", "voltage_thd", "flicker_pst", "flicker_plt")
"""Quantities of a supply that never stand still for a day."""
_NOTHING = np.empty(0, np.int64)
FEWEST_READINGS = 60
SHORTEST_WHOLE_US = DAY // 24
"""A channel shorter than a day that never moves at all is looked at from here."""


class Stretch(Struct, frozen=True):
    """Slots from `first` up to and without `end` in which all `readings` are `value`; blanks in between say nothing."""

    first: int
    end: int
    readings: int
    value: float


class SingleValues:
    """Stretches of one value in a mean that lasted a day or longer, or all of a shorter recording."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._active = of.channel.quantity in MOVES_BY_NATURE and of.channel.reading == "mean"
        self._interval_us = of.interval_us
        self._last: Stretch | None = None
        self._long: list[Stretch] = []
        self._moved = self.narrow = False

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        slots = np.flatnonzero(~np.isnan(part.values)) if self._active else _NOTHING
        if not slots.size:
            return
        values = part.values[slots]
        self.narrow = values.dtype == np.float32
        starts = np.append(0, np.flatnonzero(values[1:] != values[:-1]) + 1)
        ends = np.append(starts[1:], values.size)
        keep = (slots[ends - 1] + 1 - slots[starts]) * self._interval_us >= DAY
        keep[[0, -1]] = True
        self._moved |= starts.size > 1
        for start, end in zip(starts[keep].tolist(), ends[keep].tolist(), strict=True):
            stretch = Stretch(part.slot + int(slots[start]), part.slot + int(slots[end - 1]) + 1, end - start,
                              float(values[start]))
            before = self._last
            if before is not None and start == 0 and before.value == stretch.value:
                stretch = Stretch(before.first, stretch.end, before.readings + stretch.readings, stretch.value)
            elif before is not None:
                self._moved = True
                self._long += [before] if self._lasting(before) else []
            self._last = stretch

    def _lasting(self, stretch: Stretch) -> bool:
        slots = stretch.end - stretch.first
        dense = stretch.readings >= FEWEST_READINGS or 2 * stretch.readings > slots
        return dense and slots * self._interval_us >= DAY

    @property
    def stretches(self) -> list[Stretch]:
        """Those of a day and longer; the whole channel if it never moved at all."""
        last = self._last
        if last is None:
            return []
        length = (last.end - last.first) * self._interval_us
        whole = not self._moved and last.readings >= FEWEST_READINGS and length >= SHORTEST_WHOLE_US
        return [*self._long, last] if whole or self._lasting(last) else self._long


def written_step(value: float, *, narrow: bool) -> float:
    """The last decimal that a value is written with, as far as its shortest form shows it: 230.0 V may be whole volts.

    `narrow` for a value stored in single precision.
    """
    exponent = Decimal(str(np.float32(value) if narrow else np.float64(value))).normalize().as_tuple().exponent
    return float(10.0 ** min(int(exponent), 0))
