#!/usr/bin/env python3
"""The same answer in plain pandas, the way a competent analyst writes it (whole-frame calls).

    plain_pandas.py DATA LIMITS

Parses the recording; daily 99th percentile of the 3-second values; clock-aligned 10-minute rms and its weekly 95th and
99th percentile; windows of exceedance at both intervals; gaps and coverage. Prints one line of JSON.
"""

from __future__ import annotations

import json
import sys

import numpy as np
import pandas as pd
from peak import peak_mib

STEP_S = 3


def windows(values: pd.Series, limit: float, step: int) -> list[tuple[pd.Timestamp, pd.Timestamp, float]]:
    """Contiguous runs above the limit: start, last, worst."""
    over = values > values.dtype.type(limit)
    if not over.any():
        return []
    late = values.index.to_series().diff() > pd.Timedelta(seconds=1.5 * step)
    run = ((over != over.shift()) | late).cumsum()
    return [(hit.index[0], hit.index[-1], hit.max()) for _, hit in values[over].groupby(run[over])]


def main(data: str, limits_file: str) -> None:
    """Answer and print."""
    limits = pd.read_csv(limits_file).set_index("channel")
    channels = list(limits.index)
    frame = pd.read_parquet(data) if data.endswith(".parquet") else pd.read_csv(data, parse_dates=["time"])
    frame = frame.set_index("time")
    daily = frame[channels].groupby(frame.index.date).quantile(0.99)
    ten = (frame[channels] ** 2).resample("10min").mean() ** 0.5
    weekly = ten.quantile([0.95, 0.99])
    fine, coarse = [], []
    for channel in channels:
        fine += windows(frame[channel], limits.at[channel, "limit_3s"], STEP_S)
        coarse += windows(ten[channel], limits.at[channel, "limit_10min"], 600)
    steps = frame.index.to_series().diff()
    gaps = int((steps > pd.Timedelta(seconds=1.5 * STEP_S)).sum())
    coverage = frame[channels].count() / (len(daily) * 86_400 // STEP_S)
    print(json.dumps({
        "rows": len(frame), "windows_3s": len(fine), "windows_10min": len(coarse), "gaps": gaps,
        "above_daily": int((daily > limits["limit_3s"]).to_numpy().sum()),
        "above_weekly": int((weekly.loc[0.95] > limits["limit_10min"]).sum()),
        "coverage": round(float(np.mean(coverage)), 6), "peak_mib": peak_mib(),
    }))


if __name__ == "__main__":
    main(*sys.argv[1:])
