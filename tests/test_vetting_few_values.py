"""A channel of a few values repeats them by nature: neither clipped nor stuck (docs/method/soundness.md)."""

import numpy as np
import pytest

from pqcheck import check
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict

SITE = {
    "name": "Test bench",
    "time_zone": "UTC",
    "supply": {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"},
}
WEEK = 1008
STAMPS = np.datetime64("2031-03-03T00:00", "us") + np.arange(WEEK) * np.timedelta64(600, "s")


def weekly(values: np.ndarray, **more: np.ndarray) -> Finding:
    found = check({"time": STAMPS, "voltage.an [V]": values} | more, SITE, "en50160-2010-lv", quantities=["voltage"])
    return next(one for one in found.findings if one.rule == "voltage-week-95")


@pytest.mark.parametrize("where", [np.arange(51), np.arange(51) * 17 % WEEK, np.arange(WEEK - 51, WEEK)])
@pytest.mark.parametrize("level", [206.9, 253.1])
def test_two_values(where: np.ndarray, level: float) -> None:
    # Worked vector V2 (derived), its values in any order: 51 of 1008 outside fail.
    values = np.full(WEEK, 230.0)
    values[where] = level
    assert weekly(values).verdict is Verdict.FAIL
    values[where[0]] = 230.0
    assert weekly(values).verdict is Verdict.PASS


def test_a_coarse_voltage_beside_a_current_that_moves() -> None:
    # Whole volts: the voltage stands still for hours while the load changes.
    volts = np.where(np.arange(WEEK) // 60 % 2, 230.0, 231.0)
    amperes = 20 + 5 * np.sin(np.arange(WEEK))
    assert weekly(volts, **{"current.a [A]": amperes}).verdict is Verdict.PASS


def test_a_fine_voltage_that_stands_still_is_still_refused() -> None:
    random = np.random.RandomState(1)
    volts = 230 + 2 * random.standard_normal(WEEK)
    volts[300:500] = volts[300]
    assert weekly(volts, **{"current.a [A]": 20 + random.standard_normal(WEEK)}).verdict is Verdict.REFUSED


def test_a_fine_voltage_that_stops_at_its_highest_value_is_still_clipped() -> None:
    random = np.random.RandomState(2)
    volts = np.minimum(230 + 12 * random.standard_normal(WEEK), 236.0)
    found = weekly(volts)
    assert found.verdict is Verdict.REFUSED and found.reason is not None and found.reason.code == "clipped"
