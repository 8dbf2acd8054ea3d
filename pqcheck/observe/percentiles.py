"""How the recorded values of each channel are distributed: a description, which judges nothing."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Channel
from pqcheck.observe.gather import Gathered, Track
from pqcheck.stats.percentile import rank

PERCENTS = (1, 5, 50, 95, 99)
"""The percentiles that people ask for, beside the extremes."""


class Distribution(Struct, frozen=True):
    """The readings of one channel outside declared exclusions, in `unit`.

    `at` are the percentiles of `PERCENTS`: the reading of rank ceil(p n) from below, nothing interpolated. They are of
    values over `step_us`: as recorded where that is `interval_us`, else of means over several intervals; `low` and
    `high` are of single readings all the same.
    """

    channel: Channel
    unit: str
    interval_us: int
    step_us: int
    count: int
    low: float
    at: tuple[float, ...]
    high: float


def distributions(
    gathered: Gathered, excluded: Iterable[tuple[int, int]] = (), *, orders: bool = True
) -> list[Distribution]:
    """One for each channel that holds any reading, in the order of the quantities, phases and orders.

    Without `orders`, single orders above the first and single frequencies are left out.
    """
    spans = list(excluded)
    tracks = [track for track in gathered.detail.values() if orders or not is_single(track.channel)]
    kept = [each for track in tracks if (each := _of(track, spans)) is not None]
    names = list(QUANTITIES)
    return sorted(kept, key=lambda each: (
        names.index(each.channel.quantity), each.channel.order or 0, _place(each.channel),
        ("mean", "min", "max").index(each.channel.reading), each.interval_us,
    ))


def is_single(channel: Channel) -> bool:
    """Whether a channel is one order above the first, or one frequency."""
    return (channel.order or 1) > 1 or channel.hertz is not None


def values_of(track: Track, excluded: Iterable[tuple[int, int]]) -> NDArray[np.float32]:
    """The points of a track that lie outside the exclusions and hold a value, from low to high."""
    return np.sort(track.mean[_counted(track, excluded)])


def _counted(track: Track, excluded: Iterable[tuple[int, int]]) -> NDArray[np.bool_]:
    counted = ~np.isnan(track.mean)
    for start, end in excluded:
        counted[track.between(start, end)] = False
    return counted


def _of(track: Track, excluded: list[tuple[int, int]]) -> Distribution | None:
    counted = _counted(track, excluded)
    values = track.mean[counted]
    if not values.size:
        return None
    places = [rank(values.size, Decimal(percent)) - 1 for percent in PERCENTS]
    at = tuple(map(_number, np.partition(values, sorted(set(places)))[places]))
    return Distribution(
        track.channel, track.unit, track.interval_us, track.step_us, int(track.valid[counted].sum()),
        _number(np.nanmin(track.low[counted])), at, _number(np.nanmax(track.high[counted])),
    )  # fmt: skip


def _number(value: np.float32) -> float:
    """The shortest decimal that reads back to a value kept in single precision."""
    return float(str(np.float32(value)))


def _place(channel: Channel) -> int:
    phases = QUANTITIES[channel.quantity].phases
    return phases.index(channel.phase) if channel.phase in phases else -1
