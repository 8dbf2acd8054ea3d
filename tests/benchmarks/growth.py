#!/usr/bin/env python3
"""How time and memory grow with the length of a recording: 3-second values of 1 to 365 days in Parquet, one file a day.

    growth.py --work FOLDER [--days 1 7 30 90 365] [--rounds 3] [--apart-days N] [--save FILE]
              [--keep]

A few template days are made as make_week.py makes them and written again and again, rotated by a different number of
slots each time, with missing rows and with one order held high across every third midnight. Every length is then read
alone ("our read": parsing and layout, nothing judged) and checked, each in a process of its own; in every round each of
them runs once, the short ones several times, since little things weigh much there. One of the lengths
(--apart-days, or the longest but one) is also checked week by week: findings of the same table, rule, channel and
period must be equal, and windows must be the same once those that touch are joined. Every findings file is gone
through finding by finding, the weeks one after the other, so that a year can be compared as well. The files (about
15 MB a day) are deleted at the end unless --keep is given.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet
from make_week import PER_DAY, SITE, START, STEP_S, channel_model, day

HERE = Path(__file__).parent
TEMPLATES = 3
BORDER_ROWS = 40
MOST_REPEATS = 5
HELD_HIGH = "voltage_harmonic.an.h5 [%]"

READ = """
import sys
from pqcheck.io import read
from pqcheck.site.load_site import load_site
for stream in read(sys.argv[2:], load_site(sys.argv[1])).streams:
    for block in stream.blocks(None):
        pass
"""
CHECK = """
import contextlib, io, sys
from pqcheck.cli import main
sys.argv[1:] = ["check", *sys.argv[3:], "--site", sys.argv[1], "--json", sys.argv[2], "--quiet"]
with contextlib.redirect_stdout(io.StringIO()):
    code = main()
if code not in (0, 1, 3):
    sys.exit(f"pqcheck check ended with {code}")
"""
PEAK = "\nimport json; from peak import peak_mib; print(json.dumps(peak_mib()))"


def make_days(folder: Path, days: int, seed: int = 1, slots: int = PER_DAY) -> list[Path]:
    """Write one Parquet file per day; `slots` below a full day makes short days for tests."""
    folder.mkdir(parents=True, exist_ok=True)
    model = channel_model(seed)
    templates = []
    for number in range(TEMPLATES):
        _, values = day(model, seed, number, False)
        columns = [pa.array(values[:slots, column].astype(np.float32)) for column in range(values.shape[1])]
        templates.append(pa.table(dict(zip(model.headers, columns, strict=True))))
    held = model.headers.index(HELD_HIGH)
    paths = []
    for number in range(days):
        path = folder / f"day-{number:03d}.parquet"
        paths.append(path)
        if not path.exists():
            pa.parquet.write_table(_one_day(templates, held, number, slots), path, compression="zstd",
                                   compression_level=1, row_group_size=PER_DAY)
    return paths


def _one_day(templates: list[pa.Table], held: int, number: int, slots: int) -> pa.Table:
    turn = number * 977 % slots
    base = templates[number % TEMPLATES]
    table = pa.concat_tables([base.slice(turn), base.slice(0, turn)]).combine_chunks()
    high = table.column(held).to_numpy().copy()
    if number % 3 == 0:
        high[-BORDER_ROWS:] *= 6
    if number % 3 == 1:
        high[:BORDER_ROWS] *= 6
    table = table.set_column(held, HELD_HIGH, pa.array(high))
    start = START + np.timedelta64(number * slots * STEP_S, "s")
    stamps = (start + np.arange(slots) * np.timedelta64(STEP_S, "s")).astype("datetime64[ms]")
    table = table.add_column(0, "time", pa.array(stamps).cast(pa.timestamp("ms", tz="UTC")))
    if number % 5 == 2:
        table = pa.concat_tables([table.slice(0, slots // 3), table.slice(slots // 3 + slots // 144)])
    return table


def run(body: str, arguments: list[str]) -> dict[str, float]:
    """Wall and processor time [s] and own peak memory [MiB] of one process."""
    head = f"import sys; sys.path.insert(0, {str(HERE)!r})\n"
    begin = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-c", head + body + PEAK, *arguments], stdout=subprocess.PIPE)
    assert process.stdout is not None
    said = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - begin
    if status:
        sys.exit(f"a run over {len(arguments)} arguments failed")
    peak = float(json.loads(said.splitlines()[-1]))
    return {"seconds": seconds, "cpu": usage.ru_utime + usage.ru_stime, "peak": peak}


def findings_of(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    """Limit findings that judged something, each with the place of its line in the file; one at a time in memory."""
    with path.open("rb") as handle:
        inside = False
        place = 0
        for line in handle:
            text = line.strip().rstrip(b",")
            inside = (inside or text.startswith(b'"findings"')) and text != b"]"
            if inside and text.startswith(b"{"):
                one = json.loads(text)
                if one["kind"] == "limit" and one["intervals"] is not None:
                    yield place, one
            place += len(line)
    if not place or text != b"}":
        sys.exit(f"{path}: this is no whole findings file with a finding on each line")


def joined(windows: list[list[Any]]) -> list[list[Any]]:
    """Windows of one table, rule and channel in time order, those that touch at a period's border made one."""
    whole: list[list[Any]] = []
    for window in sorted(windows):
        if whole and whole[-1][1] == window[0]:
            whole[-1][1:] = [window[1], whole[-1][2] + window[2], max(whole[-1][3], window[3])]
        else:
            whole.append(list(window))
    return whole


