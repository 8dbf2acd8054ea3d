#!/usr/bin/env python3
"""Measure the full check side by side with plain scripts and the bare read, as ratios, with peak memory.

    bench.py --data FOLDER [--rounds 7] [--only NAME ...] [--parquet] [--days N | --month] [--save FILE]

FOLDER comes from make_week.py; with --days (so many days of 3-second values) and --month (30 days of 10-minute minima,
means and maxima) the data are made in a folder of their own below FOLDER unless they are there. Every command runs once
per round; ratios are taken round by round against the first of them, so that slow moments of the machine hit all alike;
the processor time suffers less from a busy machine than the wall time does. The first is the bare read R
(`polars.read_csv` or `polars.read_parquet` where polars is installed, else pyarrow), for the month the plain pandas
script. Judge on the median of at least 7 rounds of a quiet machine. Nothing here passes or fails.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent

READ_POLARS = """
import polars as pl
if data.endswith(".parquet"):
    pl.read_parquet(data)
else:
    names = pl.scan_csv(data, n_rows=1).collect_schema().names()
    pl.read_csv(data, schema_overrides={n: pl.String if n == "time" else pl.Float64 for n in names})
"""
READ_PYARROW = """
import pyarrow as pa
from pyarrow import csv, parquet
if data.endswith(".parquet"):
    parquet.read_table(data)
else:
    names = open(data, encoding="utf-8").readline().strip().split(",")
    types = {n: pa.string() if n == "time" else pa.float64() for n in names}
    csv.read_csv(data, read_options=csv.ReadOptions(block_size=4 << 20),
                 convert_options=csv.ConvertOptions(column_types=types))
"""
READ_OURS = """
from pqcheck.io import read
from pqcheck.site.load_site import load_site
recording = read([data], load_site(site))
for stream in recording.streams:
    for block in stream.blocks(None):
        pass
"""
CHECK = """
import contextlib, io
from pqcheck.cli import main
sys.argv[1:] = ["check", data, "--site", site, "--json", out]
with contextlib.redirect_stdout(io.StringIO()):
    code = main()
if code not in (0, 1, 3):
    sys.exit(f"pqcheck check ended with {code}")
"""


def inline(body: str, data: Path, folder: Path) -> list[str]:
    """A command that runs a piece of Python and prints its peak memory."""
    head = (
        f"import sys; sys.path.insert(0, {str(HERE)!r}); data = {str(data)!r}; "
        f"site = {str(folder / 'site.toml')!r}; out = {str(folder / 'findings.json')!r}\n"
    )
    tail = '\nimport json; from peak import peak_mib; print(json.dumps({"peak_mib": peak_mib()}))'
    return [sys.executable, "-c", head + body + tail]


def made(folder: Path, script: str, data: str, days: int | None = None) -> Path:
    """The folder, with data in it: the script makes what is missing."""
    if not (folder / data).exists():
        command = [sys.executable, str(HERE / script), "--out", str(folder), "--formats", data.split(".")[-1]]
        subprocess.run(command + (["--days", str(days)] if days else []), check=True)
    return folder


def commands_of_month(folder: Path) -> dict[str, list[str]]:
    """Every command of a round over the month; the plain script comes first."""
    data = folder / "month.csv"
    return {
        "plain pandas": [sys.executable, str(HERE / "plain_pandas_month.py"), str(data), str(folder / "limits.csv")],
        "bare read": inline(READ_POLARS, data, folder),
        "our read": inline(READ_OURS, data, folder),
        "full check": inline(CHECK, data, folder),
    }


def commands(folder: Path, parquet: bool) -> dict[str, list[str]]:
    """Every command of a round; the bare read comes first."""
    data = folder / ("week.parquet" if parquet else "week.csv")
    limits = str(folder / "limits.csv")
    polars = importlib.util.find_spec("polars") is not None
    found = {"bare read R": inline(READ_POLARS if polars else READ_PYARROW, data, folder)}
    if polars:
        found["bare read, pyarrow"] = inline(READ_PYARROW, data, folder)
    found["our read"] = inline(READ_OURS, data, folder)
    dialect = folder / "week.dialect.csv"
    if dialect.exists() and not parquet:
        found["our read, dialect"] = inline(READ_OURS, dialect, folder)
    found["full check"] = inline(CHECK, data, folder)
    found["plain pandas"] = [sys.executable, str(HERE / "plain_pandas.py"), str(data), limits]
    if polars:
        found["plain polars"] = [sys.executable, str(HERE / "plain_polars.py"), str(data), limits]
    return found


def run(command: list[str]) -> dict[str, float]:
    """Wall and processor time of one whole process, and the peak memory it reports."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    seconds, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    if done.returncode:
        sys.exit(f"failed: {command[1][:60]}\n{done.stderr[-2000:]}")
    return {"seconds": seconds, "cpu": cpu, "peak": json.loads(done.stdout.strip().splitlines()[-1])["peak_mib"]}


