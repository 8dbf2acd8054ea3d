"""How far a recorder's THD sums may be declared: less than the rule asks is a lower bound, more an upper one."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck.judge.rules_that_apply import resolve
from pqcheck.judge.summed_orders import summed_orders
from pqcheck.limit_tables import load_table
from pqcheck.model.verdict import Verdict
from tests.recordings import judged, one, recording, site

WEEK = 1008
SUPPLY = {"nominal_voltage": "230 V", "connection": "single-phase"}
EN = "en50160-2010-lv"  # sums to order 40, at most 8 %


@pytest.mark.parametrize(("summed", "percent", "verdict", "code"), [
    (None, 3.0, Verdict.PASS, None), (None, 9.0, Verdict.FAIL, None),
    (40, 3.0, Verdict.PASS, None), (40, 9.0, Verdict.FAIL, None),
    (25, 3.0, Verdict.INCONCLUSIVE, "orders-missing"), (25, 9.0, Verdict.FAIL, "lower-bound"),
    (50, 3.0, Verdict.PASS, None), (50, 9.0, Verdict.INCONCLUSIVE, "upper-bound"),
])  # fmt: skip
def test_less_is_a_lower_bound_and_more_an_upper_one(
    summed: int | None, percent: float, verdict: Verdict, code: str | None
) -> None:
    declared = {} if summed is None else {"recording": {"thd_to_order": summed}}
    columns = {"voltage.an [V]": np.full(WEEK, 230.0), "voltage_thd.an [%]": np.full(WEEK, percent)}
    week = one(judged(recording(columns), site(supply=SUPPLY, **declared), EN), "thd-week-95")
    assert (week.verdict, week.reason and week.reason.code) == (verdict, code)
    if code == "upper-bound":
        assert week.reason is not None and "sums to order 50, the rule to order 40" in week.reason.text


def test_orders_answer_before_a_total_that_sums_to_another_order() -> None:
    columns = {f"voltage_harmonic.an.h{order} [%]": np.full(WEEK, 0.5) for order in range(2, 41)}
    columns |= {"voltage.an [V]": np.full(WEEK, 230.0), "voltage_thd.an [%]": np.full(WEEK, 3.0)}
    place = site(supply=SUPPLY, recording={"thd_to_order": 25})
    assert one(judged(recording(columns), place, EN), "thd-week-95").verdict is Verdict.PASS


def test_extremes_of_a_total_bound_only_from_their_side() -> None:
    columns = {"voltage.an.max [V]": np.full(WEEK, 230.0), "voltage_thd.an.max [%]": np.full(WEEK, 3.0)}
    for summed, verdict in ((25, Verdict.INCONCLUSIVE), (50, Verdict.PASS)):
        place = site(supply=SUPPLY, recording={"thd_to_order": summed, "extremes_of": "200 ms"})
        assert one(judged(recording(columns), place, EN), "thd-week-95").verdict is verdict


def test_tables_that_ask_for_different_orders_are_named() -> None:
    made = recording({"voltage.an [V]": np.full(WEEK, 230.0), "voltage_thd.an [%]": np.full(WEEK, 3.0)})
    tables = [load_table(EN), load_table("iec61000-2-2-2002")]
    for declared, count in (({}, 1), ({"recording": {"thd_to_order": 50}}, 0)):
        place = site(supply=SUPPLY, **declared)
        tasks, _ = resolve(tables, made, place)
        remarks = summed_orders(tasks, place)
        assert len(remarks) == count
        assert all("order 40 (en50160-2010-lv) and 50 (iec61000-2-2-2002)" in remark for remark in remarks)
    assert not summed_orders(resolve(tables[:1], made, site(supply=SUPPLY))[0], site(supply=SUPPLY))
