#!/usr/bin/env python3
"""The same answer in well-written polars. Arguments, task and output as in plain_pandas.py."""

from __future__ import annotations

import json
import sys

import polars as pl
from peak import peak_mib

STEP_S = 3


def windows(frame: pl.DataFrame, channel: str, limit: float, step: int) -> pl.LazyFrame:
    """Contiguous runs of one channel above its limit."""
    over = (pl.col(channel) > limit).fill_null(False)
    late = (pl.col("t").diff() > pl.duration(milliseconds=1500 * step)).fill_null(False)
    return (
        frame.lazy().select(t=pl.col("time"), v=pl.col(channel), over=over)
        .with_columns(run=((pl.col("over") != pl.col("over").shift(1, fill_value=False)) | late).cum_sum())
        .filter("over").group_by("run", maintain_order=True)
        .agg(start=pl.col("t").first(), end=pl.col("t").last(), worst=pl.col("v").max())
    )


def all_windows(frame: pl.DataFrame, limits: dict[str, float], step: int) -> int:
    """Number of windows over all channels; channels whose maximum stays below are passed over."""
    top = frame.lazy().select(pl.col(list(limits)).max()).collect().row(0, named=True)
    over = [channel for channel, limit in limits.items() if top[channel] is not None and top[channel] > limit]
    return sum(part.height for part in pl.collect_all([windows(frame, c, limits[c], step) for c in over]))


def main(data: str, limits_file: str) -> None:
    """Answer and print."""
    table = pl.read_csv(limits_file)
    channels = table["channel"].to_list()
    fine = dict(zip(channels, table["limit_3s"], strict=True))
    coarse = dict(zip(channels, table["limit_10min"], strict=True))
    if data.endswith(".parquet"):
        frame = pl.scan_parquet(data).collect()
    else:
        names = pl.scan_csv(data, n_rows=1).collect_schema().names()
        types = {name: pl.String if name == "time" else pl.Float64 for name in names}
        scan = pl.scan_csv(data, schema_overrides=types)
        frame = scan.with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%z", time_unit="ms")).collect()
    daily = (frame.lazy().group_by(pl.col("time").dt.date().alias("day"))
             .agg(pl.col(channels).quantile(0.99, "linear")).sort("day").collect())
    squares = [(pl.col(c) * pl.col(c)).mean().sqrt().cast(pl.Float64) for c in channels]
    ten = frame.lazy().set_sorted("time").group_by_dynamic("time", every="10m").agg(squares).collect()
    weekly = [ten.select(pl.col(channels).quantile(q, "linear")).row(0) for q in (0.95, 0.99)]
    counts = all_windows(frame, fine, STEP_S), all_windows(ten, coarse, 600)
    gaps = frame.select((pl.col("time").diff() > pl.duration(milliseconds=1500 * STEP_S)).sum()).item()
    coverage = frame.select(pl.col(channels).count()).row(0)
    print(json.dumps({
        "rows": frame.height, "windows_3s": counts[0], "windows_10min": counts[1], "gaps": int(gaps),
        "above_daily": sum(int((daily[c] > fine[c]).sum()) for c in channels),
        "above_weekly": sum(value > coarse[c] for value, c in zip(weekly[0], channels, strict=True)),
        "coverage": round(sum(coverage) / len(coverage) / (daily.height * 86_400 // STEP_S), 6),
        "peak_mib": peak_mib(),
    }))


if __name__ == "__main__":
    main(*sys.argv[1:])
