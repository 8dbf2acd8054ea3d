"""What is declared out of the count shortens what was recorded, and a pass says how much it leaves out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import answer
from pqcheck.model.verdict import Verdict
from tests.recordings import WEEK, judged, one, recording, site, us

START = "2031-03-03T00:00:00+00:00"


def found(table: str, values: Any, excluded: int, place: dict[str, Any]) -> list[Finding]:
    """Findings of a week of which the last `excluded` intervals are out of the count."""
    from datetime import UTC, datetime

    cut = datetime.fromtimestamp(us(START) / 1e6 + (WEEK - excluded) * 600, UTC).isoformat()
    spans = [{"from": cut, "to": "2031-03-10T00:00:00Z", "reason": "works", "author": "engineer"}] if excluded else []
    made = recording({"voltage.an [V]": values}, start=START)
    return judged(made, site(supply=place, exclusions=spans), table)


EUROPE = {"nominal_voltage": "230 V", "connection": "single-phase"}
AMERICA = {"nominal_voltage": "120 V", "connection": "single-phase", "frequency": "60 Hz"}


def test_six_hours_left_of_a_week_do_not_pass() -> None:
    ranges = one(found("ansi-c84.1-2020", np.full(WEEK, 120.0), 972, AMERICA), "service-range-a")
    assert ranges.verdict is Verdict.INCONCLUSIVE and ranges.reason is not None
    assert ranges.reason.code == "too-short" and "0.2 days were recorded, exclusions not counted" in ranges.reason.text


def test_one_interval_left_of_a_week_does_not_pass() -> None:
    week = one(found("en50160-2010-lv", np.full(WEEK, 230.0), WEEK - 1, EUROPE), "voltage-week-95")
    assert week.verdict is Verdict.INCONCLUSIVE and week.reason is not None and week.reason.code == "mostly-excluded"


@pytest.mark.parametrize(("excluded", "code"), [(100, None), (101, "partly-excluded"), (504, "partly-excluded"),
                                                (505, "mostly-excluded")])  # fmt: skip
def test_a_tenth_and_a_half(excluded: int, code: str | None) -> None:
    week = one(found("en50160-2010-lv", np.full(WEEK, 230.0), excluded, EUROPE), "voltage-week-95")
    assert (week.reason and week.reason.code) == code
    assert week.verdict is (Verdict.INCONCLUSIVE if code == "mostly-excluded" else Verdict.PASS)
    said = answer(Findings((week,)))
    assert ("excluded" in said) == (code == "partly-excluded")
    if code == "partly-excluded":
        assert week.reason is not None and f"{excluded} of 1008" in week.reason.text.split(";")[0]


def test_a_fail_stays_whatever_is_excluded() -> None:
    week = one(found("en50160-2010-lv", np.full(WEEK, 280.0), 1000, EUROPE), "voltage-week-95")
    assert week.verdict is Verdict.FAIL and week.proven


@settings(max_examples=40, deadline=None)
@given(st.integers(0, WEEK - 1), st.integers(0, 200))
def test_excluding_more_than_half_never_passes(excluded: int, outside: int) -> None:
    values = np.full(WEEK, 230.0)
    values[:outside] = 260.0
    for week in found("en50160-2010-lv", values, excluded, EUROPE):
        if week.rule == "voltage-week-95" and 2 * excluded > WEEK:
            assert week.verdict is not Verdict.PASS