def same_apart(whole: Path, parts: list[Path]) -> dict[str, int]:
    """Compare a check of everything with checks of its weeks; raises SystemExit at the first difference.

    The findings are gone through one by one and those of the whole looked up in their file, so that only the windows of
    both are in memory.
    """
    places = {one["id"]: place for place, one in findings_of(whole)}
    seen: set[str] = set()
    windows: dict[str, tuple[list[list[Any]], list[list[Any]]]] = {}
    with whole.open("rb") as everything:
        for part in parts:
            for _, apart in findings_of(part):
                key = apart["id"]
                seen.add(key)
                if key not in places:
                    continue
                everything.seek(places[key])
                together = json.loads(everything.readline().strip().rstrip(b","))
                for name in ("verdict", "intervals", "statistic", "margin", "proven", "modifiers", "title"):
                    if apart[name] != together[name]:
                        sys.exit(f"{key}: {name} is {together[name]} together and {apart[name]} apart")
                pair = windows.setdefault(key.split("@")[0], ([], []))
                for side, one in zip(pair, (together, apart), strict=True):
                    side += [[each["start"], each["end"], each["intervals"], each["worst"]] for each in one["windows"]]
    for name, (one, other) in windows.items():
        if joined(one) != joined(other):
            sys.exit(f"{name}: windows differ between the check of everything and the checks of its weeks")
    common = sum(key in places for key in seen)
    count = sum(len(joined(one)) for one, _ in windows.values())
    return {"findings": common, "windows": count, "only_apart": len(seen) - common}


def rows_joined(path: Path) -> int:
    """Windows whose rows lie in more than one file: they go on across a border of files."""
    windows = (window for _, one in findings_of(path) for window in one["windows"])
    return sum(len({row["file"] for row in window["rows"]}) > 1 for window in windows)


def main() -> None:
    """Make, measure, compare, print, delete."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", required=True, type=Path)
    parser.add_argument("--days", nargs="+", type=int, default=[1, 7, 30, 90, 365])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--apart-days", type=int, help="one of --days, compared with its weeks (default: the longest "
                        "but one of at least 14 days; 0: none)")
    parser.add_argument("--save", type=Path)
    parser.add_argument("--keep", action="store_true")
    arguments = parser.parse_args()
    if arguments.apart_days and arguments.apart_days not in arguments.days:
        parser.error(f"--apart-days {arguments.apart_days} is none of --days; add it there")
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(Path(tempfile.gettempdir()) / "pqcheck-bench-bytecode")
    folder = arguments.work.resolve()
    begin = time.perf_counter()
    paths = [str(path) for path in make_days(folder, max(arguments.days))]
    print(f"{len(paths)} days made in {time.perf_counter() - begin:.0f} s, "
          f"{sum(os.path.getsize(path) for path in paths) / 1e6:.0f} MB", flush=True)
    site = folder / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    measured: dict[str, Any] = {"cores": len(os.sched_getaffinity(0)), "lengths": {}}
    runs: dict[int, list[dict[str, dict[str, float]]]] = {days: [] for days in arguments.days}
    for _ in range(arguments.rounds):
        for days in arguments.days:
            target = folder / f"findings-{days}.json"
            for _ in range(max(1, min(MOST_REPEATS, 60 // days))):
                runs[days].append({
                    "read": run(READ, [str(site), *paths[:days]]),
                    "check": run(CHECK, [str(site), str(target), *paths[:days]]),
                })
    for days, rounds in runs.items():
        target = folder / f"findings-{days}.json"
        entry = {
            what: {key: statistics.median(one[what][key] for one in rounds) for key in ("seconds", "cpu", "peak")}
            for what in ("read", "check")
        }
        entry["across_files"] = rows_joined(target)
        measured["lengths"][days] = entry
        print(days, json.dumps(entry), flush=True)
    several = [days for days in arguments.days if days >= 14]
    days = (several[-2:] or [0])[0] if arguments.apart_days is None else arguments.apart_days
    if days:
        parts = []
        for first in range(0, days, 7):
            part = folder / f"week-{first:03d}.json"
            run(CHECK, [str(site), str(part), *paths[first : min(first + 7, days)]])
            parts.append(part)
        measured["apart"] = {"days": days, **same_apart(folder / f"findings-{days}.json", parts)}
        print("apart", json.dumps(measured["apart"]))
    if arguments.save:
        arguments.save.write_text(json.dumps(measured, indent=1) + "\n", encoding="utf-8")
    if not arguments.keep:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
