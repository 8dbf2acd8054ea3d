"""A complaint with known causes, made by arithmetic, and the truth beside it: hours, phases, what causes what.

Fourteen days of a farm on 400/230 V, ten-minute values with 200 ms extremes. A regulator upstream stands one step high
on eight evenings; the milking pump starts twice a day and pulls the voltage down for a moment; on two days the
neutral is loose. The place is invented.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np

START = "2031-03-03T00:00"
DAYS = 14
STEPS_A_DAY = 144
EVENINGS = tuple(range(2, 10))
"""Days (counted from 0) on which the regulator stands one step high from 17:30 to 22:30."""
EVENING = (17.5, 22.5)
EVENING_HOURS = 8 * 5.0
STEP = 6.9
"""Volts of a regulator step: 2.8 % of 247 V."""
LOOSE = (11, 12)
"""Days on which the neutral is loose from 06:00 to 23:00: phase a up, phase c down."""
LOOSE_CLOCK = (6.0, 23.0)
LOOSE_HOURS = 2 * 17.0
OUTSIDE_HOURS = EVENING_HOURS + LOOSE_HOURS
"""Hours in which any phase to neutral lies outside 207 to 253 V: 74."""
MILKING = (5 + 50 / 60, 16 + 20 / 60)
"""Clock times at which the pump starts, every day: within the ten minutes from 05:50 and from 16:20."""
DIP_TO = 205.0
"""Lowest 200 ms value of phase b at a start of the pump; its ten-minute mean stays where it was."""
NEUTRAL_MOVES = 25 * np.exp(1j * np.radians(150))
"""Volts by which the star point is displaced while the neutral is loose: phase a near 269 V, phase c near 226 V."""

SITE = """\
name = "Alder Farm, dairy supply"
time_zone = "Etc/UTC"

[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
measured_at = "service"

[recording]
stamp = "start"
interval = "10 min"
extremes_of = "200 ms"

[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]

[[reported]]
from = 2031-03-04T05:45:00
to = 2031-03-04T06:05:00
text = "The lamps in the parlour dip when milking starts"

[[reported]]
from = 2031-03-06T18:00:00
to = 2031-03-06T22:00:00
text = "Lamps are glaring in the evening"
"""


def table(*, lines: bool = True) -> dict[str, np.ndarray]:
    """The columns; with `lines` those between lines too."""
    random = np.random.RandomState(20310303)
    count = DAYS * STEPS_A_DAY
    slot = np.arange(count)
    day, hour = slot // STEPS_A_DAY, (slot % STEPS_A_DAY) / 6
    upstream = 247.2 + 0.4 * np.sin(2 * np.pi * hour / 24) + 0.12 * random.randn(count)
    high = np.isin(day, EVENINGS) & (hour >= EVENING[0]) & (hour < EVENING[1])
    upstream[high] = 247.3 + STEP + 0.12 * random.randn(count)[high]
    loose = np.isin(day, LOOSE) & (hour >= LOOSE_CLOCK[0]) & (hour < LOOSE_CLOCK[1])
    starts = np.isin(slot % STEPS_A_DAY, [round(clock * 6) for clock in MILKING])
    volts = {phase: upstream + 0.05 * random.randn(count) for phase in "abc"}
    moved = NEUTRAL_MOVES * (1 + 0.02 * random.randn(count))
    for phase, angle in zip("abc", (0, -120, 120), strict=True):
        volts[phase] = np.where(loose, np.abs(volts[phase] * np.exp(1j * np.radians(angle)) - moved), volts[phase])
    amperes = {phase: 14 + 6 * random.rand(count) for phase in "abc"}
    made: dict[str, np.ndarray] = {}
    for phase, values in volts.items():
        low = values - 0.6 - 0.2 * random.rand(count)
        if phase == "b":
            low[starts] = DIP_TO + 0.3 * random.rand(count)[starts]
        made[f"voltage.{phase}n [V]"] = values
        made[f"voltage.{phase}n.min [V]"] = low
        made[f"voltage.{phase}n.max [V]"] = values + 0.6 + 0.2 * random.rand(count)
    if lines:
        for name in ("ab", "bc", "ca"):
            # The neutral moves, the lines stay where the network holds them.
            made[f"voltage.{name} [V]"] = np.sqrt(3) * upstream * (1 + 0.0004 * random.randn(count))
    for phase, values in amperes.items():
        made[f"current.{phase} [A]"] = values
        top = values + 2 + random.rand(count)
        if phase == "b":
            top[starts] = 118 + 4 * random.rand(count)[starts]
        made[f"current.{phase}.max [A]"] = top
    return made


def evening_dates() -> list[date]:
    """The eight days of the regulator."""
    return [date(2031, 3, 3) + timedelta(days=day) for day in EVENINGS]


def write(folder: Path, *, lines: bool = True) -> tuple[Path, Path]:
    """Write recording and site file; returns their paths."""
    columns = table(lines=lines)
    stamps = np.datetime64(START, "m") + np.arange(DAYS * STEPS_A_DAY) * np.timedelta64(10, "m")
    rows = zip(stamps, *columns.values(), strict=True)
    text = ["time," + ",".join(columns)]
    text += [f"{stamp}Z," + ",".join(f"{value:.2f}" for value in values) for stamp, *values in rows]
    recording, site = folder / "farm.csv", folder / "site.toml"
    recording.write_text("\n".join(text) + "\n", encoding="utf-8")
    site.write_text(SITE, encoding="utf-8")
    return recording, site
