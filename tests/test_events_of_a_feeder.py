"""Trend and event list of a simulated feeder whose dips are known: what the two show together.

Source behind an impedance, a motor that starts, faults and a recloser, as phasors in half cycles. What a recorder shows
is made of the same voltages: means over 10 min, minima and maxima over 200 ms, and events by the thresholds of
IEC 61000-4-30 (90 and 110 %, hysteresis 2 %). Nothing here comes from the package but `check`.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck import check

HALF_CYCLE_S, HOURS, NOMINAL = 0.01, 12, 230.0
STEPS = round(HOURS * 3600 / HALF_CYCLE_S)
START = np.datetime64("2031-03-03T00:00:00", "us")
SOURCE = 0.015 + 0.03j
"""Per unit of the feeder."""
SITE: dict[str, Any] = {
    "name": "Feeder", "time_zone": "UTC", "recording": {"extremes_of": "200 ms"},
    "supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service"},
    "events": {"complete": True, "from": "2031-03-03T00:00:00+00:00", "to": "2031-03-03T12:00:00+00:00"},
}  # fmt: skip
Row = tuple[str, float, float, float]
"""Phase, start in seconds, duration in seconds, residual in percent."""


def behind(impedance: complex, admittance: NDArray[Any] | complex) -> NDArray[np.float64]:
    """The voltage at a load behind an impedance, as a share of the source's."""
    return np.abs(1 / (1 + impedance * np.asarray(admittance)))


@cache
def feeder(story: str) -> NDArray[np.float64]:
    """Voltages of three phases, one row each, per unit; "motor" starts a motor, "fault" also lets the recloser act."""
    rng = np.random.default_rng(5)
    time_s = np.arange(STEPS) * HALF_CYCLE_S
    load = (0.6 + 0.2 * np.sin(time_s / 7000)) * (1 - 0.4j) + rng.normal(0, 0.01, STEPS)
    voltage = np.tile(1.03 * behind(SOURCE, load), (3, 1))
    # Locked rotor: five times the rated current at a power factor of 0.3, for 4 s, then running up in 2 s.
    start = round(3 * 3600 / HALF_CYCLE_S)
    run_up = np.interp(np.arange(600) * HALF_CYCLE_S, [0, 4, 6], [1, 1, 0])
    voltage[:, start : start + 600] = 1.03 * behind(SOURCE, load[start : start + 600] + 5 * (0.3 - 0.95j) * run_up)
    if story == "fault":
        # A fault of phase a, cleared in 120 ms; later one of all phases, and the recloser stays open for 0.6 s.
        first, second = round(5.2 * 3600 / HALF_CYCLE_S), round(8.4 * 3600 / HALF_CYCLE_S)
        voltage[0, first : first + 12] = 1.03 * behind(SOURCE, 1 / (0.02 + 0.02j))
        voltage[:, second : second + 60] = 0.0
    return voltage


def events(voltage: NDArray[np.float64]) -> Iterator[Row]:
    """What a recorder lists, phase by phase: below 90 % until above 92 %."""
    for phase, values in zip(("an", "bn", "cn"), voltage, strict=True):
        at = 0
        below, above = np.flatnonzero(values < 0.9), values >= 0.92
        while (at := int(np.searchsorted(below, at))) < below.size:
            first = int(below[at])
            last = first + int(np.argmax(above[first:]))
            yield phase, first * HALF_CYCLE_S, (last - first) * HALF_CYCLE_S, 100 * float(values[first:last].min())
            at = last


def listed(rows: list[Row], shift_s: float = 0) -> str:
    lines = ["time,phase,kind,duration [s],residual [%]"]
    for phase, start_s, duration_s, residual in rows:
        stamp = START + np.timedelta64(round((start_s + shift_s) * 1e6), "us")
        kind = "interruption" if residual < 5 else "dip"
        lines.append(f"{stamp}Z,{phase},{kind},{duration_s:.2f},{residual:.1f}")
    return "\n".join(lines) + "\n"


def trend(voltage: NDArray[np.float64]) -> str:
    volts = NOMINAL * voltage.reshape(3, HOURS * 6, -1)
    means = np.sqrt((volts**2).mean(axis=2))
    windows = np.sqrt((volts.reshape(3, HOURS * 6, -1, 20) ** 2).mean(axis=3))
    columns = {
        f"voltage.{phase}{reading} [V]": values[at]
        for reading, values in (("", means), (".min", windows.min(axis=2)), (".max", windows.max(axis=2)))
        for at, phase in enumerate(("an", "bn", "cn"))
    }
    rows = [",".join(["time", *columns])]
    for at in range(HOURS * 6):
        stamp = START + np.timedelta64(at * 600, "s")
        rows.append(",".join([f"{stamp}Z", *(f"{values[at]:.2f}" for values in columns.values())]))
    return "\n".join(rows) + "\n"


def judged(folder: Path, story: str, rows: list[Row], shift_s: float = 0) -> tuple[str, bool | None, str]:
    """Verdict, proof and reason of the ITI curve."""
    (folder / "trend.csv").write_text(trend(feeder(story)), encoding="utf-8")
    (folder / "events.csv").write_text(listed(rows, shift_s), encoding="utf-8")
    answer = check([folder / "trend.csv", folder / "events.csv"], SITE, ["iti-2000"])
    finding = next(each for each in answer.findings if each.rule == "iti-curve")
    return finding.verdict.value, finding.proven, finding.reason.text if finding.reason is not None else ""


def test_the_motor_start_is_where_the_curve_allows_it(tmp_path: Path) -> None:
    """A dip to 84 % for 5 s: the curve asks for 80 % up to 10 s (ITI, 2000)."""
    rows = list(events(feeder("motor")))
    assert [row[0] for row in rows] == ["an", "bn", "cn"]
    assert all(81 < row[3] < 88 and 4 < row[2] < 6 for row in rows)
    assert judged(tmp_path, "motor", rows) == ("pass", True, "")


def test_the_fault_and_the_recloser_are_not(tmp_path: Path) -> None:
    rows = list(events(feeder("fault")))
    assert len(rows) == 7 and min(row[3] for row in rows) == 0
    verdict, proven, why = judged(tmp_path, "fault", rows)
    assert (verdict, proven, why) == ("fail", True, "")


@pytest.mark.parametrize("phase", ["an", "bn", "cn", "all"])
def test_a_list_without_the_known_dip_never_passes(tmp_path: Path, phase: str) -> None:
    rows = [row for row in events(feeder("motor")) if phase not in (row[0], "all")]
    verdict, proven, why = judged(tmp_path, "motor", rows)
    assert (verdict, bool(proven)) == ("inconclusive", False) and "the list is not complete" in why


def test_the_list_of_the_quiet_feeder_is_none_of_the_other(tmp_path: Path) -> None:
    assert judged(tmp_path, "fault", list(events(feeder("motor"))))[0] == "inconclusive"


def test_a_clock_an_hour_late_is_seen_in_the_trend(tmp_path: Path) -> None:
    rows = list(events(feeder("fault")))
    verdict, proven, why = judged(tmp_path, "fault", rows, 3600)
    assert (verdict, proven) == ("fail", True)
    assert "The trend shows normal voltage" in why and "interruption of 600 ms at 2031-03-03T09:24:00" in why
    assert judged(tmp_path, "motor", list(events(feeder("motor"))), 3600)[0] == "inconclusive"
