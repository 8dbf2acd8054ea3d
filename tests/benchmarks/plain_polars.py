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


def all_windows(frame: pl.DataFrame, limits: dict[str, float], step: int) -> dict[str, pl.DataFrame]:
    """Windows of the channels that have any; channels whose maximum stays below are passed over."""
    top = frame.lazy().select(pl.col(list(limits)).max()).collect().row(0, named=True)
    over = [channel for channel, limit in limits.items() if top[channel] is not None and top[channel] > limit]
    return dict(zip(over, pl.collect_all([windows(frame, c, limits[c], step) for c in over]), strict=True))


def write_answers(path: str, frame: pl.DataFrame, fine: dict[str, float], coarse: dict[str, float]) -> None:
    """Everything that can be compared, per channel and day. The content is that of plain_pandas.py."""
    channels = list(fine)
    days = frame.lazy().group_by(pl.col("time").dt.date().alias("day"), maintain_order=True)
    whole = [
        pl.when(pl.col(c).count() == 200).then((pl.col(c).cast(pl.Float64) ** 2).mean().sqrt()).alias(c)
        for c in channels
    ]
    ten = frame.lazy().set_sorted("time").group_by_dynamic("time", every="10m").agg(whole).collect()

    def three_ways(table: pl.LazyFrame, grouped: bool, share: float) -> dict[str, list[list[float]]]:
        parts = []
        for way in ("lower", "linear", "higher"):
            asked = pl.col(channels).quantile(share, way)
            parts.append((days.agg(asked) if grouped else table.select(asked)).collect())
        return {c: [list(each) for each in zip(*(part[c] for part in parts), strict=True)] for c in channels}

    def as_lists(found: dict[str, pl.DataFrame]) -> dict[str, list[list[float]]]:
        seconds = {c: part.select(pl.col("start", "end").dt.epoch("s"), "worst") for c, part in found.items()}
        return {c: [list(row) for row in seconds[c].iter_rows()] if c in seconds else [] for c in channels}

    outside = days.agg((pl.col(c) > fine[c]).sum() for c in channels).collect()
    valid = days.agg(pl.col(channels).count()).collect()
    late = frame.select(pl.col("time").shift(1).alias("before").dt.epoch("s"), pl.col("time").dt.epoch("s"))
    answers = {
        "outside": {c: outside[c].to_list() for c in channels},
        "valid": {c: valid[c].to_list() for c in channels},
        "day-99": three_ways(frame.lazy(), True, 0.99),
        **{f"whole-{share}": three_ways(ten.lazy(), False, share / 100) for share in (95, 99)},
        "windows_3s": as_lists(all_windows(frame, fine, STEP_S)),
        "windows_10min": as_lists(all_windows(ten, coarse, 600)),
        "gaps": [list(row) for row in late.filter(pl.col("time") - pl.col("before") > 1.5 * STEP_S).iter_rows()],
    }
    with open(path, "w", encoding="utf-8") as handle:
        json.dump(answers, handle)


def main(data: str, limits_file: str, answers: str = "") -> None:
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
    found = all_windows(frame, fine, STEP_S), all_windows(ten, coarse, 600)
    counts = [sum(part.height for part in each.values()) for each in found]
    gaps = frame.select((pl.col("time").diff() > pl.duration(milliseconds=1500 * STEP_S)).sum()).item()
    coverage = frame.select(pl.col(channels).count()).row(0)
    print(json.dumps({
        "rows": frame.height, "windows_3s": counts[0], "windows_10min": counts[1], "gaps": int(gaps),
        "above_daily": sum(int((daily[c] > fine[c]).sum()) for c in channels),
        "above_weekly": sum(value > coarse[c] for value, c in zip(weekly[0], channels, strict=True)),
        "coverage": round(sum(coverage) / len(coverage) / (daily.height * 86_400 // STEP_S), 6),
        "peak_mib": peak_mib(),
    }))
    if answers:
        write_answers(answers, frame, fine, coarse)


if __name__ == "__main__":
    main(*sys.argv[1:])
