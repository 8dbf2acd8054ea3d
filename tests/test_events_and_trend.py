"""Events beside the trend, exclusions and corrections; events of several phases; what a list can show at most."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck.cli import main
from pqcheck.derive.corrections import corrected_recording
from pqcheck.derive.polyphase_events import polyphase
from pqcheck.judge.event_coverage import TrendExcursions
from pqcheck.judge.judge_events import judge_events
from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Event, Recording
from pqcheck.model.verdict import Verdict
from tests.recordings import recording, site, us

START = us("2031-03-03T00:00:00+00:00")
MINUTE = 60_000_000


def event(kind: str, duration: str, residual: str | None, at: float = 0.0, phase: str = "an") -> Event:
    """An event that begins `at` minutes after the start."""
    depth = None if residual is None else Decimal(residual)
    return Event(START + round(at * MINUTE), phase, kind, Decimal(duration), depth)


def week(*events: Event, **columns: np.ndarray) -> Recording:  # type: ignore[type-arg]
    rng = np.random.default_rng(3)
    volts = {"voltage.an [V]": 230 + rng.normal(0, 1, 1008)} | {
        f"voltage.an.{name} [V]": values for name, values in columns.items()
    }
    return replace(recording(volts), events=events, event_tables=("events.csv",))


def curve(made: Recording, table: str = "iti-2000", **sections: Any) -> Finding:
    """The finding of the first ride-through curve of a table, with what the trend shows."""
    place = site(
        **{"supply": {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"}, **sections}
    )
    trend = TrendExcursions(place)
    for stream in made.streams:
        for block in stream.blocks(None):
            trend.feed(block)
    corrected = corrected_recording(made, place.corrections)
    return judge_events([load_table(table)], corrected, place, None, trend)[0]


def code(finding: Finding) -> str | None:
    return None if finding.reason is None else finding.reason.code


WHOLE = {"events": {"complete": True}}
INSIDE = event("dip", "0.4", "80", 700)


def test_a_list_that_is_not_declared_complete_is_met_by_the_events_listed() -> None:
    listed, whole = curve(week(INSIDE)), curve(week(INSIDE), **WHOLE)
    assert (listed.verdict, listed.proven, code(listed)) == (Verdict.PASS, False, "events-listed")
    assert (whole.verdict, whole.proven, code(whole)) == (Verdict.PASS, True, None)


def test_a_dead_span_without_an_event_leaves_the_curve_open() -> None:
    volts = 230 + np.random.default_rng(4).normal(0, 1, 1008)
    volts[300:310] = 0.4
    made = replace(week(INSIDE), streams=recording({"voltage.an [V]": volts}).streams)
    for sections in ({}, WHOLE):
        finding = curve(made, **sections)
        assert (finding.verdict, code(finding)) == (Verdict.INCONCLUSIVE, "events-incomplete")
        assert (
            finding.reason is not None
            and "from 2031-03-05T02:00:00+00:00 to 2031-03-05T03:40:00" in finding.reason.text
        )
    # With the interruption in the list the curve is judged, and fails.
    named = replace(made, events=(INSIDE, event("interruption", "5900", "0", 3001)))
    assert curve(named).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("name", "value", "kind", "residual"), [("min", 150.0, "dip", "65"), ("max", 270.0, "swell", "117")]
)
def test_an_extreme_without_an_event_leaves_the_curve_open(name: str, value: float, kind: str, residual: str) -> None:
    extremes = np.full(1008, 229.0 if name == "min" else 231.0)
    extremes[500] = value
    assert code(curve(week(INSIDE, **{name: extremes}))) == "events-incomplete"
    beside = event(kind, "0.01", residual, 5003)
    assert code(curve(week(INSIDE, beside, **{name: extremes}))) == "events-listed"
    # An event of the other kind, or at another time, explains nothing.
    other = event("swell" if kind == "dip" else "dip", "0.1", "115" if kind == "dip" else "72", 5003)
    assert code(curve(week(INSIDE, other, **{name: extremes}))) == "events-incomplete"
    assert code(curve(week(INSIDE, event(kind, "0.01", residual, 4900), **{name: extremes}))) == "events-incomplete"
    # Neither does one on another phase, nor one that is less deep than the trend.
    away = replace(beside, phase="bn")
    shallow = replace(beside, residual_percent=Decimal("89" if name == "min" else "111"))
    assert code(curve(week(INSIDE, away, **{name: extremes}))) == "events-incomplete"
    assert code(curve(week(INSIDE, shallow, **{name: extremes}))) == "events-incomplete"


@pytest.mark.parametrize(("window", "seconds", "explained"), [
    ("3 s", "0.015", False), ("3 s", "3", True), ("1 min", "15", False), ("1 min", "60", True),
    ("200 ms", "0.015", False), ("200 ms", "0.2", True), ("20 ms", "0.01", True),
])  # fmt: skip
def test_a_minimum_of_a_long_window_asks_for_a_dip_about_as_long(window: str, seconds: str, explained: bool) -> None:
    """A root mean square of 52 % over 3 s holds more than 15 ms at 52 %."""
    lowest = np.full(1008, 229.0)
    lowest[500] = 0.52 * 230
    made = week(event("dip", seconds, "52", 5003), min=lowest)
    finding = curve(made, "semi-f47-0706", recording={"extremes_of": window}, **WHOLE)
    assert (code(finding) == "events-incomplete") is not explained


@pytest.mark.parametrize(("seconds", "residual", "explained"), [
    ("0.01", "89", False), ("900", "0", False), ("1790", "40", False), ("1790", "0", True), ("1800", None, True),
])  # fmt: skip
def test_a_short_event_does_not_explain_a_long_low_voltage(
    seconds: str, residual: str | None, explained: bool
) -> None:
    """Half an hour at 20 V: what is listed must be about as long and as deep."""
    volts = 230 + np.random.default_rng(4).normal(0, 1, 1008)
    volts[300:303] = 20.0
    made = replace(week(INSIDE, event("dip", seconds, residual, 3000)),
                   streams=recording({"voltage.an [V]": volts}).streams)  # fmt: skip
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"})
    trend = TrendExcursions(place)
    for stream in made.streams:
        for block in stream.blocks(None):
            trend.feed(block)
    assert (trend.unlisted(made.events)[0] == []) is explained


def test_only_events_wholly_inside_an_exclusion_leave_the_count() -> None:
    minute = {"from": "2031-03-03T05:00:00+00:00", "to": "2031-03-03T05:01:00+00:00", "reason": "works", "author": "x"}
    long, short = event("interruption", "7200", "0", 300.5), event("dip", "20", "40", 300.1)
    assert curve(week(INSIDE, long), exclusions=[minute]).verdict is Verdict.FAIL
    finding = curve(week(INSIDE, short), exclusions=[minute])
    assert finding.verdict is Verdict.PASS and finding.intervals is not None and finding.intervals.excluded == 1
    uncertain = replace(short, certain=False)
    assert curve(week(INSIDE, uncertain), exclusions=[minute]).verdict is Verdict.FAIL


def test_corrections_of_the_clock_and_trims_reach_events() -> None:
    dip = event("dip", "20", "40", 300.1)
    by = {"kind": "shift-time", "by": "1 h", "reason": "clock", "author": "x"}
    shifted = curve(week(dip), corrections=[by])
    assert shifted.windows[0].start.startswith("2031-03-03T06:00:06")
    trim = {"kind": "trim", "from": "2031-03-04T00:00:00+00:00", "reason": "hook-up", "author": "x"}
    assert curve(week(dip, event("dip", "0.4", "80", 2000)), corrections=[trim]).verdict is Verdict.PASS


def test_an_empty_list_counts_where_it_is_declared_complete() -> None:
    assert (curve(week()).verdict, code(curve(week()))) == (Verdict.INCONCLUSIVE, "events-empty")
    assert curve(week(), **WHOLE).verdict is Verdict.PASS


def test_what_the_curve_does_not_reach_is_named_in_the_finding() -> None:
    """The curve of SEMI F47 ends at one second (required points); it says nothing of ten minutes without supply."""
    finding = curve(week(event("dip", "0.4", "80", 9), event("interruption", "600", "0", 60)), "semi-f47-0706")
    assert finding.verdict is Verdict.PASS and finding.reason is not None
    assert "interruption of 10 min at 2031-03-03T01:00:00+00:00" in finding.reason.text


def test_one_event_on_several_phases_is_one() -> None:
    """IEC 61000-4-30 5.4.2.2: it begins on the first phase and ends on the last; the lowest residual counts."""
    phases = ("an", "bn", "cn")
    dips = [event("dip", "0.4", "80", 1), event("dip", "0.4", "55", 1 + 0.2 / 60, "bn")]
    (one,) = polyphase(dips, phases)
    assert (one.kind, one.duration_s, one.residual_percent, one.phase) == ("dip", Decimal("0.6"), Decimal(55), "")
    out = [event("interruption", "5", "0", 1, phase) for phase in phases]
    assert [each.kind for each in polyphase(out, phases)] == ["interruption"]
    assert [each.kind for each in polyphase(out[:2], phases)] == ["dip"]
    assert [each.kind for each in polyphase(out[:1], ("an",))] == ["interruption"]
    assert len(polyphase([dips[0], event("swell", "0.4", "115", 1, "bn")], phases)) == 2
    assert len(polyphase([dips[0], event("dip", "0.4", "80", 2, "bn")], phases)) == 2
    assert len(polyphase([dips[0], event("dip", "0.4", "80", 1.5, "bn")], phases, within_us=MINUTE)) == 1
    assert len(polyphase([replace(each, certain=False) for each in dips], phases)) == 2


def test_a_residual_missing_on_one_phase_proves_no_pass() -> None:
    wye = {"supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}}
    dips = [event("dip", "0.4", "80", 1), event("dip", "0.4", None, 1, "bn")]
    assert curve(week(*dips), **wye).verdict is Verdict.INCONCLUSIVE
    assert curve(week(replace(dips[0], residual_percent=Decimal(50)), dips[1]), **wye).verdict is Verdict.FAIL


EVENTS = st.lists(
    st.tuples(st.sampled_from(["dip", "swell"]), st.integers(1, 20_000), st.integers(0, 9_990), st.integers(0, 10_000),
              st.sampled_from(["an", "bn", ""])),
    min_size=1, max_size=8,
)  # fmt: skip


@given(EVENTS)
def test_adding_an_event_never_turns_a_fail_into_a_pass(rows: list[tuple[str, int, int, int, str]]) -> None:
    made = [
        event(kind, f"{Decimal(length) / 1000}", f"{Decimal(depth) / 100 + (100 if kind == 'swell' else 0)}", at, phase)
        for kind, length, depth, at, phase in rows
    ]
    for table in ("iti-2000", "semi-f47-0706"):
        fewer, more = curve(week(*made[:-1], INSIDE), table), curve(week(*made, INSIDE), table)
        if fewer.verdict is Verdict.FAIL:
            assert more.verdict is Verdict.FAIL
        # A list cut short is never more than met by the events listed.
        if fewer.verdict is Verdict.PASS:
            assert not fewer.proven and code(fewer) == "events-listed"


def test_a_page_whose_only_failed_criterion_is_an_event(tmp_path: Any, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(8)
    rows = "".join(
        f"2031-03-{3 + at // 144:02}T{at // 6 % 24:02}:{at % 6}0:00Z,{230 + rng.normal():.2f}\n" for at in range(1008)
    )
    (tmp_path / "week.csv").write_text("time,voltage.an [V]\n" + rows)
    (tmp_path / "events.csv").write_text(
        "time,phase,kind,duration [s],residual [%]\n2031-03-04T10:00:00Z,an,dip,5,20\n"
        "2031-03-04T12:00:00Z,an,dip,0.4,80\n"
    )
    (tmp_path / "site.toml").write_text(
        'name = "Press shop"\ntime_zone = "UTC"\n[supply]\nnominal_voltage = "230 V"\nconnection = "single-phase"\n'
        'frequency = "50 Hz"\n[limits]\napply = ["iti-2000"]\n'
    )
    status = main(["check", *(str(tmp_path / name) for name in ("week.csv", "events.csv")), "--site",
                   str(tmp_path / "site.toml"), "--out", str(tmp_path / "page.html")])  # fmt: skip
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert status == 1
    assert "Not every limit was kept: dips, swells or interruptions went beyond what is allowed." in page
    assert "Of 2 dips, swells and interruptions listed, 1 lies outside the curve" in page
    assert "Tuesday 4 March at 10:00:00, 20 % for 5 s" in page


@pytest.mark.parametrize("starts_s", [(0.0, 0.4, 0.8), (0.0, 0.5, 1.0)])
def test_one_dip_cut_in_pieces_is_as_long_as_it_was(starts_s: tuple[float, ...]) -> None:
    """72 % for 0.5 s lies inside the ITI curve, for more than 1 s it does not (80 %)."""
    pieces = [event("dip", "0.5", "72", 700 + start / 60) for start in starts_s]
    assert curve(week(pieces[0]), **WHOLE).verdict is Verdict.PASS
    assert curve(week(*pieces), **WHOLE).verdict is Verdict.FAIL
    assert curve(week(pieces[0], event("dip", "0.5", "72", 701)), **WHOLE).verdict is Verdict.PASS


def test_a_declaration_without_a_list_is_none() -> None:
    made = replace(week(), event_tables=())
    finding = curve(made, **WHOLE)
    assert (finding.verdict, code(finding)) == (Verdict.INCONCLUSIVE, "not-recorded")
    assert curve(week(), **WHOLE).verdict is Verdict.PASS
