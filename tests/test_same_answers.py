"""The same answers as a few lines of pandas and of polars: counts, windows and percentiles of a shortened week.

The other libraries and the definitions of their percentiles (interpolated between the two neighbouring ranks) are the
reference here. `benchmarks/same_answers.py` asks the same of a whole week, through the plain scripts.
"""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck import check

BENCHMARKS = Path(__file__).parent / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

import same_answers  # noqa: E402
from make_week import PER_DAY, SITE, START  # noqa: E402

DAYS, SLOTS = 7, 400
HEADERS = (
    [f"voltage_harmonic.{phase}n.h{order} [%]" for phase in "abc" for order in (3, 5, 7, 11)]
    + [f"current_harmonic.{phase}.h{order} [A]" for phase in "ab" for order in (5, 7, 11)]
    + ["voltage_thd.an [%]", "voltage_thd.bn [%]"]
)
LIMITS = {
    header: ("1.300", "1.020") if header.startswith("voltage_h") else ("5.2", "5.04") for header in HEADERS
}
"""On the grid of the printed values, so that readings equal to a limit occur."""


def values_of_a_day(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Twenty minutes of a day without some rows, and values with blank cells.

    They are the first of the day, on the last day the last: a period has a finding when it is over.
    """
    rng = np.random.default_rng([11, number])
    scale = np.array([1.0 if header.startswith("voltage_h") else 5.0 for header in HEADERS])
    spread = np.array([0.15 if header.startswith("voltage_h") else 0.03 for header in HEADERS])
    values = np.round(scale * (1 + spread * rng.standard_normal((SLOTS, len(HEADERS)))), 3)
    values[rng.integers(0, SLOTS, 3), rng.integers(0, len(HEADERS), 3)] = np.nan
    rows = np.delete(np.arange(SLOTS), np.arange(250, 250 + 3 * (number % 3)))
    return rows + (PER_DAY - SLOTS if number == DAYS - 1 else 0), values[rows]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("same")
    lines = [",".join(["time", *HEADERS])]
    for number in range(DAYS):
        rows, values = values_of_a_day(number)
        stamps = START + np.timedelta64(number, "D") + rows * np.timedelta64(3, "s")
        lines += [
            f"{stamp}+00:00," + ",".join("" if np.isnan(value) else repr(float(value)) for value in row)
            for stamp, row in zip(stamps, values, strict=True)
        ]
    (folder / "week.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    limits = ["channel,limit_3s,limit_10min", *(f"{header},{a},{b}" for header, (a, b) in LIMITS.items())]
    (folder / "limits.csv").write_text("\n".join(limits) + "\n", encoding="utf-8")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def ours(place: Path) -> dict[str, Any]:
    table = place / "bench.json"
    table.write_text(json.dumps(same_answers.limit_table(LIMITS)), encoding="utf-8")
    return same_answers.our_answers(check(place / "week.csv", place / "site.toml", [table]), HEADERS)


def in_pandas(place: Path) -> dict[str, Any]:
    import pandas as pd

    frame = pd.read_csv(place / "week.csv", parse_dates=["time"]).set_index("time")
    fine = pd.Series({header: float(a) for header, (a, _) in LIMITS.items()})
    by_day = frame.groupby(frame.index.date)
    squares = (frame**2).resample("10min")
    ten = np.sqrt(squares.mean()).where(squares.count() == 200)
    return {
        "outside": (frame > fine).groupby(frame.index.date).sum().to_dict("list"),
        "valid": by_day.count().to_dict("list"),
        "equal": int((frame == fine).sum().sum()),
        "day-99": {way: by_day.quantile(0.99, interpolation=way).to_dict("list") for way in WAYS},
        "whole-95": {way: {h: [ten[h].quantile(0.95, interpolation=way)] for h in HEADERS} for way in WAYS},
        "outside_10min": {header: int((ten[header] > float(LIMITS[header][1])).sum()) for header in HEADERS},
    }


def in_polars(place: Path) -> dict[str, Any]:
    import polars as pl

    frame = pl.read_csv(place / "week.csv", schema_overrides={header: pl.Float64 for header in HEADERS})
    frame = frame.with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%z"))
    by_day = frame.group_by(pl.col("time").dt.date().alias("day"), maintain_order=True)
    ten = frame.group_by_dynamic("time", every="10m").agg(
        pl.when(pl.col(header).count() == 200).then(pl.col(header).pow(2).mean().sqrt()).alias(header)
        for header in HEADERS
    )
    limits = {header: (float(a), float(b)) for header, (a, b) in LIMITS.items()}

    def lists(table: pl.DataFrame) -> dict[str, list[Any]]:
        return table.select(HEADERS).to_dict(as_series=False)

    return {
        "outside": lists(by_day.agg((pl.col(header) > limits[header][0]).sum() for header in HEADERS)),
        "valid": lists(by_day.agg(pl.col(HEADERS).count())),
        "equal": sum(int((frame[header] == limits[header][0]).sum()) for header in HEADERS),
        "day-99": {way: lists(by_day.agg(pl.col(HEADERS).quantile(0.99, way))) for way in WAYS},
        "whole-95": {way: lists(ten.select(pl.col(HEADERS).quantile(0.95, way))) for way in WAYS},
        "outside_10min": {header: int((ten[header] > limits[header][1]).sum()) for header in HEADERS},
    }


WAYS = ("lower", "linear", "higher")


@pytest.mark.parametrize("theirs", [in_pandas, in_polars])
def test_counts_are_equal_and_percentiles_bracketed(theirs: Any, place: Path, ours: dict[str, Any]) -> None:
    plain = theirs(place)
    assert ours["valid"] == plain["valid"]
    assert ours["outside"] == plain["outside"]
    assert plain["equal"] > 0
    assert sum(map(sum, ours["outside"].values())) > 0
    intervals = {header: round(sum((last - first) / 600 + 1 for first, last, _ in found))
                 for header, found in ours["windows_10min"].items()}  # fmt: skip
    assert intervals == plain["outside_10min"]
    assert sum(intervals.values()) > 0
    for rule in ("day-99", "whole-95"):
        for header, readings in ours[rule].items():
            lower, linear, higher = (plain[rule][way][header] for way in WAYS)
            for reading, low, between, high in zip(readings, lower, linear, higher, strict=True):
                assert low <= between <= high
                # Ten-minute values are the same sums in another order.
                assert reading == pytest.approx(low, rel=1e-12) or reading == pytest.approx(high, rel=1e-12)


def test_windows_are_runs_of_neighbouring_values(place: Path, ours: dict[str, Any]) -> None:
    """Runs found one value after another in plain Python."""
    rows = [line.split(",") for line in (place / "week.csv").read_text(encoding="utf-8").splitlines()[1:]]
    for column, header in enumerate(HEADERS, start=1):
        runs: list[list[float]] = []
        limit, before = float(LIMITS[header][0]), None
        for row in rows:
            at, text = same_answers.seconds(row[0]), row[column]
            if text and float(text) > limit:
                if runs and runs[-1][1] == before and at - before == 3:
                    runs[-1][1:] = [at, max(runs[-1][2], float(text))]
                else:
                    runs.append([at, at, float(text)])
            before = at
        assert ours["windows_3s"][header] == runs
        assert runs


@pytest.mark.parametrize("flag", [[], ["--parquet"]])
def test_the_script_agrees_with_the_plain_scripts(place: Path, flag: list[str]) -> None:
    import polars as pl

    frame = pl.read_csv(place / "week.csv", schema_overrides={header: pl.Float32 for header in HEADERS})
    frame = frame.with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%z", time_unit="ms"))
    frame.write_parquet(place / "week.parquet")
    command = [sys.executable, str(BENCHMARKS / "same_answers.py"), "--data", str(place), *flag]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    said = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["same as"] for one in said] == ["plain_pandas.py", "plain_polars.py"]
    assert all((one["channels"], one["days"], one["gaps"]) == (20, 7, 6 + 4) for one in said)


def test_a_difference_is_noticed(place: Path, ours: dict[str, Any], tmp_path: Path) -> None:
    plain = same_answers.plain_answers("plain_pandas.py", place / "week.csv", place / "limits.csv", tmp_path / "a.json")
    assert list(same_answers.differences(ours, plain)) == []
    header = HEADERS[0]
    for key, change in (("outside", [9] * DAYS), ("windows_3s", []), ("gaps", []), ("day-99", [[0.0] * 3] * DAYS)):
        other = copy.deepcopy(plain)
        if key == "gaps":
            other[key] = change
        else:
            other[key][header] = change
        assert list(same_answers.differences(ours, other)), key
