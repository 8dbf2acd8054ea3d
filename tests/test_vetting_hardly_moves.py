"""Channels that hardly move, flicker below the floor of any instrument, near copies.

What a supply does not do is set here on invented recordings; the floor of flickermeters is common practice.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]
DAY = 144
AT = np.arange(WEEK)
SINGLE: dict[str, Any] = {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"}


def noise(seed: int, middle: float, width: float, decimals: int = 2) -> Floats:
    return np.round(middle + np.random.default_rng(seed).normal(0, width, WEEK), decimals)


def wandering(seed: int) -> Floats:
    """A voltage as it is: a slow walk, and noise of its own."""
    chance = np.random.default_rng(seed)
    walk = np.zeros(WEEK)
    for number in range(1, WEEK):
        walk[number] = 0.97 * walk[number - 1] + chance.normal(0, 0.4)
    return np.round(231 + walk + chance.normal(0, 0.15, WEEK), 2)


def judged(columns: dict[str, Floats], supply: dict[str, Any] | None = None, **site_more: Any) -> list[Finding]:
    place = site(**({"supply": supply} if supply else {}), **site_more)
    return list(check(recording(columns), place, "en50160-2010-lv").findings)


def codes(findings: list[Finding], rule: str) -> set[str]:
    return {one.reason.code for one in findings if one.kind == "recording" and one.rule == rule and one.reason
            and one.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)}


def limits(findings: list[Finding], quantity: str) -> set[tuple[Verdict, str]]:
    return {(one.verdict, one.reason.code if one.reason else "") for one in findings if one.kind == "limit"
            and one.quantity == quantity and one.verdict is not Verdict.NOT_APPLICABLE}


@pytest.mark.parametrize("values", [
    np.where(AT % DAY == 0, 0.3, 0.2),
    np.where(AT == 500, 0.3, 0.2),
    np.where(AT % 2, 0.21, 0.2),
])
def test_flicker_that_hardly_moves(values: Floats) -> None:
    findings = judged({"voltage.an [V]": wandering(1), "flicker_pst.an [1]": values}, SINGLE)
    assert codes(findings, "never-moves") == {"never-moves"}
    assert limits(findings, "flicker_plt") == {(Verdict.INCONCLUSIVE, "never-moves")}


@pytest.mark.parametrize("values", [
    np.where(AT % DAY == 0, 1.3, 0.2), np.where(AT % 30 == 0, 0.3, 0.2), noise(3, 0.35, 0.1).clip(0.1),
])
def test_flicker_that_moves(values: Floats) -> None:
    findings = judged({"voltage.an [V]": wandering(1), "flicker_pst.an [1]": values}, SINGLE)
    assert not codes(findings, "never-moves") and not codes(findings, "not-measured")


@pytest.mark.parametrize("values", [
    np.where(AT % 2, 230.01, 230.0), np.where(AT == 500, 231.0, 230.0),
    230 + 0.01 * np.random.default_rng(1).integers(0, 9, WEEK),
])
def test_a_voltage_that_hardly_moves(values: Floats) -> None:
    findings = judged({"voltage.an [V]": np.round(values, 2)}, SINGLE)
    assert "never-moves" in codes(findings, "never-moves")
    assert Verdict.PASS not in {verdict for verdict, _ in limits(findings, "voltage")}


@pytest.mark.parametrize("values", [
    # Worked vectors of two values at a limit, a coarse voltage that moves, a stiff supply in tenths.
    np.where(AT < 50, 206.9, 230.0), np.where(AT < 50, 253.1, 253.0), np.where(AT // 60 % 2, 230.0, 231.0),
    noise(5, 230, 0.15, 1),
])
def test_a_voltage_of_few_values_is_left_alone(values: Floats) -> None:
    findings = judged({"voltage.an [V]": values}, SINGLE)
    assert not codes(findings, "never-moves")
    assert {verdict for verdict, _ in limits(findings, "voltage")} & {Verdict.PASS, Verdict.FAIL}


@pytest.mark.parametrize(("scale", "declared", "open_question"), [
    (0.001, None, True), (0.1, None, True), (1.0, None, False), (0.001, 1000, False), (0.1, 1, False),
])
def test_flicker_below_what_instruments_show(scale: float, declared: float | None, open_question: bool) -> None:
    pst = np.round((0.3 + 0.05 * np.abs(np.random.default_rng(2).normal(0, 1, WEEK))) * scale, 6)
    more: dict[str, Any] = {} if declared is None else {"corrections": [{
        "kind": "scale", "quantity": "flicker_pst", "factor": declared, "reason": "export", "author": "engineer"}]}
    findings = judged({"voltage.an [V]": wandering(1), "flicker_pst.an [1]": pst}, SINGLE, **more)
    expected = {(Verdict.INCONCLUSIVE, "unit-doubtful")} if open_question else {(Verdict.PASS, "")}
    assert limits(findings, "flicker_plt") == expected


def test_a_distortion_that_reads_zero_for_half_of_each_day() -> None:
    thd = np.where(AT % DAY < DAY // 2, 0.0, noise(4, 2.5, 0.2))
    findings = judged({"voltage.an [V]": wandering(1), "voltage_thd.an [%]": thd}, SINGLE)
    assert limits(findings, "voltage_thd") == {(Verdict.REFUSED, "not-measured")}


def test_few_zeros_of_a_distortion_are_doubted_by_themselves() -> None:
    """Three hours of zeros are 18 of the 50 intervals that may lie outside: the pass stands without them."""
    thd = np.where((AT > 300) & (AT <= 318), 0.0, noise(4, 2.5, 0.2))
    findings = judged({"voltage.an [V]": wandering(1), "voltage_thd.an [%]": thd}, SINGLE)
    assert codes(findings, "not-measured") == {"not-measured"}
    assert limits(findings, "voltage_thd") == {(Verdict.PASS, "")}


@pytest.mark.parametrize("copy", [
    lambda first: first + 0.1, lambda first: first + 0.5 + 0.01 * np.random.default_rng(9).integers(-1, 1, WEEK),
    lambda first: first * 1.001,
])
def test_a_voltage_that_is_another_one_moved_by_a_constant(copy: Any) -> None:
    first = wandering(1)
    columns = {"voltage.an [V]": first, "voltage.bn [V]": np.round(copy(first), 2), "voltage.cn [V]": wandering(3)}
    findings = judged(columns)
    assert codes(findings, "alike") == {"columns-alike"}
    assert (Verdict.REFUSED, "columns-alike") in limits(findings, "voltage")


@pytest.mark.parametrize("noise_of_lead", [0.01, 0.03])
def test_a_second_lead_on_the_same_phase_is_asked_about(noise_of_lead: float) -> None:
    """Its own gain and noise of a few hundredths of a volt: no two phases of a supply are so near to each other."""
    first = wandering(1)
    second = np.round(first * 1.0015 + np.random.default_rng(8).normal(0, noise_of_lead, WEEK), 2)
    findings = judged({"voltage.an [V]": first, "voltage.bn [V]": second, "voltage.cn [V]": wandering(3)})
    assert codes(findings, "alike") == {"columns-alike"}
    assert (Verdict.INCONCLUSIVE, "columns-alike") in limits(findings, "voltage")


def test_legs_of_one_winding_without_a_load_are_no_copies() -> None:
    first = wandering(1) - 111
    columns = {"voltage.an [V]": first, "voltage.bn [V]": np.round(first + 0.12, 2)}
    findings = judged(columns, {"nominal_voltage": "120/240 V", "connection": "split-phase"})
    assert not codes(findings, "alike")


@pytest.mark.parametrize("own", [0.04, 0.3])
@pytest.mark.parametrize("decimals", [0, 1, 2])
def test_phases_that_move_together_are_no_copies(own: float, decimals: int) -> None:
    """A stiff bus: one voltage behind all phases, and a few hundredths of a volt of each phase's own."""
    common = wandering(1)
    columns = {}
    for number, phase in enumerate(("an", "bn", "cn")):
        of_its_own = np.random.default_rng(number).normal(0.3 * number, own, WEEK)
        columns[f"voltage.{phase} [V]"] = np.round(common + of_its_own, decimals)
    assert not codes(judged(columns), "alike")


