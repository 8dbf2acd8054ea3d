"""Readings that are missing beside a current that was recorded: the interval stays in the prediction, at its worst."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck.cli import main
from pqcheck.loads.declared import new_loads
from pqcheck.loads.superpose import Added, with_addition
from pqcheck.loads.supply_impedance import source_of
from pqcheck.site.load_site import site_from
from tests.recordings import recording

SITE = """\
name = "Pump House"
time_zone = "UTC"
[supply]
nominal_voltage = "480Y/277 V"
connection = "wye"
frequency = "60 Hz"
[limits]
apply = ["ansi-c84.1-2020"]
[load_study]
demand_interval = "10 min"
[source_impedance]
resistance = "0.005 ohm"
reactance = "0.015 ohm"
neutral_resistance = "0 ohm"
neutral_reactance = "0 ohm"
"""
COUNT = 288
PEAK = slice(150, 156)
LAG = math.acos(0.95)


def columns(side: tuple[str, ...]) -> dict[str, list[float | None]]:
    """Two days of 90 A with one hour of 150 A, in which the columns that `side` names are empty."""
    table: dict[str, NDArray[np.float64]] = {}
    for wobble, phase in zip((7, 5, 6), "abc", strict=True):
        amperes = 90 + 0.01 * (np.arange(COUNT) * wobble % 13)
        amperes[PEAK] = 150 + 0.01 * wobble
        table[f"voltage.{phase}n [V]"] = 277 + 0.01 * (np.arange(COUNT) * wobble % 11)
        table[f"current.{phase} [A]"] = amperes
        table[f"active_power.{phase} [kW]"] = 0.277 * amperes * math.cos(LAG)
        table[f"reactive_power.{phase} [kvar]"] = 0.277 * amperes * math.sin(LAG)
        table[f"current_thd.{phase} [%]"] = np.full(COUNT, 10.0) + 0.01 * (np.arange(COUNT) * 3 % 7)
        table[f"current_harmonic.{phase}.h5 [A]"] = 0.08 * amperes
    made = {name: [float(value) for value in values] for name, values in table.items()}
    for name, values in made.items():
        if name.startswith(side):
            values[PEAK] = [None] * 6  # type: ignore[list-item]
    return {name: list(values) for name, values in made.items()}


def studied(folder: Path, side: tuple[str, ...], more: str, drop: tuple[str, ...] = ()) -> tuple[int, list[Any]]:
    table = {name: values for name, values in columns(side).items() if not drop or not name.startswith(drop)}
    rows = [",".join(["time", *table])]
    for at, cells in enumerate(zip(*table.values(), strict=True)):
        stamp = f"2031-03-{3 + at // 144:02}T{at // 6 % 24:02}:{at % 6}0:00Z"
        rows.append(",".join([stamp, *("" if cell is None else f"{cell:.4f}" for cell in cells)]))
    (folder / "days.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "site.toml").write_text(SITE + more, encoding="utf-8")
    out = folder / "findings.json"
    status = main(["load", str(folder / "days.csv"), "--site", str(folder / "site.toml"), "--json", str(out)])
    return status, json.loads(out.read_text(encoding="utf-8"))["findings"]


MOTOR = '[[new_load]]\nname = "motor"\ncurrent = "40 A"\npower_factor = 0.95\nspectrum = "linear"\n'
RATED = '[ratings]\nservice = "182 A"\ntransformer = "150 kVA"\n'


@pytest.mark.parametrize("side", [
    (), ("reactive_power",), ("active_power", "reactive_power"), ("current_thd",), ("current_harmonic",),
    ("current_thd", "current_harmonic"), ("active_power", "current_thd"),
])  # fmt: skip
def test_the_highest_load_stays_in_the_prediction(tmp_path: Path, side: tuple[str, ...]) -> None:
    """150 A and 40 A of the same angle are 190 A; with what tells angle or harmonics missing they are no less."""
    status, findings = studied(tmp_path, side, RATED + MOTOR)
    assert status == 1
    rated = [each for each in findings if each["table"] == "ratings"]
    assert not [each for each in rated if each["verdict"] == "pass"]
    assert all(each["statistic"]["value"] >= 189.8 for each in rated if each["rule"] == "service")


SIDES = ("active_power", "reactive_power", "current_thd", "h5", "h7")
WYE = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}


@given(
    amperes=st.lists(st.floats(5, 200), min_size=4, max_size=4), lag=st.floats(0, 1.5), fifth=st.floats(0, 60),
    seventh=st.floats(0, 40), factor=st.floats(0.3, 1), new=st.floats(1, 100), share=st.floats(0, 70),
    recorded=st.sets(st.sampled_from(SIDES)), unit=st.sampled_from(["A", "%"]), supplied=st.booleans(),
    lost=st.sets(st.tuples(st.sampled_from(SIDES), st.integers(0, 3), st.sampled_from("abc"))),
)  # fmt: skip
def test_removed_readings_never_lower_the_bound(
    amperes: list[float], lag: float, fifth: float, seventh: float, factor: float, new: float, share: float,
    recorded: set[str], unit: str, supplied: bool, lost: set[tuple[str, int, str]],
) -> None:  # fmt: skip
    """Of any side channel, in any interval; and no bound is below the reading that it grew from."""
    per = 1 + (fifth / 100) ** 2 + (seventh / 100) ** 2
    whole = np.array(amperes)
    first = whole / math.sqrt(per)
    table: dict[str, NDArray[np.float64]] = {}
    for phase in "abc":
        table |= {f"voltage.{phase}n [V]": np.full(4, 230.0), f"current.{phase} [A]": whole}
        side = {
            "active_power": (f"active_power.{phase} [W]", 230 * first * math.cos(lag)),
            "reactive_power": (f"reactive_power.{phase} [var]", 230 * first * math.sin(lag)),
            "current_thd": (f"current_thd.{phase} [%]", np.full(4, 100 * math.sqrt(per - 1))),
            "h5": (f"current_harmonic.{phase}.h5 [{unit}]", fifth * (first / 100 if unit == "A" else np.ones(4))),
            "h7": (f"current_harmonic.{phase}.h7 [{unit}]", seventh * (first / 100 if unit == "A" else np.ones(4))),
        }
        table |= {name: values for key, (name, values) in side.items() if key in recorded}
    gapped = {name: values.copy() for name, values in table.items()}
    for key, row, phase in lost:
        for name, values in gapped.items():
            if name.startswith(f"{key}.{phase}") or f".{phase}.{key} " in name:
                values[row] = np.nan
    load = {"name": "new", "current": f"{new} A", "power_factor": factor, "harmonics": {"5": share, "11": share / 2}}
    impedance = {"source_impedance": {"resistance": "0.02 ohm", "reactance": "0.05 ohm"}} if supplied else {}
    site = site_from({"supply": WYE, "new_load": [load], **impedance})

    def bound(readings: dict[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
        record = recording(readings)
        added = Added(new_loads(site), source_of(site, record), "arithmetic")
        (block,) = next(iter(with_addition(record, site, added).streams)).blocks(None)
        return {channel.base_name: values for channel, values in block.values.items() if channel.quantity == "current"}

    full, less = bound(table), bound(gapped)
    for name, values in less.items():
        assert np.all(values >= full[name] * (1 - 1e-4))
        assert np.all(values >= whole)
