"""What an event table leaves open, what trend and list say against each other, and what no further event may change."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck import check
from pqcheck.cli import main
from pqcheck.judge.event_columns import EventColumns, Ranked
from pqcheck.judge.event_counts import class_numbers
from pqcheck.judge.event_coverage import TrendExcursions
from pqcheck.judge.judge_events import judge_events
from pqcheck.judge.place_events import BEYOND, INSIDE, OUTSIDE, place_events
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.event_rules import EventRule, edge_at
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.limit_tables.rules import ValueRange
from pqcheck.model.findings import Finding
from pqcheck.model.recording import EVENT_KINDS, Event, Recording
from pqcheck.model.verdict import Verdict
from tests.recordings import recording, site, us
from tests.test_event_counts import limit_table

START = us("2031-03-03T00:00:00+00:00")
MINUTE = 60_000_000
SINGLE = {"supply": {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"}}
WYE = {"supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}}
COMPLETE = {"events": {"complete": True, "from": "2031-03-03T00:00:00+00:00", "to": "2031-03-10T00:00:00+00:00"}}
HEADER = "time,phase,kind,duration [s],residual [%]\n"
RULES = [(table, rule) for table in table_ids() for rule in load_table(table).event_rules]


def event(kind: str, duration: str, residual: str | None, minute: float = 0, phase: str = "an") -> Event:
    depth = None if residual is None else Decimal(residual)
    return Event(START + round(minute * MINUTE), phase, kind, Decimal(duration), depth)


def answered(tmp_path: Path, rows: str, table: str = "iti-2000", **sections: Any) -> Finding:
    path = tmp_path / "events.csv"
    path.write_text(HEADER + rows, encoding="utf-8")
    place = {"name": "x", "time_zone": "UTC", **SINGLE, **sections}
    return next(each for each in check([path], place, [table]).findings if each.kind == "limit")


# What a duration of zero leaves open: ITI asks for 70 % from 20 ms on, and for nothing below.
@pytest.mark.parametrize(("durations", "verdict", "code"), [
    (["0"], Verdict.INCONCLUSIVE, "event-without-duration"), (["0.0"], Verdict.INCONCLUSIVE, "event-without-duration"),
    (["0.00"], Verdict.PASS, None), (["0", "0.004"], Verdict.PASS, None),
    (["0", "0.4"], Verdict.INCONCLUSIVE, "event-without-duration"), (["0 ms"], Verdict.PASS, None),
])  # fmt: skip
def test_a_duration_of_zero_is_as_long_as_the_table_rounds(
    tmp_path: Path, durations: list[str], verdict: Verdict, code: str | None
) -> None:
    residuals = ["50", *["85"] * 3]
    rows = "".join(f"2031-03-04T1{at}:00:00,an,dip,{each},{residuals[at]}\n" for at, each in enumerate(durations))
    finding = answered(tmp_path, rows, **COMPLETE)
    assert (finding.verdict, finding.reason and finding.reason.code) == (verdict, code)
    # Deep enough it is outside whatever its length, and shallow enough inside.
    assert answered(tmp_path, "2031-03-04T10:00:00,an,swell,0,600\n", **COMPLETE).verdict is Verdict.FAIL
    assert answered(tmp_path, "2031-03-04T10:00:00,an,dip,0,89\n", **COMPLETE).verdict is Verdict.PASS


def judged(made: Recording, *tables: Any, **sections: Any) -> list[Finding]:
    return judge_events([load_table(each) if isinstance(each, str) else each for each in tables], made,
                        site(**{**WYE, **COMPLETE, **sections}))  # fmt: skip


def with_events(*events: Event) -> Recording:
    made = recording({"voltage.an [V]": 230 + np.random.default_rng(1).normal(0, 1, 1008)})
    return replace(made, events=events, event_tables=("events.csv",))


@pytest.mark.parametrize(("events", "verdict"), [
    ((event("dip", "0.1", None, 10),), Verdict.INCONCLUSIVE),
    ((event("dip", "0.1", None, 10), event("dip", "0.1", "50", 20), event("dip", "0.1", "50", 30)), Verdict.FAIL),
    ((event("dip", "0.1", "80", 10), event("dip", "0.1", None, 10, "bn")), Verdict.INCONCLUSIVE),
    ((event("swell", "0.1", None, 10),), Verdict.PASS), ((event("dip", "0.1", "80", 10),), Verdict.PASS),
])  # fmt: skip
def test_a_count_stays_open_where_an_event_without_residual_may_belong(
    events: tuple[Event, ...], verdict: Verdict
) -> None:
    """The rule counts dips below 70 %; with none allowed one of unknown depth decides."""
    (finding,) = judged(with_events(*events), limit_table("0", "week"))
    assert finding.verdict is verdict
    if verdict is Verdict.INCONCLUSIVE:
        assert finding.reason is not None and finding.reason.code == "event-without-depth"


def test_a_week_that_was_not_monitored_whole_is_not_the_week_that_passes() -> None:
    deep = [event("dip", "90", "50", 60 * 24 * day) for day in (8.5, 9.0)]
    nine = {"events": {**COMPLETE["events"], "to": "2031-03-13T00:00:00+00:00"}}
    (finding,) = judged(with_events(*deep), limit_table("2", "week"), **nine)
    assert finding.verdict is Verdict.PASS and finding.statistic is not None and finding.statistic.value == 0
    assert finding.period is not None and finding.period.start.startswith("2031-03-03")
    (more,) = judged(with_events(*deep), limit_table("1", "week"), **nine)
    assert more.verdict is Verdict.FAIL and more.period is not None and more.period.start.startswith("2031-03-10")


def test_indices_count_what_the_time_monitored_holds(tmp_path: Path) -> None:
    inside, before = event("dip", "0.1", "60", 600), event("dip", "0.1", "60", -6000)
    by_rule = {each.rule: each for each in judged(with_events(before, inside), "event-indices")}
    sarfi = by_rule["sarfi-70"]
    assert sarfi.statistic is not None and sarfi.statistic.value == pytest.approx(30 / 7)
    assert sarfi.reason is not None and "1 event in 7 days, and 1 outside" in sarfi.reason.text
    # From the first to the last row of a list alone nobody knows how long was monitored.
    path = tmp_path / "events.csv"
    path.write_text(HEADER + "2031-03-04T10:00:00,an,dip,0.1,60\n2031-03-04T10:01:00,an,dip,0.1,60\n")
    alone = {each.rule: each for each in check([path], {"name": "x", "time_zone": "UTC", **SINGLE},
                                               ["event-indices"]).findings}  # fmt: skip
    assert alone["sarfi-70"].statistic is not None and alone["sarfi-70"].statistic.value is None


def test_rapid_changes_are_counted_and_held_against_no_curve(tmp_path: Path) -> None:
    rows = "2031-03-04T10:00:00,an,RVC,0.1,5\n2031-03-04T15:00:00,an,rapid voltage change,0.2,\n"
    path = tmp_path / "events.csv"
    path.write_text(HEADER + rows + "2031-03-05T10:00:00,an,dip,0.1,75\n", encoding="utf-8")
    place = {"name": "x", "time_zone": "UTC", **SINGLE, **COMPLETE}
    by_rule = {each.rule: each for each in check([path], place, ["iti-2000", "event-indices"]).findings}
    values = {rule: each.statistic.value for rule, each in by_rule.items() if each.statistic is not None}
    assert values["rapid-changes-day"] == pytest.approx(2 / 7)
    assert values["rapid-changes-hour"] == pytest.approx(2 / 168)
    assert values["events-all"] == pytest.approx(30 / 7)
    curve = by_rule["iti-curve"]
    assert curve.verdict is Verdict.PASS and curve.intervals is not None and curve.intervals.expected == 1
    path.write_text(HEADER + "2031-03-05T10:00:00,an,dip,0.1,75\n", encoding="utf-8")
    none = {each.rule: each for each in check([path], place, ["event-indices"]).findings}["rapid-changes-day"]
    assert none.statistic is not None and none.statistic.value is None


def test_an_event_table_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Vetting has nothing to look at and does not say "sound"; a check judges, also an empty list that is complete."""
    path, place = tmp_path / "events.csv", tmp_path / "site.toml"
    path.write_text(HEADER)
    place.write_text(
        'name = "x"\ntime_zone = "UTC"\n[supply]\nnominal_voltage = "230 V"\nconnection = "single-phase"\n'
        'frequency = "50 Hz"\n[limits]\napply = ["iti-2000"]\n[events]\ncomplete = true\n'
        "from = 2031-03-03T00:00:00\nto = 2031-03-10T00:00:00\n"
    )
    for rows, status in (("", 0), ("2031-03-04T10:00:00,an,dip,0.1,75\n", 0), ("2031-03-04T10:00:00,an,dip,2,5\n", 1)):
        path.write_text(HEADER + rows)
        assert main(["check", str(path), "--site", str(place)]) == status
        assert "Only events were read" in capsys.readouterr().out
        assert main(["vet", str(path), "--site", str(place)]) == 3
        assert "OPEN: Only events were read" in capsys.readouterr().out
        assert main(["vet", str(path), "--site", str(place), "--so-far"]) == 2
        assert "only events were read; give the trend too" in capsys.readouterr().err


