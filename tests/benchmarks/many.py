#!/usr/bin/env python3
"""Many small recordings: `check --each` over all of them against a loop of single calls.

    many.py [--count 2000] [--singles 60] [--work FOLDER]

Every recording is one week of 10-minute values of 60 channels (1008 x 60, CSV). Fifty different recordings are made and
written under different names, which reads and judges like as many different ones; one file in the middle holds no
recording at all. A single call is `pqcheck check FILE --json FILE`; `--singles` of them are timed, spread over the
files.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from make_week import START

KINDS = 50
SITE = """\
name = "Invented chain of shops"
time_zone = "UTC"

[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
measured_at = "service"

[limits]
apply = ["en50160-2010-lv"]
"""


def headers() -> list[str]:
    """Sixty channels."""
    names = [f"voltage.{phase}n [V]" for phase in "abc"] + [f"current.{phase} [A]" for phase in "abc"]
    names += [f"voltage_thd.{phase}n [%]" for phase in "abc"]
    return names + [f"voltage_harmonic.{phase}n.h{order} [%]" for phase in "abc" for order in range(2, 19)]


def week(seed: int, rows: int = 1008) -> str:
    """One recording as text; every seventh has a morning of low voltage on one phase."""
    rng = np.random.default_rng(seed)
    level = np.array([230.0] * 3 + [80.0] * 3 + [2.5] * 3 + [0.2] * 51)
    values = level * (1 + np.where(level == 230.0, 0.01, 0.08) * rng.standard_normal((rows, level.size)))
    if seed % 7 == 0:
        values[: rows // 14, 0] = 205.0
    stamps = START + np.arange(rows) * np.timedelta64(600, "s")
    lines = ["time," + ",".join(headers())]
    lines += [f"{at}Z," + ",".join(f"{value:.3f}" for value in row) for at, row in zip(stamps, values, strict=True)]
    return "\n".join(lines) + "\n"


def make(folder: Path, count: int, rows: int = 1008) -> list[str]:
    """Write the recordings and the site file; the names of the recordings."""
    texts = [week(seed, rows) for seed in range(min(KINDS, count))]
    paths = []
    for number in range(count):
        path = folder / f"shop-{number:04d}.csv"
        text = "no recording at all\n" if number == count // 2 else texts[number % len(texts)]
        path.write_text(text, encoding="utf-8")
        paths.append(str(path))
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return paths


def timed(arguments: list[str]) -> tuple[float, float]:
    """Wall and processor time of one call of the command."""
    begin = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-m", "pqcheck", "check", *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1, 3):
        sys.exit(f"a check ended with {os.waitstatus_to_exitcode(status)}")
    return time.perf_counter() - begin, usage.ru_utime + usage.ru_stime


def main() -> None:
    """Make, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--singles", type=int, default=60)
    parser.add_argument("--rows", type=int, default=1008)
    parser.add_argument("--work", type=Path)
    arguments = parser.parse_args()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(Path(tempfile.gettempdir()) / "pqcheck-bench-bytecode")
    with tempfile.TemporaryDirectory(dir=arguments.work) as name:
        folder = Path(name)
        paths = make(folder, arguments.count, arguments.rows)
        site = str(folder / "site.toml")
        half = arguments.count // 2
        step = max(1, arguments.count // arguments.singles)
        chosen = [path for number, path in enumerate(paths) if number != half][::step]
        timed([chosen[0], "--site", site, "--quiet"])
        singles = [timed([path, "--site", site, "--quiet", "--json", str(folder / "one.json")]) for path in chosen]
        target = folder / "findings"
        seconds, cpu = timed([*paths, "--each", "--site", site, "--quiet", "--json", str(target)])
        loop = sum(one[0] for one in singles) / len(singles)
        loop_cpu = sum(one[1] for one in singles) / len(singles)
        print(json.dumps({
            "cores": len(os.sched_getaffinity(0)),
            "recordings": arguments.count,
            "findings_files": len(list(target.glob("*.json"))),
            "each_per_second": round(arguments.count / seconds, 2),
            "loop_per_second": round(1 / loop, 2),
            "faster": round(loop * arguments.count / seconds, 2),
            "processor_time_of_loop_to_each": round(loop_cpu * arguments.count / cpu, 2),
            "left_over": len(list(target.glob(".*"))),
        }))


if __name__ == "__main__":
    main()
