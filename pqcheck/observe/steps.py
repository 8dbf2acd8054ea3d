"""Small questions that several observations ask of thinned tracks: levels, steps, correlation."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.model.clock import DAY, HOUR, local_clock
from pqcheck.observe.gather import Gathered, Track
from pqcheck.stats.runs import runs

Array = NDArray[np.float64]


def values(track: Track) -> Array:
    """The means as float64."""
    return track.mean.astype(np.float64)


def alike(first: Track | None, second: Track | None) -> bool:
    """Whether two tracks have the same points."""
    return (
        first is not None and second is not None and first.step_us == second.step_us
        and first.start_us == second.start_us and len(first.mean) == len(second.mean)
    )  # fmt: skip


def spread(level: Array, low: float = 1.0, high: float = 99.0) -> float:
    """Distance between two percentiles; 0 without values."""
    good = level[~np.isnan(level)]
    return float(np.percentile(good, high) - np.percentile(good, low)) if len(good) else 0.0


def correlation(x: Array, y: Array) -> float:
    """Pearson's r of the pairs that exist; 0 where one side does not vary."""
    good = ~(np.isnan(x) | np.isnan(y))
    x, y = x[good], y[good]
    if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return 0.0
    return float(np.corrcoef(x, y)[0, 1])


def level_changes(level: Array, width: int = 3) -> Array:
    """Level after minus level before each point: medians of `width` points on either side; NaN near gaps and ends."""
    changes = np.full(len(level), np.nan)
    if len(level) < 2 * width:
        return changes
    medians = np.median(np.lib.stride_tricks.sliding_window_view(level, width), axis=1)
    changes[width : len(level) - width + 1] = medians[width:] - medians[: len(medians) - width]
    return changes


def level_steps(level: Array, least: float, width: int = 3) -> NDArray[np.intp]:
    """Positions i where the level changes between i-1 and i by at least `least` and stays for `width` points.

    The jump itself must carry most of the change.
    """
    change = np.abs(level_changes(level, width))
    jump = np.zeros(len(level))
    jump[1:] = np.abs(np.diff(level))
    with np.errstate(invalid="ignore"):
        return np.flatnonzero((change >= least) & (jump >= 0.6 * change))


def change_at(level: Array, place: int, width: int = 3) -> float:
    """Level after minus level before."""
    before, after = level[max(place - width, 0) : place], level[place : place + width]
    if not len(before) or not len(after) or np.isnan(before).all() or np.isnan(after).all():
        return float("nan")
    return float(np.nanmedian(after) - np.nanmedian(before))


def total_current(gathered: Gathered) -> Track | None:
    """The mean of the phase currents as one track, where they share their points."""
    tracks = gathered.tracks("current", "abc")
    if not tracks or not all(alike(tracks[0], track) for track in tracks):
        return None
    stacked = np.stack([track.mean for track in tracks])
    mean = stacked.mean(axis=0)
    return replace(tracks[0], low=mean, mean=mean, high=mean)


def clean_voltage(track: Track) -> Array:
    """Voltages without interruptions: below a third of the middle one nothing says how stiff a supply is."""
    volts = values(track)
    middle = float(np.nanmedian(volts)) if not np.isnan(volts).all() else 0.0
    volts[volts < middle / 3] = np.nan
    return volts


def spans_of(mask: NDArray[Any], start_us: int, step_us: int) -> list[tuple[int, int]]:
    """Runs of a mask over points of `step_us` from `start_us` as half-open spans."""
    first, end = runs(mask)
    return [(start_us + a * step_us, start_us + b * step_us) for a, b in zip(first.tolist(), end.tolist(), strict=True)]


def by_day_and_hour(times_us: NDArray[np.int64], values: NDArray[Any], zone: str) -> tuple[Array, date]:
    """Mean of each local hour of each local day as (24, days), NaN where nothing was recorded, and the first day."""
    local = local_clock(times_us, zone)
    day, hour = local // DAY, local % DAY // HOUR
    first = int(day.min())
    days = int(day.max()) - first + 1
    place = (hour * days + (day - first)).astype(np.int64)
    good = ~np.isnan(values)
    total = np.bincount(place[good], weights=values[good].astype(float), minlength=24 * days)
    count = np.bincount(place[good], minlength=24 * days)
    grid = np.full(24 * days, np.nan)
    np.divide(total, count, out=grid, where=count > 0)
    return grid.reshape(24, days), date(1970, 1, 1) + timedelta(days=first)
