"""The workbook: three sheets, numbers as numbers, percentiles as a second method gives them, the same bytes."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.cli import main
from pqcheck.observe.gather import gather
from pqcheck.observe.percentiles import PERCENTS, distributions
from tests.recordings import recording
from tests.report_material import WEEK, csv_text, week

SITE = """\
name = "=1+1 Mill Lane"
time_zone = "Europe/Lisbon"
[supply]
nominal_voltage = "400 V"
connection = "wye"
[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
[[exclusions]]
from = 2031-03-04T10:00:00Z
to = 2031-03-04T12:00:00Z
reason = "work on the board"
author = "site engineer"
"""


@pytest.fixture(name="place")
def place_of_files(tmp_path: Path) -> Path:
    (tmp_path / "week.csv").write_text(csv_text(week()), encoding="utf-8")
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


def sheet(data: bytes, name: str) -> list[dict[str, Any]]:
    rows = list(openpyxl.load_workbook(io.BytesIO(data))[name].iter_rows(values_only=True))
    return [dict(zip(map(str, rows[0]), row, strict=True)) for row in rows[1:]]


def about(data: bytes) -> dict[str, str]:
    return {row["about"]: row["text"] for row in sheet(data, "about")}


def written(place: Path, *more: str) -> bytes:
    target = place / "findings.xlsx"
    main(["check", str(place / "week.csv"), "--site", str(place / "site.toml"), "--out", str(target), *more])
    return target.read_bytes()


def test_sheets_say_what_the_findings_file_says(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = written(place, "--json", str(place / "f.json"))
    document = json.loads((place / "f.json").read_text(encoding="utf-8"))["findings"]
    rows = sheet(data, "findings")
    assert [row["id"] for row in rows] == [each["id"] for each in document]
    for row, each in zip(rows, document, strict=True):
        statistic, limit, counts = (each[name] or {} for name in ("statistic", "limit", "intervals"))
        assert (row["verdict"], row["reading [unit]"], row["high limit [unit]"], row["outside [intervals]"]) == (
            each["verdict"], statistic.get("value"), limit.get("high"), counts.get("outside"))
    said = about(data)
    assert said["answer"].startswith("FAIL: ") and said["site"] == "=1+1 Mill Lane" and "Lisbon" in said["times"]
    windows = sheet(data, "windows")
    places = [(window, row) for each in document for window in each["windows"] for row in window["rows"]]
    assert [(row["first row"], row["last row"], row["from with offset"]) for row in windows] == [
        (rows["first"], rows["last"], window["start"]) for window, rows in places]
    assert windows and all(row["from"].isoformat() == row["from with offset"][:19] for row in windows)


def test_percentiles_are_those_of_a_second_method(place: Path) -> None:
    """numpy's inverted cumulative distribution (type 1 of Hyndman and Fan), without the declared exclusion."""
    rows = {row["channel [unit]"]: row for row in sheet(written(place), "percentiles")}
    columns = week()
    kept = np.ones(WEEK, bool)
    kept[144 + 60 : 144 + 72] = False
    for header, name in (("voltage.cn [V]", "voltage.cn.mean [V]"), ("current.a [A]", "current.a.mean [A]"),
                         ("frequency [Hz]", "frequency.mean [Hz]")):
        row, values = rows[name], columns[header][kept]
        assert row["readings counted"] == kept.sum() and row["values over"] == "10 min"
        assert (row["minimum [unit]"], row["maximum [unit]"]) == (values.min(), values.max())
        for percent in PERCENTS:
            assert row[f"{percent} % [unit]"] == np.percentile(values, percent, method="inverted_cdf")
    assert rows["voltage.cn.mean [V]"]["standing"] == "judged"
    assert rows["current.a.mean [A]"]["standing"] == "description only: no rule asked"


def test_a_text_is_no_formula_and_the_bytes_are_the_same(place: Path) -> None:
    (place / "=2+2.csv").write_text(csv_text(week()), encoding="utf-8")
    targets = [place / "a.xlsx", place / "b.xlsx"]
    for target in targets:
        main(["check", str(place / "=2+2.csv"), "--site", str(place / "site.toml"), "--out", str(target)])
    assert targets[0].read_bytes() == targets[1].read_bytes()
    book = openpyxl.load_workbook(targets[0])
    types = {cell.data_type for each in book for row in each.iter_rows() for cell in row}
    assert "f" not in types and any(row["file"] == "=2+2.csv" for row in sheet(targets[0].read_bytes(), "windows"))


def test_from_a_findings_file_alone(place: Path) -> None:
    written(place, "--json", str(place / "f.json"))
    assert main(["report", str(place / "f.json"), "--out", str(place / "r.xlsx")]) == 0
    data = (place / "r.xlsx").read_bytes()
    assert sheet(data, "percentiles") == [] and "was at hand" in about(data)["percentiles"]
    assert main(["report", str(place / "f.json"), str(place / "week.csv"), "--site", str(place / "site.toml"), "--out",
                 str(place / "r2.xlsx")]) == 0
    assert (place / "r2.xlsx").read_bytes() == (place / "findings.xlsx").read_bytes()


def test_without_the_package_one_sentence(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert main(["check", str(place / "week.csv"), "--site", str(place / "site.toml"), "--out",
                 str(place / "x.xlsx")]) == 2
    assert "pqcheck-power[excel]" in capsys.readouterr().err and not (place / "x.xlsx").exists()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.one_of(st.floats(0, 1e6, width=32), st.just(float("nan"))), min_size=1, max_size=300))
def test_percentiles_of_any_values(values: list[float]) -> None:
    array = np.array(values, np.float32)
    known = array[~np.isnan(array)]
    found = distributions(gather(recording({"current.a [A]": array})))
    assert bool(found) == bool(known.size)
    for each in found:
        assert each.count == known.size
        wanted = [np.percentile(known, percent, method="inverted_cdf") for percent in PERCENTS]
        assert [np.float32(value) for value in (each.low, *each.at, each.high)] == [known.min(), *wanted, known.max()]


def test_a_long_recording_says_over_what_its_values_are() -> None:
    """More points than are kept: percentiles of means, named so; extremes of single readings all the same."""
    values = np.tile(np.arange(10, dtype=float), 30_000)
    [each] = distributions(gather(recording({"current.a [A]": values}, interval_s=1)))
    assert each.interval_us == 1_000_000 and each.step_us > each.interval_us
    assert (each.low, each.high, each.count) == (0.0, 9.0, 300_000)


