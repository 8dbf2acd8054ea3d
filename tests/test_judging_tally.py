"""What is tallied does not depend on how the blocks are cut."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from functools import cache

import numpy as np
import pytest
from msgspec.structs import replace

from pqcheck.judge.compare_with_limit import band
from pqcheck.judge.judged_series import JudgedPeriod, SeriesRun, TaskRun
from pqcheck.judge.period_tally import PeriodTallies, SampleBounds
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.judge.tasks import Task
from pqcheck.limit_tables import RuleStatistic, load_table
from pqcheck.model.findings import Findings, in_order
from pqcheck.stats.series_passes import Product
from tests.recordings import judged, recording, site


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
@pytest.mark.parametrize(("low", "high"), [(None, 8), (5, None), (None, None), (5, 8)])
@pytest.mark.parametrize("percent", ["95", "99", "99.9", "100"])
@pytest.mark.parametrize("missing", [0, 7, 300, 1008])
def test_a_period_at_once_or_bit_by_bit(
    dtype: type, low: int | None, high: int | None, percent: str, missing: int
) -> None:
    random = np.random.default_rng(missing)
    values = np.round(random.normal(6.5, 0.8, 1008), 2).astype(dtype)
    values[random.permutation(1008)[:missing]] = np.nan
    limits = [None if one is None else Decimal(one) for one in (low, high)]
    of = band(*limits, strict=False, dtype=np.dtype(dtype), arithmetic=False)
    around = np.full(92, np.inf, dtype)
    row = Product(np.concatenate((around[:40], values, around[40:])))
    made = []
    for size in (1100, 144, 7):
        run = TaskRun(task_of(percent), of, [JudgedPeriod(0, 1, True, 1008, 40, 0, 1008)])
        source = run.task.source
        tallies = PeriodTallies([(0, SeriesRun(source, source, None, 600_000_000, 0, []), run)], 1)
        for first in range(0, 1100, size):
            part = [row.cut(first, min(first + size, 1100))]
            tallies.feed(SampleBounds(len(part[0].members), part, part), first)
        tallies.finish()
        made += run.results()
    assert len({one[:3] for one in made}) == 1
    one, good = made[0], values[~np.isnan(values)].astype(float)
    outside = np.zeros(len(good), bool) | ((good > high) if high else False) | ((good < low) if low else False)
    assert (one.valid, one.outside) == (1008 - missing, np.count_nonzero(outside))
    assert all(int(one.runs.count.sum()) == one.outside for one in made)
    if not one.valid:
        assert one.reading is None
        return
    # ceil(percent of n) of the readings lie at the displayed one or nearer to the limits' good side.
    assert one.reading is not None
    top, bottom = np.inf if high is None and low is not None else high or 0, -np.inf if low is None else low
    beyond, shown = (np.maximum(some - top, bottom - some) for some in (good, np.array(one.reading)))
    assert np.sort(beyond)[int(-(-Fraction(percent) * len(good) // 100)) - 1] == pytest.approx(float(shown), abs=1e-9)


@cache
def task_of(percent: str) -> Task:
    """Some task with a recorded value and this share."""
    tasks, _ = resolve([load_table("en50160-2010-lv")], recording({"voltage.an [V]": [230.0] * 1008}), site())
    rule = tasks[0].rule
    return replace(tasks[0], rule=replace(rule, statistic=RuleStatistic("share_within", Decimal(percent))))
