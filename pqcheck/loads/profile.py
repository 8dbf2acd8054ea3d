"""Load duration curve, profile by weekday and hour, cost at declared rates."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.study_values import Demand, ProfileHour
from pqcheck.model.clock import DAY, MINUTE, local_clock
from pqcheck.stats.percentile import rank

_EPOCH_WEEKDAY = 3  # 1 January 1970 was a Thursday; Monday is 0.


def duration_curve(means: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    """For each whole percent of the recorded time the demand that is reached or exceeded for it.

    Order statistics, no interpolation: 0 % is the largest demand, 100 % the smallest.
    """
    good = np.sort(means[~np.isnan(means)])[::-1]
    if not len(good):
        return ()
    return tuple((float(share), float(good[rank(len(good), Decimal(share)) - 1])) for share in range(101))


def weekday_and_minute(starts_us: NDArray[np.int64], zone: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Weekday (Monday is 0) and minute of the local day."""
    days, rest = np.divmod(local_clock(starts_us, zone), DAY)
    return (days + _EPOCH_WEEKDAY) % 7, rest // MINUTE


def weekday_profile(means: NDArray[np.float64], start_us: int, step_us: int, zone: str) -> tuple[ProfileHour, ...]:
    """Mean and largest demand by weekday and local hour; hours without a reading are left out."""
    starts = start_us + step_us * np.arange(len(means), dtype=np.int64)
    weekday, minute = weekday_and_minute(starts, zone)
    hour = minute // 60
    cells = []
    for day in range(7):
        for clock_hour in range(24):
            inside = means[(weekday == day) & (hour == clock_hour)]
            good = inside[~np.isnan(inside)]
            if len(good):
                cells.append(ProfileHour(day, clock_hour, float(good.mean()), float(good.max()), len(good)))
    return tuple(cells)


def cost(demand: Demand, tariff: Mapping[str, Any]) -> tuple[tuple[str, float, str], ...]:
    """Rows (what, amount, currency) at declared rates, for information; empty without rates or without energy.

    The energy of the recording is not scaled to a month, the demand is the largest of clock blocks.
    """
    currency = tariff.get("currency")
    rows: list[tuple[str, float, str]] = []
    if currency is None:
        return ()

    def add(what: str, quantity: float | None, rate: str) -> None:
        if quantity is not None and rate in tariff:
            rows.append((what, float(Decimal(repr(quantity)) / 1000 * tariff[rate]), currency))

    add("energy, import", demand.energy.import_wh, "energy_rate")
    add("energy, export", demand.energy.export_wh, "export_rate")
    unit = tariff.get("demand_unit", "kW")
    maximum = demand.maximum("active_power" if unit == "kW" else "apparent_power")
    peak = None if maximum is None else maximum.block or maximum.sliding
    add(f"demand, {unit}", None if peak is None else peak.value, "demand_rate")
    return tuple(rows)
