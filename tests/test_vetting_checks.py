"""Single checks of the recording, each on data made for it; values from outside the code are named."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.errors import SiteError
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Block, Channel, Note, Recording, RowSpan, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.vet import Vetted, vet
from pqcheck.vet.checks.connection import recognised
from pqcheck.vet.checks.extremes import crossed
from pqcheck.vet.checks.loose_neutral import displaced, seesaw
from pqcheck.vet.checks.nominal import matches
from pqcheck.vet.checks.open_jaw import factor_step
from pqcheck.vet.checks.representative import days_covered
from pqcheck.vet.checks.zero_orders import not_measured
from tests.recordings import WEEK, recording, site, us

Floats = NDArray[np.float64]


def noise(seed: int, count: int = WEEK) -> Floats:
    return np.random.default_rng(seed).standard_normal(count)


def found(result: Vetted, rule: str, channel: str | None = None) -> Finding:
    fitting = [one for one in result.findings if one.rule == rule and channel in (None, one.channel)]
    assert fitting, sorted({one.rule for one in result.findings})
    return max(fitting, key=lambda one: one.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE, Verdict.FAIL))


def run(table: dict[str, Floats], interval_s: float = 600, zone: str = "UTC", **sections: Any) -> Vetted:
    return vet(recording(table, interval_s=interval_s, zone=zone), site(**sections))


# Nominal and connection.

def test_factors_of_practice() -> None:
    """V/nominal clusters at sqrt(3), its inverse, 2, one half: a wrong connection or ratio."""
    assert "line-to-line voltages under line-to-neutral names" in matches(480.0, 277.0, "line to neutral")[0] or any(
        "line-to-line voltages under" in text for text in matches(480.0, 277.0, "line to neutral"))
    assert any("208" in text for text in matches(207.6, 240.0, "line to line"))
    assert any("one half" in text for text in matches(346.0, 692.0, "line to line"))
    assert matches(300.0, 240.0, "line to line") == []


def test_patterns_of_the_connections() -> None:
    def row(**volts: float) -> dict[str, Floats]:
        return {phase: np.full(5, value) for phase, value in volts.items()}

    wye = recognised(row(an=277.0, bn=277.0, cn=277.0), row(ab=480.0, bc=480.0, ca=480.0))
    split = recognised(row(an=120.0, bn=120.0), row(ab=240.0))
    # 240/120 four-wire delta: high leg 240 sqrt(3)/2 = 207.8 V (derived)
    high = recognised(row(an=120.0, bn=207.8, cn=120.0), {})
    wrong = recognised(row(an=277.0, bn=277.0, cn=277.0), row(ab=277.0, bc=277.0, ca=277.0))
    assert [pattern[1] if pattern else None for pattern in (wye, split, high, wrong)] == [
        ("wye",), ("split-phase",), ("high-leg-delta",), ()]
    assert high and high[2] == "b"


def test_two_legs_of_a_network_service_may_be_declared_as_such() -> None:
    table = {"voltage.an [V]": 120 + 0.3 * noise(1), "voltage.bn [V]": 120 + 0.3 * noise(2),
             "voltage.ab [V]": 208 + 0.3 * noise(3)}
    both = {"connection": "split-phase", "frequency": "60 Hz"}
    assert found(run(table, supply=both | {"nominal_voltage": "120/240 V"}), "connection").verdict is Verdict.REFUSED


# The neutral and other danger signs.

def test_the_see_saw_needs_a_steady_sum() -> None:
    swing = np.array([0.0, 0.0, 5.0, 6.0, 0.0])
    assert seesaw(120 + swing, 120 - swing, 120.0).tolist() == [False, False, True, True, False]
    # A sound service: the loaded leg drops, the other rises by the drop over the neutral, the sum falls.
    assert not seesaw(120 + swing / 3, 120 - swing, 120.0).any()
    # 3 % of 120 V is 3.6 V: the threshold of the danger sign, not exceeded when met.
    assert not seesaw(np.array([120.0, 123.6]), np.array([120.0, 116.4]), 120.0).any()
    # A lost lead is no see-saw.
    assert not seesaw(np.array([121.0, 120.0]), np.array([3.0, 3.0]), 120.0).any()
    # What one leg lost the other gained, down to nothing: no neutral is left.
    assert seesaw(np.array([237.0, 237.0]), np.array([3.0, 3.0]), 120.0).all()


def test_a_displaced_star_point_does_not_show_between_lines() -> None:
    legs = [np.array([230.0, 200.0]), np.array([230.0, 245.0]), np.array([230.0, 246.0])]
    lines = [np.array([400.0, 400.0])] * 3
    assert displaced(legs, lines, 230.0).tolist() == [False, True]
    assert not displaced(legs, [np.array([400.0, 380.0]), lines[1], lines[2]], 230.0).any()


@pytest.mark.parametrize(("volts", "minutes", "sign"), [
    # Beyond 115 % (264.5 V) and 85 % (195.5 V) of 230 V one minute at a stretch; an edge itself is inside.
    (264.5, 1, False), (264.6, 1, True), (195.5, 1, False), (195.4, 1, True),
    # Beyond 112 % (257.6 V) and 87 % (200.1 V) an hour within a day.
    (264.4, 59, False), (257.6, 60, False), (257.7, 60, True),
    (200.1, 60, False), (200.0, 60, True), (195.6, 59, False),
    # Above 110 % (253 V) twelve hours within a day: the ratings of equipment.
    (253.1, 719, False), (253.1, 720, True), (253.0, 900, False), (207.0, 900, False),
])
def test_how_far_off_a_voltage_lies_says_how_long_it_may_stand(volts: float, minutes: int, sign: bool) -> None:
    table = {"voltage.an [V]": 230 + 0.5 * noise(4, 1440)}
    table["voltage.an [V]"][200 : 200 + minutes] = volts
    result = run(table, 60, supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    assert bool([one for one in result.findings if one.kind == "safety"]) == sign


@given(volts=st.floats(195.5, 264.5), place=st.integers(0, 143), seconds=st.sampled_from([600, 900, 1800]))
def test_a_single_value_within_fifteen_percent_is_never_a_danger_sign(volts: float, place: int, seconds: int) -> None:
    table = {"voltage.an [V]": 230 + 0.5 * noise(5, 144)}
    table["voltage.an [V]"][place] = volts
    result = run(table, seconds, supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    assert not [one for one in result.findings if one.kind == "safety"]


def test_short_stretches_add_up_within_a_day_and_not_over_days() -> None:
    table = {"voltage.an [V]": 230 + 0.5 * noise(4, 5 * 144)}
    within, apart = table["voltage.an [V]"].copy(), table["voltage.an [V]"].copy()
    within[10:130:20] = 260.0
    apart[10 : 5 * 144 : 150] = 260.0
    for values, sign in ((within, True), (apart, False)):
        result = run({"voltage.an [V]": values}, 600, supply={"nominal_voltage": "230 V", "connection": "single-phase"})
        assert bool([one for one in result.findings if one.kind == "safety"]) == sign


@pytest.mark.parametrize(("pieces", "volts", "sign"), [(13, 280.0, True), (10, 280.0, False), (60, 180.0, False)])
def test_pieces_of_less_than_a_minute_far_above_add_up_too(pieces: int, volts: float, sign: bool) -> None:
    """Of each minute 50 s: thirteen are more than ten minutes. Low ones may be the starts of a motor."""
    values = 230 + 0.5 * noise(4, 8640)
    for piece in range(pieces):
        values[1000 + 6 * piece : 1005 + 6 * piece] = volts
    result = run({"voltage.an [V]": values}, 10, supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    assert bool([one for one in result.findings if one.kind == "safety"]) == sign


@pytest.mark.parametrize(("moved", "spread", "sign"), [(True, 25.0, True), (True, 12.0, False), (False, 25.0, False)])
def test_a_moved_neutral_without_line_voltages_is_possible_and_says_what_settles_it(
    moved: bool, spread: float, sign: bool
) -> None:
    """Phasors of 247 V whose star point moves by `spread` volts for four hours; or one phase alone that rises."""
    phasors = 247 * np.exp(2j * np.pi * np.array([0, -1, 1]) / 3)
    shift = np.zeros(WEEK, complex)
    shift[300:324] = -spread * np.exp(-0.5j)
    legs = [np.abs(phasor + (-shift if moved or phase == "a" else 0)) + 0.2 * noise(seed)
            for seed, (phase, phasor) in enumerate(zip("abc", phasors, strict=True))]
    table = {f"voltage.{phase}n [V]": values for phase, values in zip("abc", legs, strict=True)}
    result = run(table, supply={"nominal_voltage": "400 V", "connection": "wye"})
    signs = [one for one in result.findings if one.rule == "neutral-possible"]
    assert bool(signs) is sign
    if sign:
        (reason,) = [one.reason for one in signs]
        assert reason is not None and reason.code == "neutral-possible" and signs[0].title.endswith("is possible")
        assert "Record the voltages between lines" in reason.advice and "call the utility" in reason.advice


def test_the_signs_of_three_phases_are_one_sentence_with_phases_hours_and_dates() -> None:
    table = {f"voltage.{phase}n [V]": 230 + 0.5 * noise(seed, 7 * 144) for seed, phase in enumerate("abc")}
    for day in (1, 2, 4):
        for phase in "ac":
            table[f"voltage.{phase}n [V]"][day * 144 + 105 : day * 144 + 135] = 266.0
    signs = [one for one in run(table, 600).findings if one.kind == "safety" and one.rule == "voltage-danger"]
    assert [one.phase for one in signs] == ["an", "cn"] and len({one.reason.text for one in signs if one.reason}) == 1
    text = signs[0].reason.text if signs[0].reason else ""
    assert "phase a above 115 % of its nominal 230 V for 15 h in all" in text and "phase c above" in text
    assert "on 3 days" in text and "between 17:30 and 22:30" in text and "phase b" not in text


def test_conductors_and_the_neutral_against_their_ratings() -> None:
    table = {f"current.{phase} [A]": 90 + noise(seed) for seed, phase in enumerate("abc")}
    table["current.n [A]"] = 130 + noise(9)
    signs = {one.rule for one in run(table, ratings={"service": "200 A", "neutral": "200 A"}).findings
             if one.kind == "safety"}
    assert signs == {"neutral-overload"}
    signs = {one.rule for one in run(table, ratings={"service": "80 A", "neutral": "400 A"}).findings
             if one.kind == "safety"}
    assert signs == {"conductor-overload"}
    assert not [one for one in run(table).findings if one.kind == "safety"]


def overloads(result: Vetted) -> dict[str, str]:
    return {f"{one.rule} {one.channel}": one.reason.text for one in result.findings
            if one.kind == "safety" and one.reason is not None}


@pytest.mark.parametrize(("ratings", "overloaded"), [
    ({"panel": "60 A"}, "abc"), ({"panel": "100 A"}, ""), ({"panel": "100 A", "panel_phases": {"b": "60 A"}}, "b"),
    ({"service": "200 A", "panel": "60 A"}, "abc"), ({"service": "60 A", "panel": "100 A"}, "abc"),
    ({"panel_phases": {"a": "60 A", "b": "100 A", "c": "100 A"}}, "a"),
])
def test_a_panel_beyond_its_rating_is_a_danger_sign(ratings: dict[str, Any], overloaded: str) -> None:
    table = {f"current.{phase} [A]": 90 + noise(seed) for seed, phase in enumerate("abc")}
    assert set(overloads(run(table, ratings=ratings))) == {f"conductor-overload current.{each}" for each in overloaded}


@pytest.mark.parametrize(("hours", "sign"), [(1.5, False), (2.5, True)])
def test_a_transformer_beyond_its_rating_for_hours(hours: float, sign: bool) -> None:
    """30 kVA at 400 V is 43.3 A; 55 A for part of a day, 38 kVA."""
    load = np.full(WEEK, 30.0)
    load[100 : 100 + round(hours * 6)] = 55.0
    table = {f"current.{phase} [A]": load + 0.3 * noise(seed) for seed, phase in enumerate("abc")}
    wye = {"nominal_voltage": "400 V", "connection": "wye"}
    signs = overloads(run(table, supply=wye, ratings={"transformer": "30 kVA"}))
    assert set(signs) == ({f"transformer-overload current.{phase}" for phase in "abc"} if sign else set())
    power = {"apparent_power.total [kVA]": load * 0.69}
    signs = overloads(run(power, supply=wye, ratings={"transformer": "30 kVA"}))
    assert bool(signs) is sign and all("30 kVA of the transformer, for 2 h 30 min" in text for text in signs.values())
    assert not overloads(run(power, supply=wye, ratings={"transformer": "63 kVA"}))


def triplens(amperes: float, hours: float = 2, unit: str = "A") -> dict[str, Floats]:
    """Third orders of so many amperes (percent of rms) in each phase of 90 A, for some hours."""
    third = np.full(WEEK, 5.0)
    third[100 : 100 + round(hours * 6)] = amperes
    table = {f"current.{phase} [A]": 90 + noise(seed) for seed, phase in enumerate("abc")}
    return table | {f"current_harmonic.{phase}.h3 [{unit}]": third + 0.1 * noise(9 + seed)
                    for seed, phase in enumerate("abc")}


@pytest.mark.parametrize(("table", "ratings", "sign"), [
    (triplens(58), {"service": "200 A", "neutral": "100 A"}, True),
    (triplens(58), {"service": "200 A", "neutral": "200 A"}, False),
    (triplens(58), {"service": "150 A"}, True), (triplens(58), {"service": "200 A"}, False), (triplens(58), {}, False),
    (triplens(58, hours=0.5), {"neutral": "100 A"}, False),
    (triplens(60, unit="% of rms"), {"neutral": "100 A"}, True), (triplens(30, unit="%"), {"neutral": "100 A"}, False),
    (triplens(58) | {"current.n [A]": 20 + noise(3)}, {"neutral": "100 A"}, False),
])
def test_triplen_orders_overload_a_neutral_that_was_not_recorded(
    table: dict[str, Floats], ratings: dict[str, Any], sign: bool
) -> None:
    """Balanced third orders are in phase: three times 58 A are 174 A (common practice)."""
    signs = overloads(run(table, supply={"nominal_voltage": "400 V", "connection": "wye"}, ratings=ratings))
    assert set(signs) == ({"neutral-triplens current.n"} if sign else set())
    assert all("likely" in text and "not recorded" in text for text in signs.values())


def test_a_three_wire_service_has_no_neutral_to_overload() -> None:
    delta = {"nominal_voltage": "400 V", "connection": "delta"}
    assert not overloads(run(triplens(58), supply=delta, ratings={"service": "150 A"}))


def test_a_neutral_without_a_rating_of_its_own_is_held_against_that_of_the_phases() -> None:
    table = {f"current.{phase} [A]": 90 + noise(seed) for seed, phase in enumerate("abc")}
    table["current.n [A]"] = 130 + noise(9)
    wye = {"nominal_voltage": "400 V", "connection": "wye"}
    assert set(overloads(run(table, supply=wye, ratings={"service": "120 A"}))) == {"conductor-overload current.n"}


# Leads and clamps.

def test_a_share_is_lost_at_every_load_and_amperes_are_not() -> None:
    rng = np.random.default_rng(11)
    others = 100 * (1 + 0.3 * np.sin(np.arange(600) / 40)) * (1 + 0.02 * rng.standard_normal(600))
    same = others * (1 + 0.03 * rng.standard_normal(600))
    jaw = np.where(np.arange(600) < 300, same, 0.6 * same)
    found_step = factor_step(jaw, others)
    assert found_step is not None and abs(found_step[0] - 300) < 5 and found_step[1] == pytest.approx(0.6, abs=0.03)
    switched = np.where(np.arange(600) < 300, same, same - 40)
    assert factor_step(switched, others) is None
    assert factor_step(same, others) is None


def test_the_neutral_cannot_exceed_the_sum_of_the_phases() -> None:
    table = {f"current.{phase} [A]": 10 + noise(seed) for seed, phase in enumerate("abc")}
    assert found(run(table | {"current.n [A]": 24 + 0.1 * noise(5)}), "neutral-sum").verdict is Verdict.PASS
    assert found(run(table | {"current.n [A]": 60 + noise(5)}), "neutral-sum").verdict is Verdict.REFUSED


def test_a_clamp_dead_from_the_start_is_a_question() -> None:
    table = {"current.a [A]": 50 + noise(1), "current.b [A]": 52 + noise(2), "current.c [A]": np.full(WEEK, 0.1)}
    assert found(run(table), "dead-clamp", "current.c.mean").verdict is Verdict.INCONCLUSIVE


def test_readings_marked_as_over_range_are_lower_bounds() -> None:
    plain = recording({"current.a [A]": 50 + noise(1)}).streams[0]
    marked = np.zeros(WEEK, np.bool_)
    marked[300:320] = True

    def blocks(channels: object) -> Iterator[Block]:
        first = 0
        for block in plain.blocks(None):
            part = marked[first : first + block.axis.count]
            first += block.axis.count
            yield Block(block.axis, block.values, lower_bounds=dict.fromkeys(block.values, part))

    whole = recording({"current.a [A]": 50 + noise(1)})
    stream = Stream(plain.axis, plain.channels, blocks, plain.index)
    result = vet(Recording(whole.files, (stream,), whole.notes, whole.zone), site())
    clipped = found(result, "clipping", "current.a.mean")
    assert clipped.verdict is Verdict.REFUSED and clipped.reason and "over range in 20 intervals" in clipped.reason.text
    assert [window.intervals for window in clipped.windows] == [20]
    assert {doubt.allows for doubt in result.trust} == {"lower bound"}


# Arithmetic.

def test_extremes_with_rounding_of_their_own() -> None:
    mean, low, high = np.array([121.34, 5.0, 7.0]), np.array([121.3, 6.0, 6.0]), np.array([121.3, 7.0, 9.0])
    assert crossed(mean, low, high)[0].tolist() == [False, True, False]
    assert not crossed(np.array([np.nan]), np.array([1.0]), np.array([2.0]))[0].any()


def test_zeros_that_the_resolution_explains() -> None:
    """0.1 A steps: the 25th at 0.2 A explains that the 27th reads zero; at 2 A it does not."""
    assert not_measured({23: 0.3, 25: 0.2, 27: 0.0}, {27}, 0.1) == set()
    assert not_measured({23: 3.0, 25: 2.0, 27: 0.0, 29: 0.0}, {27, 29}, 0.1) == {27, 29}
    assert not_measured({2: 0.0, 3: 9.0, 4: 0.0, 5: 6.0}, {2, 4}, 0.01) == {2, 4}
    assert not_measured({3: 1.0}, set(), 0.1) == set()


def test_power_factor_of_another_column() -> None:
    rng = np.random.default_rng(20)
    apparent = 1000 * (1 + 0.2 * rng.random(WEEK))
    table = {"active_power.a [W]": 0.7 * apparent, "apparent_power.a [VA]": apparent,
             "power_factor.a [1]": np.round(0.95 + 0.01 * rng.random(WEEK), 3)}
    assert found(run(table), "power-factor").verdict is Verdict.REFUSED
    table["power_factor.a [1]"] = np.round(-0.7 + 0.01 * rng.random(WEEK), 3)
    assert found(run(table), "power-factor").verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("middle", "declared", "verdict"),
    [(50.0, "50 Hz", Verdict.PASS), (50.0, "60 Hz", Verdict.REFUSED), (0.05, "50 Hz", Verdict.REFUSED)],
)
def test_frequency(middle: float, declared: str, verdict: Verdict) -> None:
    table = {"frequency [Hz]": middle + 0.001 * noise(21)}
    assert found(run(table, supply={"frequency": declared}), "frequency").verdict is verdict


def test_registers_against_the_integral_of_power() -> None:
    power = 6000 + 500 * noise(22)
    energy = 1e6 + np.concatenate(([0.0], np.cumsum(power)[:-1])) / 6
    table = {"active_power.total [W]": power, "active_energy_import.total [Wh]": energy}
    assert found(run(table), "energy").verdict is Verdict.PASS
    table["active_energy_import.total [Wh]"] = 1e6 + (energy - 1e6) / 2
    reason = found(run(table), "energy").reason
    assert reason and "a factor of 1/2" in reason.text


def test_sum_of_the_phases_against_the_total() -> None:
    table = {f"active_power.{phase} [W]": 5000 + 200 * noise(seed) for seed, phase in enumerate("abc")}
    total = sum(table.values())
    assert found(run(table | {"active_power.total [W]": np.asarray(total)}), "totals").verdict is Verdict.PASS
    assert found(run(table | {"active_power.total [W]": np.asarray(total) / 3}), "totals").verdict is Verdict.REFUSED


# Time.

def with_notes(*notes: Note) -> Recording:
    made = recording({"voltage.an [V]": 230 + noise(30)})
    return Recording(made.files, made.streams, notes, made.zone)


def test_what_the_reader_noticed_becomes_findings_with_rows() -> None:
    start = us("2031-03-03T00:00:00+00:00")
    conflict = Note("duplicate-conflict", "Rows 7 and 8 carry one stamp and differ.", (),
                    ((start, start + 600_000_000),), (RowSpan("a.csv", 7, 8),), serious=True)
    merged = Note("duplicate-merged", "2 identical rows were merged.")
    channel = Channel("voltage", "an", unit="V")
    words = Note("not-a-number", "3 cells of voltage.an hold text.", (channel,), (), (), serious=True)
    result = vet(with_notes(conflict, merged, words), site())
    noted = [one for one in result.findings if one.reason and one.reason.code.startswith("file-")]
    by_rule = {(one.rule, one.channel): one for one in noted}
    first = by_rule[("duplicates", "file:duplicate-conflict")]
    assert first.verdict is Verdict.INCONCLUSIVE and first.windows[0].rows == (RowSpan("a.csv", 7, 8),)
    assert by_rule[("duplicates", "file:duplicate-merged")].verdict is Verdict.PASS
    assert by_rule[("values", "voltage.an.mean")].phase == "an"


def daily(minutes_later: int, days: int, shape_seed: int = 0) -> Floats:
    """A daily pattern with two peaks, ten-minute values, moved by some minutes."""
    minutes = (np.arange(days * 144) * 10 - minutes_later) % 1440
    shape = 20 + 60 * np.exp(-(((minutes - 480) / 90) ** 2)) + 90 * np.exp(-(((minutes - 1140) / 120) ** 2))
    return shape * (1 + 0.05 * noise(shape_seed, days * 144))


def test_a_clock_set_by_an_hour_shows_in_the_daily_pattern() -> None:
    series = np.concatenate((daily(0, 5), daily(60, 5, 1)))
    series[5 * 144 - 12 : 5 * 144] = np.nan
    result = run({"current.a [A]": series})
    step = found(result, "clock")
    assert step.verdict is Verdict.INCONCLUSIVE and step.reason and "60 minutes later" in step.reason.text
    series = np.concatenate((daily(0, 5), daily(0, 5, 1)))
    series[5 * 144 - 12 : 5 * 144] = np.nan
    assert found(run({"current.a [A]": series}), "clock").verdict is Verdict.PASS


def test_days_are_counted_by_the_civil_calendar() -> None:
    start, end = us("2031-03-03T00:00:00+00:00"), us("2031-03-10T00:00:00+00:00")
    assert days_covered(start, end, "UTC", frozenset()) == (5, 2, ())
    later = us("2031-03-03T00:10:00+00:00")
    assert days_covered(later, end, "UTC", frozenset())[0] == 4


def test_declared_holidays_are_named_and_change_no_verdict() -> None:
    table = {"current.a [A]": daily(0, 7), "voltage.an [V]": 230 + 0.3 * noise(31)}
    one = found(run(table, recording={"holidays": ["2031-03-06"]}), "representative")
    assert one.verdict is Verdict.INCONCLUSIVE and one.reason and "2031-03-06" in one.reason.text
    assert not run(table, recording={"holidays": ["2031-03-06"]}).trust
    with pytest.raises(SiteError, match="holidays"):
        run(table, recording={"holidays": ["Christmas 2031"]})


# Spot checks.

def test_a_spot_check_outside_the_recording_is_one_sentence() -> None:
    spot = {"at": "2031-04-01T10:00:00", "channel": "voltage.an", "value": "230 V"}
    with pytest.raises(SiteError, match=r"spot check of voltage.an at 2031-04-01.* lies outside the recording"):
        run({"voltage.an [V]": 230 + noise(40)}, spot_checks=[spot])
    with pytest.raises(SiteError, match="not recorded"):
        run({"voltage.an [V]": 230 + noise(40)}, spot_checks=[{**spot, "channel": "current.a", "value": "3 A"}])


@pytest.mark.parametrize(("value", "verdict"), [("230.2 V", Verdict.PASS), ("243 V", Verdict.INCONCLUSIVE),
                                                ("115 V", Verdict.REFUSED)])
def test_a_spot_check_and_what_was_recorded(value: str, verdict: Verdict) -> None:
    spot = {"at": "2031-03-04T10:05:00", "channel": "voltage.an", "value": value, "instrument": "meter 2"}
    result = run({"voltage.an [V]": 230 + 0.05 * noise(41)}, spot_checks=[spot],
                 supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    one = found(result, "handheld")
    assert one.verdict is verdict
    assert any(line.startswith("Handheld:") and "meter 2" in line for line in result.remarks)


@pytest.mark.parametrize("means", [{}, {"voltage.an [V]": np.full(WEEK, np.nan)}])
def test_extremes_that_are_exchanged_prove_nothing(means: dict[str, Any]) -> None:
    """Minimum above maximum in every row, beside no mean or a blank one."""
    low, high = (np.round(middle + np.random.default_rng(seed).normal(0, 1, WEEK), 2)
                 for seed, middle in ((1, 226.0), (2, 236.0)))
    facts = site(recording={"extremes_of": "200 ms"},
                 supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    right = {**means, "voltage.an.min [V]": low, "voltage.an.max [V]": high}
    wrong = {**means, "voltage.an.min [V]": high, "voltage.an.max [V]": low}
    of_right, of_wrong = (
        {finding.verdict for finding in check(recording(table), facts, "en50160-2010-lv", quantities=["voltage"])
         .findings if finding.kind == "limit"} for table in (right, wrong)
    )
    assert of_right == {Verdict.INCONCLUSIVE if means else Verdict.PASS}
    assert of_wrong == {Verdict.REFUSED}
    assert found(vet(recording(wrong), facts), "extremes").verdict is Verdict.REFUSED
