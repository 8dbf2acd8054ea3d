"""When the supply was away: one definition for vetting and judging, also where a cell of the outage is blank."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.stats.supply_away import interrupted
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site

Table = dict[str, NDArray[np.float64]]


def table(*phases: str, **columns: Any) -> Table:
    rng = np.random.default_rng(8)
    made = {f"voltage.{phase} [V]": np.round(230 + rng.normal(0, 1, WEEK), 2) for phase in phases}
    made |= {f"voltage_thd.{phase} [%]": np.round(2 + rng.normal(0, 0.1, WEEK), 2) for phase in phases}
    return made


def outage(made: Table, rows: slice, blank: str = "") -> Table:
    for name, values in made.items():
        values[rows] = np.nan if name == blank else 0.3 if "V" in name else 40.0
    return made


def of_kind(findings: tuple[Finding, ...], kind: str) -> list[Finding]:
    return [finding for finding in findings if finding.kind == kind]


def test_one_blank_voltage_hides_no_outage() -> None:
    whole = outage(table("an", "bn", "cn"), slice(100, 110))
    blank = outage(table("an", "bn", "cn"), slice(100, 110), "voltage.bn [V]")
    results = [check(recording(made), site(), "en50160-2010-lv") for made in (whole, blank)]
    for result in results:
        assert not of_kind(result.findings, "safety")
        (seen,) = [one for one in result.findings if one.rule == "interruption" and one.kind == "recording"]
        assert seen.verdict is Verdict.INCONCLUSIVE
        assert seen.windows[0].intervals == 10
    verdicts = [{one.id: one.verdict for one in of_kind(result.findings, "limit")} for result in results]
    assert verdicts[0] == verdicts[1]
    assert Verdict.FAIL not in verdicts[0].values()


def test_one_voltage_alone_among_blanks_shows_no_outage() -> None:
    made = table("an", "bn", "cn")
    for name in ("voltage.bn [V]", "voltage.cn [V]"):
        made[name][100:110] = np.nan
    made["voltage.an [V]"][100:110] = 0.3
    assert not [one for one in vet(recording(made), site()).findings
                if one.rule == "interruption" and one.verdict is not Verdict.PASS]


def test_the_only_voltage_recorded_shows_an_outage() -> None:
    made = outage(table("an"), slice(100, 110))
    (seen,) = [one for one in vet(recording(made), site()).findings if one.rule == "interruption"]
    assert seen.verdict is Verdict.INCONCLUSIVE


def test_without_a_voltage_interruptions_cannot_be_seen() -> None:
    made = {name: values for name, values in table("an").items() if "thd" in name}
    result = check(recording(made), site(), "en50160-2010-lv")
    assert any("interruptions of the supply cannot be seen" in line for line in result.remarks)
    seen = check(recording(table("an")), site(), "en50160-2010-lv")
    assert not any("interruptions" in line for line in seen.remarks)


cell = st.sampled_from([0.0, 3.0, 230.0, float("nan")])


@pytest.mark.parametrize("phases", [1, 2, 3, 6])
@given(data=st.data())
def test_interruptions_interval_by_interval(phases: int, data: st.DataObject) -> None:
    rows = data.draw(st.lists(st.lists(cell, min_size=phases, max_size=phases), min_size=1, max_size=12))
    expected = []
    for row in rows:
        observed = [value for value in row if value == value]
        enough = len(observed) >= 2 or (phases == 1 and len(observed) == 1)
        expected.append(enough and all(value < 11.5 for value in observed))
    columns = np.array(rows).T
    away = interrupted((column, 11.5) for column in columns)
    assert (away.tolist() if away is not None else [False] * len(rows)) == expected


@pytest.mark.parametrize(("cells", "away", "signs"), [
    (("<5", "<5", "<5"), True, set()), (("0.3", "<5", ">0.2"), True, set()), ((">5", ">5", ">5"), False, set()),
    (("<220", "<220", "<220"), False, set()), (("0.3", ">1", "<300"), False, {"an.below"}),
    (("0.3", "0.2", ">300"), False, {"an.below", "bn.below", "cn.above"}),
])
def test_cells_that_are_bounds_show_an_outage_where_they_tell_the_side(
    cells: tuple[str, str, str], away: bool, signs: set[str], tmp_path: Path
) -> None:
    made = table("an", "bn", "cn")
    voltages = [values for name, values in made.items() if name.endswith("[V]")]
    lines = ["time,voltage.an [V],voltage.bn [V],voltage.cn [V]"]
    for row in range(WEEK):
        texts = cells if 100 <= row < 110 else [f"{values[row]:.2f}" for values in voltages]
        lines.append(f"2031-03-{3 + row // 144:02d}T{row // 6 % 24:02d}:{row % 6}0Z,{','.join(texts)}")
    (tmp_path / "week.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = check(tmp_path / "week.csv", site(), "en50160-2010-lv", quantities=["voltage"])
    (seen,) = [one for one in result.findings if one.rule == "interruption" and one.kind == "recording"]
    assert (seen.verdict is Verdict.INCONCLUSIVE) is away
    codes = {one.reason.code for one in of_kind(result.findings, "limit") if one.reason and one.rule == "voltage-all"}
    assert ("interruption" in codes) is away
    assert {one.channel for one in of_kind(result.findings, "safety")} == {f"voltage.{sign}" for sign in signs}


def test_cells_that_are_bounds_are_no_hole_of_the_recorder(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    lines = ["time,voltage.an [V]"]
    for row in range(WEEK):
        cell = "<220" if 100 <= row < 110 else "" if row in (200, 201) else f"{230 + rng.normal():.2f}"
        lines.append(f"2031-03-{3 + row // 144:02d}T{row // 6 % 24:02d}:{row % 6}0Z,{cell}")
    for until, words in ((200, "10 of"), (WEEK, "12 of")):
        (tmp_path / "week.csv").write_text("\n".join(lines[: until + 1]) + "\n", encoding="utf-8")
        findings = check(tmp_path / "week.csv", site(), "en50160-2010-lv").findings
        (seen,) = [one for one in findings if one.rule == "completeness"]
        assert seen.reason is not None and words in seen.reason.text
        assert "have no reading, 10 of them because the cell is a bound" in seen.reason.text
        assert ("recorder out" in seen.reason.text) is (until == WEEK)


def test_a_danger_sign_of_a_second_time_base_shows_its_own_period_and_rows() -> None:
    rng = np.random.default_rng(3)
    coarse = {"frequency [Hz]": np.round(50 + rng.normal(0, 0.01, 500), 3)}
    fine = {"voltage.an [V]": np.round(230 + rng.normal(0, 1, 1440), 2)}
    fine["voltage.an [V]"][700:760] = 270.0 + rng.normal(0, 1, 60)
    result = vet(recording(coarse, fine, interval_s=(600, 60)), site())
    (sign,) = of_kind(result.findings, "safety")
    assert sign.period is not None
    assert sign.period.end == "2031-03-04T00:00:00+00:00"
    (window,) = sign.windows
    assert (window.start, window.end) == ("2031-03-03T11:40:00+00:00", "2031-03-03T12:40:00+00:00")
    assert window.intervals == 60
    assert (window.rows[0].first, window.rows[0].last) == (702, 761)
