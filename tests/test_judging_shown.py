"""Tallies kept as numbers come back as they were, and judging does not depend on how the blocks are cut."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest

from pqcheck.counting import band
from pqcheck.evidence import find_runs, no_runs
from pqcheck.findings import Findings, in_order
from pqcheck.judging.shown import Shown
from pqcheck.judging.tally import Tallied, Tally, is_below, kept_of, shortest
from pqcheck.passes import Stretch
from pqcheck.sweep import Sweep
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
    shown = Shown(3, 2)
    shown.keep(1, 0, tallied)
    assert list(shown.over) == [0, 1, 0]
    nothing = Tallied(0, 0, None, no_runs(), 0)
    before, again, after = shown.take(0)
    assert again[:3] == tallied[:3] and again.longest_possible == tallied.longest_possible
    assert type(again.reading) is type(tallied.reading) and type(again.valid) is int
    assert again.runs is tallied.runs or not len(tallied.runs)
    for other in (before, after, *shown.take(1)):
        assert other[:3] == nothing[:3] and not len(other.runs)


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
@pytest.mark.parametrize("percent", ["95", "99", "99.9", "100"])
@pytest.mark.parametrize("missing", [0, 7, 300, 1008])
def test_a_period_at_once_or_bit_by_bit(
    dtype: type, low: int | None, high: int | None, percent: str, missing: int
) -> None:
    random = np.random.default_rng(missing)
    values = np.round(random.normal(6.5, 0.8, 1008), 2).astype(dtype)
    values[random.permutation(1008)[:missing]] = np.nan
    share = Decimal(percent)
    limits = [None if one is None else Decimal(one) for one in (low, high)]
    of = band(*limits, strict=False, dtype=np.dtype(dtype), arithmetic=False)
    sweep = Sweep(1100)
    far = np.full(52, np.inf, dtype)
    item = sweep.add([(np.concatenate((far[:40], values, far)), None, None)])
    at = sweep.ranks(np.array([item]), 40, 1048, kept_of(1008, share), Fraction(share) / 100, smallest=is_below(of))
    sweep.run()
    valid, top, reading = sweep.answers(at, 1, 3)[0].tolist()
    tally = Tally(of, share, 40, 1008)
    for first in range(0, 1008, 144):
        tally.feed(Stretch(values[first : first + 144]), 40 + first)
    parts = tally.result()
    assert (valid, parts.valid) == (1008 - missing, 1008 - missing)
    if not valid:
        assert parts.reading is None and np.isnan(reading)
        return
    assert parts.reading == shortest(dtype(reading)) and of.all_inside(top, below=is_below(of)) == (not parts.outside)
    good = np.sort(values[~np.isnan(values)]) * (1 if high or not low else -1)
    # ceil(percent of n) of the readings lie at the displayed one or nearer to the limit's good side.
    rank = -(-Fraction(percent) * len(good) // 100)
    assert parts.reading == abs(float(str(np.sort(good)[int(rank) - 1])))
