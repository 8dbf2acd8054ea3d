"""Minimum and maximum columns that only repeat the mean bound nothing; real extremes stay bounds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import recording, site

Floats = NDArray[np.float64]
QUARTERS = 672
"""Intervals of 15 min in a week: rules of 10 min rest on the extremes."""


def moving(seed: int, decimals: int = 2) -> Floats:
    steps = np.random.default_rng(seed).normal(0, 0.4, QUARTERS)
    return np.round(231 + 0.7 * np.cumsum(steps - steps.mean()) / 4 + steps, decimals)


def voltages(mean: bool = True, **of: Any) -> dict[str, Floats]:
    made: dict[str, Floats] = {}
    for number, phase in enumerate(("an", "bn", "cn")):
        value = moving(number)
        if mean:
            made[f"voltage.{phase} [V]"] = value
        for reading, sign in (("min", -1), ("max", 1)):
            away = np.abs(np.random.default_rng(number + 7).normal(1.5, 0.6, QUARTERS))
            made[f"voltage.{phase}.{reading} [V]"] = of.get(reading, lambda v, w: w)(
                value, np.round(value + sign * away, 2))
    return made


def judged(columns: dict[str, Floats], base: str | None = "200 ms") -> Findings:
    place = site(recording={} if base is None else {"extremes_of": base})
    return check(recording(columns, interval_s=900), place, "en50160-2010-lv", quantities=["voltage"])


def verdicts(result: Findings, rule: str = "voltage-week-95") -> set[tuple[Verdict, str]]:
    return {(one.verdict, one.reason.code if one.reason else "") for one in result.findings
            if one.kind == "limit" and one.rule == rule}


def codes(result: Findings) -> set[str]:
    return {one.reason.code for one in result.findings if one.kind == "recording" and one.reason and
            one.rule == "extremes-copied"}


def test_real_extremes_prove_a_pass() -> None:
    result = judged(voltages())
    assert verdicts(result) == {(Verdict.PASS, "proven-by-bound")} and not codes(result)


@pytest.mark.parametrize("columns", [
    voltages(min=lambda v, w: v, max=lambda v, w: v),
    voltages(max=lambda v, w: v),
    voltages(max=lambda v, w: np.round(v, 1)),
    voltages(mean=False, max=lambda v, w: w - 5, min=lambda v, w: w) | {
        f"voltage.{phase}.max [V]": np.round(moving(number), 2) for number, phase in enumerate(("an", "bn", "cn"))}
    | {f"voltage.{phase}.min [V]": np.round(moving(number), 2) for number, phase in enumerate(("an", "bn", "cn"))},
    voltages(max=lambda v, w: np.where(np.arange(QUARTERS) < 96, v, w)),
], ids=["both", "maximum", "in tenths", "each other", "one day"])
def test_no_pass_rests_on_a_copy_of_the_mean(columns: dict[str, Floats]) -> None:
    result = judged(columns)
    assert verdicts(result) == {(Verdict.INCONCLUSIVE, "extremes-copied")}
    assert codes(result) == {"extremes-copied"}


def test_the_mean_itself_is_judged_as_before() -> None:
    columns = voltages(min=lambda v, w: v, max=lambda v, w: v)
    place = site(recording={"extremes_of": "200 ms"})
    ten = recording({name: np.resize(values, 1008) + 0.01 * np.arange(1008) for name, values in columns.items()})
    result = check(ten, place, "en50160-2010-lv", quantities=["voltage"])
    assert verdicts(result) == {(Verdict.PASS, "")} and codes(result) == {"extremes-copied"}


def test_what_a_mean_proves_outside_stays_proven() -> None:
    """A mean over 15 min that lies beyond every limit holds a 10 min value that does, whatever its extremes are."""
    columns = voltages(min=lambda v, w: v, max=lambda v, w: v)
    for column in ("voltage.an [V]", "voltage.an.min [V]", "voltage.an.max [V]"):
        columns[column] = np.where(np.arange(QUARTERS) == 300, 262.0, columns[column])
        columns[column][301] = 262.3
    assert (Verdict.FAIL, "proven-by-bound") in verdicts(judged(columns), "voltage-all")


@pytest.mark.parametrize(("base", "verdict"), [(None, Verdict.PASS), ("15 min", None)])
def test_a_note_where_extremes_prove_nothing_and_nothing_where_they_equal_the_mean_by_right(
    base: str | None, verdict: Verdict | None
) -> None:
    place = site(recording={} if base is None else {"extremes_of": base})
    made = recording(voltages(min=lambda v, w: v, max=lambda v, w: v), interval_s=900)
    found = [one for one in vet(made, place).findings if one.rule == "extremes-copied"]
    assert {one.verdict for one in found} == (set() if verdict is None else {verdict})


def test_a_channel_that_moves_in_coarse_steps_raises_nothing() -> None:
    """Frequency in tenths: mean and extremes are the same number most of the time."""
    mean = 50 + np.random.default_rng(3).normal(0, 0.02, 60_480)
    columns = {"frequency [Hz]": np.round(mean, 1), "frequency.max [Hz]": np.round(mean + 0.01, 1)}
    found = [one for one in vet(recording(columns, interval_s=10), site(recording={"extremes_of": "200 ms"})).findings
             if one.rule == "extremes-copied"]
    assert {one.verdict for one in found} == {Verdict.PASS} and all(one.reason is None for one in found)
