"""A margin holds for every kind of rule: over time, over recorded events, and for the determination of a load."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.limit_tables import load_table
from pqcheck.model.errors import GateError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.workflows.hold_margin import check_margin, tighter
from pqcheck.workflows.run_gate import gate
from tests.design import SITE, percent, write
from tests.test_load_existing import CONDITIONS, THREE
from tests.test_waivers import VOLTAGE, week


def dips(folder: Path, residual: float) -> list[str]:
    data = week()
    rows = {"time": [str(time) for time in data["time"]], "voltage.an [V]": [*data["voltage.an [V]"]]}
    write(folder / "week.csv", rows)
    (folder / "events.csv").write_text(
        f"time,phase,kind,duration [s],residual [%]\n2031-03-04T10:00:00,an,dip,0.1,{residual}\n", encoding="utf-8"
    )
    return [str(folder / "week.csv"), str(folder / "events.csv")]


def required(found: Any) -> Finding:
    (finding,) = (one for one in found.results[0].findings if one.kind == "limit" and one.required)
    return finding


@pytest.mark.parametrize(("residual", "margin", "verdict"), [
    # SEMI F47: 50 % up to 0.2 s. 10 % of it leave 55 %.
    (52, None, Verdict.PASS), (52, 3, Verdict.PASS), (52, 10, Verdict.FAIL), (55, 10, Verdict.PASS),
    (49, 10, Verdict.FAIL),
])  # fmt: skip
def test_events(residual: float, margin: float | None, verdict: Verdict, tmp_path: Path) -> None:
    place = {**VOLTAGE, "supply": {**VOLTAGE["supply"], "measured_at": "equipment"}, "limits": {}}
    table = load_table("semi-f47-0706")
    found = gate(dips(tmp_path, residual), place, [table], quantities=["events"], margin=margin)
    judged = next(one for one in found.results[0].findings if one.rule == "required")
    assert judged.verdict is verdict
    if verdict is Verdict.FAIL and residual > 50:
        assert judged.reason is not None and judged.reason.code == "margin"
        assert "52 % is within the limit, but a margin of 10 % is asked for: 55 %" in judged.reason.text


@pytest.mark.parametrize(("margin", "verdict"), [(None, Verdict.PASS), (36, Verdict.PASS), (37, Verdict.FAIL)])
def test_load_rules(margin: float | None, verdict: Verdict) -> None:
    # 405.3 A x 1.25 = 506.6 A of 800 A: 36.7 % to spare (tests/test_load_existing.py, example 1).
    year = {"maximum_demand": "310 kW", "maximum_demand_power_factor": 0.92, "maximum_demand_months": 12}
    place = {"name": "Mill", "time_zone": "UTC", "supply": {**THREE, "frequency": "60 Hz"},
             "ratings": {"service": "800 A"}, "load_study": {**CONDITIONS, **year}}  # fmt: skip
    times = np.datetime64("2031-03-03T00:00:00") + np.arange(2880) * np.timedelta64(900, "s")
    data = {"time": times} | {f"current.{phase} [A]": 100 + np.arange(2880) % 7 * 0.5 for phase in "abc"}
    found = gate(data, place, ["nfpa70-2023"], quantities=["current"], margin=margin)
    judged = next(one for one in found.results[0].findings if one.rule == "existing-load-service")
    assert judged.verdict is verdict
    assert judged.limit is not None and judged.limit.high == 800
    if verdict is Verdict.FAIL:
        assert judged.reason is not None and judged.reason.code == "margin"


@pytest.mark.parametrize("name", ["nfpa70-2023", "semi-f47-0706", "iti-2000", "iec61000-4-11"])
def test_every_limit_of_a_table_moves(name: str) -> None:
    table = load_table(name)
    tight = tighter(table, Decimal(10))
    for before, after in zip(table.event_rules, tight.event_rules, strict=True):
        for old, new in zip(before.lower, after.lower, strict=True):
            assert new.residual > old.residual or old.residual == 0
        for old, new in zip(before.upper, after.upper, strict=True):
            assert new.residual < old.residual
    assert all(rule.share_of_rating == Decimal("0.9") for rule in tight.load_rules)
    assert table.event_rules or table.load_rules


@pytest.mark.parametrize("margin", [float("nan"), float("inf"), "10", True, -0.1, 100])
def test_what_is_no_margin(margin: Any) -> None:
    with pytest.raises(GateError, match=r"a margin of .* cannot be; give a number from 0 to below 100"):
        gate(percent(5.0), SITE, margin=margin)
    assert check_margin(None) is None


def test_a_margin_leaves_no_trace_of_the_tighter_tables() -> None:
    found = gate(percent(5.0), SITE, margin=10)
    assert found.exit_status is ExitStatus.PASSED
    assert "tighter" not in found.results[0].to_json() + "".join(found.results[0].remarks)


@settings(deadline=None, max_examples=30)
@given(h7=st.floats(0, 12), first=st.floats(0, 99), second=st.floats(0, 99))
def test_a_larger_margin_never_passes_what_a_smaller_one_does_not(h7: float, first: float, second: float) -> None:
    smaller, larger = (gate(percent(h7), SITE, margin=margin).exit_status for margin in sorted((first, second)))
    assert larger is not ExitStatus.PASSED or smaller is ExitStatus.PASSED
