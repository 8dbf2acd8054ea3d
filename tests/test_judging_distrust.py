"""Doubts about the recording and the verdicts that stand all the same (docs/method/proof.md, "Doubts")."""

from typing import Any

import numpy as np
import pytest

from pqcheck.judge.judge_recording import judge
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet.trust import Trust
from tests.recordings import WEEK, one, recording, site, us

SINGLE = {"nominal_voltage": "230 V", "connection": "single-phase"}
MONDAY = us("2031-03-03T00:00:00+00:00")
TEN_MINUTES = 600_000_000


def doubt(first: int | None = None, last: int | None = None, **fields: Any) -> Trust:
    def at(slot: int | None) -> int | None:
        return None if slot is None else MONDAY + slot * TEN_MINUTES

    plain: dict[str, Any] = {
        "quantities": ("voltage",), "phases": ("an",), "start_us": at(first), "end_us": at(last), "allows": "nothing",
        "code": "stuck", "text": "it stood still", "advice": "look",
    }  # fmt: skip
    return Trust(**plain | fields)


def judged(columns: dict[str, Any], table: str, *trust: Trust, **sections: Any) -> list[Finding]:
    made = recording(columns)
    place = site(supply=SINGLE, **sections)
    tasks, settled = resolve([load_table(table)], made, place)
    return list(judge(tasks, settled, made, place, trust=lambda: trust).findings)


def weekly(outside: int, *trust: Trust, level: float = 206.0, **sections: Any) -> Verdict:
    volts = np.full(WEEK, 230.0)
    volts[500 : 500 + outside] = level
    return one(judged({"voltage.an [V]": volts}, "en50160-2010-lv", *trust, **sections), "voltage-week-95").verdict


@pytest.mark.parametrize(("outside", "verdict"), [(10, Verdict.PASS), (20, Verdict.PASS), (21, Verdict.REFUSED)])
def test_a_pass_stands_when_the_doubted_values_could_not_turn_it(outside: int, verdict: Verdict) -> None:
    assert weekly(outside, doubt(100, 130)) is verdict


def test_doubts_are_counted_together() -> None:
    # 30 and 30 doubted intervals: each alone leaves 50 allowed, both do not.
    assert weekly(0, doubt(100, 130)) is Verdict.PASS
    assert weekly(0, doubt(100, 130), doubt(200, 230)) is Verdict.REFUSED
    # Two doubts about the same intervals are one.
    assert weekly(0, doubt(100, 130), doubt(105, 130)) is Verdict.PASS


@pytest.mark.parametrize(("trusted", "verdict"), [(51, Verdict.FAIL), (50, Verdict.REFUSED)])
def test_a_fail_stands_on_the_values_nobody_doubts(trusted: int, verdict: Verdict) -> None:
    assert weekly(trusted + 10, doubt(500, 510)) is verdict


def test_what_is_excluded_by_declaration_needs_no_trust() -> None:
    cut = {"from": "2031-03-03T16:40:00Z", "to": "2031-03-04T09:20:00Z", "reason": "lead off", "author": "engineer"}
    assert weekly(0, doubt(100, 200)) is Verdict.REFUSED
    assert weekly(0, doubt(100, 200), exclusions=[cut]) is Verdict.PASS
    assert weekly(0, doubt(100, 300), exclusions=[cut]) is Verdict.REFUSED


@pytest.mark.parametrize(("level", "verdict"), [(254.0, Verdict.FAIL), (206.0, Verdict.REFUSED)])
def test_a_ceiling_above_the_upper_limit_shows_a_fail_of_a_band_too(level: float, verdict: Verdict) -> None:
    # Readings at a ceiling are not larger than the truth: above 253 V they stay above, below 207 V they may not be.
    ceiling = doubt(allows="lower bound", code="clipped")
    assert weekly(60, ceiling, level=level) is verdict
    assert weekly(0, ceiling) is Verdict.REFUSED


def test_a_clipped_voltage_bounds_no_unbalance() -> None:
    lines = {f"voltage.{pair} [V]": np.full(WEEK, volts) for pair, volts in (("ab", 380.0), ("bc", 400), ("ca", 420))}
    made, place = recording(lines), site()
    tasks, settled = resolve([load_table("en50160-2010-lv")], made, place)

    def unbalance(*trust: Trust) -> Verdict:
        return one(judge(tasks, settled, made, place, trust=lambda: trust).findings, "unbalance-week-95").verdict

    assert unbalance() is Verdict.FAIL
    assert unbalance(doubt(phases=("ca",), allows="lower bound", code="clipped")) is Verdict.REFUSED


@pytest.mark.parametrize(("first", "last", "verdict"), [
    (None, None, Verdict.REFUSED), (0, 20, Verdict.FAIL), (0, 50, Verdict.REFUSED),
])  # fmt: skip
def test_a_fail_shown_by_minimum_columns_falls_with_the_columns(
    first: int | None, last: int | None, verdict: Verdict
) -> None:
    # Sixty-minute values: each minimum above 253 V holds six ten-minute intervals, sixty of them in ten hours.
    least = np.full(168, 228.0)
    least[:12] = 254.0
    made = recording({"voltage.an [V]": least + 1, "voltage.an.min [V]": least}, interval_s=3600)
    place = site(supply=SINGLE, recording={"extremes_of": "200 ms"})
    tasks, settled = resolve([load_table("en50160-2010-lv")], made, place)
    trust = doubt(first, last, code="nominal-doubtful")
    assert one(judge(tasks, settled, made, place, trust=lambda: [trust]).findings, "voltage-week-95").verdict is verdict


def test_a_doubt_about_one_order_reaches_that_order_and_what_is_formed_from_it() -> None:
    percent = {f"voltage_harmonic.an.h{order} [%]": np.full(WEEK, 0.1) for order in range(2, 41)}
    zero = doubt(quantities=("voltage_harmonic",), code="zero-orders", orders=(5, 7))
    found = judged(percent, "en50160-2010-lv", zero)
    refused = {f.order for f in found if f.rule == "harmonics-week-95" and f.verdict is Verdict.REFUSED}
    assert refused == {5, 7}
    assert one(found, "thd-week-95").verdict is Verdict.REFUSED
