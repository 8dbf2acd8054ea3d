"""The benchmark scripts at about a hundredth of their size: that they run, and that all give the same answer.

No time is judged here. The plain scripts are an analyst's way to the same numbers with other libraries.
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

from pqcheck import Findings, check

BENCHMARKS = Path(__file__).parent / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

import growth  # noqa: E402
import many  # noqa: E402
import same_answers  # noqa: E402
import worst  # noqa: E402
from make_week import PER_DAY, SITE, Model, as_table, channel_model, day, stamps  # noqa: E402

DAYS = 2
ORDERS = [f"voltage_harmonic.{phase}n.h{order} [%]" for phase in "abc" for order in (5, 7, 11)]


def call(script: str, *arguments: str | Path) -> dict[str, Any]:
    command = [sys.executable, str(BENCHMARKS / script), *(str(one) for one in arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer


def some_columns() -> tuple[Model, list[int]]:
    model = channel_model(1)
    return model, [model.headers.index(header) for header in ORDERS]


def limits_between(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Per channel a limit that some days and intervals pass: between printed values, where no value can stand."""
    fine = np.round(np.quantile(values, 0.99, axis=0), 4) + 0.00005
    squares = (values.reshape(-1, 200, values.shape[1]) ** 2).mean(axis=1)
    coarse = np.round(np.quantile(np.sqrt(squares), 0.95, axis=0), 4) + 0.00005
    return fine, coarse


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days of nine channels as Parquet, float64 so that all compare the same numbers, and limits for them."""
    import pyarrow as pa
    import pyarrow.parquet

    folder = tmp_path_factory.mktemp("bench")
    model, columns = some_columns()
    tables, parts = [], []
    for number in range(DAYS):
        rows, values = day(model, 1, number, False)
        whole = as_table(model, stamps(number, rows), values, "parquet")
        part = values[:, columns]
        parts.append(part)
        tables.append(pa.table([whole.column("time"), *(pa.array(one) for one in part.T)], names=["time", *ORDERS]))
    fine, coarse = limits_between(np.concatenate(parts))
    pa.parquet.write_table(pa.concat_tables(tables), folder / "week.parquet")
    lines = ["channel,limit_3s,limit_10min"]
    lines += [f"{one},{a:.5f},{b:.5f}" for one, a, b in zip(ORDERS, fine, coarse, strict=True)]
    (folder / "limits.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return folder


def tables_for(place: Path) -> list[Path]:
    """A limit table per phase: the plain scripts have a limit per channel."""
    rows = [line.split(",") for line in (place / "limits.csv").read_text(encoding="utf-8").splitlines()[1:]]
    paths = []
    for phase in "abc":
        mine = [(header.split(".h")[1].split(" ")[0], fine, coarse) for header, fine, coarse in rows
                if header.startswith(f"voltage_harmonic.{phase}n")]
        common = {
            "clause": "1", "confidence": "derived", "quantity": "voltage_harmonic", "reference": "fundamental",
            "comparison": "closed", "phases": [f"{phase}n"],
        }  # fmt: skip
        rules = [
            {
                **common, "id": name, "title": name, "interval": interval, "period": period,
                "statistic": {"kind": "share_within", "percent": percent},
                "limit": {"kind": "by_order",
                          "orders": [{"orders": [int(one[0])], "high": one[which]} for one in mine]},
            }
            for name, interval, period, percent, which in (
                ("day-99", "3 s", "day", "99", 1), ("whole-95", "10 min", "recording", "95", 2),
            )
        ]  # fmt: skip
        path = place / f"bench-{phase}.json"
        path.write_text(json.dumps({
            "format": "pqcheck-limit-table/1", "id": f"bench-{phase}", "standard": "Benchmark", "edition": "1",
            "title": "Limits of the benchmark", "source": "invented for this test", "rules": rules,
        }), encoding="utf-8")  # fmt: skip
        paths.append(path)
    return paths


@pytest.fixture(scope="module")
def ours(place: Path) -> Findings:
    return check(place / "week.parquet", place / "site.toml", tables_for(place), quantities=["voltage_harmonic"])


def of_rule(findings: Findings, rule: str) -> list[Any]:
    return [one for one in findings.findings if one.rule == rule and one.order in (5, 7, 11)]


@pytest.mark.parametrize("script", ["plain_pandas.py", "plain_polars.py"])
def test_counts_are_those_of_the_plain_scripts(script: str, place: Path, ours: Findings) -> None:
    plain = call(script, place / "week.parquet", place / "limits.csv")
    fine, coarse = of_rule(ours, "day-99"), of_rule(ours, "whole-95")
    assert (len(fine), len(coarse)) == (len(ORDERS) * DAYS, len(ORDERS))
    assert plain["rows"] == DAYS * PER_DAY == fine[0].intervals.valid * DAYS
    assert plain["windows_10min"] == sum(len(one.windows) for one in coarse) > 0
    # A window that goes on across midnight belongs to two days here and is one run there.
    edges = {(one.channel, window.start) for one in fine for window in one.windows}
    across = sum((one.channel, window.end) in edges for one in fine for window in one.windows)
    assert plain["windows_3s"] == sum(len(one.windows) for one in fine) - across > 0
    assert plain["above_daily"] == sum(one.verdict.value == "fail" for one in fine) > 0


def test_displayed_readings_are_bracketed_by_interpolated_percentiles(place: Path, ours: Findings) -> None:
    # numpy's "linear" quantile (Hyndman and Fan type 7) lies between the reading of rank ceil(p n) and the next.
    import polars as pl

    frame = pl.read_parquet(place / "week.parquet")
    for one in of_rule(ours, "day-99"):
        values = frame[f"{one.channel} [%]"].to_numpy()
        first = 0 if one.period.start.startswith("2031-03-03") else PER_DAY
        ordered = np.sort(values[first : first + PER_DAY])
        at = int(np.searchsorted(ordered, one.statistic.value, side="right"))
        assert one.statistic.value <= np.quantile(ordered, 0.99) <= ordered[min(at, PER_DAY - 1)]
        assert one.intervals.outside == int((ordered > one.limit.high).sum())


def test_the_benchmark_runs(place: Path, tmp_path: Path) -> None:
    saved = tmp_path / "rounds.json"
    names = ["our read", "full check", "plain polars"]
    command = [sys.executable, str(BENCHMARKS / "bench.py"), "--data", str(place), "--parquet", "--rounds", "1"]
    command += ["--only", *names, "--save", str(saved)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    rounds = json.loads(saved.read_text(encoding="utf-8"))
    assert set(rounds) == {"bare read R", *names}
    assert all(one["cpu"] > 0 for measured in rounds.values() for one in measured)
    assert done.stdout.startswith("| run |")


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven days instead of thirty, and limits without TDD, which is formed from the orders here and not read."""
    folder = tmp_path_factory.mktemp("bench-month") / "month"
    command = [sys.executable, str(BENCHMARKS / "make_month.py"), "--out", str(folder), "--days", "7"]
    subprocess.run(command, check=True)
    lines = (folder / "limits.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith("current_tdd")]
    (folder / "limits.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return folder


def test_the_month_is_made_of_the_values_of_the_week(month: Path) -> None:
    import polars as pl

    frame = pl.read_csv(month / "month.csv", schema_overrides={"time": pl.String}, infer_schema_length=None)
    assert frame.width == 1 + 3 * 308
    model = channel_model(1)
    rows, values = day(model, 1, 2, True)
    assert rows.size < PER_DAY
    at = model.headers.index("voltage_harmonic.an.h5 [%]")
    for slot in (0, 70, 143):
        members = values[(rows >= 200 * slot) & (rows < 200 * (slot + 1)), at]
        stamp = f"2031-03-05T{slot // 6:02d}:{slot % 6 * 10:02d}:00+00:00"
        row = frame.row(by_predicate=pl.col("time") == stamp, named=True)
        expected = members.min(), round(float(np.sqrt((members**2).mean())), 4), members.max()
        assert tuple(row[f"voltage_harmonic.an.h5.{reading} [%]"] for reading in ("min", "mean", "max")) == expected


def test_the_month_gives_the_windows_of_plain_pandas(month: Path) -> None:
    plain = call("plain_pandas_month.py", month / "month.csv", month / "limits.csv")
    ours = same_answers.checked(month / "month.csv", month, month)
    assert plain["windows_mean"] == sum(len(one.windows) for one in of_rule_group(ours, "whole-95")) > 0
    # Days of 3-second values are not counted from 10-minute values; their largest values prove some of them.
    proven = [one for one in of_rule_group(ours, "day-99") if one.reason and one.reason.code == "proven-by-bound"]
    assert {one.verdict.value for one in proven} == {"pass"}


def of_rule_group(findings: Findings, name: str) -> list[Any]:
    return [one for one in findings.findings if one.rule.startswith(f"{name}-")]


def test_the_month_is_measured_against_plain_pandas(month: Path, tmp_path: Path) -> None:
    saved = tmp_path / "rounds.json"
    command = [sys.executable, str(BENCHMARKS / "bench.py"), "--data", str(month.parent), "--month", "--rounds", "1"]
    done = subprocess.run([*command, "--save", str(saved)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    rounds = json.loads(saved.read_text(encoding="utf-8"))
    assert list(rounds) == ["plain pandas", "bare read", "our read", "full check"]
    assert "full check against plain pandas" in done.stdout


def test_growth_at_a_hundredth(tmp_path: Path) -> None:
    # 8 "days" of 288 slots: one recording of under two hours, in files that border on each other.
    paths = growth.make_days(tmp_path, 8, slots=PER_DAY // 100)
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    whole = tmp_path / "whole.json"
    whole.write_text(check(paths, tmp_path / "site.toml").to_json(), encoding="utf-8")
    assert growth.rows_joined(whole) > 0
    again = tmp_path / "again.json"
    again.write_text(check(list(reversed(paths)), tmp_path / "site.toml").to_json(), encoding="utf-8")
    assert growth.same_apart(whole, [again])["only_apart"] == 0


def test_growth_notices_a_difference(tmp_path: Path) -> None:
    paths = growth.make_days(tmp_path, 2, slots=PER_DAY // 100)
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    text = check(paths, tmp_path / "site.toml").to_json()
    one, other = tmp_path / "one.json", tmp_path / "other.json"
    one.write_text(text, encoding="utf-8")
    judged = next(each for _, each in growth.findings_of(one))
    changed = copy.deepcopy(judged)
    changed["intervals"]["outside"] += 1
    lines = text.splitlines(keepends=True)
    at = next(number for number, line in enumerate(lines) if f'"id": "{judged["id"]}"' in line)
    lines[at] = "  " + json.dumps(changed) + ",\n"
    other.write_text("".join(lines), encoding="utf-8")
    with pytest.raises(SystemExit, match="intervals is"):
        growth.same_apart(one, [other])


def written(path: Path, found: list[tuple[str, list[list[Any]]]]) -> Path:
    """A findings file of one line per finding; each has an id and windows of start, end, intervals and worst value."""
    lines = []
    for identity, windows in found:
        keys = ("start", "end", "intervals", "worst")
        lines.append(json.dumps({
            "id": identity, "kind": "limit", "verdict": "pass", "intervals": {"valid": 3}, "statistic": None,
            "margin": None, "proven": True, "modifiers": [], "title": "t",
            "windows": [{**dict(zip(keys, each, strict=True)), "rows": [{"file": "a"}]} for each in windows],
        }))  # fmt: skip
    path.write_text('{\n "findings": [\n  ' + ",\n  ".join(lines) + '\n ],\n "verdict": "pass"\n}\n', encoding="utf-8")
    return path


def test_weeks_are_compared_one_after_the_other(tmp_path: Path) -> None:
    # A window over midnight is one in the whole where its days touch; the last week exists apart only.
    first, second = ("t/r/c@1", [["1", "2", 5, 7.0]]), ("t/r/c@2", [["2", "3", 4, 8.0], ["5", "6", 1, 9.0]])
    whole = written(tmp_path / "whole.json", [first, second])
    parts = [written(tmp_path / f"{at}.json", [one]) for at, one in enumerate((first, second, ("t/r/c@3", [])))]
    assert growth.same_apart(whole, parts) == {"findings": 2, "windows": 2, "only_apart": 1}
    other = written(tmp_path / "other.json", [("t/r/c@2", [["2", "3", 4, 8.5], ["5", "6", 1, 9.0]])])
    with pytest.raises(SystemExit, match="t/r/c: windows differ"):
        growth.same_apart(whole, [parts[0], other])


def test_a_findings_file_in_another_layout_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one-line.json"
    path.write_text('{"findings": []}', encoding="utf-8")
    with pytest.raises(SystemExit, match="no whole findings file"):
        list(growth.findings_of(path))


def test_many_small_recordings(tmp_path: Path) -> None:
    answer = call("many.py", "--count", "20", "--singles", "2", "--rows", "144", "--work", tmp_path)
    assert (answer["recordings"], answer["findings_files"], answer["left_over"]) == (20, 20, 0)
    assert len(many.headers()) == 60


def test_hard_data_is_judged() -> None:
    answer = call("worst.py", "--days", "1", "--slots", str(PER_DAY // 100), "--rounds", "1")
    assert set(answer["kinds"]) == {
        "constant", "two values", "30 % blank", "all over", "alternating", "rising and falling",
    }  # fmt: skip
    # Every second of 288 intervals is a run of its own in at least 250 of the channels that have a daily rule.
    assert answer["kinds"]["alternating"]["windows"] > 250 * PER_DAY // 200
    assert len(worst.typical(1, 288)) == 308


def test_the_growth_picture_is_the_same_for_the_same_numbers() -> None:
    from xml.etree import ElementTree

    import plot_growth

    def entry(days: int) -> dict[str, Any]:
        return {"read": {"cpu": 0.5 + 0.06 * days, "peak": 300.0}, "check": {"cpu": 0.9 + 0.16 * days, "peak": 400.0}}

    saved = {"lengths": {str(days): entry(days) for days in (1, 7, 30)}}
    picture = plot_growth.as_svg(saved)
    assert picture == plot_growth.as_svg(json.loads(json.dumps(saved)))
    assert len(ElementTree.fromstring(picture).findall("{http://www.w3.org/2000/svg}circle")) == 2 * (2 + 3)
