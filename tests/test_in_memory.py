"""What people hold in memory gives what the same values give as plain arrays, or one sentence."""

from __future__ import annotations

import io
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck import check, load_study
from pqcheck.model.errors import PqcheckError
from pqcheck.workflows.vet_recording import examine
from tests.design import percent
from tests.design import site as drive
from tests.test_each import SITE, write_week

HEADER = "voltage.an [V]"
START = np.datetime64("2031-03-03T00:00:00", "us")
TIMES = START + np.arange(1008) * np.timedelta64(10, "m")
VOLTS = np.where(np.arange(1008) < 60, 205.0, 230.0) + np.arange(1008) % 7 / 10
GAPS = np.arange(1008) % 2 == 1
HOUSE: dict[str, Any] = {
    "name": "Test bench", "time_zone": "UTC", "supply": {"nominal_voltage": "230 V", "connection": "single-phase"},
    "limits": {"apply": ["en50160-2010-lv"], "quantities": ["voltage"]},
}  # fmt: skip


def findings(table: Any) -> list[Any]:
    result = check(table, HOUSE)
    return [(one.id, one.verdict, one.intervals, one.statistic) for one in result.findings if one.kind == "limit"]


def tables(volts: np.ndarray[Any, Any], gaps: np.ndarray[Any, Any] | None) -> dict[str, Any]:
    """The same values in every shape; `gaps` are missing."""
    import pandas
    import polars
    import pyarrow

    blank = np.where(gaps, np.nan, volts) if gaps is not None else volts
    nothing = [None if np.isnan(value) else float(value) for value in blank]
    frame = pandas.DataFrame({"time": TIMES, HEADER: blank})
    structured = np.empty(len(volts), dtype=[("time", "M8[us]"), (HEADER, "f8")])
    structured["time"], structured[HEADER] = TIMES, blank
    zoned = pandas.DatetimeIndex(TIMES, tz="UTC").tz_convert("Asia/Kolkata")
    return {
        "masked": {"time": TIMES, HEADER: np.ma.array(volts, mask=gaps if gaps is not None else False)},
        "list with None": {"time": TIMES, HEADER: nothing},
        "Decimal": {"time": TIMES, HEADER: [None if v is None else Decimal(repr(v)) for v in nothing]},
        "generator": {"time": TIMES.astype(str).tolist(), HEADER: (value for value in nothing)},
        "structured": structured,
        "pandas": frame,
        "pandas by index": frame.set_index("time"),
        "pandas, zone": frame.assign(time=zoned),
        "pandas, zone by index": frame.assign(time=zoned).set_index("time"),
        "mapping, zone": {"time": zoned, HEADER: blank},
        "pandas NA": frame.astype({HEADER: "Float64"}),
        "pandas objects": frame.assign(**{HEADER: pandas.Series([pandas.NA if v is None else v for v in nothing],
                                                                dtype=object)}),
        "pandas by arrow": frame.astype({HEADER: "float64[pyarrow]"}),
        "pandas with a text column": frame.assign(comment="not a channel"),
        "polars": polars.DataFrame({"time": TIMES, HEADER: nothing}),
        "polars, lazy": polars.LazyFrame({"time": TIMES, HEADER: nothing}),
        "polars, zone": polars.DataFrame({"time": TIMES, HEADER: nothing}).with_columns(
            polars.col("time").dt.replace_time_zone("UTC").dt.convert_time_zone("Asia/Kolkata")
        ),
        "pyarrow": pyarrow.table({"time": TIMES, HEADER: nothing}),
        "pyarrow, zone": pyarrow.table({
            "time": pyarrow.array(TIMES.astype(np.int64), pyarrow.timestamp("us", tz="Asia/Kolkata")), HEADER: nothing,
        }),
        "pyarrow batch": pyarrow.record_batch({"time": pyarrow.array(TIMES), HEADER: pyarrow.array(nothing)}),
    }  # fmt: skip


@pytest.mark.parametrize("gaps", [None, GAPS], ids=["whole", "half of it missing"])
def test_every_table_gives_what_arrays_give(gaps: np.ndarray[Any, Any] | None) -> None:
    blank = VOLTS if gaps is None else np.where(gaps, np.nan, VOLTS)
    expected = findings({"time": TIMES, HEADER: blank})
    for name, table in tables(VOLTS, gaps).items():
        assert findings(table) == expected, name
    missing = {intervals.missing for _, _, intervals, _ in expected if intervals is not None}
    assert missing == ({0} if gaps is None else {504})


def test_a_mask_is_no_pass() -> None:
    """Half of the values masked, all others inside: 504 may lie outside, so nothing is shown."""
    inside = np.full(1008, 230.0) + np.arange(1008) % 7 / 10
    masked = {"time": TIMES, HEADER: np.ma.array(inside, mask=GAPS)}
    assert check({"time": TIMES, HEADER: inside}, HOUSE).verdict.value == "pass"
    assert check(masked, HOUSE).verdict.value == "inconclusive"


