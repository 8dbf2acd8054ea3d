"""What holds only while a new capacitor bank, or a load that draws leading current, is in service."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pqcheck.loads.answer import answer_of
from pqcheck.loads.study import LoadStudy
from tests.test_load_capacity import COUNT, study

SUPPLY = {"nominal_voltage": "480Y/277 V", "connection": "wye", "frequency": "60 Hz"}
MOTOR = {"name": "motor", "current": "60 A", "power_factor": 0.8}
BANK = {"name": "bank", "kind": "capacitor", "reactive_power": "50 kvar", "detuning": 7}
SYNCHRONOUS = {"name": "compressor", "current": "45 A", "power_factor": 0.4, "reactive": "leading"}


def with_loads(*loads: dict[str, Any], service: str = "150 A", peak: float = 100.0) -> LoadStudy:
    """Up to `peak` amperes at power factor 0.8, orders of current and voltage recorded, and new loads."""
    table = {}
    for seed, phase in enumerate("abc"):
        rng = np.random.default_rng(seed)
        amperes = peak * (0.8 + 0.2 * np.sin(np.arange(COUNT) * 2 * np.pi / 144)) + rng.normal(0, 0.05, COUNT)
        volts = 277 + rng.normal(0, 0.1, COUNT)
        table |= {
            f"voltage.{phase}n [V]": volts, f"current.{phase} [A]": amperes,
            f"active_power.{phase} [W]": 0.8 * volts * amperes, f"reactive_power.{phase} [var]": 0.6 * volts * amperes,
        }
        for order in range(3, 50, 2):
            table[f"current_harmonic.{phase}.h{order} [A]"] = 0.05 + 0.02 * rng.random(COUNT)
            table[f"voltage_harmonic.{phase}n.h{order} [%]"] = 0.02 + 0.01 * rng.random(COUNT)
    source = {"resistance": "0.005 ohm", "reactance": "0.015 ohm", "neutral_resistance": "0 ohm",
              "neutral_reactance": "0 ohm"}  # fmt: skip
    return study(table, supply=SUPPLY, ratings={"service": service}, source_impedance=source, new_load=list(loads))


def conditions(found: LoadStudy) -> str:
    answer = answer_of(found)
    assert answer is not None
    return " ".join(answer.conditions)


@pytest.mark.parametrize("bank", [BANK, {**BANK, "steps": 3}])
def test_a_rating_that_a_bank_relieves_makes_it_a_condition(bank: dict[str, Any]) -> None:
    """100 A and 60 A of one power factor are 160 A; 50 kvar at 480 V take 60 A of reactive current off: 136 A."""
    found = with_loads(MOTOR, bank)
    assert "bank: in service whenever the rest runs; without it Service rating, phase a (160" in conditions(found)
    assert "in service" not in conditions(with_loads(MOTOR, bank, service="170 A"))
    assert "in service" not in conditions(with_loads(MOTOR, service="170 A"))


def test_a_bank_alone_that_relieves_what_is_there() -> None:
    found = with_loads(BANK, peak=160)
    assert "without it Service rating, phase a (160" in conditions(found)


def test_a_load_that_draws_leading_current_is_counted_on_alike() -> None:
    found = with_loads(MOTOR, SYNCHRONOUS, service="158 A")
    assert "compressor: in service whenever the rest runs" in conditions(found)
