#!/usr/bin/env python3
"""A simulated fleet: sites under transformers and feeders, planted causes and faults, and the registry that names them.

    make_fleet.py FOLDER [--sites 2000] [--channels 60] [--seed 1]

Every site has a week of 10-minute values (wye, 400 V), as CSV. Ten sites share a transformer, ten transformers a
feeder. Planted: a feeder that is low at all its sites, a transformer that is high at all of its own, single sites that
are low alone, sites whose legs move apart. One site in twenty has a faulty file or row. ``planted.json`` lists all of
it by site; the registry is ``registry.csv``.
"""

from __future__ import annotations

import argparse
import csv
import json
from pathlib import Path
from typing import Any

import numpy as np

START = np.datetime64("2031-03-03T00:00:00")
ROWS = 1008
PER_TRANSFORMER = 10
TRANSFORMERS_PER_FEEDER = 10
FACTS = {
    "nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service",
    "time_zone": "UTC", "limits": "en50160-2010-lv",
}  # fmt: skip
FAULTS = ("truncated", "empty", "wrong-nominal", "copied", "binary", "missing", "row-twice", "row-lies")


def headers(channels: int) -> list[str]:
    """Voltages first, then currents, distortions and orders, as many as asked for."""
    names = [f"voltage.{phase}n [V]" for phase in "abc"] + [f"current.{phase} [A]" for phase in "abc"]
    names += [f"voltage_thd.{phase}n [%]" for phase in "abc"]
    names += [f"voltage_harmonic.{phase}n.h{order} [%]" for order in range(2, 50) for phase in "abc"]
    return names[:channels]


def week(rng: np.random.Generator, names: list[str], volts: tuple[float, float, float]) -> np.ndarray:
    """Values by row and channel: a daily course that all phases share, and noise of each channel's own."""
    day = np.sin(np.arange(ROWS) / 144 * 2 * np.pi)
    values = np.empty((ROWS, len(names)))
    for place, name in enumerate(names):
        noise = rng.standard_normal(ROWS)
        if name.startswith("voltage."):
            values[:, place] = volts["abc".index(name[8])] - 1.5 * day + 0.6 * noise
        elif name.startswith("current."):
            values[:, place] = 60 + 25 * day + 4 * noise
        else:
            values[:, place] = np.abs((2.0 if "thd" in name else 0.15) * (1 + 0.1 * noise))
    return values


def text_of(names: list[str], values: np.ndarray) -> str:
    """A plain table."""
    stamps = START + np.arange(ROWS) * np.timedelta64(600, "s")
    lines = ["time," + ",".join(names)]
    lines += [f"{at}Z," + ",".join(f"{value:.3f}" for value in row) for at, row in zip(stamps, values, strict=True)]
    return "\n".join(lines) + "\n"


def cause_of(number: int) -> tuple[str, tuple[float, float, float]]:
    """What is planted at a site, and its phase voltages."""
    transformer, place = divmod(number, PER_TRANSFORMER)
    if transformer // TRANSFORMERS_PER_FEEDER == 1:
        return "low feeder", (205.0, 205.4, 205.2)
    if transformer % 37 == 3:
        return "high transformer", (256.0, 255.6, 255.8)
    if transformer % 5 == 4 and place == 0:
        return "alone", (205.0, 229.5, 230.1)
    if transformer % 17 == 8 and place == 1:
        return "legs apart", (256.5, 205.5, 231.0)
    return "", (230.0, 229.4, 230.6)


def make(folder: Path, sites: int, channels: int, seed: int) -> dict[str, dict[str, str]]:
    """Write recordings, registry and what was planted; returns the latter by site."""
    data = folder / "data"
    data.mkdir(parents=True, exist_ok=True)
    names = headers(channels)
    rows: list[dict[str, str]] = []
    planted: dict[str, dict[str, str]] = {}
    for number in range(sites):
        rng = np.random.default_rng((seed, number))
        transformer = number // PER_TRANSFORMER
        site = f"M-{number:05d}"
        cause, volts = cause_of(number)
        fault = FAULTS[number // 20 % len(FAULTS)] if number % 20 == 7 else ""
        row = {
            "site": site, "recording": f"data/{site}.csv", **FACTS, "transformer": f"T-{transformer:04d}",
            "feeder": f"F-{transformer // TRANSFORMERS_PER_FEEDER:03d}",
        }  # fmt: skip
        text = text_of(names, week(rng, names, volts))
        path = data / f"{site}.csv"
        if fault == "missing":
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(_damaged(fault, text, data / f"M-{number - 1:05d}.csv"))
        rows += _lying(fault, row)
        planted[site] = {"cause": cause, "fault": fault}
    with (folder / "registry.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (folder / "planted.json").write_text(json.dumps(planted, indent=0) + "\n", encoding="utf-8")
    return planted


def _damaged(fault: str, text: str, neighbour: Path) -> bytes:
    data: dict[str, Any] = {
        "truncated": text.encode()[: len(text) // 3], "empty": b"", "binary": bytes(range(256)) * 40,
    }  # fmt: skip
    return neighbour.read_bytes() if fault == "copied" else data.get(fault, text.encode())


def _lying(fault: str, row: dict[str, str]) -> list[dict[str, str]]:
    if fault == "wrong-nominal":
        return [{**row, "nominal_voltage": "690 V"}]
    if fault == "row-twice":
        return [row, {**row, "connection": "delta"}]
    return [{**row, "connection": "star"}] if fault == "row-lies" else [row]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sites", type=int, default=2000)
    parser.add_argument("--channels", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    made = make(arguments.folder, arguments.sites, arguments.channels, arguments.seed)
    print(f"{len(made)} sites, {sum(bool(each['fault']) for each in made.values())} with a fault")
