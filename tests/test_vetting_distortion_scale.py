"""Distortion written as a fraction of one, in a stretch or in the whole column; and what is only clean."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]
SINGLE = {"nominal_voltage": "230 V", "connection": "single-phase"}
NAME = "voltage_thd.an [%]"


def distortion(seed: int = 1, middle: float = 3.0, count: int = WEEK) -> Floats:
    daily = 0.5 * np.sin(np.arange(count) * 2 * np.pi / 144)
    return np.round(middle * (1 + daily) + 0.1 * np.random.default_rng(seed).standard_normal(count), 2)


def seen(table: dict[str, Floats], interval_s: float = 600, **sections: Any) -> list[Finding]:
    """What the check says, passes left out."""
    findings = vet(recording(table, interval_s=interval_s), site(supply=SINGLE, **sections)).findings
    return [finding for finding in findings
            if finding.rule == "distortion-scale" and finding.verdict is not Verdict.PASS]


def code(finding: Finding) -> str:
    return finding.reason.code if finding.reason else ""


@given(st.integers(0, 900), st.integers(12, 900), st.sampled_from([1.0, 4.0]))
def test_a_stretch_of_fractions_is_refused(first: int, length: int, times: float) -> None:
    """Wherever it lies, and however high the distortion is in it; the doubt covers the stretch and nothing else."""
    values = distortion()
    end = min(first + length, WEEK - 12)
    if end - first < 12:
        return
    values[first:end] = np.round(values[first:end] * times / 100, 4)
    (finding,) = seen({NAME: values})
    assert (finding.verdict, code(finding)) == (Verdict.REFUSED, "scale-step")
    assert sum(window.intervals for window in finding.windows) == end - first


def test_no_rule_passes_on_fractions() -> None:
    """12 % for 400 intervals, written as 0.12: without the doubt the week would pass 8 %."""
    values = distortion()
    values[300:700] = np.round(0.12 + 0.003 * np.random.default_rng(2).standard_normal(400), 4)
    result = check(recording({NAME: values}), site(supply=SINGLE), "en50160-2010-lv", quantities=["voltage_thd"])
    (finding,) = [finding for finding in result.findings if finding.kind == "limit"]
    assert (finding.verdict, code(finding)) == (Verdict.REFUSED, "scale-step")


def test_fractions_at_three_seconds() -> None:
    values = distortion(count=28_800)
    values[10_000:20_000] /= 100
    (finding,) = seen({NAME: values}, interval_s=3)
    assert code(finding) == "scale-step"


@pytest.mark.parametrize("reading", ["", ".max"])
def test_a_whole_column_of_fractions_is_open(reading: str) -> None:
    table = {f"voltage_thd.an{reading} [%]": np.round(distortion() / 100, 4)}
    (finding,) = seen(table)
    assert (finding.verdict, code(finding)) == (Verdict.INCONCLUSIVE, "unit-doubtful")
    result = check(recording(table), site(supply=SINGLE, recording={"extremes_of": "200 ms"}), "en50160-2010-lv",
                   quantities=["voltage_thd"])
    assert {finding.verdict for finding in result.findings if finding.kind == "limit"} == {Verdict.INCONCLUSIVE}


def spectrum(scale: float, unit: str) -> dict[str, Floats]:
    levels = {3: 0.6, 5: 2.0, 7: 1.2, 9: 0.2, 11: 0.4, 13: 0.3}
    return {f"voltage_harmonic.an.h{order} [{unit}]": scale * distortion(order, level)
            for order, level in levels.items()}


def test_orders_written_as_fractions() -> None:
    (finding,) = seen(spectrum(0.01, "%"))
    assert (finding.channel, code(finding)) == ("voltage_harmonic.an.mean", "unit-doubtful")
    assert not seen(spectrum(1, "%"))


@pytest.mark.parametrize("factor", [1, 100])
def test_a_person_may_sign_for_the_scale(factor: float) -> None:
    signed = {"kind": "scale", "quantity": "voltage_thd", "factor": factor, "reason": "source", "author": "engineer"}
    assert not seen({NAME: distortion() / 100}, corrections=[signed])


def test_the_distortion_of_a_current_that_goes_on() -> None:
    """At night a plant draws nothing and its demand distortion falls to nothing; with the current it is a scale."""
    tdd, amperes = distortion(middle=4), 40 + 5 * distortion(7, 1.0)
    tdd[300:360] /= 100
    off = amperes.copy()
    off[300:360] *= 0.01
    name = "current_tdd.a [%]"
    (finding,) = seen({name: tdd, "current.a [A]": amperes})
    assert (finding.channel, code(finding)) == ("current_tdd.a.mean", "scale-step")
    assert not seen({name: tdd, "current.a [A]": off})
    assert not seen({name: tdd})


def test_orders_in_volts_settle_a_clean_supply() -> None:
    clean = spectrum(0.023, "V")
    thd = 100 * np.sqrt(np.sum([values**2 for values in clean.values()], axis=0)) / 230
    table = {NAME: np.round(thd, 4), **clean, "voltage_harmonic.an.h1 [V]": np.full(WEEK, 230.0)}
    assert not seen(table)
    assert seen({**table, NAME: np.round(thd / 100, 6)})


def test_what_is_only_low_or_gone_is_no_fraction() -> None:
    """Nights of low distortion, an outage, zeros, a supply of 0.3 % and a few readings of nearly nothing."""
    table = {NAME: distortion(), "voltage.an [V]": 230 + distortion(7)}
    out = {name: values.copy() for name, values in table.items()}
    out["voltage.an [V]"][200:300], out[NAME][200:300] = 0.2, 0.05
    low = distortion(middle=1.0)
    low[low < 0.8] = np.round(0.3 * low[low < 0.8], 2)
    few = distortion()
    few[400:404] = 0.02
    zeros = distortion()
    zeros[100:160] = 0
    for sound in (table, out, {NAME: low}, {NAME: np.abs(distortion(middle=0.3)) + 0.05}, {NAME: few}, {NAME: zeros}):
        assert not seen(sound)


@pytest.mark.parametrize(("share_of_demand", "quantity", "asked"), [
    (0.6, "current_tdd", True), (0.1, "current_tdd", False), (0.6, "current_thd", True),
])
def test_a_current_distortion_that_is_too_clean_for_the_load_is_asked(
    share_of_demand: float, quantity: str, asked: bool
) -> None:
    """14 % written as 0.14; the TDD of a tenth of the demand may be that small."""
    rng = np.random.default_rng(11)
    table = {"current.a [A]": np.round(400 * share_of_demand + 10 * rng.standard_normal(WEEK), 1),
             f"{quantity}.a [%]": np.round(0.14 + 0.005 * rng.standard_normal(WEEK), 4)}  # fmt: skip
    found = seen(table, pcc={"maximum_demand_current": "400 A", "demand_basis": "mean of 12 monthly maxima"})
    assert [code(finding) for finding in found] == (["unit-doubtful"] if asked else [])
