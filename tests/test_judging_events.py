"""Recorded events against ride-through curves and classes."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
from msgspec.structs import replace

from pqcheck.judge.judge_events import judge_events
from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Event, Recording, RowSpan
from pqcheck.model.verdict import Verdict
from tests.recordings import recording, site, us

START = us("2031-03-03T00:00:00+00:00")


def event(kind: str, duration: str, residual: str | None, *, minute: int = 0, phase: str = "an") -> Event:
    depth = None if residual is None else Decimal(residual)
    rows = (RowSpan("events.csv", minute + 2, minute + 2),)
    return Event(START + minute * 60_000_000, phase, kind, Decimal(duration), depth, rows)


def recorded(*events: Event) -> Recording:
    week = recording({"voltage.an [V]": np.full(1008, 230.0)})
    return replace(week, events=events)


def found(table: str, made: Recording, **sections: Any) -> dict[str, Finding]:
    place = site(**{"supply": {"frequency": "60 Hz"}, **sections})
    return {one.rule: one for one in judge_events([load_table(table)], made, place)}


def test_all_inside_the_iti_curve() -> None:
    """A dip to 72 % for 0.4 s and an interruption of 15 ms lie inside; nothing outside: pass."""
    finding = found("iti-2000", recorded(event("dip", "0.4", "72"), event("interruption", "0.015", "0", minute=5)))[
        "iti-curve"
    ]
    assert finding.verdict is Verdict.PASS and not finding.proven
    assert finding.reason is not None and finding.reason.code == "events-listed"
    assert finding.intervals is not None and (finding.intervals.valid, finding.intervals.outside) == (2, 0)
    assert finding.windows == ()


def test_one_outside_fails_and_is_the_evidence() -> None:
    """60 % for 0.4 s: the lower edge is 70 % from 20 ms to 0.5 s."""
    made = recorded(
        event("dip", "0.4", "90"), event("dip", "0.4", "60", minute=7), event("swell", "0.1", "115", minute=9)
    )
    finding = found("iti-2000", made)["iti-curve"]
    assert finding.verdict is Verdict.FAIL
    assert finding.statistic is not None and (finding.statistic.value, finding.statistic.unit) == (60.0, "%")
    assert finding.limit is not None and (finding.limit.low, finding.limit.high) == (70.0, None)
    assert finding.margin is not None and finding.margin.value == -10.0
    (window,) = finding.windows
    assert (window.start, window.end) == ("2031-03-03T00:07:00+00:00", "2031-03-03T00:07:00.4+00:00")
    assert (window.worst, window.rows) == (60.0, (RowSpan("events.csv", 9, 9),))
    assert "3 events placed, 1 outside" in finding.title


def test_a_swell_is_held_against_the_upper_edge() -> None:
    finding = found("iti-2000", recorded(event("swell", "1", "111")))["iti-curve"]
    assert finding.verdict is Verdict.FAIL
    assert finding.limit is not None and finding.limit.high == 110.0
    assert finding.margin is not None and finding.margin.value == -1.0


def test_the_mark_of_the_step_that_decides() -> None:
    """SEMI F47: the required points have sources; of the recommended curve all but the first is from memory."""
    first = found("semi-f47-0706", recorded(event("dip", "0.4", "45")))["required"]
    second = found("semi-f47-0706", recorded(event("dip", "0.4", "45")))["recommended"]
    assert (first.verdict, first.modifiers) == (Verdict.FAIL, ())
    assert (second.verdict, second.modifiers) == (Verdict.FAIL, ("unverified_limit",))


def test_trends_alone_give_depth_without_duration() -> None:
    finding = found("iti-2000", recorded())["iti-curve"]
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert finding.reason is not None and finding.reason.code == "not-recorded"
    assert "a depth without a duration" in finding.reason.text


def test_an_event_without_depth_leaves_it_open() -> None:
    finding = found("iti-2000", recorded(event("dip", "0.1", "80"), event("dip", "0.3", None)))["iti-curve"]
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert finding.reason is not None and finding.reason.code == "event-without-depth"
    assert finding.intervals is not None and finding.intervals.missing == 1


def test_an_event_without_depth_does_not_hide_a_failure() -> None:
    finding = found("iti-2000", recorded(event("dip", "0.3", None), event("dip", "0.3", "20")))["iti-curve"]
    assert finding.verdict is Verdict.FAIL


def test_events_longer_than_the_curve_are_none_of_its_business() -> None:
    """Nothing is required by SEMI F47 beyond 1 s; the recommended points go on."""
    both = found("semi-f47-0706", recorded(event("dip", "2", "70")))
    assert both["required"].verdict is Verdict.NOT_APPLICABLE
    assert both["recommended"].verdict is Verdict.FAIL
    mixed = found("semi-f47-0706", recorded(event("dip", "2", "70"), event("dip", "0.1", "60")))["required"]
    assert mixed.verdict is Verdict.PASS and "1 of a kind or duration that the curve does not reach" in mixed.title


def test_cycles_need_the_frequency() -> None:
    """One cycle is 20 ms at 50 Hz and 16.7 ms at 60 Hz: an interruption of 18 ms is inside only at 50 Hz."""
    made = recorded(event("interruption", "0.018", "0"))
    assert found("iec61000-4-11", made)["dips-class-2"].verdict is Verdict.FAIL
    fifty = found("iec61000-4-11", made, supply={"frequency": "50 Hz"})
    assert fifty["dips-class-2"].verdict is Verdict.PASS
    place = site()
    unknown = replace(place, supply=replace(place.supply, frequency=None))
    (first, _) = judge_events([load_table("iec61000-4-11")], made, unknown)
    assert first.verdict is Verdict.INCONCLUSIVE
    assert first.reason is not None and "frequency" in first.reason.text


def test_excluded_events_leave_the_count() -> None:
    exclusion = {
        "from": "2031-03-03T00:00:00+00:00",
        "to": "2031-03-03T00:05:00+00:00",
        "reason": "switching",
        "author": "me",
    }
    from datetime import datetime

    exclusion["from"] = datetime.fromisoformat(exclusion["from"])  # type: ignore[assignment]
    exclusion["to"] = datetime.fromisoformat(exclusion["to"])  # type: ignore[assignment]
    made = recorded(event("dip", "0.4", "10", minute=1), event("dip", "0.4", "80", minute=6))
    finding = found("iti-2000", made, exclusions=[exclusion])["iti-curve"]
    assert finding.verdict is Verdict.PASS
    assert finding.intervals is not None
    assert (finding.intervals.expected, finding.intervals.excluded, finding.intervals.valid) == (2, 1, 1)


def test_classes_name_and_never_judge() -> None:
    made = recorded(
        event("dip", "0.1", "85"), event("dip", "0.3", "75"), event("dip", "0.3", "71"), event("dip", "90", "50")
    )
    finding = found("en50160-2010-lv", made, supply={"frequency": "50 Hz"})["dips"]
    assert finding.verdict is Verdict.NOT_APPLICABLE
    assert finding.reason is not None and finding.reason.code == "no-limit"
    assert "1 A1, 2 B2, 1 without a class" in finding.reason.text
    assert finding.statistic is not None and finding.statistic.value == 4.0


def test_classes_say_nothing_where_nothing_was_recorded() -> None:
    assert found("en50160-2010-lv", recorded(), supply={"frequency": "50 Hz"}) == {}


def test_a_table_that_does_not_govern_the_place() -> None:
    made = recorded(event("dip", "0.1", "85"))
    finding = found("en50160-2010-mv", made)["dips"]
    assert finding.verdict is Verdict.NOT_APPLICABLE
    assert finding.reason is not None and finding.reason.code == "outside-scope"


def test_events_are_judged_by_an_ordinary_check(tmp_path: Path) -> None:
    from pqcheck import check

    table = tmp_path / "events.csv"
    table.write_text(
        "time,phase,kind,duration [s],residual [%]\n2031-03-04T10:00:00Z,an,dip,0.3,40\n", encoding="utf-8"
    )
    place = {"name": "Test", "supply": {"nominal_voltage": "120 V", "connection": "single-phase", "frequency": "60 Hz"}}
    found = check([table], place, ["iti-2000"])
    # ITI curve: 70 % from 20 ms to 0.5 s; 40 % for 0.3 s lies below it.
    assert found.verdict.value == "fail"
