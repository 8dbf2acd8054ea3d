"""Largest means over clock blocks and sliding windows of a series that comes in blocks of days."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.loads.channels import Array
from pqcheck.loads.study_values import Peak
from pqcheck.model.recording import Axis


class WindowMaximum:
    """Fed a series in time order, it keeps the largest block mean, the largest sliding mean and, if asked, every block.

    `rms` takes the root of the mean square, as for currents. A window that holds a missing value has no mean.
    """

    def __init__(self, axis: Axis, window_us: int, *, rms: bool, keep: bool = False) -> None:
        if window_us % axis.interval_us:
            raise ValueError("a window must hold whole intervals")
        self._axis, self.window_us, self._rms, self._keep = axis, window_us, rms, keep
        self._size = window_us // axis.interval_us
        # Demand intervals lie on whole multiples in UTC; an axis off that grid has its blocks from its own start.
        lead = -axis.start_us % window_us
        self._first = lead // axis.interval_us if lead % axis.interval_us == 0 else 0
        self.first_block_us = axis.start_us + self._first * axis.interval_us
        self._tail: Array = np.empty(0)
        self._fed = 0
        self._parts: list[Array] = []
        # Means of the squares where `rms`; the root is taken when they are asked for.
        self._block: Peak | None = None
        self._sliding: Peak | None = None

    def feed(self, values: NDArray[Any]) -> None:
        """The next values of the series; NaN is missing."""
        new = np.square(values, dtype=np.float64) if self._rms else np.asarray(values, dtype=np.float64)
        series = np.concatenate([self._tail, new]) if len(self._tail) else new
        start = self._fed - len(self._tail)
        self._fed += len(new)
        size = self._size
        if len(series) >= size:
            means = _window_means(series, size)
            self._sliding = self._larger(self._sliding, means, start, 1)
            offset = (self._first - start) % size
            blocks = means[offset::size]
            self._block = self._larger(self._block, blocks, start + offset, size)
            if self._keep:
                self._parts.append(blocks.copy())
        self._tail = series[max(len(series) - size + 1, 0) :].copy()

    def _larger(self, best: Peak | None, means: Array, start: int, step: int) -> Peak | None:
        """The larger of the best so far and of these means, the first of which begins at interval `start`."""
        if np.isnan(means).all():
            return best
        at = int(np.nanargmax(means))
        value = float(means[at])
        if best is not None and value <= best.value:
            return best
        start_us = self._axis.start_us + (start + at * step) * self._axis.interval_us
        return Peak(value, start_us, start_us + self.window_us)

    def _shown(self, peak: Peak | None) -> Peak | None:
        return replace(peak, value=float(np.sqrt(peak.value))) if peak is not None and self._rms else peak

    @property
    def block(self) -> Peak | None:
        """The largest mean of a clock block."""
        return self._shown(self._block)

    @property
    def sliding(self) -> Peak | None:
        """The largest mean of any window of recorded intervals."""
        return self._shown(self._sliding)

    @property
    def blocks(self) -> Array:
        """Every block mean, NaN where one is missing; empty unless kept."""
        joined = np.concatenate(self._parts) if self._parts else np.empty(0)
        return np.sqrt(joined) if self._rms else joined


def _window_means(series: Array, size: int) -> Array:
    if size == 1:
        return series
    missing = np.isnan(series)
    sums = np.concatenate([[0.0], np.cumsum(np.where(missing, 0.0, series))])
    means = np.asarray((sums[size:] - sums[:-size]) / size)
    if missing.any():
        holes = np.concatenate([[0], np.cumsum(missing)])
        means[holes[size:] > holes[:-size]] = np.nan
    return means
