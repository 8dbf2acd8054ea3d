"""Intervals without a value for any rule because the supply itself was away; runs of a mask as spans of time."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from pqcheck.judge.judged_series import slots_of
from pqcheck.model.recording import Block
from pqcheck.model.units import factor
from pqcheck.site.site_values import Site
from pqcheck.stats.runs import runs
from pqcheck.stats.supply_away import interrupted, side_known

Span = tuple[int, int]


class Interruptions:
    """Intervals without supply, which have no value for any rule (see `pqcheck.stats.supply_away`)."""

    def __init__(self, site: Site, percent: Decimal, closed: bool = False) -> None:
        self._site = site
        self._percent = percent
        self._closed = closed
        self.spans: list[Span] = []

    def mask(self, block: Block) -> NDArray[np.bool_] | None:
        """Mask of the block, None when nothing is interrupted; spans are remembered for other streams."""
        nominal = self._site.supply.nominal
        voltages = []
        for channel, values in block.values.items():
            volts = nominal(channel.phase or "") if (channel.quantity, channel.reading) == ("voltage", "mean") else None
            if volts is not None:
                below = float(volts * self._percent / 100 / factor(channel.unit, "V"))
                lower, upper = block.lower_bounds.get(channel), block.upper_bounds.get(channel)
                voltages.append((side_known(values, below, lower, upper, closed=self._closed), below))
        away = interrupted(voltages, closed=self._closed)
        if away is not None:
            add_spans(self.spans, away, block)
        return touched(self.spans, block)


def touched(spans: Sequence[Span], block: Block) -> NDArray[np.bool_] | None:
    """Mask of the intervals of a block that spans touch; None where they touch none."""
    axis = block.axis
    # Of a year of spans only those of this block are put in order.
    near = [span for span in spans if span[0] < axis.end_us and span[1] > axis.start_us]
    ranges = slots_of(near, axis.start_us, axis.interval_us, 0, axis.count)
    if not ranges:
        return None
    mask = np.zeros(axis.count, dtype=bool)
    for start, end in ranges:
        mask[start:end] = True
    return mask


def add_spans(spans: list[Span], mask: NDArray[np.bool_], block: Block) -> None:
    """Add the runs of a mask to a list of spans in time order, joining across block borders."""
    axis = block.axis
    for first, last in zip(*(edges.tolist() for edges in runs(mask)), strict=True):
        start, end = axis.start_us + first * axis.interval_us, axis.start_us + last * axis.interval_us
        if spans and spans[-1][1] == start:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
