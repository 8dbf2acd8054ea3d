#!/usr/bin/env python3
"""Make an invented month of 10-minute minima, means and maxima: the same channels, gaps and events as make_week.py.

    make_month.py --out FOLDER [--days 30] [--formats csv parquet] [--seed 1]

Every channel of the week has three columns: the smallest, the rms and the largest of the 3-second values of a clock
ten minutes, rounded as the instrument rounds. Ten minutes without any value are an empty cell, ten minutes without any
row are no row. `site.toml` says that the extremes are those of 3-second values, so that they are evidence about the
3-second rules; `limits.csv` is that of make_week.py.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from make_week import PER_DAY, SITE, START, STEP_S, Sinks, channel_model, day, write_limits

STEP_10MIN_S = 600
MEMBERS = STEP_10MIN_S // STEP_S
SITE_MONTH = SITE.replace('interval = "3 s"', 'interval = "10 min"\nextremes_of = "3 s"')


def headers(names: list[str]) -> list[str]:
    """`voltage.an [V]` becomes `voltage.an.min [V]`, `voltage.an.mean [V]`, `voltage.an.max [V]`."""
    split = [name.rsplit(" ", 1) for name in names]
    return [f"{channel}.{reading} {unit}" for channel, unit in split for reading in ("min", "mean", "max")]


def ten_minutes(rows: np.ndarray, values: np.ndarray, decimals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Smallest, rms and largest value of each clock ten minutes of a day.

    rows [n; slot of the day], values [n, channels], decimals [channels]; the ten-minute slots that have a row, and
    [slots, 3 x channels] in the order of `headers`.
    """
    whole = np.full((PER_DAY, values.shape[1]), np.nan)
    whole[rows] = values
    parts = whole.reshape(-1, MEMBERS, values.shape[1])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        low, high = np.nanmin(parts, axis=1), np.nanmax(parts, axis=1)
        mean = np.sqrt(np.nanmean(parts * parts, axis=1))
    together = np.stack([low, mean, high], axis=2)
    for column, places in enumerate(decimals):
        together[:, column] = np.round(together[:, column], int(places))
    kept = np.unique(rows // MEMBERS)
    return kept, together.reshape(len(parts), -1)[kept]


def main() -> None:
    """Write the files that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", required=True, type=Path, help="folder to write to")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--formats", nargs="+", default=["csv"], choices=["csv", "parquet"])
    parser.add_argument("--no-faults", dest="faults", action="store_false")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    model = channel_model(arguments.seed)
    columns = replace(model, headers=headers(model.headers))
    (arguments.out / "site.toml").write_text(SITE_MONTH, encoding="utf-8")
    write_limits(arguments.out / "limits.csv", model)
    sinks = Sinks(arguments.out, "month", arguments.formats)
    for number in range(arguments.days):
        slots, values = ten_minutes(*day(model, arguments.seed, number, arguments.faults), model.decimals)
        seconds = START.astype(np.int64) + number * 86_400 + slots * STEP_10MIN_S
        sinks.write(columns, seconds, np.asfortranarray(values))
    sinks.close()


if __name__ == "__main__":
    main()
