"""Odd recordings: whatever columns come together, vetting says something and never breaks."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict
from pqcheck.vet import vet
from tests.recordings import WEEK, recording, site
from tests.test_vetting_cases import three_phase

COLUMNS = (
    "voltage.an [V]", "voltage.bn [V]", "voltage.cn [V]", "voltage.ab [V]", "voltage.bc [kV]", "voltage.ca [V]",
    "voltage.an.min [V]", "voltage.an.max [V]", "current.a [A]", "current.b [A]", "current.c [A]", "current.n [A]",
    "current.a.max [A]", "frequency [Hz]", "active_power.a [kW]", "active_power.b [W]", "active_power.c [W]",
    "active_power.total [W]", "reactive_power.a [var]", "reactive_power.b [var]", "reactive_power.c [var]",
    "reactive_power.total [var]", "apparent_power.a [VA]", "apparent_power.total [VA]", "power_factor.a [1]",
    "power_factor.total [%]", "voltage_thd.an [%]", "current_thd.a [%]", "voltage_harmonic.an.h1 [V]",
    "voltage_harmonic.an.h3 [%]", "voltage_harmonic.an.h5 [%]", "current_harmonic.a.h3 [A]",
    "current_harmonic.a.h1 [A]", "active_energy_import.total [kWh]", "negative_sequence_unbalance [%]",
    "flicker_plt.an [1]", "flicker_pst.an [1]", "signalling_voltage.an.f317 [%]", "flag [1]",
)
LEVELS = {"voltage": 230.0, "current": 50.0, "frequency": 50.0, "active_power": 9000.0, "reactive_power": 3000.0,
          "apparent_power": 9500.0, "power_factor": 0.9, "voltage_thd": 3.0, "active_energy_import": 1e5}
SUPPLIES: tuple[dict[str, Any], ...] = (
    {"connection": "wye", "nominal_voltage": "400 V"}, {"connection": "delta", "nominal_voltage": "480 V"},
    {"connection": "split-phase", "nominal_voltage": "120/240 V"},
    {"connection": "single-phase", "nominal_voltage": "230 V"},
    {"connection": "high-leg-delta", "nominal_voltage": "240/120 V", "high_leg": "b"},
)


def odd_column(name: str, count: int, rng: np.random.Generator) -> NDArray[Any]:
    """A column that is ordinary, or blank, zero, constant, half blank, coarse, negative, or dead for a while."""
    level = LEVELS.get(name.split(".")[0].split(" ")[0], 2.0) * (1e-3 if "[k" in name else 1.0)
    values = level * (1 + 0.05 * rng.standard_normal(count))
    kind = int(rng.integers(0, 10))
    if kind == 0:
        values[:] = np.nan
    elif kind in (1, 2):
        values[:] = level * (kind - 1)
    elif kind == 3:
        values[rng.random(count) < 0.5] = np.nan
    elif kind == 4:
        values = np.round(values)
    elif kind == 5:
        values = -values
    elif kind == 6:
        values[count // 3 : count // 2] = 0
    return values.astype(np.float32) if rng.integers(0, 4) == 0 else values


def test_no_recording_breaks_vetting(subtests: pytest.Subtests) -> None:
    for seed in range(150):
        with subtests.test(f"seed {seed}"):
            check_vetting_of(seed)


def check_vetting_of(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.choice([1, 2, 3, 7, 40, 145, 500, 1008, 3000]))
    chosen = list(rng.choice(COLUMNS, int(rng.integers(1, len(COLUMNS))), replace=False))
    half = max(1, len(chosen) // int(rng.integers(1, 3)))
    groups = [part for part in (chosen[:half], chosen[half:]) if part]
    tables = [{name: odd_column(name, count, rng) for name in group} for group in groups]
    steps = [float(rng.choice([0.2, 1, 3, 7, 60, 600, 900, 7200, 86400])) for _ in tables]
    place = site(supply=SUPPLIES[seed % len(SUPPLIES)], ratings={"service": "80 A", "neutral": "60 A"},
                 **({"generation": {}} if seed % 2 else {}))
    made = recording(*tables, interval_s=steps, days_per_block=int(rng.integers(1, 9)))
    result = vet(made, place)
    ids = [one.id for one in result.findings]
    assert len(ids) == len(set(ids))
    covered = {(one.quantity, one.phase) for one in result.findings if one.rule == "completeness"}
    assert {(channel.quantity, channel.phase) for _, channel in made.channels()} <= covered
    assert "NaN" not in Findings(result.findings).to_json()
    for one in result.findings:
        if one.reason is not None:
            words = one.reason.text.replace(",", " ").split()
            assert words and "nan" not in words and "None" not in words, one.reason.text
        assert one.verdict in (Verdict.PASS, Verdict.NOT_APPLICABLE) or one.reason is not None


def kinds(table: dict[str, NDArray[Any]]) -> set[tuple[str, str, str]]:
    return {(one.rule, one.channel, one.verdict.value) for one in vet(recording(table), site()).findings}


def test_neither_the_order_nor_the_unit_of_columns_changes_a_verdict() -> None:
    table = three_phase(31, 230.94)
    table["active_power.b [W]"] = -table["active_power.b [W]"]
    table["voltage.cn [V]"][200:300] = table["voltage.cn [V]"][200]
    backwards = dict(reversed(list(table.items())))
    assert kinds(backwards) == kinds(table)
    other = {}
    for name, values in table.items():
        thousands = "[W]" in name or "[V]" in name
        other[name.replace("[W]", "[kW]").replace("[V]", "[kV]")] = values / 1000 if thousands else values
    assert kinds(other) == kinds(table)


def test_the_same_bytes_in_give_the_same_findings() -> None:
    table = three_phase(32, 230.94)
    first, second = (Findings(vet(recording(table), site()).findings).to_json() for _ in range(2))
    assert first == second


def test_active_powers_of_zero_beside_currents_break_nothing() -> None:
    rng = np.random.default_rng(4)
    amperes = 40 + 10 * rng.standard_normal(WEEK)
    columns: dict[str, Any] = {}
    for phase in "abc":
        columns[f"voltage.{phase}n [V]"] = 230 + rng.standard_normal(WEEK)
        columns[f"current.{phase} [A]"] = amperes + rng.standard_normal(WEEK)
        columns[f"active_power.{phase} [W]"] = np.zeros(WEEK)
        columns[f"reactive_power.{phase} [var]"] = 70 * amperes
    result = vet(recording(columns), site())
    assert any(finding.verdict is Verdict.REFUSED for finding in result.findings)
