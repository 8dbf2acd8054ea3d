"""What the command line sets up before it works, what it leaves alone, and what an ordinary check does without."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pyarrow as pa
import pytest
from pyarrow import parquet

from pqcheck.cli import main

ROOT = Path(__file__).resolve().parent.parent
THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
SITE = """
name = "Test bench"
time_zone = "UTC"
[supply]
nominal_voltage = "230 V"
connection = "single-phase"
[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
"""


def said_by(code: str, **environment: str) -> list[object]:
    """The last line that a fresh process prints, as JSON."""
    clean = {name: value for name, value in os.environ.items() if name not in THREADS}
    done = subprocess.run(
        [sys.executable, "-c", f"import json, os, sys\n{code}"],
        env=clean | environment, cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    found: list[object] = json.loads(done.stdout.splitlines()[-1])
    return found


COMMAND = "from pqcheck.cli import main; main(['--version'])\n"
SHOWN = f"print(json.dumps([os.environ.get(name) for name in {THREADS!r}]))"


def test_a_command_asks_for_one_thread_of_algebra() -> None:
    assert said_by(COMMAND + SHOWN) == ["1", "1", "1"]


def test_what_the_caller_set_stays() -> None:
    assert said_by(COMMAND + SHOWN, OPENBLAS_NUM_THREADS="3") == ["3", "1", "1"]


def test_the_library_and_a_program_that_has_numpy_already_are_left_alone() -> None:
    assert said_by("import pqcheck; pqcheck.check\n" + SHOWN) == [None, None, None]
    assert said_by("import numpy\n" + COMMAND + SHOWN) == [None, None, None]


def test_garbage_is_collected_as_before_once_a_command_is_done() -> None:
    before = gc.get_threshold()
    assert main(["check", "no-such-file.csv", "--site", "no-such-site.toml"]) == 2
    assert gc.get_threshold() == before


def test_only_a_process_of_its_own_spares_itself_the_last_look_for_garbage() -> None:
    held = "import gc; print(json.dumps([gc.get_freeze_count() > 0]))"
    assert said_by("from pqcheck.cli import main; sys.argv[1:] = ['--version']; main()\n" + held) == [True]
    assert said_by(COMMAND + held) == [False]


@pytest.mark.parametrize("name", ["week.csv", "week.parquet"])
def test_a_plain_check_does_without_what_it_does_not_use(tmp_path: Path, name: str) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    rows = [f"2031-03-{3 + n // 144:02d}T{n % 144 // 6:02d}:{n % 6}0:00Z,230.{n % 7}" for n in range(1008)]
    if name.endswith("csv"):
        (tmp_path / name).write_text("time,voltage.an [V]\n" + "\n".join(rows) + "\n", encoding="utf-8")
    else:
        columns = [row.split(",") for row in rows]
        times = pa.array([datetime.fromisoformat(stamp) for stamp, _ in columns], pa.timestamp("ms", tz="UTC"))
        volts = pa.array([float(value) for _, value in columns], pa.float32())
        parquet.write_table(pa.table({"time": times, "voltage.an [V]": volts}), tmp_path / name, compression="zstd")
    unused = ["pqcheck.reports.bundle", "pqcheck.derive.corrections", "pqcheck.workflows.without_declarations",
              "pqcheck.waivers.apply_waivers", "pqcheck.loads", "pqcheck.observe", "pandas", "matplotlib", "pint",
              "polars", *(["pyarrow"] if name == "week.csv" else [])]  # fmt: skip
    code = (
        f"from pqcheck.cli import main; code = main(['check', {str(tmp_path / name)!r}, '--site', "
        f"{str(tmp_path / 'site.toml')!r}, '--json', {str(tmp_path / 'found.json')!r}])\n"
        f"print(json.dumps([code, *(name for name in {unused!r} if name in sys.modules)]))"
    )
    assert said_by(code) == [0]
    assert json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))["verdict"] == "pass"


@pytest.mark.parametrize("extra", [["--bundle", "bundle"], ["--out", "report.md"]])
def test_what_is_imported_late_is_there_when_asked_for(
    tmp_path: Path, extra: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("site.toml").write_text(SITE, encoding="utf-8")
    Path("day.csv").write_text("time,voltage.an [V]\n2031-03-03T00:00:00Z,230\n2031-03-03T00:10:00Z,231\n")
    assert main(["check", "day.csv", "--site", "site.toml", *extra]) == 3
    assert Path(extra[1]).exists()
