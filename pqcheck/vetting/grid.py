"""The coarse series of voltages, currents and powers on one common grid, in volts, amperes, watts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.quantities import QUANTITIES
from pqcheck.units import factor
from pqcheck.vetting.gather import Gathered

Array = NDArray[Any]

CROSSING = ("voltage", "current", "active_power", "reactive_power", "apparent_power")
"""Quantities that the checks hold against each other."""


class Grid(Struct, frozen=True):
    """Series of one stream, with those of finer streams averaged onto it. Keys are (quantity, phase)."""

    number: int
    start_us: int
    step_us: int
    interval_us: int
    data: dict[tuple[str, str | None], Array] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Points of the grid."""
        return max((series.size for series in self.data.values()), default=0)

    @property
    def end_us(self) -> int:
        """End of the last point (half-open)."""
        return self.start_us + self.size * self.step_us

    def get(self, quantity: str, phase: str | None) -> Array | None:
        """The series, or None when it was not recorded or never observed."""
        series = self.data.get((quantity, phase))
        return None if series is None or np.isnan(series).all() else series

    def time(self, point: int) -> int:
        """Start of a point, UTC microseconds."""
        return self.start_us + point * self.step_us


def canonical_factor(quantity: str, unit: str) -> float:
    """What a number in `unit` is multiplied with to be in the quantity's own unit."""
    own = QUANTITIES[quantity].unit
    return 1.0 if unit in ("", own) else float(factor(unit, own))


def grids(gathered: Sequence[Gathered]) -> list[Grid]:
    """One grid per stream that holds voltages, currents or powers."""
    found = []
    for own in gathered:
        data = _series(own)
        if not any(quantity in CROSSING for quantity, _ in data):
            continue
        grid = Grid(own.number, own.stream.axis.start_us, own.coarse_us, own.stream.axis.interval_us, data)
        for other in gathered:
            if other.number != own.number and other.coarse_us <= own.coarse_us:
                _fill(grid, other)
        found.append(grid)
    return found


def _series(gathered: Gathered) -> dict[tuple[str, str | None], Array]:
    data: dict[tuple[str, str | None], Array] = {}
    for channel, series in gathered.series.items():
        scale = canonical_factor(channel.quantity, channel.unit)
        data[(channel.quantity, channel.phase)] = series if scale == 1.0 else series * scale
    return data


def _fill(grid: Grid, other: Gathered) -> None:
    """Average another stream's series onto the grid where the grid lacks the quantity and the steps fit."""
    if grid.step_us % other.coarse_us:
        return
    start = other.stream.axis.start_us
    offset = start - grid.start_us
    if offset % other.coarse_us:
        return
    group = grid.step_us // other.coarse_us
    size = grid.size
    for key, series in _series(other).items():
        if key in grid.data or key[0] not in CROSSING:
            continue
        place = (np.arange(series.size, dtype=np.int64) + offset // other.coarse_us) // group
        good = np.isfinite(series) & (place >= 0) & (place < size)
        if not good.any():
            continue
        total = np.bincount(place[good], weights=series[good], minlength=size)
        known = np.bincount(place[good], minlength=size)
        # Half of the members must be there, or the mean belongs to another moment than its partners.
        grid.data[key] = np.where(2 * known > group, total / np.maximum(known, 1), np.nan)