def test_events_on_phases_that_the_connection_lacks_are_named(tmp_path: Path) -> None:
    path = tmp_path / "events.csv"
    path.write_text(HEADER + "2031-03-04T10:00:00,cn,dip,0.1,80\n")
    place = {"name": "x", "time_zone": "UTC", **SINGLE, **COMPLETE}
    assert any("Events on cn lie beyond" in line for line in check([path], place, ["iti-2000"]).remarks)


# Trend and list: a dip to 20 % for half an hour, while three whole intervals of it show 230 V.
def curve(listed: list[Event], columns: dict[str, Any], **sections: Any) -> Finding:
    made = replace(recording(columns), events=tuple(listed), event_tables=("events.csv",))
    place = site(**{**SINGLE, **sections})
    trend = TrendExcursions(place, made.events)
    for stream in made.streams:
        for block in stream.blocks(None):
            trend.feed(block)
    return judge_events([load_table("iti-2000")], made, place, None, trend)[0]


def volts(change: dict[int, float] | None = None) -> Any:
    values = 230 + np.random.default_rng(2).normal(0, 1, 1008)
    for at, value in (change or {}).items():
        values[at] = value
    return values


@pytest.mark.parametrize(("kind", "seconds", "residual", "phase", "change", "named"), [
    ("dip", "1800", "20", "an", {}, True), ("swell", "1800", "120", "an", {}, True),
    ("dip", "1800", "20", "", {}, True), ("dip", "900", "20", "an", {}, False),  # shorter than two intervals
    ("dip", "1800", "20", "an", {61: 180.0}, False), ("dip", "1800", "20", "an", {61: np.nan}, False),
    ("dip", "1800", "20", "bn", {}, False),  # nobody recorded that phase
])  # fmt: skip
def test_an_event_that_the_trend_does_not_show_still_fails_and_is_named(
    kind: str, seconds: str, residual: str, phase: str, change: dict[int, float], named: bool
) -> None:
    finding = curve([event(kind, seconds, residual, 605, phase)], {"voltage.an [V]": volts(change)})
    assert finding.verdict is Verdict.FAIL and finding.proven
    text = finding.reason.text if finding.reason is not None else ""
    assert ("The trend shows normal voltage" in text and "2031-03-03T10:05:00" in text) is named


