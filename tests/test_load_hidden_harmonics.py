"""Currents of which harmonics, or the angle, were not recorded: the bound against sums of sampled waveforms."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck.loads.declared import new_loads
from pqcheck.loads.harmonics import Law
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.site.load_site import site_from
from tests.recordings import recording

WYE = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}
ORDERS = (3, 5, 7, 11)
LED = {3: 70.0, 5: 50.0, 7: 30.0}
"""Percent of the fundamental: THD 91 %."""
TIME = np.arange(256) / 256


def samples(parts: dict[int, float], turns: dict[int, float] | None = None) -> NDArray[np.float64]:
    """One period of a current with these rms values by order, each turned by an angle in radians."""
    turns = turns or {}
    waves = [math.sqrt(2) * rms * np.cos(2 * math.pi * n * TIME - turns.get(n, 0.0)) for n, rms in parts.items()]
    return np.asarray(np.sum(waves, axis=0))


def rms(wave: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.square(wave))))


def spectrum(first: float, percent: dict[int, float]) -> dict[int, float]:
    return {1: first, **{order: first * share / 100 for order, share in percent.items()}}


def bound(table: dict[str, float], load: dict[str, Any], phase: str = "a", law: Law = "arithmetic") -> float:
    """The current of a phase with the load, without a supply impedance."""
    site = site_from({"supply": WYE, "new_load": [{"name": "new", **load}]})
    record = recording({name: np.full(6, value) for name, value in table.items()})
    (stream,) = with_addition(record, site, Added(new_loads(site), None, law)).streams
    block = next(iter(stream.blocks(None)))
    return next(
        float(values[0]) for channel, values in block.values.items() if channel.base_name == f"current.{phase}"
    )


def recorded(parts: dict[int, float], shown: tuple[int, ...], unit: str, *, thd: bool = False) -> dict[str, float]:
    """What a recorder exports of three such currents: rms, the orders `shown`, THD."""
    whole = rms(samples(parts))
    per = {"A": 1.0, "%": parts[1] / 100, "% of rms": whole / 100}[unit]
    table = {}
    for phase in "abc":
        table |= {f"voltage.{phase}n [V]": 230.0, f"current.{phase} [A]": whole}
        table |= {f"current_harmonic.{phase}.h{order} [{unit}]": parts[order] / per for order in shown}
        if thd:
            total = math.sqrt(sum(value**2 for order, value in parts.items() if order > 1))
            table[f"current_thd.{phase} [%]"] = 100 * total / parts[1]
    return table


@pytest.mark.parametrize("shown", [(), (5,), (5, 7)])
@pytest.mark.parametrize("unit", ["A", "%", "% of rms"])
def test_the_same_load_once_more_is_the_sum_of_the_rms(shown: tuple[int, ...], unit: str) -> None:
    """100 A of such drivers and 60 A more of them are 160 A, whatever the recorder exported of the first."""
    there = spectrum(100 / math.sqrt(1 + 0.7**2 + 0.5**2 + 0.3**2), LED)
    assert rms(samples(there)) == pytest.approx(100.0)
    new = {"current": "60 A", "harmonics": {str(order): share for order, share in LED.items()}}
    assert bound(recorded(there, shown, unit), new) == pytest.approx(160.0)
    # A load without harmonics adds as its fundamental does.
    assert bound(recorded(there, (), "A"), {"current": "60 A"}) == pytest.approx(160.0)


parts = st.fixed_dictionaries({1: st.floats(5, 100), **{order: st.floats(0, 80) for order in ORDERS}})
shares = st.fixed_dictionaries({order: st.floats(0, 90) for order in ORDERS})
angles = st.fixed_dictionaries({order: st.floats(0, 2 * math.pi) for order in (1, *ORDERS)})


@given(
    there=parts, new=shares, first=st.floats(1, 100), turns=angles, unit=st.sampled_from(["A", "%", "% of rms"]),
    shown=st.sets(st.sampled_from(ORDERS)), thd=st.booleans(),
)  # fmt: skip
def test_no_waveform_exceeds_the_bound(
    there: dict[int, float], new: dict[int, float], first: float, turns: dict[int, float], unit: str,
    shown: set[int], thd: bool,
) -> None:  # fmt: skip
    """Any two waveforms, sampled and summed, at any angles of their orders."""
    own = spectrum(first, new)
    load = {"current": f"{rms(samples(own)):.9f} A", "harmonics": {str(order): share for order, share in new.items()}}
    at_most = bound(recorded(there, tuple(shown), unit, thd=thd), load)
    for turned in (turns, {}):
        assert rms(samples(there, turned) + samples(own)) <= at_most * (1 + 1e-6)


def test_the_bound_is_reached() -> None:
    """THD and one order known: the rest may be the order that was not recorded, and no more."""
    there, own = {1: 80.0, 5: 30.0, 11: 40.0}, {1: 50.0, 5: 10.0, 11: 20.0}
    load = {"current": f"{rms(samples(own)):.9f} A", "harmonics": {"5": 20, "11": 40}}
    at_most = bound(recorded(there, (5,), "A", thd=True), load)
    assert at_most == pytest.approx(rms(samples(there) + samples(own)), rel=1e-6)


@pytest.mark.parametrize("factors", [(1.0, 0.5, 1.0), (0.7, 0.9, 0.5)])
def test_the_angle_of_the_total_is_none_of_a_phase(factors: tuple[float, float, float]) -> None:
    """Phases of unlike power factors, of which only the total P and Q were recorded: phasors of phase b."""
    lags = np.arccos(factors)
    table = {f"current.{phase} [A]": 100.0 for phase in "abc"} | {f"voltage.{phase}n [V]": 230.0 for phase in "abc"}
    table["active_power.total [W]"] = float(230 * 100 * np.sum(np.cos(lags)))
    table["reactive_power.total [var]"] = float(230 * 100 * np.sum(np.sin(lags)))
    load = {"current": "60 A", "phases": ["b"], "power_factor": factors[1]}
    truth = abs(100 * np.exp(-1j * lags[1]) + 60 * np.exp(-1j * lags[1]))
    assert bound(table, load, "b") == pytest.approx(truth)
    assert bound(table, load, "b", "summation") < truth


def test_a_reactive_power_that_holds_distortion_turns_no_current() -> None:
    """Fundamental at unity, THD 60 %; a meter whose kvar are sqrt(S^2 - P^2), and a heater of 60 A beside it."""
    there = {1: 100 / math.sqrt(1.36), 5: 60 / math.sqrt(1.36)}
    table = recorded(there, (5,), "A")
    for phase in "abc":
        table[f"active_power.{phase} [W]"] = 230 * there[1]
        table[f"reactive_power.{phase} [var]"] = math.sqrt((230 * 100) ** 2 - (230 * there[1]) ** 2)
    truth = rms(samples(there) + samples({1: 60.0}))
    assert bound(table, {"current": "60 A", "power_factor": 1}) == pytest.approx(truth)


@pytest.mark.parametrize("law", ["summation", "arithmetic"])
@pytest.mark.parametrize("lost", ["orders", "thd"])
def test_intervals_without_orders_are_taken_by_their_rms(lost: str, law: Law) -> None:
    """A recorder that loses the harmonics at high load: no such interval may drop out of the prediction."""
    there = spectrum(80.0, {5: 50.0, 7: 30.0})
    table = recorded(there, (5, 7) if lost == "orders" else (), "%", thd=lost == "thd")
    table |= {name: math.nan for name in table if "harmonic" in name or "thd" in name}
    new = {"current": "60 A", "harmonics": {"5": 50, "7": 30}}
    truth = rms(samples(there)) + 60
    found = bound(table, new, law=law)
    assert found == pytest.approx(truth) if law == "arithmetic" else 0.9 * truth < found < truth


@pytest.mark.parametrize("place", ["total", "phases"])
def test_the_apparent_power_of_a_new_load_has_its_harmonics(place: str) -> None:
    """A record of apparent power alone: 60 A rms of a distorted load are 3 x 230 V x 60 A more, 41.4 kVA."""
    new = {"current": "60 A", "power_factor": 0.95, "harmonics": {str(order): share for order, share in LED.items()}}
    site = site_from({"supply": WYE, "new_load": [{"name": "new", **new}]})
    names = ["total"] if place == "total" else list("abc")
    record = recording({f"apparent_power.{name} [VA]": np.full(6, 90_000.0 / len(names)) for name in names})
    (stream,) = with_addition(record, site, Added(new_loads(site), None, "arithmetic")).streams
    block = next(iter(stream.blocks(None)))
    whole = sum(float(values[0]) for values in block.values.values())
    assert whole == pytest.approx(90_000 + 3 * 230 * 60)


@pytest.mark.parametrize("law", ["summation", "arithmetic"])
def test_intervals_without_powers_have_no_angle(law: Law) -> None:
    """Power columns that end at high load: the current is there, and the new one is in phase with it."""
    table = recorded({1: 100.0}, (), "A")
    table |= {f"active_power.{phase} [W]": math.nan for phase in "abc"}
    table |= {f"reactive_power.{phase} [var]": 5000.0 for phase in "abc"}
    assert bound(table, {"current": "60 A", "power_factor": 1}, law=law) == pytest.approx(160.0)
