"""Voltages to neutral against those between lines; both are formed here from phasors, with any unbalance."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from pqcheck.vet.checks.voltage_triangle import to_neutral_over_lines
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]
TURNS = np.exp(2j * np.pi * np.array([0, -1, 1]) / 3)
SPLIT = {"nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"}


def lines_of(phasors: NDArray[np.complex128]) -> Floats:
    return np.abs(phasors - np.roll(phasors, -1, axis=0))


def week(neutral: complex = 0, *, decimals: int = 1) -> dict[str, Floats]:
    """Three unbalanced phases that move, and a neutral displaced by some volts."""
    rng = np.random.default_rng(6)
    levels = 230 + rng.normal(0, 1.5, (3, WEEK)) + np.array([[0], [-3], [4]])
    phasors = levels * TURNS[:, None]
    names = [*(f"voltage.{phase} [V]" for phase in ("an", "bn", "cn", "ab", "bc", "ca"))]
    rows = np.vstack([np.abs(phasors - neutral), lines_of(phasors)])
    return dict(zip(names, np.round(rows, decimals), strict=True))


def seen(table: dict[str, Floats], **sections: Any) -> Finding:
    (finding,) = [finding for finding in vet(recording(table), site(**sections)).findings
                  if finding.rule == "voltage-triangle"]
    return finding


def scaled(table: dict[str, Floats], names: str, factor: float, rows: slice = slice(None)) -> dict[str, Floats]:
    """The columns of some phases times a factor."""
    made = {name: values.copy() for name, values in table.items()}
    for name, values in made.items():
        if name.split(".")[1][:2] in names.split():
            values[rows] = np.round(values[rows] * factor, 2)
    return made


coordinate = st.floats(-60, 60)


@given(st.tuples(*[st.tuples(coordinate, coordinate)] * 4))
def test_any_phasors_fit_their_own_lines(offsets: tuple[tuple[float, float], ...]) -> None:
    """However unbalanced the phases and wherever the neutral: from plane geometry alone."""
    shifts = np.array([complex(*pair) for pair in offsets])
    corners = 230 * TURNS + shifts[:3]
    lines = lines_of(corners[:, None])
    to_neutral = np.abs(corners - shifts[3])[:, None]
    assert to_neutral_over_lines(to_neutral, lines) == pytest.approx(1, abs=1e-6)
    assert to_neutral_over_lines(1.05 * to_neutral, 1.05 * lines) == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("neutral", [0, 12 + 5j, -40j])
def test_unbalance_and_a_displaced_neutral_contradict_nothing(neutral: complex) -> None:
    assert seen(week(neutral)).verdict is Verdict.PASS
    assert seen(scaled(week(neutral), "ab bc ca", 0.995)).verdict is Verdict.PASS


@pytest.mark.parametrize(("names", "factor"), [("ab bc ca", 0.95), ("ab bc ca", 1.05), ("an bn cn", 1.05)])
def test_a_set_with_another_ratio_is_refused(names: str, factor: float) -> None:
    """Lines at 1.65 of the voltages to neutral: within what a wye service may show, and 5 % wrong."""
    table = scaled(week(), names, factor)
    finding = seen(table)
    assert (finding.verdict, finding.reason.code if finding.reason else "") == (Verdict.REFUSED, "sources-disagree")
    assert seen(table, instrument={"percent": 3}).verdict is Verdict.PASS
    result = check(recording(table), site(), "en50160-2010-lv", quantities=["voltage"])
    assert {finding.verdict for finding in result.findings if finding.kind == "limit"} == {Verdict.REFUSED}


def test_a_stretch_takes_only_its_stretch() -> None:
    finding = seen(scaled(week(), "ab bc ca", 0.95, slice(300, 400)))
    assert [window.intervals for window in finding.windows] == [100]


def test_what_is_short_or_not_complete_says_nothing() -> None:
    assert seen(scaled(week(), "ab bc ca", 0.95, slice(300, 303))).verdict is Verdict.PASS
    table = week()
    del table["voltage.ca [V]"]
    assert seen(table).verdict is Verdict.NOT_APPLICABLE
    off = scaled(week(), "cn", 0.01, slice(300, 400))
    assert seen(off).verdict is Verdict.PASS


def test_two_legs_add_up_to_the_line_between_them() -> None:
    rng = np.random.default_rng(7)
    an, bn = np.round(121 + rng.normal(0, 1, (2, WEEK)), 1)
    table = {"voltage.an [V]": an, "voltage.bn [V]": bn, "voltage.ab [V]": np.round(an + bn, 1)}
    assert seen(table, supply=SPLIT).verdict is Verdict.PASS
    table["voltage.ab [V]"] = np.round(0.95 * (an + bn), 1)
    assert seen(table, supply=SPLIT).verdict is Verdict.REFUSED


@pytest.mark.parametrize("name", ["an", "bn", "cn", "ab", "bc", "ca"])
@pytest.mark.parametrize("factor", [0.95, 0.97, 1.03, 1.05])
@pytest.mark.parametrize("neutral", [0, 12 + 5j])
def test_one_voltage_of_six_that_is_off_fits_no_plane_figure(name: str, factor: float, neutral: complex) -> None:
    table = scaled(week(neutral), name, factor)
    assert seen(table).verdict is Verdict.REFUSED
    result = check(recording(table), site(), "en50160-2010-lv", quantities=["voltage"])
    assert Verdict.PASS not in {finding.verdict for finding in result.findings if finding.kind == "limit"}


@pytest.mark.parametrize("instrument", [{"class": "A"}, {"percent": 0.2}])
def test_a_better_instrument_explains_less(instrument: dict[str, Any]) -> None:
    table = scaled(week(), "ab", 0.98)
    assert (seen(table).verdict, seen(table, instrument=instrument).verdict) == (Verdict.PASS, Verdict.REFUSED)
    assert seen(week(), instrument=instrument).verdict is Verdict.PASS


def test_readings_in_steps_explain_more() -> None:
    """2 V of 230 V are half a step of 0.43 %."""
    rough = {name: np.round(values / 4) * 4 for name, values in scaled(week(decimals=2), "ab", 0.97).items()}
    assert seen(rough, instrument={"class": "A"}).verdict is Verdict.REFUSED
    assert seen({name: np.round(values / 4) * 4 for name, values in week(decimals=2).items()},
                instrument={"class": "A"}).verdict is Verdict.PASS


@pytest.mark.parametrize("name", ["an", "bn", "ab"])
@pytest.mark.parametrize("factor", [0.95, 1.05])
def test_one_voltage_of_two_legs_that_is_off(name: str, factor: float) -> None:
    rng = np.random.default_rng(7)
    an, bn = np.round(121 + rng.normal(0, 1, (2, WEEK)), 1)
    table = {"voltage.an [V]": an, "voltage.bn [V]": bn, "voltage.ab [V]": np.round(an + bn, 1)}
    assert seen(scaled(table, name, factor), supply=SPLIT).verdict is Verdict.REFUSED