def test_extremes_show_a_short_event_where_their_window_is_declared() -> None:
    low = volts() - 2
    columns = {"voltage.an [V]": volts(), "voltage.an.min [V]": low}
    dip, window = [event("dip", "1", "20", 605)], {"recording": {"extremes_of": "200 ms"}}
    assert curve(dip, columns).reason is None
    named = curve(dip, columns, **window).reason
    assert named is not None and named.code == "events-unseen"
    low[60] = 46.0
    assert curve(dip, columns, **window).reason is None


def test_a_hole_in_the_trend_leaves_a_complete_list_unproven() -> None:
    gap = {at: np.nan for at in range(300, 320)}
    inside = event("dip", "0.4", "80", 7000)
    named = curve([inside], {"voltage.an [V]": volts(gap)}, **COMPLETE)
    assert (named.verdict, named.proven) == (Verdict.PASS, False) and named.reason is not None
    assert named.reason.code == "events-gap"
    assert "from 2031-03-05T02:00:00+00:00 to 2031-03-05T05:20" in named.reason.text
    assert curve([inside], {"voltage.an [V]": volts()}, **COMPLETE).proven
    # A listed interruption fills the hole, and one phase that goes on shows that the recorder ran.
    out = event("interruption", "12000", "0", 3000)
    assert curve([inside, out], {"voltage.an [V]": volts(gap)}, **COMPLETE).verdict is Verdict.FAIL
    both = {"voltage.an [V]": volts(gap), "voltage.bn [V]": volts()}
    assert curve([inside], both, **{**WYE, **COMPLETE}).proven


EVENTS = st.builds(
    lambda kind, duration, share, minute, phase: event(
        kind, duration, str({"dip": 10 + 79 * share, "swell": 111 + 60 * share}.get(kind, 9 * share)), minute, phase
    ),
    st.sampled_from(["dip", "swell", "interruption"]), st.sampled_from(["0.004", "0.02", "0.3", "2", "70", "400"]),
    st.decimals(0, 1, places=2), st.integers(0, 10_000), st.sampled_from(["an", "bn", "cn", "ab", ""]),
)  # fmt: skip


