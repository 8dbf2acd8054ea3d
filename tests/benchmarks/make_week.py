#!/usr/bin/env python3
"""Make an invented recording of 3-second values for measuring speed: CSV, Parquet and the site file.

    make_week.py --out FOLDER [--days 7] [--formats csv parquet dialect] [--seed 1]

308 channels of a 400 V wye service: voltages, currents, frequency, unbalance, distortion, orders 2 to 50 of voltage and
current on three phases. The same seed gives the same bytes, day by day. There are gaps (missing rows), blank cells, and
about 50 channels that leave their limit now and then. `dialect` is the same table with semicolons, decimal commas, a
preamble and "---" in place of blanks. `limits.csv` holds, for each of the 300 distortion channels, a limit for the
3-second and for the 10-minute values: the plain scripts that the tool is compared with read it.

Levels and limits are of the size that practice knows; they are no values of a standard.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

STEP_S = 3
PER_DAY = 86_400 // STEP_S
START = np.datetime64("2031-03-03T00:00:00", "s")  # a Monday
DEMAND_A = 400.0
EVENTFUL = 0.17

SITE = """\
name = "Invented plant for benchmarks, main switchboard"
time_zone = "UTC"

[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
measured_at = "service"

[pcc]
is_pcc = true
short_circuit_current = "12 kA"
maximum_demand_current = "400 A"
demand_basis = "mean of 12 monthly maxima"

[recording]
interval = "3 s"
stamp = "start"

[limits]
apply = ["ieee519-2022", "en50160-2010-lv"]
"""


@dataclass(frozen=True)
class Model:
    """Per channel: header, usual level, decimals written, noise and daily swing (relative), limits (NaN = none)."""

    headers: list[str]
    level: np.ndarray
    decimals: np.ndarray
    noise: np.ndarray
    swing: np.ndarray
    limit_3s: np.ndarray
    limit_10min: np.ndarray
    eventful: np.ndarray
    phase: np.ndarray


def limit_of(kind: str, order: int) -> float:
    """About what the applied tables allow: voltage in percent, current in amperes at the declared demand.

    Only the size matters here (a channel must pass or leave its limit); the tables themselves are in `limits/`.
    """
    if kind == "voltage":
        odd = {3: 5.0, 5: 5.0, 7: 5.0, 9: 1.5, 11: 3.5, 13: 3.0, 17: 2.0, 19: 1.5, 23: 1.5, 25: 1.5}
        return odd.get(order, {2: 2.0, 4: 1.0}.get(order, 0.5))
    percent = next(value for top, value in ((10, 7.0), (16, 3.5), (22, 2.5), (34, 1.0), (50, 0.5)) if order <= top)
    return percent / 100 * DEMAND_A * (0.5 if order % 2 == 0 and order <= 6 else 1.0)


def channel_model(seed: int) -> Model:
    """Every channel of the recording."""
    rng = np.random.default_rng([seed, 999_983])
    rows: list[tuple[str, float, int, float, float, float]] = []
    nothing = float("nan")
    for number, phase in enumerate(("an", "bn", "cn")):
        rows.append((f"voltage.{phase} [V]", 231.0 + 0.4 * number, 2, 0.002, 0.01, nothing))
    for number, phase in enumerate("abc"):
        rows.append((f"current.{phase} [A]", 210.0 + 5 * number, 1, 0.03, 0.30, nothing))
    rows.append(("frequency [Hz]", 50.0, 3, 0.0004, 0.0, nothing))
    rows.append(("negative_sequence_unbalance [%]", 0.62, 3, 0.05, 0.2, nothing))
    # The levels of THD and TDD are placeholders: `form_distortion` replaces their values.
    for number, phase in enumerate(("an", "bn", "cn")):
        rows.append((f"voltage_thd.{phase} [%]", 2.4 + 0.1 * number, 3, 0.04, 0.25, 8.0))
    for number, phase in enumerate("abc"):
        rows.append((f"current_tdd.{phase} [%]", 3.1 + 0.2 * number, 3, 0.05, 0.30, 8.0))
    for phase in ("an", "bn", "cn"):
        for order in range(2, 51):
            level = 0.3 * limit_of("voltage", order) * rng.uniform(0.6, 1.1)
            rows.append((f"voltage_harmonic.{phase}.h{order} [%]", level, 4, 0.07, 0.25, limit_of("voltage", order)))
    for phase in "abc":
        for order in range(2, 51):
            level = 0.3 * limit_of("current", order) * rng.uniform(0.6, 1.1)
            rows.append((f"current_harmonic.{phase}.h{order} [A]", level, 3, 0.08, 0.35, limit_of("current", order)))
    headers, level, decimals, noise, swing, limit = (list(column) for column in zip(*rows, strict=True))
    levels, noises, swings = np.array(level), np.array(noise), np.array(swing)
    checked = np.arange(len(rows)) >= 8
    eventful = checked & (rng.random(len(rows)) < EVENTFUL)
    # An eventful channel stands just below its limit and passes it in bursts; the others keep well below.
    limits = np.array(limit)
    levels = np.where(eventful, limits / ((1 + swings) * (1 + 2 * noises)), levels)
    limit_10min = limits.copy()
    limit_3s = 1.1 * limits
    limit_3s[~checked] = limit_10min[~checked] = np.nan
    return Model(
        headers, levels, np.array(decimals), noises, swings, limit_3s, limit_10min, eventful,
        rng.uniform(0, 2 * np.pi, len(rows)),
    )


def form_distortion(model: Model, values: np.ndarray) -> None:
    """Make THD and TDD those of the orders: a recording whose orders add up to more than its THD is refused."""
    sums_and_orders = (("voltage_thd", "voltage_harmonic", 100.0), ("current_tdd", "current_harmonic", DEMAND_A))
    for sums, orders, base in sums_and_orders:
        for column, header in enumerate(model.headers):
            if header.startswith(f"{sums}."):
                start = header.replace(sums, orders).split(" ")[0] + ".h"
                parts = values[:, [at for at, name in enumerate(model.headers) if name.startswith(start)]]
                total = np.sqrt(np.einsum("ij,ij->i", parts, parts)) * (100.0 / base)
                np.round(total, int(model.decimals[column]), out=values[:, column])


def day(model: Model, seed: int, number: int, faults: bool) -> tuple[np.ndarray, np.ndarray]:
    """One day: the slots that have a row, and their values (rows x channels, column-major, NaN = blank cell)."""
    rng = np.random.default_rng([seed, number])
    time = np.arange(PER_DAY, dtype=np.float32) * np.float32(2 * np.pi / PER_DAY)
    weekend = np.float32(0.85 if number % 7 >= 5 else 1.0)
    values = np.empty((PER_DAY, len(model.headers)), order="F")
    for column in range(values.shape[1]):
        daily = np.sin(time - np.float32(model.phase[column] + rng.normal(0, 0.15)))
        minutes = np.repeat(rng.standard_normal(PER_DAY // 20, dtype=np.float32), 20)
        fast = rng.standard_normal(PER_DAY, dtype=np.float32)
        noise = np.float32(model.noise[column]) * (np.float32(0.8) * minutes + np.float32(0.6) * fast)
        shape = (1 + np.float32(model.swing[column]) * daily * weekend) * (1 + noise)
        if model.eventful[column]:
            for _ in range(rng.poisson(4)):
                begin = int(rng.integers(0, PER_DAY - 400))
                shape[begin : begin + int(rng.integers(5, 400))] *= np.float32(rng.uniform(1.1, 1.45))
        level = np.abs(shape).astype(np.float64) * model.level[column]
        np.round(level, int(model.decimals[column]), out=values[:, column])
    form_distortion(model, values)
    keep = np.ones(PER_DAY, bool)
    if faults:
        chance = np.random.default_rng([seed, number, 7])
        if chance.random() < 0.45:
            begin = int(chance.integers(100, PER_DAY - 2000))
            keep[begin : begin + int(chance.choice([1, 3, 20, 200, 1200]))] = False
        if chance.random() < 0.45:
            begin, length = int(chance.integers(100, PER_DAY - 2000)), int(chance.choice([1, 40, 400]))
            for column in chance.choice(np.arange(8, values.shape[1]), int(chance.integers(3, 20)), replace=False):
                values[begin : begin + length, column] = np.nan
    rows = np.flatnonzero(keep)
    return rows, values if rows.size == PER_DAY else np.asfortranarray(values[rows])


def stamps(number: int, rows: np.ndarray) -> np.ndarray:
    """Start of each row, seconds since 1970-01-01 UTC."""
    return START.astype(np.int64) + number * 86_400 + rows * STEP_S


def as_table(model: Model, seconds: np.ndarray, values: np.ndarray, kind: str) -> pa.Table:
    """The rows of a day as an Arrow table: text stamps for CSV, instants and float32 for Parquet."""
    if kind == "parquet":
        times = pa.array(seconds * 1000, pa.timestamp("ms", tz="UTC"))
        numbers = values.astype(np.float32)
    else:
        text = np.char.add(np.datetime_as_string(seconds.astype("datetime64[s]"), unit="s"), "+00:00")
        times, numbers = pa.array(text.tolist(), pa.string()), values
    columns = [times]
    for column in numbers.T:
        blank = np.isnan(column)
        columns.append(pa.array(column, mask=blank if blank.any() else None))
    return pa.table(columns, names=["time", *model.headers])


class Sinks:
    """The files of one recording, written day by day."""

    def __init__(self, out: Path, stem: str, formats: list[str]) -> None:
        self.out, self.stem, self.formats = out, stem, formats
        self.csv: pa.csv.CSVWriter | None = None
        self.parquet: pa.parquet.ParquetWriter | None = None
        self.dialect = (out / f"{stem}.dialect.csv").open("wb") if "dialect" in formats else None
        self.lines = False

    def write(self, model: Model, seconds: np.ndarray, values: np.ndarray) -> None:
        """Append one day to every file."""
        if "parquet" in self.formats:
            table = as_table(model, seconds, values, "parquet")
            if self.parquet is None:
                path = self.out / f"{self.stem}.parquet"
                self.parquet = pa.parquet.ParquetWriter(path, table.schema, compression="zstd")
            self.parquet.write_table(table, row_group_size=len(table))
        if "csv" in self.formats or "dialect" in self.formats:
            table = as_table(model, seconds, values, "csv")
            if "csv" in self.formats:
                if self.csv is None:
                    options = pa.csv.WriteOptions(quoting_style="none", quoting_header="none")
                    self.csv = pa.csv.CSVWriter(self.out / f"{self.stem}.csv", table.schema, write_options=options)
                self.csv.write_table(table)
            if self.dialect is not None:
                self.write_dialect(table)

    def write_dialect(self, table: pa.Table) -> None:
        """Append a day with semicolons, decimal commas and a sign for blanks, under a preamble."""
        assert self.dialect is not None
        buffer = pa.BufferOutputStream()
        options = pa.csv.WriteOptions(quoting_style="none", include_header=False, delimiter=";")
        pa.csv.write_csv(table, buffer, write_options=options)
        text = buffer.getvalue().to_pybytes().replace(b".", b",")
        if not self.lines:
            preamble = "Project: invented plant\nPoint: main switchboard\nNominal: 400 V\n\n"
            self.dialect.write((preamble + ";".join(table.column_names) + "\n").encode())
            self.lines = True
        # Twice, because a sign takes the separator that the next blank needs.
        self.dialect.write(text.replace(b";;", b";---;").replace(b";;", b";---;").replace(b";\n", b";---\n"))

    def close(self) -> None:
        """Finish every file."""
        for sink in (self.csv, self.parquet, self.dialect):
            if sink is not None:
                sink.close()


def write_limits(path: Path, model: Model) -> None:
    """A line for every channel that has limits."""
    with path.open("w", encoding="utf-8") as handle:
        handle.write("channel,limit_3s,limit_10min\n")
        for header, fine, coarse in zip(model.headers, model.limit_3s, model.limit_10min, strict=True):
            if not np.isnan(fine):
                handle.write(f"{header},{fine:.4g},{coarse:.4g}\n")


def main() -> None:
    """Write the files that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", required=True, type=Path, help="folder to write to")
    parser.add_argument("--days", type=int, default=7)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--formats", nargs="+", default=["csv", "parquet"], choices=["csv", "parquet", "dialect"])
    parser.add_argument("--no-faults", dest="faults", action="store_false")
    parser.add_argument("--file-per-day", action="store_true", help="day-000.csv, day-001.csv ... instead of week.csv")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    model = channel_model(arguments.seed)
    (arguments.out / "site.toml").write_text(SITE)
    write_limits(arguments.out / "limits.csv", model)
    sinks = None if arguments.file_per_day else Sinks(arguments.out, "week", arguments.formats)
    for number in range(arguments.days):
        rows, values = day(model, arguments.seed, number, arguments.faults)
        target = sinks or Sinks(arguments.out, f"day-{number:03d}", arguments.formats)
        target.write(model, stamps(number, rows), values)
        if sinks is None:
            target.close()
    if sinks is not None:
        sinks.close()


if __name__ == "__main__":
    main()
