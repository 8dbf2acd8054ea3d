"""What one time base of the recording shows, as the checks look at it; and its main quantities on one common grid."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.units import factor
from pqcheck.site.site_values import Site
from pqcheck.vet.channel_statistics import ChannelStatistics
from pqcheck.vet.kept_runs import Slots
from pqcheck.vet.outcome import Extent, Outcome

Array = NDArray[Any]
C = TypeVar("C")

PHASES = ("a", "b", "c")

CROSSING = ("voltage", "current", "active_power", "reactive_power", "apparent_power")
"""Quantities that the checks hold against each other."""


class Grid(Struct, frozen=True):
    """Coarse series in volts, amperes, watts; those of finer time bases averaged onto it. Keys: (quantity, phase)."""

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

    @property
    def crossing(self) -> bool:
        """Whether it holds voltages, currents or powers."""
        return any(quantity in CROSSING for quantity, _ in self.data)

    def get(self, quantity: str, phase: str | None) -> Array | None:
        """The series, or None when it was not recorded or never observed."""
        series = self.data.get((quantity, phase))
        return None if series is None or np.isnan(series).all() else series

    def recorded(self, quantity: str, phases: Iterable[str] = PHASES) -> dict[str, Array]:
        """The series of those phases that were recorded."""
        return {phase: series for phase in phases if (series := self.get(quantity, phase)) is not None}

    def stack(self, *wanted: tuple[str, str]) -> Array | None:
        """Series of (quantity, phase) as rows of one array; None when one of them was not recorded."""
        rows = [series for quantity, phase in wanted if (series := self.get(quantity, phase)) is not None]
        return np.stack(rows) if rows and len(rows) == len(wanted) else None

    def time(self, point: int) -> int:
        """Start of a point, UTC microseconds."""
        return self.start_us + point * self.step_us


class TimeBase(Struct, frozen=True):
    """One stream: statistics by channel, what the checks collected, its main quantities as coarse series.

    `groups` are the channels by the names of findings about single channels (see `grouped`). `coarse` are the means of
    the main quantities over `coarse_us` in the channel's own unit, NaN where nothing was observed. `doubts` is what the
    checks before found, for the danger signs: refused and open outcomes of all time bases.
    """

    number: int
    stream: Stream
    site: Site
    zone: str
    channels: Mapping[Channel, ChannelStatistics]
    groups: Mapping[str, list[ChannelStatistics]]
    coarse_us: int
    coarse: Mapping[Channel, Array]
    collected: Mapping[type, Any]
    grid: Grid
    doubts: tuple[Outcome, ...] = ()

    def of(self, kind: type[C]) -> C:
        """What one check collected."""
        kept: C = self.collected[kind]
        return kept

    @property
    def interval_us(self) -> int:
        """Length of an interval."""
        return self.stream.axis.interval_us

    def spans(self, starts: Slots, lengths: Slots, worst: float | None = None) -> tuple[Extent, ...]:
        """Runs of slots as spans; the worst value of each is its length where none is given."""
        origin, step = self.stream.axis.start_us, self.interval_us
        return tuple(
            Extent(origin + first * step, origin + (first + size) * step, size,
                   float(size) if worst is None else worst, origin + first * step)
            for first, size in zip(starts.tolist(), lengths.tolist(), strict=True)
        )


def grouped(channels: Mapping[Channel, ChannelStatistics]) -> dict[str, list[ChannelStatistics]]:
    """What the checks of single channels name: rms quantities one by one, orders by quantity, phase and reading."""
    groups: dict[str, list[ChannelStatistics]] = {}
    for channel, statistics in channels.items():
        name = channel.name
        if QUANTITIES[channel.quantity].suffix:
            name = ".".join(part for part in (channel.quantity, channel.phase, channel.reading) if part)
        groups.setdefault(name, []).append(statistics)
    return groups


def canonical_factor(quantity: str, unit: str) -> float:
    """What a number in `unit` is multiplied with to be in the quantity's own unit."""
    own = QUANTITIES[quantity].unit
    return 1.0 if unit in ("", own) else float(factor(unit, own))


class Coarse(Struct, frozen=True):
    """The coarse series of one stream before they are on a grid."""

    start_us: int
    coarse_us: int
    interval_us: int
    series: Mapping[Channel, Array]

    def canonical(self) -> dict[tuple[str, str | None], Array]:
        """By quantity and phase, in the quantity's own unit."""
        data: dict[tuple[str, str | None], Array] = {}
        for channel, series in self.series.items():
            scale = canonical_factor(channel.quantity, channel.unit)
            data[channel.quantity, channel.phase] = series if scale == 1.0 else series * scale
        return data


def grids(streams: Sequence[Coarse]) -> list[Grid]:
    """One grid per stream; where it lacks a crossing quantity, that of a finer stream is averaged onto it."""
    kept = []
    for own in streams:
        grid = Grid(own.start_us, own.coarse_us, own.interval_us, own.canonical())
        if grid.crossing:
            for other in streams:
                if other is not own and other.coarse_us <= own.coarse_us:
                    _fill(grid, other)
        kept.append(grid)
    return kept


def _fill(grid: Grid, other: Coarse) -> None:
    offset = other.start_us - grid.start_us
    if grid.step_us % other.coarse_us or offset % other.coarse_us:
        return
    group = grid.step_us // other.coarse_us
    size = grid.size
    for key, series in other.canonical().items():
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
