"""What minimum, maximum and longer-mean columns prove does not depend on how the recording is cut into blocks."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from pqcheck.derive.formulas import PercentOfNominal
from pqcheck.judge.compare_with_limit import LimitBand
from pqcheck.judge.judged_series import JudgedPeriod, SeriesRun, TaskRun
from pqcheck.judge.period_tally import PeriodTallies, SampleBounds
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding, Findings, in_order
from pqcheck.model.verdict import Verdict
from pqcheck.stats.series_passes import Product
from tests.recordings import judged, one, recording, site

PER_DAY = {3: 28_800, 60: 1440, 600: 144, 900: 96, 1800: 48}
SITE: dict[str, Any] = {"pcc": {"is_pcc": True}, "recording": {"extremes_of": "200 ms"}}
TABLES = ("ieee519-2022", "en50160-2010-lv")


def columns(seed: int, interval_s: int, days: int) -> dict[str, Any]:
    """Voltages, distortion and frequency as extremes and means, some of them missing, some beyond their limits."""
    random = np.random.default_rng(seed)
    count = PER_DAY[interval_s] * days
    made: dict[str, Any] = {}
    for name, level, width in (("voltage.an", 230, 14), ("voltage_thd.an", 6, 3), ("voltage_harmonic.an.h5", 3, 3)):
        middle = level + width * random.standard_normal(count) / 2
        middle[random.integers(0, count, count // 100)] = np.nan
        unit = "V" if name == "voltage.an" else "%"
        spread = np.abs(random.standard_normal(count)) * width / 8
        made |= {f"{name} [{unit}]": middle, f"{name}.min [{unit}]": middle - spread,
                 f"{name}.max [{unit}]": middle + spread}  # fmt: skip
    made["frequency [Hz]"] = np.round(50 + random.standard_normal(count) / 3, 2)
    return made


def text(findings: list[Finding]) -> str:
    return Findings(in_order(findings)).to_json()


@pytest.mark.parametrize("interval_s", [3, 60, 600, 900, 1800])
@pytest.mark.parametrize("excluded", [False, True])
@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin"])
def test_a_day_at_a_time_or_all_at_once(interval_s: int, excluded: bool, zone: str) -> None:
    days = 2 if interval_s == 3 else 9
    cut = {"from": "2031-03-03T10:07:00Z", "to": "2031-03-04T03:20:00Z", "reason": "lead off", "author": "engineer"}
    place = site(**SITE, **({"exclusions": [cut]} if excluded else {}))
    data = columns(interval_s, interval_s, days)
    # A supply that is away for an hour and a half has no value for any rule.
    dead = slice(PER_DAY[interval_s] // 2, PER_DAY[interval_s] // 2 + max(2, 5400 // interval_s))
    for name in data:
        if name.startswith("voltage.an"):
            data[name][dead] = 3.0
    start = "2031-03-03T00:00:00+00:00" if zone == "UTC" else "2031-03-02T22:30:00+00:00"
    made = [
        judged(recording(data, start=start, interval_s=interval_s, zone=zone, days_per_block=size), place, *TABLES)
        for size in (1, 30)
    ]
    assert text(made[0]) == text(made[1])
    assert any(one.reason is not None and one.reason.code in ("proven-by-bound", "wrong-interval") for one in made[0])


def test_the_mean_nearest_to_a_limit_is_named_whichever_day_it_comes_from() -> None:
    hertz = np.full(3 * PER_DAY[3], 50.0)
    hertz[40_000] = 50.31
    hertz[50_000] = 50.3
    for size in (1, 30):
        found = judged(recording({"frequency [Hz]": hertz}, interval_s=3, days_per_block=size), site(), TABLES[1])
        reason = one(found, "frequency-all").reason
        assert reason is not None and "the 3 s value nearest to a limit is 50.31 Hz" in reason.text


def test_means_of_every_day_prove_members_outside() -> None:
    # Half-hour means beyond 8 % in two different days: each proves a ten-minute value outside; 50 of a week may be.
    thd = np.full(7 * 48, 2.0)
    thd[:30] = 9.0
    thd[100:131] = 9.0
    for size in (1, 30):
        found = judged(recording({"voltage_thd.an [%]": thd}, interval_s=1800, days_per_block=size),
                       site(**SITE), TABLES[0])  # fmt: skip
        weekly = one(found, "voltage-thd-week-95", phase="an")
        assert weekly.verdict is Verdict.FAIL and weekly.intervals is not None and weekly.intervals.outside == 61


def plainly(low: Any, high: Any, band: LimitBand, first: int, end: int) -> tuple[int, int, float | None]:
    """Slots proven inside and outside of a stretch, and the bound that is farthest beyond, slot by slot."""
    inside = outside = 0
    shown: list[tuple[float, float]] = []
    for a, b in zip(low[max(first, 0) : max(end, 0)], high[max(first, 0) : max(end, 0)], strict=True):
        inside += (band.high is None or b <= band.high) and (band.low is None or a >= band.low)
        outside += (band.high is not None and a > band.high) or (band.low is not None and b < band.low)
        value = a if band.high is None else b
        far = float(band.beyond(np.array([value]))[0])
        if not np.isnan(far):
            shown.append((far, value))
    return inside, outside, max(shown)[1] if shown else None


@pytest.mark.parametrize(("lowest", "highest"), [(None, 8.0), (3.0, None), (3.0, 8.0)])
@pytest.mark.parametrize("cuts", [(0, 300), (0, 7, 150, 151, 300)])
def test_periods_that_overlap_begin_early_or_hold_nothing(
    lowest: float | None, highest: float | None, cuts: tuple[int, ...]
) -> None:
    random = np.random.default_rng(7)
    low = np.round(5 + 3 * random.standard_normal(300), 1)
    high = np.round(low + np.abs(random.standard_normal(300)), 1)
    low[40:60] = high[40:60] = np.nan
    band = LimitBand(lowest, highest, lowest, highest, False)
    spans = [(-20, 10), (10, 110), (60, 160), (110, 110), (42, 58), (160, 300), (290, 420)]
    periods = [JudgedPeriod(0, 0, True, end - first, first, 0, end - first) for first, end in spans]
    tasks, _ = resolve([load_table(TABLES[1])], recording({"voltage.an [V]": [230.0] * 1008}), site())
    task = next(task for task in tasks if task.rule.statistic.kind == "share_within")
    assert task.source is not None
    # Another object for the upper bound: these are two columns.
    series = SeriesRun(task.source, replace(task.source), None, 600_000_000, 0, [])
    run = TaskRun(task, band, periods)
    tallies = PeriodTallies([(0, series, run)], 1)
    for first, end in itertools.pairwise(cuts):
        samples = SampleBounds(end - first, [Product(low[first:end])], [Product(high[first:end])])
        tallies.feed(samples, first)
    tallies.finish()
    for (first, end), tallied in zip(spans, run.results(), strict=True):
        inside, outside, worst = plainly(low, high, band, first, end)
        assert (tallied.valid - tallied.outside, tallied.outside, tallied.reading) == (inside, outside, worst)
        assert int(tallied.runs.count.sum()) == outside


def test_orders_of_a_phase_share_the_measured_voltage() -> None:
    names = [f"voltage_harmonic.{phase}.h{order}{reading} [%]" for phase in ("an", "bn") for order in (3, 5, 7)
             for reading in ("", ".max")]  # fmt: skip
    names += ["voltage.an [V]", "voltage.bn [V]", "voltage.an.max [V]", "voltage.bn.max [V]"]
    place = site(pcc={"is_pcc": True}, recording={"extremes_of": "3 s"})
    tasks, _ = resolve([load_table("ieee519-2022")], recording({name: [1.0] * 1008 for name in names}), place)
    formulas = [
        source.formula
        for task in tasks
        for source in (task.source, *(one for pair in task.bounds for one in pair))
        if source is not None and isinstance(source.formula, PercentOfNominal)
    ]
    assert len(formulas) >= 12
    # A block works each of them out once: it is known by identity.
    assert len({id(one.fundamental) for one in formulas}) == len({one.fundamental for one in formulas}) == 4


def test_extremes_whose_averaging_time_is_not_declared_prove_nothing() -> None:
    found = judged(recording({"voltage.an.max [V]": np.full(1008, 231.0)}), site(), TABLES[1])
    reason = one(found, "voltage-week-95", phase="an").reason
    assert reason is not None and reason.code == "wrong-interval" and "extremes_of" in reason.advice


def test_a_day_that_is_wholly_excluded_is_not_passed_by_bounds() -> None:
    cut = {"from": "2031-03-03T00:00:00Z", "to": "2031-03-04T00:00:00Z", "reason": "lead off", "author": "engineer"}
    thd = np.full(2 * 144, 2.0)
    found = judged(recording({"voltage_thd.an [%]": thd, "voltage_thd.an.max [%]": thd}),
                   site(**SITE, exclusions=[cut]), TABLES[0])  # fmt: skip
    days = [finding for finding in found if finding.rule == "voltage-thd-day-99" and finding.phase == "an"]
    reasons = [finding.reason.code for finding in days if finding.reason is not None]
    assert reasons == ["no-readings-left", "proven-by-bound"]
    assert [finding.verdict for finding in days] == [Verdict.INCONCLUSIVE, Verdict.PASS]


def test_a_band_seen_by_its_maximum_alone_has_windows_with_numbers() -> None:
    # A maximum below the lower limit shows the interval outside, whatever the minimum, which is missing, was.
    highest, lowest = np.full(1008, 232.0), np.full(1008, np.nan)
    highest[100:200] = 190.0
    made = recording({"voltage.an.max [V]": highest, "voltage.an.min [V]": lowest})
    found = judged(made, site(**SITE, supply={"nominal_voltage": "230 V", "connection": "single-phase"}), TABLES[1])
    week = one(found, "voltage-week-95")
    assert week.verdict is Verdict.FAIL and [window.worst for window in week.windows] == [190.0]
    assert "NaN" not in text(found)


def test_extremes_without_a_declared_base_answer_nothing() -> None:
    highest = np.full(1008, 232.0)
    made = recording({"voltage.an.max [V]": highest, "voltage.an.min [V]": highest - 2})
    found = judged(made, site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}), TABLES[1])
    week = one(found, "voltage-week-95")
    assert week.verdict is Verdict.INCONCLUSIVE and week.reason is not None and week.reason.code == "wrong-interval"
