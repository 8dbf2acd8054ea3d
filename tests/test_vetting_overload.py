"""Conductors above their declared rating: at a stretch, with pauses, and the short starts that are none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.vet import vet
from tests.recordings import recording, site

AT = np.arange(1200 * 4)
"""Four hours of 3 s values."""


def signs(current: NDArray[np.float64], phase: str = "a", unit: str = "A") -> list[str]:
    chance = np.random.default_rng(1)
    measured = np.round(current + chance.normal(0, 1, AT.size), 1) * (0.001 if unit == "kA" else 1)
    volts = np.round(231 + chance.normal(0, 0.2, AT.size), 2)
    columns = {"voltage.an [V]": volts, f"current.{phase} [{unit}]": measured}
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"},
                 ratings={"service": "100 A", "neutral": "100 A"})
    return [one.reason.text for one in vet(recording(columns, interval_s=3), place).findings
            if one.rule == "conductor-overload" and one.reason is not None]


@pytest.mark.parametrize(("phase", "unit"), [("a", "A"), ("a", "kA"), ("n", "A")])
def test_pauses_of_seconds_cool_nothing(phase: str, unit: str) -> None:
    """57 s of each minute: no minute is whole, and the rms over 10 min is 155 A."""
    duty = np.where(AT % 20 == 19, 92.0, 158.0)
    (text,) = signs(np.where(AT < 800, duty, 60.0), phase, unit)
    assert "100 A for 40 min in all, with pauses: by the rms over 10 min" in text and "up to 155" in text


def test_a_stretch_is_said_as_before() -> None:
    (text,) = signs(np.where(AT < 800, 150.0, 60.0))
    assert "for 40 min in all, from" in text


@pytest.mark.parametrize("current", [
    np.where(AT % 400 < 10, 600.0, 60.0),
    np.where(AT % 20 < 10, 120.0, 40.0),
    np.where(AT % 20 < 8, 150.0, 40.0),
    np.full(AT.size, 92.0),
])
def test_starts_and_loads_within_the_rating_are_no_danger(current: NDArray[np.float64]) -> None:
    """A start of half a minute at six times the current, again and again; a heater on for half the time."""
    assert not signs(current)