def against(results: dict[str, list[dict[str, float]]]) -> list[str]:
    """How the full check stands to each plain script, round by round: a line for each."""
    lines = []
    for name in [each for each in results if each.startswith("plain") and "full check" in results]:
        pairs = list(zip(results[name], results["full check"], strict=True))
        wall, cpu, peak = (statistics.median(one[key] / ours[key] for one, ours in pairs)
                           for key in ("seconds", "cpu", "peak"))
        lines.append(f"full check against {name}: {wall:.2f} x as fast ({cpu:.2f} x in processor time), "
                     f"{1 / peak:.2f} of its memory")
    return lines


def main() -> None:
    """Run the rounds and print a table of medians."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", required=True, type=Path, help="folder made by make_week.py")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--parquet", action="store_true", help="read week.parquet instead of week.csv")
    length = parser.add_mutually_exclusive_group()
    length.add_argument("--days", type=int, help="so many days instead of what FOLDER holds")
    length.add_argument("--month", action="store_true", help="30 days of 10-minute values, CSV")
    parser.add_argument("--only", nargs="+", help="run these rows only (the first is always run)")
    parser.add_argument("--save", type=Path, help="write all measurements to a JSON file")
    arguments = parser.parse_args()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(Path(tempfile.gettempdir()) / "pqcheck-bench-bytecode")
    folder = arguments.data.resolve()
    if arguments.month:
        chosen = commands_of_month(made(folder / "month", "make_month.py", "month.csv"))
    else:
        if arguments.days:
            data = "week.parquet" if arguments.parquet else "week.csv"
            folder = made(folder / f"days-{arguments.days}", "make_week.py", data, arguments.days)
        chosen = commands(folder, arguments.parquet)
    base = next(iter(chosen))
    if arguments.only:
        chosen = {name: command for name, command in chosen.items() if name == base or name in arguments.only}
    results: dict[str, list[dict[str, float]]] = {name: [] for name in chosen}
    for _ in range(arguments.rounds):
        for name, command in chosen.items():
            results[name].append(run(command))
    if arguments.save:
        arguments.save.write_text(json.dumps(results, indent=1))
    sign = "R" if base == "bare read R" else base
    print(f"| run | x {sign}, median (min to max) | processor time x {sign} | seconds, median | peak MiB |")
    print("|---|---|---|---|---|")
    for name, measured in results.items():
        ratios = [one["seconds"] / other["seconds"] for one, other in zip(measured, results[base], strict=True)]
        seconds = statistics.median(one["seconds"] for one in measured)
        peak = statistics.median(one["peak"] for one in measured)
        spread = f"{statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
        cpu = statistics.median(one["cpu"] / other["cpu"] for one, other in zip(measured, results[base], strict=True))
        print(f"| {name} | {spread} | {cpu:.2f} | {seconds:.2f} | {peak:.0f} |")
    print("\n".join(against(results)))


if __name__ == "__main__":
    main()
