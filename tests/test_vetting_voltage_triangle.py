"""Voltages to neutral and between lines are sides and distances of one triangle with one neutral point."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck import check
from pqcheck.model.verdict import Verdict
from pqcheck.vet.checks.voltage_triangle import to_neutral_over_lines

ROWS = 432


def phasors(magnitudes: tuple[float, float, float], shift: complex) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Magnitudes to a displaced neutral and between lines of three phasors 120 degrees apart, each [3, 1; V]."""
    legs = np.array(magnitudes) * np.exp(-2j * np.pi * np.arange(3) / 3)
    lines = legs - np.roll(legs, -1)
    return np.abs(legs - shift)[:, None], np.abs(lines)[:, None]


@given(st.tuples(*[st.floats(200, 260)] * 3), st.complex_numbers(max_magnitude=80))
def test_any_unbalance_and_any_displaced_neutral_fit(magnitudes: tuple[float, float, float], shift: complex) -> None:
    """Phasors are the reference: no magnitude between 200 and 260 V and no neutral up to 80 V off breaks the ratio."""
    to_neutral, lines = phasors(magnitudes, shift)
    assert to_neutral_over_lines(to_neutral, lines)[0] == pytest.approx(1, abs=1e-9)
    assert to_neutral_over_lines(to_neutral, 0.95 * lines)[0] > 1.02


def _judged(ratio: float, hours: float = 72, shift: complex = 0) -> Any:
    rng = np.random.default_rng(2)
    to_neutral, lines = phasors((231.0, 229.0, 232.0), shift)
    drift = 1 + 0.01 * np.sin(np.linspace(0, 20, ROWS))
    scale = np.where(np.arange(ROWS) < 6 * hours, ratio, 1.0)
    columns: dict[str, Any] = {
        "time": [f"2031-03-{3 + at // 144:02}T{at // 6 % 24:02}:{at % 6}0:00Z" for at in range(ROWS)]}
    for phase, value in zip(("an", "bn", "cn"), to_neutral[:, 0], strict=True):
        columns[f"voltage.{phase} [V]"] = value * drift + rng.normal(0, 0.05, ROWS)
    for phase, value in zip(("ab", "bc", "ca"), lines[:, 0], strict=True):
        columns[f"voltage.{phase} [V]"] = value * drift * scale + rng.normal(0, 0.05, ROWS)
    place = {"time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "wye"}}
    return check(columns, place, ["en50160-2010-lv"], quantities=["voltage"])


def _code(findings: Any) -> str | None:
    (found,) = [each for each in findings.findings if each.rule == "voltage-triangle"]
    return found.reason.code if found.verdict is Verdict.REFUSED and found.reason is not None else None


@pytest.mark.parametrize("ratio", [0.953, 1.05])
def test_a_set_with_a_wrong_ratio_refuses_what_rests_on_the_voltages(ratio: float) -> None:
    """Lines at 1.65 times the legs (0.953 of the root of three) are explained by no unbalance."""
    findings = _judged(ratio)
    assert _code(findings) == "sources-disagree"
    assert findings.verdict is not Verdict.PASS
    assert not any(each.verdict is Verdict.PASS for each in findings.findings if each.kind == "limit")


@pytest.mark.parametrize(("ratio", "hours"), [(1.0, 72), (1.012, 72), (1.05, 0.5)])
def test_what_instruments_and_short_stretches_explain_is_no_contradiction(ratio: float, hours: float) -> None:
    assert _code(_judged(ratio, hours)) is None


def test_an_open_neutral_is_no_contradiction() -> None:
    assert _code(_judged(1.0, shift=60 + 10j)) is None
