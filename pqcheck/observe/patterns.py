"""Patterns in time: the same hours every day, working days against weekends, a hump at midday."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.observation import Grade, Observation
from pqcheck.observe.steps import Array, by_day_and_hour, clean_voltage, spread
from pqcheck.site.site_values import Site

LEAST_DAYS = 4
CLEAR = 0.5
"""Share of the hourly variance that the hour of the day must explain."""
LEAST_SWING = 0.01
NOON = (11, 15)
_DAYS_WITH_HUMP = 0.8


def patterns(gathered: Gathered, site: Site) -> list[Observation]:
    """Time of day, weekday and midday of the voltage."""
    tracks = gathered.tracks("voltage", (*LINE_TO_NEUTRAL, *LINE_TO_LINE))
    if not tracks:
        return []
    # Of several phases the one that follows the clock most: a fault on one of them hides no rhythm of the others.
    grids = [by_day_and_hour(track.times_us, clean_voltage(track), gathered.zone) for track in tracks]
    place = max(range(len(tracks)), key=lambda place: explained_by_hour(grids[place][0]))
    track, (grid, first) = tracks[place], grids[place]
    weekdays = (np.arange(grid.shape[1]) + first.weekday()) % 7
    if np.count_nonzero((~np.isnan(grid)).sum(axis=0) >= 20) < LEAST_DAYS:
        return []
    if spread(grid[~np.isnan(grid)]) < LEAST_SWING * float(np.nanmedian(grid)):
        return []
    kind = "lines" if track.channel.phase in LINE_TO_LINE else "neutral"
    figure = f"fig-pattern-{kind}"
    observations = [*_time_of_day(grid, figure, track), *_weekdays(grid, weekdays, figure, track)]
    return [*observations, *_midday(grid, gathered, figure, track)]


def explained_by_hour(grid: Array) -> float:
    """Share of the variance of the hourly means that the hour of the day explains."""
    good = ~np.isnan(grid)
    if not good.any():
        return 0.0
    mean = float(grid[good].mean())
    total = float(((grid[good] - mean) ** 2).sum())
    hours = [row[~np.isnan(row)] for row in grid]
    between = sum(len(row) * (float(row.mean()) - mean) ** 2 for row in hours if len(row))
    return between / total if total > 0 else 0.0


def _time_of_day(grid: Array, figure: str, track: Track) -> list[Observation]:
    share = explained_by_hour(grid)
    if share < CLEAR:
        return []
    held = (~np.isnan(grid)).sum(axis=1)
    profile = np.full(len(grid), np.nan)
    np.divide(np.nansum(grid, axis=1), held, out=profile, where=held > 0)
    low, high = int(np.nanargmin(profile)), int(np.nanargmax(profile))
    phase = track.channel.phase
    return [
        Observation(
            "time-of-day", "The voltage follows the clock", "shown",
            f"The voltage ({phase}) repeats its day: on average lowest from {low:02d}:00 to {low + 1:02d}:00 "
            f"({profile[low]:.4g} V) and highest from {high:02d}:00 to {high + 1:02d}:00 ({profile[high]:.4g} V).",
            (f"The hour of the day explains {100 * share:.0f} % of the changes of the hourly means.",),
            ("A rhythm says when, not why: load, controlled loads, regulators and generation all follow the clock.",),
            figure, {"share": share, "low_hour": float(low), "high_hour": float(high)}, (),
            "the voltage follows the clock",
        )
    ]  # fmt: skip


def _weekdays(grid: Array, weekdays: NDArray[np.int64], figure: str, track: Track) -> list[Observation]:
    days = np.full(grid.shape[1], np.nan)
    whole = (~np.isnan(grid)).sum(axis=0) >= 20
    days[whole] = np.nanmean(grid[:, whole], axis=0)
    work, free = days[(weekdays < 5) & whole], days[(weekdays >= 5) & whole]
    if len(work) < 3 or len(free) < 2:
        return []
    gap = float(free.mean() - work.mean())
    scatter = max(float(work.std()), float(free.std()))
    if abs(gap) < LEAST_SWING / 2 * float(np.nanmedian(grid)) or abs(gap) < 2 * scatter:
        return []
    return [
        Observation(
            "weekday", "Working days differ from the weekend", "shown",
            f"The daily mean voltage is {abs(gap):.2g} V {'higher' if gap > 0 else 'lower'} on Saturdays and Sundays "
            f"({free.mean():.4g} V) than on working days ({work.mean():.4g} V).",
            (f"{len(work)} working days and {len(free)} weekend days; days of one kind scatter by {scatter:.2g} V.",),
            ("Few days were recorded, and the own plant and the neighbourhood both rest at weekends.",),
            figure, {"gap_V": gap}, (), "the voltage at weekends is not that of working days",
        )
    ]  # fmt: skip


def _midday(grid: Array, gathered: Gathered, figure: str, track: Track) -> list[Observation]:
    whole = (~np.isnan(grid)).sum(axis=0) == 24
    if np.count_nonzero(whole) < LEAST_DAYS:
        return []
    days = grid[:, whole]
    peaks = days.argmax(axis=0)
    humps = float(np.mean((peaks >= NOON[0]) & (peaks < NOON[1])))
    sides = np.median(np.vstack([days[6:9], days[17:20]]), axis=0)
    rise = float(np.median(days[NOON[0] : NOON[1]].mean(axis=0) - sides))
    if humps < _DAYS_WITH_HUMP or rise < LEAST_SWING * float(np.median(days)):
        return []
    power = next(iter(gathered.tracks("active_power", ("total", *"abc"))), None)
    exported = power is not None and bool(np.nanmin(power.mean) < -0.02 * np.nanmax(np.abs(power.mean)))
    grade: Grade = "likely" if exported else "possible"
    words = (
        "Power flows out of the site at times, so the site's own generation takes part."
        if exported
        else "No power flows out of this site, so generation nearby would be the source."
        if power is not None
        else "Power was not recorded, so own generation cannot be told from a neighbour's."
    )
    return [
        Observation(
            "midday", "The voltage is highest at midday", grade,
            f"On {100 * humps:.0f} % of the whole days the highest hour lies between {NOON[0]}:00 and "
            f"{NOON[1]}:00, about "
            f"{rise:.2g} V above morning and evening, as solar generation in the network makes it. {words}",
            (f"{days.shape[1]} whole days.",),
            ("A network with little load at midday looks alike; cloudy days would tell the two apart.",),
            figure, {"share_of_days": humps, "rise_V": rise, "phase_exports": float(exported)}, (),
            "the voltage is highest at midday, as solar generation makes it",
        )
    ]  # fmt: skip
