"""Tallies kept as numbers come back as they were, and judging does not depend on how the blocks are cut."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest

from pqcheck.counting import band
from pqcheck.evidence import find_runs, no_runs
from pqcheck.findings import Findings, in_order
from pqcheck.judging.shown import Shown
from pqcheck.judging.tally import Tallied, Tally, tallied_whole
from pqcheck.passes import Stretch
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


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize(("low", "high"), [(None, 8), (5, None), (None, None)])
@pytest.mark.parametrize("percent", [95, 99, 100])
@pytest.mark.parametrize("missing", [0, 7, 300, 1008])
def test_a_period_at_once_or_bit_by_bit(
    dtype: type, low: int | None, high: int | None, percent: int, missing: int
) -> None:
    random = np.random.default_rng(percent + missing)
    values = np.round(random.normal(6.5, 0.8, 1008), 2).astype(dtype)
    values[random.permutation(1008)[:missing]] = np.nan
    limits = [None if one is None else Decimal(one) for one in (low, high)]
    of = band(*limits, strict=False, dtype=np.dtype(dtype), arithmetic=False)
    whole = tallied_whole(of, Decimal(percent), Stretch(values), 40)
    tally = Tally(of, Decimal(percent), 40, 1008)
    for first in range(0, 1008, 144):
        tally.feed(Stretch(values[first : first + 144]), 40 + first)
    parts = tally.result()
    assert whole[:3] == parts[:3] and whole.longest_possible == parts.longest_possible
    for name in ("first", "count", "worst", "worst_slot", "beyond"):
        assert np.array_equal(getattr(whole.runs, name), getattr(parts.runs, name))
    good = np.sort(values[~np.isnan(values)]) * (1 if high or not low else -1)
    if len(good):
        # ceil(percent of n) of the readings lie at the displayed one or nearer to the limit's good side.
        rank = -(-percent * len(good) // 100)
        assert whole.reading == abs(float(str(np.sort(good)[rank - 1])))
