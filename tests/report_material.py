"""Recordings with known trouble for the report tests, made here and small."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
WEEK = 1008


def week(slots: int = WEEK) -> dict[str, Array]:
    """A quiet 400 V week in 10-minute values with currents; the voltage falls to 205 V on five evenings."""
    random = np.random.RandomState(7)
    slot = np.arange(slots)
    hour = slot % 144 / 6
    evening = (hour >= 18) & (hour < 21) & (slot // 144 % 7 < 5)
    columns: dict[str, Array] = {}
    for number, phase in enumerate("abc"):
        load = 40 + 10 * np.sin(hour / 24 * 2 * np.pi) + 2 * random.randn(slots)
        load += np.where(evening & (number == 2), 200, 0)
        columns[f"voltage.{phase}n [V]"] = np.round(231 - 0.12 * load + 0.2 * random.randn(slots), 2)
        columns[f"current.{phase} [A]"] = np.round(load, 2)
    columns["frequency [Hz]"] = np.round(50 + 0.01 * random.randn(slots), 3)
    return columns


def mended() -> dict[str, Array]:
    """The week after the work: the same loads, and no dip of phase c in the evenings."""
    columns = week()
    noise = 0.2 * np.random.RandomState(9).randn(WEEK)
    columns["voltage.cn [V]"] = np.round(231 - 0.01 * columns["current.c [A]"] + noise, 2)
    return columns


def with_orders(columns: Mapping[str, Array], orders: range = range(2, 26)) -> dict[str, Array]:
    """The same with voltage distortion and single orders; the 11th is high on five mornings."""
    random = np.random.RandomState(8)
    slots = len(next(iter(columns.values())))
    hour = np.arange(slots) % 144 / 6
    morning = (hour >= 7.5) & (hour < 10)
    made: dict[str, Array] = dict(columns)
    for phase in "abc":
        total = np.zeros(slots)
        for order in orders:
            level: float = 1.2 / order * 3 * (order % 2) + 0.03
            values = level * (1 + 0.05 * random.randn(slots)) + 4.5 * (morning & (order == 11))
            made[f"voltage_harmonic.{phase}n.h{order} [%]"] = np.asarray(np.round(values, 3), dtype=float)
            total = total + values**2
        made[f"voltage_thd.{phase}n [%]"] = np.asarray(np.round(np.sqrt(total), 3), dtype=float)
    return made


def csv_text(columns: Mapping[str, Array], start: str = "2031-03-03T00:00", minutes: int = 10) -> str:
    """The columns as a plain table, stamps in UTC."""
    stamps = np.datetime64(start, "m") + np.arange(len(next(iter(columns.values())))) * np.timedelta64(minutes, "m")
    lines = ["time," + ",".join(columns)]
    for row, stamp in enumerate(stamps):
        cells = ("" if np.isnan(values[row]) else repr(float(values[row])) for values in columns.values())
        lines.append(f"{stamp}Z," + ",".join(cells))
    return "\n".join(lines) + "\n"


SITE = """\
name = "Quarry Lane workshop"
time_zone = "Europe/Lisbon"

[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
measured_at = "service"

[recording]
interval = "10 min"

[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage", "voltage_thd", "voltage_harmonic"]

[[reported]]
from = 2031-03-05T18:30:00
to = 2031-03-05T19:30:00
text = "the saw loses power"
"""


def write_job(folder: Path, columns: Mapping[str, Array] | None = None, site: str = SITE) -> tuple[Path, Path]:
    """A recording and its site file in a folder."""
    recording, declared = folder / "recording.csv", folder / "site.toml"
    recording.write_text(csv_text(with_orders(week()) if columns is None else columns), encoding="utf-8")
    declared.write_text(site, encoding="utf-8")
    return recording, declared


def run(*arguments: Any) -> int:
    """The command line in this process."""
    from pqcheck.cli import main

    return main([str(one) for one in arguments])
