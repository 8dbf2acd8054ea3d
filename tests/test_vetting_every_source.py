"""Vetting compares the sources of every quantity, whatever its unit."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck import check
from pqcheck.model.verdict import Verdict
from pqcheck.workflows.vet_recording import examine
from tests.recordings import WEEK, site
from tests.recordings import recording as made_of


@pytest.mark.parametrize("column", [
    "frequency [Hz]", "flicker_pst.an", "negative_sequence_unbalance [%]", "voltage_thd.an [%]", "current.a [A]",
])
def test_a_quantity_of_any_unit_is_vetted(column: str) -> None:
    level = 50.0 if column.startswith("frequency") else 0.6
    values = np.round(level + np.random.default_rng(1).normal(0, 0.02, WEEK), 3)
    found = examine(made_of({column: values}), site()).findings.findings
    assert all(one.verdict is not Verdict.FAIL for one in found)


@pytest.mark.parametrize(("recorded", "expected"), [
    (1.0, Verdict.PASS), (0.8, Verdict.PASS), (0.4, Verdict.INCONCLUSIVE),
])
def test_a_recorded_tdd_is_held_against_thd_times_current(recorded: float, expected: Verdict) -> None:
    """TDD = THD x I1 / IL (IEEE 519): 12 % of 250 A over 400 A is about 7.4 %, with averages of 10 min roughly.

    Loads that switch within them explain some; a recorded total of 40 % of that is asked about.
    """
    chance = np.random.default_rng(3)
    current = np.round(250 + 80 * np.sin(np.arange(WEEK) / 23) + chance.normal(0, 10, WEEK), 1)
    thd = np.round(12 + chance.normal(0, 0.5, WEEK), 2)
    tdd = recorded * thd / np.sqrt(1 + (thd / 100) ** 2) * current / 400 + chance.normal(0, 0.05, WEEK)
    columns = {"current.a [A]": current, "current_thd.a [%]": thd, "current_tdd.a [%]": np.round(tdd, 2)}
    volts = np.round(277 + np.convolve(chance.normal(0, 1, WEEK), np.ones(6) / 6, "same"), 2)
    place = site(supply={"nominal_voltage": "277 V", "connection": "single-phase", "frequency": "60 Hz"},
                 pcc={"is_pcc": True, "short_circuit_current": "20 kA", "short_circuit_basis": "letter",
                      "maximum_demand_current": "400 A", "demand_basis": "mean of 12 monthly maxima"})
    made = made_of({"voltage.an [V]": volts, **columns})
    found = check(made, place, "ieee519-2022").findings
    assert {one.verdict for one in found if one.rule in ("tdd-week-95", "tdd-week-99")} == {expected}
    asked = [one for one in examine(made, place).findings.findings if one.rule == "sources"]
    assert bool(asked) is (expected is Verdict.INCONCLUSIVE)
