"""When a new load runs: hours and weekdays in local time, or a profile from a file, as shares of its size."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.loads.channels import Array
from pqcheck.loads.csv_rows import csv_rows
from pqcheck.loads.profile import weekday_and_minute
from pqcheck.model.clock import from_local, parse_iso
from pqcheck.model.errors import SiteError

DAY_MINUTES = 1440
MOST_SHARE = 1.0005
"""A share of 100 %, rounded."""
_TIME = re.compile(r"(\d{1,2}):(\d\d)")


class Schedule(Struct, frozen=True):
    """Spans of minutes of the local day (an end beyond 1440 runs into the next day) and weekdays, Monday = 0."""

    hours: tuple[tuple[int, int], ...]
    weekdays: tuple[int, ...]

    def share(self, starts_us: NDArray[np.int64], interval_us: int, zone: str, *, largest: bool = True) -> Array:
        """1 where the load runs, 0 where not; an interval that the schedule touches counts as running.

        Without `largest` the share of the interval in which it runs.
        """
        weekday, minute = weekday_and_minute(starts_us, zone)
        length = interval_us / 60_000_000
        running = np.zeros(len(starts_us))
        for start, end in self.hours:
            for back in (0, 1, -1):
                # -1: an interval that reaches over midnight into a span of the next day.
                day = (weekday - back) % 7
                first, last = start - back * DAY_MINUTES, end - back * DAY_MINUTES
                overlap = np.minimum(minute + length, last) - np.maximum(minute, first)
                running += np.where(np.isin(day, self.weekdays), np.maximum(overlap, 0), 0)
        return (running > 0).astype(np.float64) if largest else np.minimum(running / length, 1.0)


class DailyProfile(Struct, frozen=True):
    """Shares of the size by local time of day; each holds until the next, the last over midnight."""

    minutes: tuple[int, ...]
    shares: tuple[float, ...]

    def share(self, starts_us: NDArray[np.int64], interval_us: int, zone: str, *, largest: bool = True) -> Array:
        """The largest share that each interval touches, or the mean over it."""
        _, minute = weekday_and_minute(starts_us, zone)
        # Unrolled over a day before and enough days behind, so that each share holds until the next row.
        days = 2 + -(-interval_us // (DAY_MINUTES * 60_000_000))
        edges = np.concatenate([np.array(self.minutes) + DAY_MINUTES * day for day in range(-1, days)])
        shares = np.tile(np.array(self.shares), days + 1)
        return _over(edges.astype(np.float64), shares, minute, minute + interval_us / 60_000_000, largest=largest)

    @property
    def shortest_minutes(self) -> int:
        """How long the share holds that holds shortest."""
        return int(np.diff([*self.minutes, self.minutes[0] + DAY_MINUTES]).min())


class DatedProfile(Struct, frozen=True):
    """Shares of the size from stamped rows, UTC microseconds; each holds for the step of the file."""

    stamps_us: tuple[int, ...]
    shares: tuple[float, ...]
    name: str

    def share(self, starts_us: NDArray[np.int64], interval_us: int, zone: str, *, largest: bool = True) -> Array:
        """The largest share that each interval touches, or the mean over it.

        Raises `SiteError` where the profile does not cover the recording.
        """
        stamps = np.array(self.stamps_us, dtype=np.int64)
        step = int(np.diff(stamps).min())
        if not len(starts_us):
            return np.empty(0)
        if starts_us[0] < stamps[0] or starts_us[-1] + interval_us > stamps[-1] + step:
            raise SiteError(
                f"the profile {self.name!r} does not cover the whole recording; give one that does, or a daily "
                "profile with times such as 07:00"
            )
        edges = np.concatenate([stamps, [stamps[-1] + step]])
        shares = np.array([*self.shares, 0.0])
        return _over(edges.astype(np.float64), shares, starts_us, starts_us + interval_us, largest=largest)

    @property
    def shortest_minutes(self) -> int:
        """How long a share holds."""
        return int(np.diff(self.stamps_us).min()) // 60_000_000


def _over(edges: Array, shares: Array, starts: NDArray[Any], ends: NDArray[Any], *, largest: bool) -> Array:
    """The largest, or the mean, of shares that hold from each edge to the next, over intervals within the edges."""
    if largest:
        first = np.searchsorted(edges, starts, side="right") - 1
        last = np.searchsorted(edges, ends, side="left") - 1
        most = shares[first]
        for step in range(1, int(np.max(last - first, initial=0)) + 1):
            most = np.maximum(most, shares[np.minimum(first + step, last)])
        return np.asarray(most)
    sums = np.concatenate([[0.0], np.cumsum(shares[:-1] * np.diff(edges))])
    return np.asarray((np.interp(ends, edges, sums) - np.interp(starts, edges, sums)) / (ends - starts))


Runs = Schedule | DailyProfile | DatedProfile | None


def profile_file(path: Path, size_w: float | None, zone: str | None, where: str) -> DailyProfile | DatedProfile:
    """A profile from a CSV file with ``time, share [%]`` or ``time, active_power [kW]``.

    `time` is a local time of day (``07:30``), or an ISO stamp, in `zone` unless it has an offset. Raises `SiteError`
    for what is neither, for shares below zero, and for a profile that never runs.
    """
    name = path.name
    rows = csv_rows(path, "profile", where)
    if len(rows) < 3 or len(rows[0]) < 2 or rows[0][0].lower() != "time":
        raise SiteError(f"{where}: the profile {name!r} needs a header 'time, share [%]' and at least two rows")
    by = _factor(rows[0][1], size_w, name, where)
    stamps: list[str] = []
    shares: list[float] = []
    for number, row in enumerate(rows[1:], start=2):
        try:
            value = float(row[1]) * by
        except (ValueError, IndexError):
            raise SiteError(
                f"{where}: {name!r} row {number} has no number; write one, 0 where the load is off"
            ) from None
        if not math.isfinite(value) or value < 0:
            raise SiteError(f"{where}: {name!r} row {number} is below zero; the sign belongs to the size of the load")
        if value > MOST_SHARE:
            raise SiteError(
                f"{where}: {name!r} row {number} is {100 * value:.4g} % of the size of the load; declare the size as "
                "the most it draws, and shares of up to 100 %"
            )
        stamps.append(row[0])
        shares.append(value)
    if not any(shares):
        raise SiteError(f"{where}: the profile {name!r} never runs: every share is 0")
    if all(_TIME.fullmatch(stamp) for stamp in stamps):
        return _daily(stamps, shares, name, where)
    return _dated(stamps, shares, name, zone, where)


def _factor(header: str, size_w: float | None, name: str, where: str) -> float:
    if re.fullmatch(r"share\s*\[%\]", header):
        return 0.01
    unit = re.fullmatch(r"active_power\s*\[(W|kW|MW)\]", header)
    if unit and size_w:
        return {"W": 1.0, "kW": 1e3, "MW": 1e6}[unit[1]] / abs(size_w)
    raise SiteError(
        f"{where}: the profile {name!r} must give 'share [%]' of the size, or 'active_power [kW]' of a load "
        "whose active power is declared"
    )


def _daily(stamps: Sequence[str], shares: Sequence[float], name: str, where: str) -> DailyProfile:
    minutes = [int(hour) * 60 + int(minute) for hour, minute in (stamp.split(":") for stamp in stamps)]
    if minutes != sorted(set(minutes)) or minutes[-1] >= DAY_MINUTES:
        raise SiteError(f"{where}: the times of {name!r} must ascend within one day, each once")
    return DailyProfile(tuple(minutes), tuple(shares))


def _dated(stamps: Sequence[str], shares: Sequence[float], name: str, zone: str | None, where: str) -> DatedProfile:
    instants: list[int] = []
    for number, stamp in enumerate(stamps, start=2):
        try:
            instant, naive = parse_iso(stamp)
        except ValueError:
            raise SiteError(
                f"{where}: {name!r} row {number}: {stamp!r} is no time; write 07:30 or an ISO stamp"
            ) from None
        if naive:
            if zone is None:
                raise SiteError(f"{where}: the stamps of {name!r} carry no offset and the site declares no time_zone")
            instant = int(from_local(np.array([instant], dtype=np.int64), zone).utc_us[0])
        instants.append(instant)
    if instants != sorted(set(instants)):
        raise SiteError(f"{where}: the stamps of {name!r} must ascend, each once")
    return DatedProfile(tuple(instants), tuple(shares), name)