@pytest.mark.parametrize("width", [0.0, 0.01, 0.02])
def test_a_day_copied_with_noise_on_it(width: float) -> None:
    volts = wandering(1)
    volts[3 * DAY : 4 * DAY] = volts[2 * DAY : 3 * DAY] + np.random.default_rng(5).normal(0, width, DAY)
    findings = judged({"voltage.an [V]": np.round(volts, 2)}, SINGLE)
    assert codes(findings, "copied") == {"copied"}


@pytest.mark.parametrize("noise_of_day", [0.3, 0.6])
def test_days_that_are_alike_are_no_copies(noise_of_day: float) -> None:
    shape = 230 + 3 * np.sin(2 * np.pi * AT / DAY)
    volts = np.round(shape + np.random.default_rng(6).normal(0, noise_of_day, WEEK), 2)
    found = vet(recording({"voltage.an [V]": volts}), site(supply=SINGLE)).findings
    assert not codes(list(found), "copied")


@pytest.mark.parametrize("lag", [2, 7])
@pytest.mark.parametrize("apart", [0.0, 0.37])
def test_a_week_that_is_there_twice_is_refused(lag: int, apart: float) -> None:
    """In every value, or a constant from it."""
    volts = np.concatenate([wandering(1), wandering(2)])
    if lag == 7:
        volts[7 * DAY :] = np.round(volts[: 7 * DAY] + apart, 2)
    else:
        volts[5 * DAY : 6 * DAY] = np.round(volts[3 * DAY : 4 * DAY] + apart, 2)
    findings = judged({"voltage.an [V]": volts}, SINGLE)
    (note,) = [one for one in findings if one.rule == "copied" and one.reason is not None]
    assert note.verdict is Verdict.REFUSED and note.reason is not None
    assert f"as on a day before ({lag} days before, to begin with): copied, not measured." in note.reason.text
    # One day of 14 is 144 of the 50 intervals that may lie outside in its week.
    assert (Verdict.REFUSED, "copied") in limits(findings, "voltage")
