"""Reactive power of either kind: of the fundamental, or the rest of the apparent power, distortion in it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.loads.waveform import Readings, lag_of
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from tests.test_load_capacity import COUNT, prediction, study

SUPPLY = {"nominal_voltage": "480Y/277 V", "connection": "wye", "frequency": "60 Hz"}


def drives(whole: bool, lag: float = 0.0) -> dict[str, Any]:
    """100 A with 50 % of order 5 and 33 % of order 7; reactive power as sqrt(S^2 - P^2), or of the fundamental."""
    table = {}
    for seed, phase in enumerate("abc"):
        rng = np.random.default_rng(seed)
        amperes = 100 * (0.8 + 0.2 * np.sin(np.arange(COUNT) * 2 * np.pi / 144)) + rng.normal(0, 0.05, COUNT)
        volts, first = 277 + rng.normal(0, 0.1, COUNT), amperes / np.sqrt(1 + 0.5**2 + 0.33**2)
        active, reactive = volts * first * np.cos(lag), volts * first * np.sin(lag)
        table |= {
            f"voltage.{phase}n [V]": volts, f"current.{phase} [A]": amperes, f"active_power.{phase} [W]": active,
            f"reactive_power.{phase} [var]": np.sqrt((volts * amperes) ** 2 - active**2) if whole else reactive,
            f"current_harmonic.{phase}.h5 [A]": 0.5 * first, f"current_harmonic.{phase}.h7 [A]": 0.33 * first,
        }
    return table


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("lag", [0.0, 0.5])
def test_distortion_in_the_reactive_power_is_no_angle(whole: bool, lag: float) -> None:
    """85.8 A of fundamental and 60 A of a heater, beside 51.4 A of orders: by phasors whichever reactive power is
    recorded."""
    first = 100.3 / np.sqrt(1 + 0.5**2 + 0.33**2)
    truth = np.hypot(abs(first * np.exp(-1j * lag) + 60), first * np.hypot(0.5, 0.33))
    heater = {"name": "heater", "current": "60 A", "power_factor": 1.0, "spectrum": "linear"}
    for rating, verdict in ((truth - 2, Verdict.FAIL), (truth + 6, Verdict.PASS)):
        found = study(
            drives(whole, lag), supply=SUPPLY, ratings={"service": f"{rating:.1f} A"}, new_load=[heater]
        )
        one = prediction(found, "service", "current.a+new-load")
        assert one.statistic is not None and one.statistic.value == pytest.approx(truth, rel=0.004)
        assert one.verdict is verdict or (whole and lag and one.verdict is Verdict.INCONCLUSIVE)


@settings(max_examples=200, deadline=None)
@given(
    volts=st.floats(100, 300), first=st.floats(1, 500), lag=st.floats(-1.5, 1.5), thd=st.floats(0.2, 1.5),
    of_fundamental=st.booleans(),
)  # fmt: skip
def test_the_angle_of_the_fundamental_from_either_kind(
    volts: float, first: float, lag: float, thd: float, of_fundamental: bool
) -> None:
    active, reactive = volts * first * np.cos(lag), volts * first * np.sin(lag)
    if not of_fundamental:
        reactive = np.copysign(np.hypot(reactive, volts * first * thd), lag)
    arrays = {
        Channel("active_power", "a", None, None, "mean", "W"): np.array([active]),
        Channel("reactive_power", "a", None, None, "mean", "var"): np.array([reactive]),
    }
    got = lag_of(Readings(arrays), "a", np.array([volts]), np.array([first]))
    assert got is not None and got[0] == pytest.approx(lag, abs=1e-6)
