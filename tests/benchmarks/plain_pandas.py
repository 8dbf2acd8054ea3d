#!/usr/bin/env python3
"""The same answer in plain pandas, the way a competent analyst writes it (whole-frame calls).

    plain_pandas.py DATA LIMITS [ANSWERS]

Parses the recording; daily 99th percentile of the 3-second values; clock-aligned 10-minute rms and its weekly 95th and
99th percentile; windows of exceedance at both intervals; gaps and coverage. Prints one line of JSON. With ANSWERS it
also writes to that file what same_answers.py compares, in more detail than a benchmark needs; ten minutes that miss a
value are left out of it.
"""

from __future__ import annotations

import json
import sys
from typing import Any

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


def three_ways(grouped: Any, share: float) -> dict[str, list[list[float]]]:
    """Percentiles of every channel and group: the order statistic below, interpolated between the two, and above."""
    ways = [grouped.quantile(share, interpolation=way) for way in ("lower", "linear", "higher")]
    return {channel: [list(each) for each in zip(*(way[channel] for way in ways), strict=True)] for channel in ways[0]}


def write_answers(path: str, frame: pd.DataFrame, limits: pd.DataFrame) -> None:
    """Everything that can be compared, per channel and day."""
    channels = list(limits.index)
    values, days = frame[channels], frame.index.date
    ten = ((values.astype(float) ** 2).resample("10min").mean() ** 0.5).where(values.resample("10min").count() == 200)
    fine = {channel: values[channel].dtype.type(limits.at[channel, "limit_3s"]) for channel in channels}
    outside = (values > pd.Series(fine)).groupby(days).sum()
    found = {
        "windows_3s": {c: windows(values[c], limits.at[c, "limit_3s"], STEP_S) for c in channels},
        "windows_10min": {c: windows(ten[c], limits.at[c, "limit_10min"], 600) for c in channels},
    }
    steps = frame.index.to_series().diff()
    late = steps[steps > pd.Timedelta(seconds=1.5 * STEP_S)]
    answers = {
        "outside": {c: outside[c].tolist() for c in channels},
        "valid": {c: each.tolist() for c, each in values.groupby(days).count().items()},
        "day-99": three_ways(values.groupby(days), 0.99),
        **{f"whole-{share}": three_ways(ten.groupby(np.zeros(len(ten))), share / 100) for share in (95, 99)},
        **{
            name: {c: [[first.timestamp(), last.timestamp(), float(worst)] for first, last, worst in each]
                   for c, each in per_channel.items()}
            for name, per_channel in found.items()
        },
        "gaps": [[(at - length).timestamp(), at.timestamp()] for at, length in late.items()],
    }
    with open(path, "w", encoding="utf-8") as handle:
        json.dump(answers, handle)


def main(data: str, limits_file: str, answers: str = "") -> None:
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
    if answers:
        write_answers(answers, frame, limits)


if __name__ == "__main__":
    main(*sys.argv[1:])