def test_spectra_of_every_table() -> None:
    import pandas
    import polars
    import pyarrow

    columns = percent(8.0)
    expected = [(one.id, one.verdict, one.statistic) for one in check(columns, drive()).findings]
    for table in (
        pandas.DataFrame(columns), polars.DataFrame(columns), polars.LazyFrame(columns), pyarrow.table(columns),
        {name: np.ma.array(values) for name, values in columns.items()},
        pandas.DataFrame(columns).convert_dtypes(),
    ):  # fmt: skip
        assert [(one.id, one.verdict, one.statistic) for one in check(table, drive()).findings] == expected, table


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    write_week(tmp_path / "week.csv", 60)
    return tmp_path


def test_paths_in_any_collection(place: Path) -> None:
    week, site = place / "week.csv", place / "site.toml"
    expected = check(str(week), site).to_json()
    collections: tuple[Any, ...] = (
        week, [week], (str(week),), {str(week)}, frozenset([week]), (path for path in [week]), {str(week): 0}.keys(),
        str(week).encode(), np.array([str(week)]),
    )  # fmt: skip
    for given in collections:
        assert check(given, site).to_json() == expected, given


NO_RECORDINGS: tuple[Any, ...] = (
    None, 7, object(), [None], [7], [], set(), "", io.BytesIO(b"time,voltage.an [V]\n"), io.StringIO("x"), [[]],
    {}, {"time": None, HEADER: VOLTS}, {"time": TIMES, HEADER: None}, {"time": TIMES, HEADER: 230.0},
    {"time": TIMES, HEADER: VOLTS[:5]}, {"time": TIMES, HEADER: ["x"] * 1008}, {"time": TIMES, HEADER: TIMES},
    {"time": TIMES, HEADER: VOLTS + 1j}, {"time": TIMES, HEADER: np.stack([VOLTS, VOLTS])}, {HEADER: VOLTS},
    {"time": np.ma.array(TIMES, mask=GAPS), HEADER: VOLTS},
)  # fmt: skip


def test_what_is_no_recording_is_one_sentence() -> None:
    for given in NO_RECORDINGS:
        for call in (check, examine, load_study):
            try:
                call(given, HOUSE)
            except PqcheckError as error:
                assert "\n" not in str(error).strip(), given
            else:
                pytest.fail(f"{call} took {given!r} for a recording")


@pytest.mark.parametrize(
    "call",
    [
        lambda week: check(week, None),  # type: ignore[arg-type]
        lambda week: check(week, 7),  # type: ignore[arg-type]
        lambda week: check(week, HOUSE, 7),  # type: ignore[arg-type]
        lambda week: check(week, HOUSE, [None]),  # type: ignore[list-item]
        lambda week: check(week, HOUSE, quantities=["volts"]),
        lambda week: check(week, HOUSE, quantities="volts"),
    ],
)
def test_what_is_no_question_is_one_sentence(call: Callable[[Path], object], place: Path) -> None:
    with pytest.raises(PqcheckError):
        call(place / "week.csv")


def test_a_quantity_may_be_named_alone(place: Path) -> None:
    week = place / "week.csv"
    assert check(week, HOUSE, quantities="voltage").findings == check(week, HOUSE, quantities=["voltage"]).findings


def test_a_frame_without_times_says_so() -> None:
    import pandas

    with pytest.raises(PqcheckError, match="holds no 'time'"):
        check(pandas.DataFrame({HEADER: VOLTS}), HOUSE)


def test_extremes_and_gaps_always_give_a_findings_file() -> None:
    """Means, minima and maxima, each there or not and with holes, outages and steps, with and without a base window."""
    for seed in range(60):
        chance = np.random.default_rng(seed)
        volts = 230 + chance.normal(0, 1, 1008)
        start, end = sorted(chance.integers(0, 1008, 2))
        volts[start:end] += chance.choice([-60, 0, 60, -228])
        table: dict[str, Any] = {"time": TIMES}
        for reading, away in (("", 0), (".min", -2), (".max", 2)):
            if chance.random() < 0.75 or reading == ".max":
                values = volts + away
                values[chance.random(1008) < chance.choice([0, 0.1, 0.5])] = np.nan
                table[f"voltage.an{reading} [V]"] = values
        recording = {"extremes_of": str(chance.choice(["200 ms", "3 s", "10 min"]))} if chance.random() < 0.6 else {}
        site = {**HOUSE, "recording": recording, "limits": {"apply": ["en50160-2010-lv", "ansi-c84.1-2020"]}}
        text = check(table, site).to_json()
        assert "NaN" not in text, seed
