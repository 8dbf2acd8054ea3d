#!/usr/bin/env python3
"""The check of a month of 10-minute minima, means and maxima in plain pandas, the way somebody who knows it writes it.

    plain_pandas_month.py DATA LIMITS

Parses the recording; daily and weekly 95th and 99th percentiles of minimum, mean and maximum; all three against the
limits of each channel (means against that of 10-minute values, extremes against that of 3-second values) and all
windows of exceedance; gaps and coverage. Prints one line of JSON.
"""

from __future__ import annotations

import json
import sys

import numpy as np
import pandas as pd
from peak import peak_mib

STEP = pd.Timedelta(minutes=10)


def windows(values: pd.Series, limit: float, late: pd.Series) -> list[tuple[pd.Timestamp, pd.Timestamp, float]]:
    """Contiguous runs above the limit: start, last, worst."""
    over = values > limit
    run = ((over != over.shift()) | late).cumsum()
    return [(hit.index[0], hit.index[-1], hit.max()) for _, hit in values[over].groupby(run[over])]


def main(data: str, limits_file: str) -> None:
    """Answer and print."""
    limits = pd.read_csv(limits_file).set_index("channel")
    frame = pd.read_csv(data, parse_dates=["time"]).set_index("time")
    columns = {
        reading: [name.replace(" [", f".{reading} [") for name in limits.index] for reading in ("min", "mean", "max")
    }
    day = frame.index.floor("D")
    week = (day - day[0]).days // 7
    daily = frame.groupby(day).quantile([0.95, 0.99])
    weekly = frame.groupby(week).quantile([0.95, 0.99])
    steps = frame.index.to_series().diff()
    late = steps > 1.5 * STEP
    found: dict[str, list[tuple[pd.Timestamp, pd.Timestamp, float]]] = {}
    for reading, names in columns.items():
        allowed = limits["limit_10min" if reading == "mean" else "limit_3s"].to_numpy()
        found[reading] = []
        above = frame[names].gt(allowed).any()
        for name, limit in zip(names, allowed, strict=True):
            if above[name]:
                found[reading] += windows(frame[name], limit, late)
    means, allowed = columns["mean"], limits["limit_10min"].to_numpy()
    coverage = frame[means].count() / (len(day.unique()) * 144)
    print(json.dumps({
        "rows": len(frame), "gaps": int(late.sum()),
        **{f"windows_{reading}": len(each) for reading, each in found.items()},
        "above_daily": int((daily.xs(0.99, level=1)[means] > allowed).to_numpy().sum()),
        "above_weekly": int((weekly.xs(0.95, level=1)[means] > allowed).to_numpy().sum()),
        "coverage": round(float(np.mean(coverage)), 6), "peak_mib": peak_mib(),
    }))


if __name__ == "__main__":
    main(*sys.argv[1:])