@settings(max_examples=60)
@given(st.lists(EVENTS, max_size=6), EVENTS, st.booleans())
def test_a_further_event_turns_no_fail_into_a_pass(events: list[Event], more: Event, complete: bool) -> None:
    sections: dict[str, Any] = {} if complete else {"events": {}}
    tables = ["iti-2000", "semi-f47-0706", "iec61000-4-11"]
    before, after = (judged(with_events(*of), *tables, **sections) for of in (events, [*events, more]))
    for was, now in zip(before, after, strict=True):
        assert not (was.verdict is Verdict.FAIL and now.verdict is not Verdict.FAIL), (was.rule, more)
        # A list cut short gives at most "met by the events listed".
        if not complete and was.verdict is Verdict.PASS:
            assert not was.proven and was.reason is not None and was.reason.code == "events-listed"


@settings(max_examples=60)
@given(st.lists(EVENTS, max_size=6), st.integers(0, 10_000), st.sampled_from(["week", "recording", "day"]))
def test_a_further_event_apart_in_time_lowers_no_count(events: list[Event], minute: int, per: str) -> None:
    """One that overlaps others may make one polyphase event of several (IEC 61000-4-30 5.4), and lower a count."""
    more = event("dip", "0.1", "50", minute)
    if any(each.time_us <= more.end_us and more.time_us <= each.end_us for each in events):
        return
    before, after = (judged(with_events(*of), limit_table("1", per))[0] for of in (events, [*events, more]))
    assert not (before.verdict is Verdict.FAIL and after.verdict is not Verdict.FAIL)


def exactly(rule: EventRule, each: Event, hertz: Decimal) -> int:
    """One event beside a curve, number by number."""
    edge = edge_at(rule.upper if each.kind == "swell" else rule.lower, each.duration_s, hertz)
    if edge is None:
        return BEYOND
    assert each.residual_percent is not None
    above = each.residual_percent - edge[0]
    return OUTSIDE if (above > 0 if each.kind == "swell" else above < 0) else INSIDE


@pytest.mark.parametrize(("table", "rule"), RULES, ids=[f"{table}/{rule.id}" for table, rule in RULES])
def test_columns_say_of_every_corner_what_single_numbers_say(table: str, rule: EventRule) -> None:
    """On, just below and just above each edge, at 50 and 60 Hz, in exact decimals."""
    for hertz in (Decimal(50), Decimal(60)):
        ends = {step.up_to.seconds(hertz) for step in (*rule.lower, *rule.upper) if step.up_to is not None}
        residuals = {step.residual for step in (*rule.lower, *rule.upper)}
        for cell in rule.classes:
            span = cell.durations(hertz)
            ends |= {edge for edge in (span.low, span.high) if edge is not None}
            residuals |= {edge for edge in (cell.residual.low, cell.residual.high) if edge is not None}
        tiny = Decimal("1e-15")
        durations = {max(end + by, tiny) for end in ends or {Decimal(1)} for by in (-tiny, Decimal(0), tiny)}
        depths = {max(each + by, Decimal(0)) for each in residuals for by in (-tiny, Decimal(0), tiny)}
        events = [
            Event(0, "an", kind, duration, depth)
            for kind in ("dip", "swell", "interruption") for duration in durations for depth in depths
        ]
        columns = EventColumns(events)
        if rule.kind == "ride_through":
            outcomes = place_events(rule, columns, hertz).outcome.tolist()
            assert outcomes == [exactly(rule, each, hertz) for each in events]
            continue
        for each, number in zip(events, class_numbers(rule, columns, hertz).tolist(), strict=True):
            kinds = (each.kind, "interruption") if each.kind == "dip" else (each.kind,)
            fitting = [
                at for kind in kinds for at, cell in enumerate(rule.classes)
                if cell.kind == kind and cell.durations(hertz).holds(each.duration_s)
                and each.residual_percent is not None and cell.residual.holds(each.residual_percent)
            ]
            assert number == (fitting[0] if fitting else -1), each


@given(st.lists(st.none() | st.decimals(-5, 5, places=1), max_size=20), st.decimals(-6, 6, places=1),
       st.decimals(-6, 6, places=1), st.booleans(), st.booleans())
def test_ranks_hold_what_spans_hold(
    values: list[Decimal | None], low: Decimal, high: Decimal, low_closed: bool, high_closed: bool
) -> None:
    span = ValueRange(low, low_closed, high, high_closed)
    wanted = [value is not None and span.holds(value) for value in values]
    assert Ranked(values).held(span).tolist() == wanted


def test_every_kind_of_event_is_a_kind_of_class() -> None:
    schema = json.loads((Path(__file__).parents[1] / "limits" / "limit_table.schema.json").read_text(encoding="utf-8"))
    assert tuple(schema["$defs"]["event_class"]["properties"]["kind"]["enum"]) == EVENT_KINDS
