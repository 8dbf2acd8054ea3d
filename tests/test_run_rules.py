"""Rules about the longest run outside, against a slot by slot reading: borders of periods, gaps, exclusions."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck.limit_tables import LimitRow, LimitTable, Rule, RulePeriod, RuleStatistic
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import outside_text
from pqcheck.model.verdict import Verdict
from tests.recordings import judged, recording, site

DAY = 24
START = datetime(2031, 3, 3, tzinfo=UTC)
LEVELS = {"i": 230.0, "o": 260.0, "-": float("nan"), "x": 260.0}
"""Inside, outside, missing, excluded."""


def table(hours: int) -> LimitTable:
    """At most so many hours in a row above 253 V, day by calendar day, hourly values."""
    rule = Rule("run", "longest run", "clause 1", "two sources", "voltage", ("an",), Decimal(3600), (),
                RulePeriod("day", "calendar"), RuleStatistic("longest_run_at_most", duration_s=Decimal(hours * 3600)),
                "none", "V", False, (LimitRow(high=Decimal(253)),))  # fmt: skip
    return LimitTable("made", "Made", "2031", "Made", "made", "0" * 64, (rule,))


def findings(
    slots: str, hours: int, start: datetime = START, days_per_block: int = 1, rules: LimitTable | None = None
) -> list[Finding]:
    stamps = [(start + timedelta(hours=number), letter) for number, letter in enumerate(slots)]
    cut = [{"from": at.isoformat(), "to": (at + timedelta(hours=1)).isoformat(), "reason": "work", "author": "engineer"}
           for at, letter in stamps if letter == "x"]  # fmt: skip
    made = recording({"voltage.an [V]": np.array([LEVELS[letter] for letter in slots])}, start=start.isoformat(),
                     interval_s=3600, days_per_block=days_per_block)  # fmt: skip
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}, exclusions=cut)
    return judged(made, place, rules or table(hours))


def days_of(slots: str, hours: int) -> list[bool]:
    """Whether each day passes, where every slot is known: a run counts whole in the day in which it begins."""
    passes = [True] * (len(slots) // DAY)
    begun = 0
    for number, letter in enumerate(slots):
        if letter != "o":
            continue
        if number == 0 or slots[number - 1] != "o":
            begun = number
        if number - begun + 1 > hours:
            passes[begun // DAY] = False
    return passes


def days_that_pass_whatever_lies_beyond(slots: str, hours: int) -> list[bool]:
    """The same where what lay outside at either end of the record may have gone on for a day beyond it."""
    days = days_of("i" * DAY + slots + "o" * DAY, hours)[1:-1]
    return [days[0] and slots[0] != "o", *days[1:]]


@settings(max_examples=120, deadline=None)
@given(st.text("iiox", min_size=3 * DAY, max_size=3 * DAY), st.integers(1, 5), st.sampled_from([1, 2, 5]))
def test_known_slots_day_by_day(slots: str, hours: int, days_per_block: int) -> None:
    days = findings(slots, hours, days_per_block=days_per_block)
    for number, (passes, day) in enumerate(zip(days_of(slots, hours), days, strict=True)):
        if day.reason is not None and day.reason.code in ("mostly-excluded", "no-readings-left"):
            assert day.verdict is Verdict.INCONCLUSIVE
        elif passes and not (passes := days_that_pass_whatever_lies_beyond(slots, hours)[number]):
            assert day.verdict is Verdict.INCONCLUSIVE and day.reason is not None and day.reason.code == "too-short"
        else:
            assert (day.verdict is Verdict.PASS, day.verdict is Verdict.FAIL) == (passes, not passes)


@settings(max_examples=120, deadline=None)
@given(st.lists(st.sampled_from("ioox"), min_size=2 * DAY, max_size=2 * DAY), st.integers(1, 4),
       st.sets(st.integers(DAY - 4, DAY + 3), max_size=4))  # fmt: skip
def test_a_pass_holds_whatever_is_missing(letters: list[str], hours: int, gone: set[int]) -> None:
    for number in gone:
        letters[number] = "-"
    found = findings("".join(letters), hours)
    possible = []
    for filling in product("io", repeat=len(gone)):
        filled = list(letters)
        for number, letter in zip(sorted(gone), filling, strict=True):
            filled[number] = letter
        possible.append(days_of("".join(filled), hours))
    for number, day in enumerate(found):
        if day.verdict is Verdict.PASS:
            assert all(days[number] for days in possible)
    if any(day.verdict is Verdict.FAIL for day in found):
        assert not any(all(days) for days in possible)


def test_what_lies_before_the_first_value_of_a_day_may_have_been_a_run() -> None:
    # Four hours of the first day were recorded.
    first = findings("i" * 4, 3, START + timedelta(hours=20))[0]
    assert first.verdict is Verdict.INCONCLUSIVE and first.reason is not None
    assert "the longest run outside has 0 intervals and may have 3" in first.reason.text


def test_a_run_over_midnight_is_one_run() -> None:
    first, second = findings("i" * 20 + "o" * 8 + "i" * 20, 6)
    assert (first.verdict, second.verdict) == (Verdict.FAIL, Verdict.PASS)
    assert first.intervals is not None and first.intervals.outside == 8
    assert outside_text(first) == "a run of 8, 6 allowed"
    assert [window.intervals for window in first.windows] == [8] and not second.windows


def test_an_exclusion_longer_than_the_allowed_run_ends_it() -> None:
    day = findings("i" * 10 + "ooxxxxxoo" + "i" * 5, 3)[0]
    assert day.verdict is Verdict.PASS


def test_a_flagged_interval_that_the_rule_drops_ends_a_run() -> None:
    from msgspec.structs import replace

    from pqcheck.model.recording import Event
    from tests.recordings import us

    volts = np.array([230.0] * 10 + [260.0] * 5 + [230.0] * 9)
    made = recording({"voltage.an [V]": volts}, start=START.isoformat(), interval_s=3600)
    swell = Event(us(START.isoformat()) + 12 * 3_600_000_000 + 1, "a", "swell", Decimal(1), Decimal(120))
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    rules = table(2)
    rules = replace(rules, rules=(replace(rules.rules[0], drop_flagged=True),))
    assert judged(made, place, rules)[0].verdict is Verdict.FAIL
    assert judged(replace(made, events=(swell,)), place, rules)[0].verdict is Verdict.PASS


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("slots", ["o" + "i" * 47, "i" * 46 + "oo", "-" + "i" * 47, "i" * 47 + "-"])
def test_a_run_at_an_end_of_the_record_may_go_on_beyond_it(slots: str, whole: bool) -> None:
    """Two hours may lie outside; a first or last hour without a value may belong to a longer run as well."""
    rules = table(2)
    if whole:
        rules = replace(rules, rules=(replace(rules.rules[0], period=RulePeriod("recording")),))
    found = findings(slots, 2, rules=rules)
    verdicts = {day.verdict for day in found}
    assert Verdict.INCONCLUSIVE in verdicts and Verdict.FAIL not in verdicts
    (text,) = (day.reason.text for day in found if day.reason is not None)
    assert "begins or ends where the record does" in text
    # What was seen to begin and end, beyond an exclusion too, passes.
    inside = slots.replace("o", "x").replace("-", "x")
    assert {day.verdict for day in findings(inside, 2, rules=rules)} == {Verdict.PASS}


def test_a_recording_no_longer_than_the_run_that_is_allowed_shows_nothing() -> None:
    """Every value outside, and too few of them for a run that is too long: no pass; one hour more decides."""
    rule = replace(table(3).rules[0], period=RulePeriod("recording"))
    made = replace(table(3), rules=(rule,))
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"})

    def verdict(levels: str) -> tuple[Verdict, str | None]:
        volts = np.array([LEVELS[letter] for letter in levels])
        (finding,) = judged(recording({"voltage.an [V]": volts}, interval_s=3600), place, made)
        return finding.verdict, finding.reason.code if finding.reason is not None else None

    assert verdict("ooo") == verdict("iii") == (Verdict.INCONCLUSIVE, "too-short")
    assert verdict("oooo")[0] is Verdict.FAIL
    assert verdict("iooi")[0] is Verdict.PASS
