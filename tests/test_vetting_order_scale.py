"""Orders of one channel are one set: units, their sum beside the THD, maximum columns, one order off scale."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site

Floats = NDArray[np.float64]
STRONG = {3: 1.5, 5: 7.0, 7: 3.0, 11: 1.5, 13: 1.0}
"""An order 5 beyond the 6 % of EN 50160, and a THD of 7.9 % within its 8 %."""


def voltages() -> dict[str, Floats]:
    return {f"voltage.{phase} [V]": np.round(230 + np.random.default_rng(number).normal(0, 1.5, WEEK), 2)
            for number, phase in enumerate(("an", "bn", "cn"))}


def orders(to: int = 25, unit: str = "%", reading: str = "", scale: dict[int, float] | float = 1.0,
           phases: tuple[str, ...] = ("an", "bn", "cn"), strong: dict[int, float] | None = None) -> dict[str, Floats]:
    """Columns of a spectrum; `scale` by order, or of all."""
    made = {}
    for number, phase in enumerate(phases):
        chance = np.random.default_rng(10 + number)
        for order in range(2, to + 1):
            factor = scale if isinstance(scale, float) else scale.get(order, 1.0)
            level = (STRONG if strong is None else strong).get(order, 0.15)
            values = level * (1 + 0.1 * chance.normal(0, 1, WEEK)).clip(0.3)
            made[f"voltage_harmonic.{phase}.h{order}{reading} [{unit}]"] = np.round(values * factor, 5)
    return made


def thd(level: float) -> dict[str, Floats]:
    return {f"voltage_thd.{phase} [%]": np.round(level + np.random.default_rng(number).normal(0, 0.1, WEEK), 3)
            for number, phase in enumerate(("an", "bn", "cn"))}


def judged(columns: dict[str, Floats], quantities: tuple[str, ...] = ("voltage_harmonic",)) -> Findings:
    return check(recording(columns), site(recording={"extremes_of": "200 ms"}), "en50160-2010-lv",
                 quantities=list(quantities))


def of_order(result: Findings, order: int) -> set[tuple[Verdict, str]]:
    return {(one.verdict, one.reason.code if one.reason else "") for one in result.findings
            if one.kind == "limit" and one.order == order}


def said(result: Findings, rule: str) -> list[Finding]:
    return [one for one in result.findings if one.kind == "recording" and one.rule == rule and one.reason is not None
            and one.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)]


@pytest.mark.parametrize(("unit", "scale"), [("%", 1.0), ("V", 2.3), ("% of nominal", 1.0)])
@pytest.mark.parametrize("to", [25, 40, 50])
def test_a_spectrum_that_fits_its_distortion_raises_nothing(to: int, unit: str, scale: float) -> None:
    # 7.98 to 8.04 % by the orders.
    result = judged(voltages() | orders(to, unit, scale=scale) | thd(8.0))
    assert not said(result, "spectrum") and not said(result, "order-scale") and not said(result, "distortion-scale")
    if unit != "% of nominal":
        assert of_order(result, 5) == {(Verdict.FAIL, "")} and of_order(result, 7) == {(Verdict.PASS, "")}


@pytest.mark.parametrize("to", [25, 50])
def test_one_order_in_fractions_beside_the_distortion(to: int) -> None:
    result = judged(voltages() | orders(to, scale={5: 0.01}) | thd(8.0))
    assert {one.reason.code for one in said(result, "spectrum") if one.reason} == {"spectrum-mismatch"}
    assert of_order(result, 5) == of_order(result, 7) == {(Verdict.REFUSED, "spectrum-mismatch")}


@pytest.mark.parametrize("orders_in_fractions", [5, 7])
def test_one_order_in_fractions_without_a_distortion(orders_in_fractions: int) -> None:
    result = judged(voltages() | orders(scale={orders_in_fractions: 0.01}, strong=STRONG | {11: 3.0}))
    assert of_order(result, orders_in_fractions) == {(Verdict.INCONCLUSIVE, "unit-doubtful")}
    assert of_order(result, 13) == {(Verdict.PASS, "")}


@pytest.mark.parametrize("order", [3, 11, 13, 17])
def test_an_order_of_one_phase_in_fractions(order: int) -> None:
    strong = STRONG | {17: 1.2}
    columns = voltages() | orders(strong=strong) | orders(scale={order: 0.01}, phases=("an",), strong=strong)
    result = judged(columns)
    (doubt,) = said(result, "order-scale")
    assert doubt.phase == "an" and f"Order {order} " in (doubt.reason.text if doubt.reason else "")
    verdicts = {one.phase: one.verdict for one in result.findings if one.kind == "limit" and one.order == order}
    assert verdicts == {"an": Verdict.INCONCLUSIVE, "bn": Verdict.PASS, "cn": Verdict.PASS}


def test_half_a_week_of_one_order_in_fractions() -> None:
    columns = voltages() | orders()
    column = "voltage_harmonic.bn.h5 [%]"
    columns[column] = np.where(np.arange(WEEK) < 500, columns[column], columns[column] / 100)
    result = judged(columns)
    (doubt,) = said(result, "distortion-scale")
    assert (doubt.phase, doubt.order) == ("bn", 5)


@pytest.mark.parametrize("beside", [7.8, None])
def test_maximum_columns_in_fractions(beside: float | None) -> None:
    columns = voltages() | orders(reading=".max", scale=0.01) | (thd(beside) if beside else {})
    result = judged(columns)
    code = "unit-doubtful" if beside is None else "spectrum-mismatch"
    assert code in {code for _, code in of_order(result, 5)} and Verdict.PASS not in {v for v, _ in of_order(result, 5)}


def test_maximum_columns_may_add_up_to_more_than_the_mean() -> None:
    result = judged(voltages() | orders(reading=".max", strong={5: 4.0, 7: 3.5}) | thd(4.0))
    assert of_order(result, 5) == {(Verdict.PASS, "proven-by-bound")} and not said(result, "spectrum")


@pytest.mark.parametrize(("total", "verdict"), [(7.5, Verdict.REFUSED), (3.4, Verdict.PASS)])
def test_orders_to_50_far_below_the_distortion(total: float, verdict: Verdict) -> None:
    result = judged(voltages() | orders(50, strong={5: 3.0, 7: 1.0}) | thd(total), ("voltage_harmonic", "voltage_thd"))
    assert {v for v, _ in of_order(result, 5)} == {verdict}
    seen = vet(recording(voltages() | orders(50, strong={5: 3.0, 7: 1.0}) | thd(total)), site())
    assert any(one.verdict is Verdict.REFUSED for one in seen.findings) == (verdict is Verdict.REFUSED)


def test_a_spectrum_in_two_units_is_added_up() -> None:
    columns = voltages() | orders(25)
    for phase in ("an", "bn", "cn"):
        percent = columns.pop(f"voltage_harmonic.{phase}.h5 [%]")
        columns[f"voltage_harmonic.{phase}.h5 [V]"] = np.round(2.3 * percent, 4)
    assert not said(judged(columns | thd(8.0)), "spectrum")
    # Volts that are percent: 2.3 times too much.
    for phase in ("an", "bn", "cn"):
        columns[f"voltage_harmonic.{phase}.h5 [V]"] *= 2.3
    assert len(said(judged(columns | thd(8.0)), "spectrum")) == 3


def test_an_order_that_is_small_by_itself_is_left_alone() -> None:
    """A twelfth of its neighbour, and one that a filter takes away in all phases, say nothing."""
    for strong in (STRONG | {5: 0.3}, STRONG | {5: 0.18, 7: 2.0}, STRONG | {7: 0.1, 11: 0.5}):
        assert not said(judged(voltages() | orders(strong=strong)), "order-scale")
