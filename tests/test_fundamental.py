"""Order 1 of a spectrum beside what the site declares: what looks too good to be true is refused, or named."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck import check
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict
from pqcheck.reports.gate_text import gate_text
from pqcheck.workflows.run_gate import gate
from tests.design import PERCENT, SITE, percent, site

AMPERES = "current_harmonic [A rms]"
PLACE = site(fundamental_current=None)
"""The maximum demand current of 600 A is all that is declared."""


def amperes(first: float | None, h5: float = 12.0, others: float = 0.1) -> dict[str, list[float]]:
    """Orders 1 to 50; without order 1 where `first` is None."""
    values = {1: first} | {order: others for order in range(2, 51)} | {5: h5}
    kept = {order: value for order, value in values.items() if value is not None}
    return {"order": [float(order) for order in kept], AMPERES: [*kept.values()]}


def points(**spectra: dict[str, list[float]]) -> dict[str, list[Any]]:
    table: dict[str, list[Any]] = {"operating_point": [], "order": [], AMPERES: []}
    for name, columns in spectra.items():
        table["operating_point"] += [name] * len(columns["order"])
        table["order"] += columns["order"]
        table[AMPERES] += columns[AMPERES]
    return table


def refusals(found: Findings) -> list[str]:
    return [one.reason.text for one in found.findings if one.verdict is Verdict.REFUSED and one.reason is not None]


@pytest.mark.parametrize(("columns", "words"), [
    (amperes(None), "Order 1 of the current of phase a is not in the spectrum"),
    (amperes(0.0, 0.0, 0.0), "Order 1 of the current of phase a is zero"),
    (amperes(0.0), "is zero"),
    (amperes(0.6, 0.012, 0.0001), "is 0.6 A, 0.001 of the declared 600 A, and no operating point fits, as if kA stood"),
    (amperes(1.0, 0.2, 0.001), "is 1 A, 0.001667 of the declared 600 A, and no operating point fits, as if it were"),
    (amperes(119.9), "0.1998 of the declared 600 A"), (amperes(750.1), "1.25 of the declared 600 A"),
])  # fmt: skip
def test_a_fundamental_that_does_not_fit_is_refused(columns: dict[str, list[float]], words: str) -> None:
    found = gate(columns, PLACE)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    assert any(words in text for text in refusals(found.results[0])), refusals(found.results[0])[:1]
    assert not any(one.verdict is Verdict.PASS and one.kind == "limit" for one in found.results[0].findings)
    text = " ".join(gate_text(found).split())
    assert "REFUSED current_harmonic.a.h1, current_harmonic.b.h1, current_harmonic.c.h1: Order 1 of" in text


@pytest.mark.parametrize("first", [120.0, 600.0, 750.0])
def test_what_fits_passes_and_is_printed(first: float) -> None:
    found = gate(amperes(first), PLACE)
    assert found.exit_status is ExitStatus.PASSED
    assert f"Order 1: {first:g} A." in gate_text(found)
    assert f"Order 1: {first:g} A." in check(amperes(first), PLACE).remarks


def test_a_sine_is_named() -> None:
    found = gate(points(half=amperes(300.0, 0.0, 0.0), full=amperes(600.0)), PLACE)
    assert found.exit_status is ExitStatus.PASSED
    assert "Every order above 1 is exactly zero: 'half'; were they calculated?" in gate_text(found)


def test_a_single_low_point_is_a_remark() -> None:
    found = gate(points(idle=amperes(6.0, 0.1), full=amperes(600.0)), PLACE)
    assert found.exit_status is ExitStatus.PASSED
    assert "Order 1: 6 A at 'idle' (0.01 of the declared 600 A), 600 A at 'full'." in " ".join(gate_text(found).split())
    # Both too low: none fits, and both are refused.
    both = gate(points(idle=amperes(6.0, 0.1), full=amperes(60.0)), PLACE)
    assert both.exit_status is ExitStatus.NOT_SHOWN


def test_a_point_without_order_1_is_refused_by_itself() -> None:
    found = gate(points(half=amperes(None), full=amperes(600.0)), PLACE)
    verdicts = {
        (one.snapshot.operating_point, one.verdict)
        for one in found.results[0].findings if one.kind == "limit" and one.snapshot is not None
    }  # fmt: skip
    assert verdicts == {("half", Verdict.REFUSED), ("full", Verdict.PASS)}


def test_the_current_of_the_load_is_declared_too() -> None:
    small = amperes(30.0, 1.0)
    assert gate(small, PLACE).exit_status is ExitStatus.NOT_SHOWN
    assert gate(small, site(fundamental_current="30 A")).exit_status is ExitStatus.PASSED
    assert gate(small, site(fundamental_current=None, nonlinear_share="5 %")).exit_status is ExitStatus.PASSED


def test_too_large_may_fail_nobody_and_too_small_fails_all_the_more() -> None:
    # 80 A of order 5 is beyond 10 % of 600 A.
    assert gate(amperes(60.0, 80.0), PLACE).exit_status is ExitStatus.FAILED
    assert gate(amperes(None, 80.0), PLACE).exit_status is ExitStatus.FAILED
    assert gate(amperes(600000.0, 12000.0, 100.0), PLACE).exit_status is ExitStatus.NOT_SHOWN


def test_percentages_rest_on_what_is_declared() -> None:
    assert gate(percent(5.0), SITE).exit_status is ExitStatus.PASSED
    both = {**percent(5.0), AMPERES: [0.0, *[value * 6 for value in percent(5.0)[PERCENT][1:]]]}
    assert gate(both, PLACE).exit_status is not ExitStatus.PASSED


VOLTS = "voltage_harmonic [V rms]"


@pytest.mark.parametrize(("first", "status"), [
    (277.0, ExitStatus.PASSED), (0.0, ExitStatus.NOT_SHOWN), (0.277, ExitStatus.NOT_SHOWN),
])  # fmt: skip
def test_voltages_beside_the_nominal(first: float, status: ExitStatus) -> None:
    place = {**SITE, "limits": {"apply": ["ieee519-2022"], "quantities": ["voltage_harmonic", "voltage_thd"]}}
    columns = {"order": [float(order) for order in range(1, 51)], VOLTS: [first] + [0.1] * 49}
    assert gate(columns, place).exit_status is status


VOLTAGES = {**SITE, "limits": {"apply": ["ieee519-2022"], "quantities": ["voltage_harmonic", "voltage_thd"]}}
NOMINAL = "voltage_harmonic [% of nominal]"
NAN = float("nan")


def shares_of_nominal(first: float, h5: float = 2.0) -> dict[str, list[float]]:
    return {"order": [float(order) for order in range(1, 51)], NOMINAL: [first, 0.1, 0.1, 0.1, h5, *[0.1] * 45]}


@pytest.mark.parametrize(("first", "words"), [
    (1.0, "is 2.77 V, 0.01 of the nominal 277 V, as if fractions stood under percent"), (0.0, "is zero"),
    (1e-9, "is 2.77e-09 V"), (5.0, "is 13.85 V, 0.05 of the nominal 277 V"), (200.0, "is 554 V, 2 of the nominal"),
    (NAN, "is not among the percentages; without it they may be fractions, 0.2 for 20 %"),
])  # fmt: skip
def test_percent_of_nominal_shows_its_scale_by_order_1(first: float, words: str) -> None:
    found = gate(shares_of_nominal(first), VOLTAGES)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    texts = refusals(found.results[0])
    assert any(f"Order 1 of the voltage of phase an {words}" in text for text in texts), texts[:1]
    assert not any(one.verdict is Verdict.PASS and one.kind == "limit" for one in found.results[0].findings)
    # IEEE 519 Table 1: 5 % of the nominal for a single order up to 1 kV. A fail stands.
    status = gate(shares_of_nominal(first, 20.0), VOLTAGES).exit_status
    assert status is (ExitStatus.NOT_SHOWN if first > 125 else ExitStatus.FAILED)


def test_percent_of_nominal_that_fits_passes_and_is_printed() -> None:
    found = gate(shares_of_nominal(98.0), VOLTAGES)
    assert found.exit_status is ExitStatus.PASSED and "Order 1: 271.46 V." in gate_text(found)


def test_a_voltage_is_no_light_load() -> None:
    # Another point that fits does not excuse one in fractions, as it does a small current.
    columns = {name: [*shares_of_nominal(100.0)[name], *shares_of_nominal(1.0)[name]] for name in ("order", NOMINAL)}
    found = gate({"operating_point": ["full"] * 50 + ["half"] * 50, **columns}, VOLTAGES)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    assert any("at 'half' is 2.77 V" in text for text in refusals(found.results[0]))


@pytest.mark.parametrize("place", [SITE, site(fundamental_current=None, nonlinear_share="60 %")])
def test_percentages_without_order_1_may_be_fractions(place: dict[str, Any]) -> None:
    fractions = {"order": list(range(1, 51)), PERCENT: [NAN, 0.001, 0.001, 0.001, 0.20, *[0.001] * 45]}
    found = gate(fractions, place)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    assert "Order 1 of the current of phase a is not among the percentages" in refusals(found.results[0])[0]
    assert "Order 1: none." in gate_text(found)
    assert gate({**percent(20.0), PERCENT: [NAN, *percent(20.0)[PERCENT][1:]]}, place).exit_status is ExitStatus.FAILED
    # Amperes of order 1 alone do not say it; those of an order that both columns hold do.
    beside = {**fractions, AMPERES: [600.0, *[NAN] * 49]}
    assert gate(beside, PLACE).exit_status is ExitStatus.NOT_SHOWN
    scaled = {PERCENT: [NAN, *[0.1] * 3, 5.0, *[0.1] * 45], AMPERES: [600.0, *[NAN] * 3, 30.0, *[NAN] * 45]}
    assert gate({**fractions, **scaled}, PLACE).exit_status is ExitStatus.PASSED


@settings(deadline=None)
@given(first=st.floats(0, 2000), more=st.floats(1, 50))
def test_raising_a_harmonic_never_turns_a_fail_into_a_pass(first: float, more: float) -> None:
    low, high = (gate(amperes(first, h5), PLACE).exit_status for h5 in (50.0, 50.0 + more))
    assert not (low is ExitStatus.FAILED and high is ExitStatus.PASSED)
    assert (low is ExitStatus.PASSED) <= (120 <= first <= 750)
