"""Units of a transformer bank in delta: what line currents prove about each, against a network solved node by node."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.loads.windings import most_in_unit
from pqcheck.model.errors import SiteError
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import site_from
from tests.test_load_capacity import moving, prediction, study

HIGH_LEG = {"nominal_voltage": "240 V", "connection": "high-leg-delta", "high_leg": "b", "frequency": "60 Hz"}
DELTA = {"nominal_voltage": "240 V", "connection": "delta", "frequency": "60 Hz"}
MOTOR = {"name": "motor", "current": "30 A", "power_factor": 0.85}


def currents_of_units(
    loads: dict[str, complex], impedance: dict[str, float], tapped: str
) -> tuple[dict[str, float], dict[str, float]]:
    """Winding currents (of the tapped unit the larger half) and line currents, by nodal analysis (Kirchhoff): loads as
    current sources between two nodes, units as impedances; their voltages add up to none and drive no current."""
    branches = []
    for pair, ohms in impedance.items():
        if pair == tapped:
            branches += [(pair, pair[0], "n", ohms / 2), (pair, "n", pair[1], ohms / 2)]
        else:
            branches.append((pair, pair[0], pair[1], ohms))
    nodes = [node for node in "abcn" if node != "c"][: 3 if tapped else 2]
    matrix, drawn = np.zeros((len(nodes),) * 2), np.zeros(len(nodes), dtype=complex)
    for _, start, end, ohms in branches:
        for node, other in ((start, end), (end, start)):
            if node in nodes:
                matrix[nodes.index(node), nodes.index(node)] += 1 / ohms
                if other in nodes:
                    matrix[nodes.index(node), nodes.index(other)] -= 1 / ohms
    lines = dict.fromkeys("abcn", 0j)
    for between, amperes in loads.items():
        for node, sign in zip(between, (1, -1), strict=True):
            lines[node] += sign * amperes
            if node in nodes:
                drawn[nodes.index(node)] -= sign * amperes
    volts = {**dict.fromkeys("abcn", 0j), **dict(zip(nodes, np.linalg.solve(matrix, drawn), strict=True))}
    units: dict[str, float] = {}
    for pair, start, end, ohms in branches:
        units[pair] = max(units.get(pair, 0.0), abs(volts[start] - volts[end]) / ohms)
    return units, {line: abs(amperes) for line, amperes in lines.items() if tapped or line != "n"}


def place(supply: dict[str, Any], units: dict[str, str]) -> Any:
    return site_from({"name": "x", "time_zone": "UTC", "supply": supply, "ratings": {"transformer_units": units}}, "x")


AMPERES = st.builds(complex, st.floats(-100, 100), st.floats(-100, 100))


@settings(max_examples=300, deadline=None)
@given(
    loads=st.fixed_dictionaries({each: AMPERES for each in ("ab", "bc", "ca", "an", "bn", "cn")}),
    ohms=st.lists(st.floats(0.01, 1), min_size=3, max_size=3),
    missing=st.sampled_from(["", "ab", "bc", "ca"]), alike=st.booleans(), with_neutral=st.booleans(),
    high_leg=st.sampled_from(["", "a", "b", "c"]),
)  # fmt: skip
def test_no_unit_carries_more_than_its_bound(
    loads: dict[str, complex], ohms: list[float], missing: str, *, alike: bool, with_neutral: bool, high_leg: str
) -> None:
    tapped = {"": "", "a": "bc", "b": "ca", "c": "ab"}[high_leg]
    if missing and missing == tapped:
        return
    if not tapped:
        loads = {between: amperes for between, amperes in loads.items() if "n" not in between}
    supply = {**HIGH_LEG, "high_leg": high_leg} if tapped else DELTA
    names = [pair for pair in ("ab", "bc", "ca") if pair != missing]
    sizes = dict.fromkeys(names, "25 kVA") if alike else dict(zip(names, ("25 kVA", "15 kVA", "50 kVA"), strict=False))
    impedance = {pair: 0.1 if alike else each for pair, each in zip(names, ohms, strict=False)}
    units, lines = currents_of_units(loads, impedance, tapped)
    if not with_neutral:
        lines.pop("n", None)
    for pair, amperes in units.items():
        assert amperes <= most_in_unit(pair, lines, place(supply, sizes)) * (1 + 1e-9) + 1e-6


def test_the_unit_behind_the_high_leg_of_an_open_bank_carries_its_line_current() -> None:
    """50 kVA with the neutral between c and a, 15 kVA between a and b: line b is the current of the small unit."""
    site = place(HIGH_LEG, {"ca": "50 kVA", "ab": "15 kVA"})
    assert most_in_unit("ab", {"a": 90, "b": 41, "c": 80}, site) == pytest.approx(41)
    assert most_in_unit("ca", {"a": 90, "b": 41, "c": 80}, site) == pytest.approx(131)
    assert most_in_unit("ca", {"a": 90, "b": 41, "c": 80, "n": 12}, site) == pytest.approx(92)


def open_bank(high: float, ratings: dict[str, Any], **more: Any) -> Any:
    """Line currents of an open high-leg bank at 240 V with a motor of 30 A to come."""
    table = {f"current.{phase} [A]": moving(each, 0, seed)
             for seed, (phase, each) in enumerate(zip("abc", (52, high, 48), strict=True))}  # fmt: skip
    return study(table, supply=HIGH_LEG, ratings=ratings, new_load=[MOTOR], **more)


def test_a_bank_of_two_units_is_judged_by_its_units() -> None:
    """15 kVA at 240 V are 62.5 A: 50 A and 30 A do not fit, 25 A and 30 A do."""
    units = {"ca": "50 kVA", "ab": "15 kVA"}
    over = open_bank(50, {"transformer_units": units})
    assert prediction(over, "transformer", "current.b+new-load").verdict is Verdict.FAIL
    fits = open_bank(25, {"transformer_units": units})
    assert prediction(fits, "transformer", "current.b+new-load").verdict is Verdict.PASS


def test_without_declared_units_no_winding_of_a_high_leg_delta_passes() -> None:
    got = open_bank(50, {"transformer": "65 kVA"})
    for phase in "abc":
        one = prediction(got, "transformer", f"current.{phase}+new-load")
        assert one.verdict is Verdict.INCONCLUSIVE and one.reason is not None
        assert one.reason.code == "bank-not-declared" and "transformer_units" in one.reason.advice
    # 280 A at 240 V are 67.2 kVA in whatever units.
    assert prediction(open_bank(250, {"transformer": "65 kVA"}), "transformer", "current.b+new-load").verdict is (
        Verdict.FAIL
    )


def test_units_that_fit_no_bank_are_named() -> None:
    with pytest.raises(SiteError, match="not the sum of transformer_units, 65 kVA"):
        open_bank(50, {"transformer": "75 kVA", "transformer_units": {"ca": "50 kVA", "ab": "15 kVA"}})
    with pytest.raises(SiteError, match="lacks 'ca', which has the neutral"):
        open_bank(50, {"transformer_units": {"bc": "50 kVA", "ab": "15 kVA"}})
    with pytest.raises(SiteError, match="a bank in delta"):
        study({"current.a [A]": moving(40, 5)}, ratings={"transformer_units": {"ca": "50 kVA", "ab": "15 kVA"}})
