"""What judging keeps of a long recording does not depend on where its days begin; compared with plain sorting."""

from __future__ import annotations

import re

import numpy as np
import pytest

from pqcheck.judge.judge_recording import judge
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import load_table
from tests.recordings import judged, one, recording, site, us

START = "2031-03-03T00:00:00+00:00"


@pytest.mark.parametrize("days_per_block", [1, 3, 14])
def test_the_lightest_load_of_two_weeks_is_the_earliest_of_equals(days_per_block: int) -> None:
    source = np.random.default_rng(4)
    load = source.integers(20, 60, 14 * 144).astype(float)
    load[[100, 145, 900, 1500]] = 3.0
    load[[7, 1600]] = 2.0
    load[900] = np.nan
    voltage = np.full(load.size, 472.0)
    voltage[145] = np.nan
    lines = {"voltage.ab [V]": np.full(load.size, 480.0), "voltage.bc [V]": np.full(load.size, 476.0),
             "voltage.ca [V]": voltage}
    currents = {f"current.{phase} [A]": load for phase in "abc"}
    place = site(supply={"nominal_voltage": "480 V", "connection": "delta", "frequency": "60 Hz"})
    made = recording(lines | currents, days_per_block=days_per_block)
    found = [each for each in judged(made, place, "ansi-c84.1-2020") if each.rule == "unbalance" and each.reason]
    # Slots 7 and 1600 carry 6 A together, then 100 and 1500 carry 9 A; 145 and 900 are not observed in every channel.
    wanted = [str(np.datetime64("2031-03-03T00:00") + np.timedelta64(10 * slot, "m")) for slot in (7, 1600, 100)]
    for each in found:
        assert each.reason is not None
        assert re.findall(r"at (\S+):00\+00:00 \((\S+) A in all", each.reason.text) == list(
            zip(wanted, ("6", "6", "9"), strict=True)
        )
    assert found


def test_interruptions_of_a_hundred_days_are_left_out_of_every_day() -> None:
    volts = np.full(100 * 144, 230.0)
    for day in range(100):
        # Two a day; every tenth goes on over midnight.
        volts[day * 144 + 20 : day * 144 + 23] = 0.5
        if day % 10 == 9:
            volts[day * 144 + 140 : day * 144 + 149] = 0.5
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"})
    made = recording({"voltage.an [V]": volts})
    tasks, settled = resolve([load_table("en50160-2010-lv")], made, place, ())
    found = judge(tasks, settled, made, place)
    dark = np.flatnonzero(np.diff(np.concatenate(([False], volts < 11.5, [False])).astype(int)))
    spans = [(us(START) + int(a) * 600_000_000, us(START) + int(b) * 600_000_000)
             for a, b in zip(dark[::2], dark[1::2], strict=True)]
    assert list(found.interruptions) == spans
    assert len(spans) == 110
    first = one([each for each in found.findings if each.period and each.period.start.startswith("2031-03-03")],
                "voltage-week-95")
    assert first.intervals is not None
    assert first.intervals.valid == 1008 - 7 * 3
