"""Largest means over clock blocks and sliding windows of a series that comes in blocks of days."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.values import Peak
from pqcheck.recording import Axis

Array = NDArray[np.float64]


class WindowMaximum:
    """Fed a series in time order, it keeps the largest block mean, the largest sliding mean and, if asked, every block.

    `rms` takes the root of the mean square, as for currents. A window that holds a missing value has no mean.
    """

    def __init__(self, axis: Axis, window_us: int, *, rms: bool, keep: bool = False) -> None:
        if window_us % axis.interval_us:
            raise ValueError("a window must hold whole intervals")
        self._axis = axis
        self.window_us = window_us
        self._size = window_us // axis.interval_us
        self._rms = rms
        # Demand intervals lie on whole multiples in UTC; an axis off that grid has its blocks from its own start.
        lead = -axis.start_us % window_us
        self._first = lead // axis.interval_us if lead % axis.interval_us == 0 else 0
        self._tail: Array = np.empty(0)
        self._fed = 0
        self._sliding: tuple[float, int] | None = None
        self._block: tuple[float, int] | None = None
        self._keep = keep
        self._parts: list[Array] = []
        self._earliest: float | None = None

    def feed(self, values: NDArray[Any]) -> None:
        """The next values of the series; NaN is missing."""
        new = np.square(values, dtype=np.float64) if self._rms else np.asarray(values, dtype=np.float64)
        series = np.concatenate([self._tail, new]) if len(self._tail) else new
        start = self._fed - len(self._tail)
        self._fed += len(new)
        size = self._size
        if len(series) >= size:
            means = _window_means(series, size)
            self._sliding = _larger(self._sliding, means, start, 1)
            offset = (self._first - start) % size
            blocks = means[offset::size]
            self._block = _larger(self._block, blocks, start + offset, size)
            if self._earliest is None and len(blocks) and not np.isnan(blocks).all():
                self._earliest = float(blocks[~np.isnan(blocks)][0])
            if self._keep:
                self._parts.append(blocks.copy())
        self._tail = series[max(len(series) - size + 1, 0) :].copy()

    def _peak(self, found: tuple[float, int] | None) -> Peak | None:
        if found is None:
            return None
        value, index = found
        start = self._axis.start_us + index * self._axis.interval_us
        return Peak(self._shown(value), start, start + self.window_us)

    def _shown(self, value: float) -> float:
        return float(np.sqrt(value)) if self._rms else value

    @property
    def block(self) -> Peak | None:
        """The largest mean of a clock block."""
        return self._peak(self._block)

    @property
    def sliding(self) -> Peak | None:
        """The largest mean of any window of recorded intervals."""
        return self._peak(self._sliding)

    @property
    def earliest(self) -> float | None:
        """The mean of the first block that has one."""
        return None if self._earliest is None else self._shown(self._earliest)

    @property
    def blocks(self) -> Array:
        """Every block mean, NaN where one is missing; empty unless kept."""
        joined = np.concatenate(self._parts) if self._parts else np.empty(0)
        return np.asarray(np.sqrt(joined) if self._rms else joined)

    @property
    def first_block_us(self) -> int:
        """Start of the first block."""
        return self._axis.start_us + self._first * self._axis.interval_us


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


def _larger(best: tuple[float, int] | None, means: Array, start: int, step: int) -> tuple[float, int] | None:
    if not len(means) or np.isnan(means).all():
        return best
    at = int(np.nanargmax(means))
    value = float(means[at])
    return (value, start + at * step) if best is None or value > best[0] else best
