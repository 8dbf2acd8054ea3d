"""Stretches of a voltage on another scale, or that hold another quantity; and what a supply does by itself."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]
STRETCH = slice(300, 570)
"""45 hours of ten minutes."""


def week(**more: Floats) -> dict[str, Floats]:
    rng = np.random.default_rng(6)
    table = {f"voltage.{phase} [V]": np.round(230 + rng.normal(0, 1.5, WEEK), 2) for phase in ("an", "bn", "cn")}
    return table | {f"current.{phase} [A]": np.round(60 + 15 * np.sin(np.arange(WEEK) / 23) + rng.normal(0, 3, WEEK), 2)
                    for phase in "abc"}


def refused(table: dict[str, Floats], rule: str) -> list[Finding]:
    return [one for one in vet(recording(table), site()).findings
            if one.rule == rule and one.verdict is Verdict.REFUSED]


@pytest.mark.parametrize("factor", [2.0, 10.0, 1000.0, 0.1])
def test_a_stretch_at_a_factor_takes_its_own_span(factor: float) -> None:
    table = week()
    table["voltage.bn [V]"][STRETCH] *= factor
    (seen,) = refused(table, "scale-step")
    assert not [one for one in vet(recording(table), site()).findings if one.kind == "safety"]
    assert (seen.phase, seen.reason.code if seen.reason else "") == ("bn", "scale-step")
    assert [window.intervals for window in seen.windows] == [270]
    result = check(recording(table), site(), "en50160-2010-lv", quantities=["voltage"])
    of = {one.phase: one.verdict for one in result.findings if one.rule == "voltage-week-95"}
    assert of["bn"] is Verdict.REFUSED
    assert of["an"] is Verdict.PASS


@pytest.mark.parametrize("factor", [0.5, 3**0.5, 3**-0.5])
def test_factors_that_faults_give_too_count_only_together(factor: float) -> None:
    alone, together = week(), week()
    alone["voltage.bn [V]"][STRETCH] *= factor
    for phase in ("an", "bn", "cn"):
        together[f"voltage.{phase} [V]"][STRETCH] *= factor
    assert not refused(alone, "scale-step")
    assert {one.phase for one in refused(together, "scale-step")} == {"an", "bn", "cn"}


def test_a_column_that_holds_another_quantity_for_a_while() -> None:
    table = week()
    table["voltage.an [V]"][STRETCH] = table["current.a [A]"][STRETCH]
    assert refused(table, "scale-step")
    (seen,) = refused(table, "alike")
    assert "voltage.an and current.a are the same for 45 h" in (seen.reason.text if seen.reason else "")


def test_voltages_that_are_gone_while_the_current_goes_on() -> None:
    gone, outage = week(), week()
    for name in gone:
        if name.startswith("voltage"):
            gone[name][STRETCH] = 0.4 + 0.01 * (np.arange(270) % 7)
        outage[name][STRETCH] = 0.0
    assert {one.phase for one in refused(gone, "scale-step")} == {"an", "bn", "cn"}
    assert not refused(outage, "scale-step")


def test_a_ramp_a_swell_and_a_low_phase_are_no_steps_of_scale() -> None:
    table = week()
    table["voltage.an [V]"][300:330] *= np.linspace(1, 0.6, 30)
    table["voltage.an [V]"][330:400] *= 0.6
    table["voltage.bn [V]"][500:503] *= 1.6
    table["voltage.cn [V]"][600:700] *= 0.8
    lead = week()
    lead["voltage.an [V]"][STRETCH] = np.abs(np.random.default_rng(1).normal(4, 2, 270))
    for sound in (table, lead):
        assert not refused(sound, "scale-step")
        assert not refused(sound, "alike")
