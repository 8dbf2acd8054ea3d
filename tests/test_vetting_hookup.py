"""What a hook-up hides: the open neutral beside the lost lead, leads on services without neutral, and simulated
sites."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.plan.recording_so_far import SoFar
from pqcheck.vet import Vetted, vet
from pqcheck.vet.checks.line_leads import line_from_legs
from pqcheck.workflows.vet_recording import so_far
from tests.recordings import recording, site
from tests.simulator.confusion import fault_rows, sound_rows

Floats = NDArray[np.float64]
SPLIT = {"nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"}
NETWORK = {"nominal_voltage": "208Y/120 V", "connection": "wye", "frequency": "60 Hz"}
DELTA = {"nominal_voltage": "480 V", "connection": "delta", "frequency": "60 Hz"}
COUNT = 144
LINES = ("ab", "bc", "ca")


def around(seed: int, volts: float, width: float = 0.003) -> Floats:
    """A voltage that wanders a little, in hundredths."""
    return np.round(volts * (1 + width * np.random.default_rng(seed).standard_normal(COUNT)), 2)


def amps(seed: int, middle: float = 60.0) -> Floats:
    """A current that wanders."""
    return np.round(middle * (1 + 0.2 * np.random.default_rng(seed).random(COUNT)), 2)


def run(table: dict[str, Floats], supply: dict[str, str], interval_s: float = 600, **more: Any) -> Vetted:
    return vet(recording(table, interval_s=interval_s), site(supply=supply, **more))


def coded(result: Vetted, *codes: str) -> list[Finding]:
    """Findings that refuse, fail or leave open under one of these codes."""
    bad = (Verdict.REFUSED, Verdict.FAIL, Verdict.INCONCLUSIVE)
    return [finding for finding in result.findings
            if finding.verdict in bad and finding.reason is not None and finding.reason.code in codes]


@pytest.mark.parametrize("lines", [True, False])
@pytest.mark.parametrize("low", [60.0, 27.0, 16.7, 6.0])
def test_a_neutral_that_is_gone_is_a_danger_sign_and_no_lost_lead(low: float, lines: bool) -> None:
    """Legs in series: what one lacks of 120 V the other has too much, and both carry one current (derived)."""
    leg_a = around(1, low)
    leg_b = np.round(240.0 + 0.3 * np.random.default_rng(2).standard_normal(COUNT) - leg_a, 2)
    table = {"voltage.an [V]": leg_a, "voltage.bn [V]": leg_b, "current.a [A]": amps(3), "current.b [A]": amps(3)}
    if lines:
        table["voltage.ab [V]"] = np.round(leg_a + leg_b, 2)
    result = run(table, SPLIT)
    first = result.findings[0]
    assert (first.kind, first.rule) == ("safety", "neutral-loose")
    assert first.reason and "licensed electrician" in first.reason.advice and "de-energised" in first.reason.advice
    assert not coded(result, "nominal-doubtful", "columns-alike", "no-voltage")
    assert bool(coded(result, "lost-lead")) is (low < 24 and not lines)


def test_a_wye_with_one_leg_at_nothing_and_two_risen_is_a_neutral_too() -> None:
    legs = {"voltage.an [V]": around(1, 12.0), "voltage.bn [V]": around(2, 198.0), "voltage.cn [V]": around(3, 197.0)}
    lines = {f"voltage.{line} [V]": around(9 + number, 208.0, 0.001) for number, line in enumerate(LINES)}
    currents = {f"current.{phase} [A]": amps(number) for number, phase in enumerate("abc")}
    with_lines = run(legs | lines | currents, NETWORK)
    assert with_lines.findings[0].rule == "neutral-loose"
    assert not coded(with_lines, "lost-lead", "connection-doubtful")
    without = run(legs | currents, NETWORK)
    assert without.findings[0].rule == "neutral-loose"
    named = coded(without, "lost-lead")
    assert named and named[0].reason and "neutral is open" in named[0].reason.text


def test_a_lead_in_the_air_is_no_neutral() -> None:
    """Its lines fall to the voltages of the other legs, and no other leg rises."""
    table = {"voltage.an [V]": around(1, 3.0), "voltage.bn [V]": around(2, 121.0), "voltage.ab [V]": around(3, 122.0),
             "current.a [A]": amps(4), "current.b [A]": amps(5)}
    result = run(table, SPLIT)
    assert coded(result, "lost-lead") and not [each for each in result.findings if each.kind == "safety"]


@pytest.mark.parametrize("late", [2, 5])
def test_a_lead_clipped_on_late_hides_nothing_of_what_follows(late: int) -> None:
    rng = np.random.default_rng(7)
    swing = np.where(np.arange(540) % 40 < 20, 5.0, 0.4)
    table = {"voltage.an [V]": np.round(120 - swing + 0.1 * rng.standard_normal(540), 2),
             "voltage.bn [V]": np.round(120 + swing + 0.1 * rng.standard_normal(540), 2)}
    table["voltage.ab [V]"] = np.round(table["voltage.an [V]"] + table["voltage.bn [V]"], 2)
    table["current.a [A]"] = np.round(20 + 10 * rng.random(540), 2)
    table["voltage.an [V]"][:late] = 2.0
    table["voltage.ab [V]"][:late] = 121.0
    result = run(table, SPLIT, interval_s=60)
    assert result.findings[0].rule == "neutral-loose"
    doubts = [doubt for doubt in result.trust if doubt.code == "lost-lead" and doubt.concerns("voltage", "an")]
    assert doubts and all((doubt.end_us or 0) - (doubt.start_us or 0) == late * 60_000_000 for doubt in doubts)


def test_two_stretches_without_a_lead_leave_the_time_between_alone() -> None:
    table = {f"voltage.{phase}n [V]": around(number, 120.0) for number, phase in enumerate("abc")}
    table["voltage.an [V]"][[3, 4, 100]] = 1.5
    result = run(table, NETWORK)
    spans = {(doubt.start_us, doubt.end_us) for doubt in result.trust if doubt.concerns("voltage", "an")}
    assert len(spans) == 2


@pytest.mark.parametrize("currents", [True, False])
def test_a_lead_that_was_off_from_the_start_on_a_service_without_neutral(currents: bool) -> None:
    """The input floats between the other leads: both lines on it read one half (derived)."""
    table = {"voltage.ab [V]": around(1, 240.0), "voltage.bc [V]": around(2, 241.0), "voltage.ca [V]": around(3, 480.0)}
    if currents:
        table |= {f"current.{phase} [A]": amps(number) for number, phase in enumerate("abc")}
    result = run(table, DELTA)
    named = coded(result, "lost-lead")
    assert named and named[0].reason and "phase b" in named[0].reason.text
    assert not coded(result, "nominal-doubtful")
    doubted = {phase for doubt in result.trust for phase in doubt.phases if doubt.concerns("voltage", phase)}
    assert doubted == {"ab", "bc"}


def test_a_primary_phase_that_is_out_stays_a_question() -> None:
    """It leaves the same voltages, but hardly a current in the conductor between (derived for impedances)."""
    half = np.where(np.arange(COUNT) > 70, 0.5, 1.0)
    table = {"voltage.ab [V]": around(1, 480.0) * half, "voltage.bc [V]": around(2, 480.0) * half,
             "voltage.ca [V]": around(3, 480.0), "current.a [A]": amps(4), "current.c [A]": amps(6),
             "current.b [A]": amps(5) * (half * 1.9 - 0.9)}
    result = run(table, DELTA)
    assert coded(result, "lead-or-phase") and not coded(result, "lost-lead")


def test_a_corner_grounded_delta_recorded_to_ground_is_sound() -> None:
    table = {"voltage.an [V]": around(1, 480.0), "voltage.bn [V]": around(2, 0.4), "voltage.cn [V]": around(3, 481.0),
             "voltage.ab [V]": around(4, 480.0), "voltage.bc [V]": around(5, 481.0), "voltage.ca [V]": around(6, 480.0)}
    result = run(table, DELTA)
    assert not coded(result, "lost-lead", "no-voltage", "connection-doubtful", "nominal-doubtful")
    assert any(each.reason and each.reason.code == "corner-grounded" for each in result.findings)


def test_a_high_leg_on_another_phase_than_declared_is_no_danger_sign() -> None:
    high = {"nominal_voltage": "120/240 V", "connection": "high-leg-delta", "high_leg": "b", "frequency": "60 Hz"}
    table = {"voltage.an [V]": around(1, 208.0), "voltage.bn [V]": around(2, 118.0), "voltage.cn [V]": around(3, 122.0)}
    table |= {f"voltage.{line} [V]": around(9 + number, 240.0) for number, line in enumerate(LINES)}
    result = run(table, high)
    assert coded(result, "connection-doubtful") and not [each for each in result.findings if each.kind == "safety"]


def test_lighting_legs_apart_under_their_loads_are_those_of_a_high_leg_delta() -> None:
    high = {"nominal_voltage": "120/240 V", "connection": "high-leg-delta", "high_leg": "b", "frequency": "60 Hz"}
    table = {"voltage.an [V]": around(1, 116.0), "voltage.bn [V]": around(2, 207.0), "voltage.cn [V]": around(3, 120.5)}
    table |= {f"voltage.{line} [V]": around(9 + number, 237.0) for number, line in enumerate(LINES)}
    assert not coded(run(table, high), "connection-doubtful")


@pytest.mark.parametrize("point", [0j, 60 + 20j, -100 + 5j, 95j])
def test_three_distances_from_a_star_point_imply_the_side_of_the_triangle(point: complex) -> None:
    """Against the distances of a point from the corners, computed in the complex plane."""
    corners = 120.0 * np.exp(1j * np.radians([0, -120, 120]))
    assert line_from_legs(np.abs(corners - point)) == pytest.approx(120 * 3**0.5)


def three_clamps(factor: float, amperes: float, neutral: float) -> dict[str, Floats]:
    """A wye with balanced loads at a lagging angle; clamp b reads `factor` times its current, powers with it."""
    table: dict[str, Floats] = {"current.n [A]": around(30, neutral, 0.05)}
    for number, phase in enumerate("abc"):
        volts, current = around(number, 230.0), amps(7, amperes) * (factor if phase == "b" else 1.0)
        table |= {f"voltage.{phase}n [V]": volts, f"current.{phase} [A]": np.round(current, 2),
                  f"active_power.{phase} [W]": np.round(0.9 * volts * current, 1),
                  f"reactive_power.{phase} [var]": np.round(0.436 * volts * current, 1)}
    return table


@pytest.mark.parametrize(("factor", "named"), [(1.0, False), (2.0, True), (0.5, True), (10.0, True)])
def test_currents_that_do_not_add_up_name_the_clamp(factor: float, named: bool) -> None:
    """Balanced currents add up to nothing (Kirchhoff); with one at another ratio the sum is what it has too much."""
    result = run(three_clamps(factor, 60.0, 2.0), {"nominal_voltage": "400 V", "connection": "wye"})
    assert [finding.phase for finding in coded(result, "kirchhoff")] == (["b"] if named else [])


def test_a_neutral_with_triplen_currents_is_no_fault() -> None:
    """Third harmonics of the phases add up in the neutral: more than the fundamental sum is no contradiction."""
    result = run(three_clamps(1.0, 60.0, 40.0), {"nominal_voltage": "400 V", "connection": "wye"})
    assert not coded(result, "kirchhoff", "neutral-sum")


def test_on_three_wires_no_current_exceeds_the_sum_of_the_others() -> None:
    lines = {f"voltage.{line} [V]": around(9 + number, 480.0) for number, line in enumerate(LINES)}
    sound = {f"current.{phase} [A]": amps(number) for number, phase in enumerate("abc")}
    assert not coded(run(lines | sound, DELTA), "kirchhoff")
    wrong = coded(run(lines | sound | {"current.c [A]": amps(2, 600.0)}, DELTA), "kirchhoff")
    assert [finding.phase for finding in wrong] == ["c"]


@pytest.mark.parametrize(("elements", "code"), [((30.0, -30.0), ""), ((210.0, -30.0), "reversed-current"),
                                                ((-90.0, 90.0), "swapped-currents")])
@pytest.mark.parametrize("load", [0.0, 26.0, 55.0])
def test_two_elements_by_their_angles(elements: tuple[float, float], code: str, load: float) -> None:
    """Angles of V_ab with I_a and of V_cb with I_c (derived); nothing is proposed for them."""
    table = {f"voltage.{line} [V]": around(9 + number, 480.0) for number, line in enumerate(LINES)}
    for phase, offset in zip("ac", elements, strict=True):
        power = 480.0 * amps(7) * np.exp(1j * np.radians(load + offset))
        table |= {f"active_power.{phase} [W]": np.round(power.real, 1),
                  f"reactive_power.{phase} [var]": np.round(power.imag, 1), f"current.{phase} [A]": amps(7)}
    result = run(table, DELTA)
    assert [each.reason.code for each in coded(result, "reversed-current", "swapped-currents", "elements-unclear")
            if each.reason] == ([code] if code else [])
    assert not result.proposals


def test_crossed_voltage_leads_are_named_and_nothing_is_proposed() -> None:
    table = three_clamps(1.0, 60.0, 2.0)
    for phase, offset in (("a", -120.0), ("b", 120.0)):
        power = 230.0 * amps(7) * np.exp(1j * np.radians(26 + offset))
        table |= {f"active_power.{phase} [W]": np.round(power.real, 1),
                  f"reactive_power.{phase} [var]": np.round(power.imag, 1)}
    result = run(table, {"nominal_voltage": "400 V", "connection": "wye"})
    assert coded(result, "leads-crossed") and not result.proposals


def half_way(start: str, count: int, interval_s: float = 600, gap: slice | None = None, **more: Any) -> SoFar:
    table = {f"voltage.{phase}n [V]": np.round(230 + np.random.default_rng(number).standard_normal(count), 2)
             for number, phase in enumerate("abc")}
    for values in table.values() if gap else ():
        values[gap] = np.nan
    place = {"name": "Simulated", "time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "wye",
                                                                 "frequency": "50 Hz"}, **more}
    return so_far(recording(table, start=start, interval_s=interval_s), place, ["en50160-2010-lv"])


def test_a_week_begins_with_the_first_full_interval() -> None:
    """A recorder started at 10:23 has its first 10-minute value at 10:30, and its first 2-hour value at 12:00."""
    state = half_way("2031-03-03T10:23:00+00:00", 3000, 60)
    week = next(removal for removal in state.removal if removal.length == "week")
    assert week.first.startswith("2031-03-10T12:00")


def test_the_running_interval_is_not_lost() -> None:
    state = half_way("2031-03-03T00:00:00+00:00", 3005, 60)
    assert {room.lost for room in state.room if "voltage" in room.channel} == {0}


def test_after_a_hole_the_next_gap_free_week_is_named() -> None:
    state = half_way("2031-03-03T00:00:00+00:00", 400, gap=slice(100, 180))
    week = next(removal for removal in state.removal if removal.length == "week")
    # Slot 180 begins at 06:00 of the next day.
    assert week.after_hole.startswith("2031-03-11T06:00")
    declared = half_way("2031-03-03T00:00:00+00:00", 400, gap=slice(100, 180),
                        coverage={"at_least_percent": 90, "policy_of": "the utility"})
    # 90 % of 1008 leaves 100 that may be lost, 80 of which are.
    assert 20 in {room.coverage_left for room in declared.room}


@pytest.mark.parametrize("rows", [1, 7])
def test_clamps_that_were_not_checked_are_never_sound(rows: int) -> None:
    table = {name: values[:rows] for name, values in three_clamps(1.0, 60.0, 2.0).items()}
    result = run(table, {"nominal_voltage": "400 V", "connection": "wye"})
    asked = [finding for finding in coded(result, "too-short-to-tell") if finding.rule == "polarity"]
    assert asked and asked[0].reason and "clamps not checked" in asked[0].reason.text


@pytest.mark.parametrize("service", ["split-phase", "wye 400", "high-leg delta", "delta, two elements"])
def test_no_fault_that_can_be_seen_is_sound_and_none_is_wrongly_corrected(service: str) -> None:
    """A few runs of the table in docs/method/confusion.md."""
    rows = list(fault_rows(2, 5, "", service))
    assert len(rows) > 10
    assert [row.name for row in rows if row.counts["wrongly corrected"]] == []
    assert [row.name for row in rows if row.counts["silent"] and not row.unseen] == []


def test_sound_recordings_of_ordinary_loads_raise_nothing() -> None:
    for row in sound_rows(6, 5, ""):
        assert row.name != "ordinary" or row.counts["silent"] == row.runs, (row.service, row.codes)


@pytest.mark.parametrize(("left", "verdict"), [(0.1, Verdict.REFUSED), (1.2, Verdict.INCONCLUSIVE), (6.0, None)])
def test_a_clamp_that_falls_off_leaves_the_noise_of_its_range(left: float, verdict: Verdict | None) -> None:
    """Of about 60 A: next to nothing is refused, 2 % may be a small load (a question), 10 % is one."""
    table = {f"current.{phase} [A]": amps(seed) for seed, phase in enumerate("abc")}
    table["current.b [A]"][72:] = around(9, left, 0.2)[72:]
    found = coded(run(table, NETWORK), "dead-clamp")
    assert [one.verdict for one in found] == ([] if verdict is None else [verdict])


@pytest.mark.parametrize("factor", [1000.0, 700.0, 1e5])
def test_a_total_in_another_unit_needs_no_known_factor(factor: float) -> None:
    """Power factor 0.75 and watts for kilowatts: 0.00075 of V x I is no power factor of a service."""
    table = {f"current.{phase} [A]": amps(seed) for seed, phase in enumerate("abc")}
    table |= {f"voltage.{line} [V]": around(20 + seed, 400.0) for seed, line in enumerate(("ab", "bc", "ca"))}
    volts = 400 / np.sqrt(3)
    total = 0.75 * volts * sum(table[f"current.{phase} [A]"] for phase in "abc")
    supply = {"nominal_voltage": "400 V", "connection": "delta"}
    assert coded(run({**table, "active_power.total [W]": total / factor}, supply), "scale")
    right = run({**table, "active_power.total [W]": total}, supply)
    assert not coded(right, "scale")
    # What totals cannot show is said, also where nothing is wrong.
    assert any(one.reason is not None and one.reason.code == "totals-only" for one in right.findings)


def test_a_current_of_few_steps_shows_no_ceiling_and_that_is_said() -> None:
    table = {f"current.{phase} [A]": np.round(amps(seed, 2.0), 1) for seed, phase in enumerate("abc")}
    result = run(table, NETWORK)
    said = [one for one in result.findings if one.reason is not None and one.reason.code == "too-few-steps"]
    assert {one.channel for one in said} == {f"current.{phase}.mean" for phase in "abc"}
    assert {one.verdict for one in said} == {Verdict.PASS} and not coded(result, "clipped")
