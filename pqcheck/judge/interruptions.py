"""Intervals without a value for any rule because the supply itself was away; runs of a mask as spans of time."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from pqcheck.judge.judged_series import slots_of
from pqcheck.model.recording import Block
from pqcheck.model.units import factor
from pqcheck.site.site_values import Site
from pqcheck.stats.runs import runs

Span = tuple[int, int]


class Interruptions:
    """Intervals in which every recorded voltage lies below the threshold: they have no value for any rule."""

    def __init__(self, site: Site, percent: Decimal, closed: bool = False) -> None:
        self._site = site
        self._percent = percent
        self._below = np.less_equal if closed else np.less
        self.spans: list[Span] = []

    def mask(self, block: Block) -> NDArray[np.bool_] | None:
        """Mask of the block, None when nothing is interrupted; spans are remembered for other streams."""
        dead: NDArray[np.bool_] | None = None
        for channel, values in block.values.items():
            if channel.quantity != "voltage" or channel.reading != "mean":
                continue
            nominal = self._site.supply.nominal(channel.phase or "")
            if nominal is None:
                continue
            below = self._below(values, float(nominal * self._percent / 100 / factor(channel.unit, "V")))
            if not below.any():
                return self._from_spans(block)
            dead = below if dead is None else dead & below
        if dead is not None:
            add_spans(self.spans, dead, block)
        return self._from_spans(block)

    def _from_spans(self, block: Block) -> NDArray[np.bool_] | None:
        axis = block.axis
        # Of a year of interruptions only those of this block are put in order.
        near = [span for span in self.spans if span[0] < axis.end_us and span[1] > axis.start_us]
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
