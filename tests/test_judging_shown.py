"""Tallies kept as numbers come back as they were, and judging does not depend on how the blocks are cut."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck.evidence import find_runs, no_runs
from pqcheck.findings import Findings, in_order
from pqcheck.judging.shown import Shown
from pqcheck.judging.tally import Tallied
from tests.recordings import judged, recording, site

OUTSIDE = np.array([False, True, True, False, True])
RUNS = find_runs(OUTSIDE, OUTSIDE * 9.0, OUTSIDE * 1.0, 100)


@pytest.mark.parametrize(
    "tallied",
    [
        Tallied(0, 0, None, no_runs(), 0),
        Tallied(3, 0, 0.0, no_runs(), 2),
        Tallied(10**10, 10**9, -0.1, no_runs(), 10**9),
        Tallied(28_800, 3, 1e-300, RUNS, 7),
    ],
)
def test_what_was_kept_comes_back(tallied: Tallied) -> None:
    shown = Shown(3)
    shown.keep(1, tallied)
    assert shown.take(0) is None and shown.take(2) is None
    again = shown.take(1)
    assert again is not None
    assert (again.valid, again.outside, again.longest_possible) == (
        tallied.valid, tallied.outside, tallied.longest_possible
    )  # fmt: skip
    assert again.reading == tallied.reading and type(again.reading) is type(tallied.reading)
    assert again.runs is tallied.runs or not len(tallied.runs)


@pytest.mark.parametrize("zone", ["UTC", "America/New_York"])
@pytest.mark.parametrize("table", ["en50160-2010-lv", "ieee519-2022"])
def test_periods_that_end_one_by_one_or_all_at_once(table: str, zone: str) -> None:
    random = np.random.default_rng(1)
    count = 24 * 144 + 31
    volts = 230 + 12 * random.standard_normal(count)
    volts[random.integers(0, count, 40)] = np.nan
    thd = np.abs(5 + 3 * random.standard_normal(count)).astype(np.float32)
    columns = {"voltage.an [V]": volts, "voltage_thd.an [%]": thd, "current_harmonic.a.h5 [A]": thd}
    place = site(pcc={"is_pcc": True, "short_circuit_current": "12 kA", "maximum_demand_current": "400 A"})
    texts = {
        Findings(in_order(judged(recording(columns, zone=zone, days_per_block=days), place, table))).to_json()
        for days in (1, 7, 100)
    }
    assert len(texts) == 1 and '"windows": [{' in texts.pop()
