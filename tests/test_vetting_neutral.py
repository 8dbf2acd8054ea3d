"""The open neutral under any declared connection, and what spreads by right; voltages are formed here from phasors."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.model.findings import Finding
from pqcheck.vet import vet
from tests.recordings import recording, site
from tests.simulator.hookup_faults import open_neutral
from tests.simulator.places import draw

Floats = NDArray[np.float64]
COUNT = 288
TURNS = np.exp(2j * np.pi * np.array([0, -1, 1]) / 3)
DECLARED = [
    {"connection": "wye", "nominal_voltage": "400 V"}, {"connection": "delta", "nominal_voltage": "400 V"},
    {"connection": "split-phase", "nominal_voltage": "400 V"},
    {"connection": "single-phase", "nominal_voltage": "230 V"},
    {"connection": "single-phase", "nominal_voltage": "400 V"},
    *({"connection": "high-leg-delta", "nominal_voltage": "400 V", "high_leg": leg} for leg in "abc"),
]


def three(star: complex, *, lines: bool = True, unbalance: float = 0.0, turns: Any = TURNS) -> dict[str, Floats]:
    """Three conductors around 230 V and what they stand at to a star point, with a negative sequence."""
    rng = np.random.default_rng(5)
    level = 230 * (1 + 0.003 * rng.standard_normal(COUNT))
    phasors = level * (turns + unbalance * np.conj(TURNS))[:, None]
    rows = {f"voltage.{phase}n [V]": np.abs(row - star) for phase, row in zip("abc", phasors, strict=True)}
    if lines:
        rows |= {f"voltage.{line} [V]": np.abs(phasors[one] - phasors[two])
                 for line, one, two in (("ab", 0, 1), ("bc", 1, 2), ("ca", 2, 0))}
    return {name: np.round(row * (1 + 0.0005 * rng.standard_normal(COUNT)), 2) for name, row in rows.items()}


def neutral_signs(table: dict[str, Floats], supply: dict[str, str]) -> list[Finding]:
    return [finding for finding in vet(recording(table, interval_s=300), site(supply=supply)).findings
            if finding.rule == "neutral-loose"]


@pytest.mark.parametrize("supply", DECLARED, ids=lambda supply: "-".join(supply.values()))
@pytest.mark.parametrize("star", [40 + 0j, 40 * TURNS[1], -60 * TURNS[2], 200 + 0j])
def test_an_open_neutral_is_a_danger_whatever_connection_is_declared(star: complex, supply: dict[str, str]) -> None:
    """Voltages to neutral that spread while those between lines stand, as 190, 252 and 252 V with 400 V between."""
    first = vet(recording(three(star), interval_s=300), site(supply=supply)).findings[0]
    assert (first.kind, first.rule) == ("safety", "neutral-loose")


@pytest.mark.parametrize("unbalance", [0.01, 0.02])
def test_an_unbalanced_supply_hides_no_open_neutral(unbalance: float) -> None:
    """2 % of negative sequence spread the lines by 3.5 % on their own; they say nothing of the neutral."""
    wye = DECLARED[0]
    assert neutral_signs(three(50 + 10j, unbalance=unbalance), wye)
    assert not neutral_signs(three(0, unbalance=unbalance), wye)


def test_a_delta_says_what_the_spread_may_be() -> None:
    (sign,) = neutral_signs(three(40), DECLARED[1])
    text = sign.reason.text if sign.reason else ""
    assert "leaks to ground" in text and "neutral of the service is open" in text
    assert not neutral_signs(three(12), DECLARED[1]), "capacitance alone spreads voltages to ground by as much"


@pytest.mark.parametrize("lines", [True, False])
def test_a_grounded_corner_and_a_high_leg_spread_by_right(lines: bool) -> None:
    delta = DECLARED[1]
    assert not neutral_signs(three(230 * TURNS[1], lines=lines), delta)
    for declared in (*DECLARED[:2], *DECLARED[5:]):
        assert not neutral_signs(three(230 * (TURNS[0] + TURNS[2]) / 2 + 4, lines=lines), declared), declared


def test_a_high_leg_where_none_is_declared_asks_for_the_neutral() -> None:
    findings = vet(recording(three(230 * (TURNS[0] + TURNS[2]) / 2), interval_s=300), site(supply=DECLARED[0])).findings
    (doubt,) = [finding for finding in findings if finding.rule == "connection"]
    assert doubt.reason and "it is open" in doubt.reason.advice


@pytest.mark.parametrize("ratio", [1.4, 2, 4, 8, 20, 45])
@pytest.mark.parametrize("service", ["split-phase", "wye 208", "wye 400", "high-leg delta"])
@pytest.mark.parametrize("connection", ["own", "delta", "single-phase"])
def test_simulated_open_neutrals_at_every_ratio(service: str, ratio: float, connection: str) -> None:
    rng = np.random.default_rng((3, round(10 * ratio)))
    place = draw(rng, service, "motors")
    table, supply = open_neutral(ratio, 1.1 * ratio)(place, rng), dict(place.supply)
    if connection != "own":
        line = {"split-phase": 240, "wye 208": 208, "wye 400": 400, "high-leg delta": 240}[service]
        supply = {"connection": connection, "nominal_voltage": f"{line if connection == 'delta' else line / 3**0.5} V"}
    assert neutral_signs(table, supply)
