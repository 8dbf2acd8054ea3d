"""What must hold for all inputs (properties of judging), checked on small periods with many draws."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.limit_tables import LimitRow, LimitTable, Rule, RulePeriod, RuleStatistic
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from tests.recordings import judged, recording, site

PLACE = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"})
LOW, HIGH = Decimal("207"), Decimal("253")
# Hourly values of one day: 24 slots, so that small numbers decide.
READINGS = st.one_of(
    st.sampled_from([207.0, 253.0, 206.99, 253.01, 230.0, 240.0, 190.0, 260.0]),
    st.just(float("nan")),
    st.floats(180, 280),
)
DAYS = st.lists(READINGS, min_size=24, max_size=24)
SHARES = st.sampled_from(["100", "95", "90", "75"])


def table(
    percent: str = "90", low: Decimal | None = LOW, high: Decimal | None = HIGH, *, strict: bool = False
) -> LimitTable:
    statistic = RuleStatistic("all_within") if percent == "100" else RuleStatistic("share_within", Decimal(percent))
    rule = Rule(
        id="band", title="Band", clause="1", confidence="derived", quantity="voltage", phases=(),
        interval_s=Decimal(3600), also_intervals_s=(), period=RulePeriod("day"), statistic=statistic, reference="none",
        unit="V", strict=strict, rows=(LimitRow(low, high),),
    )  # fmt: skip
    return LimitTable("t", "Test", "1", "Test", "none", "0" * 64, (rule,))


def verdict(values: list[float] | np.ndarray, rules: LimitTable, unit: str = "V", **how: object) -> Finding:
    made = recording({f"voltage.an [{unit}]": np.asarray(values)}, interval_s=3600, **how)  # type: ignore[arg-type]
    found = judged(made, PLACE, rules)
    assert len(found) == 1
    return found[0]


@given(DAYS, SHARES, st.booleans())
def test_the_displayed_reading_and_the_verdict_agree(values: list[float], percent: str, strict: bool) -> None:
    found = verdict(values, table(percent, strict=strict))
    good = [value for value in values if not np.isnan(value)]
    assert found.intervals is not None
    outside = sum(not (207 < v < 253) if strict else not (207 <= v <= 253) for v in good)
    assert (found.intervals.valid, found.intervals.outside) == (len(good), outside)
    assert found.intervals.missing == 24 - len(good)
    if len(good) == 24:
        assert found.verdict in (Verdict.PASS, Verdict.FAIL)
        assert found.margin is not None
        inside = found.margin.value > 0 if strict else found.margin.value >= 0
        assert inside is (found.verdict is Verdict.PASS)


@given(DAYS, SHARES, st.randoms(use_true_random=False))
def test_the_order_of_readings_changes_no_count(values: list[float], percent: str, random: object) -> None:
    shuffled = list(values)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = verdict(values, table(percent)), verdict(shuffled, table(percent))
    assert (one.verdict, one.intervals, one.statistic, one.margin) == (
        other.verdict, other.intervals, other.statistic, other.margin,
    )  # fmt: skip


@given(st.lists(st.decimals("180", "280", places=3), min_size=24, max_size=24), SHARES)
def test_the_unit_of_the_file_changes_no_verdict(volts: list[Decimal], percent: str) -> None:
    volts = [*volts[:22], Decimal("253"), Decimal("207")]
    plain = verdict([float(value) for value in volts], table(percent))
    kilo = verdict([float(Fraction(value) / 1000) for value in volts], table(percent), unit="kV")
    assert plain.verdict is kilo.verdict and plain.intervals == kilo.intervals
    assert plain.statistic == kilo.statistic and plain.margin == kilo.margin
    assert [(w.start, w.end, w.worst) for w in plain.windows] == [(w.start, w.end, w.worst) for w in kilo.windows]


@given(st.lists(READINGS, min_size=30, max_size=120), SHARES, st.integers(1, 4))
def test_where_blocks_are_cut_changes_nothing(values: list[float], percent: str, days: int) -> None:
    def run(length: int) -> list[Finding]:
        made = recording({"voltage.an [V]": np.asarray(values)}, interval_s=3600, days_per_block=length)
        return judged(made, PLACE, table(percent))

    whole, cut = run(1000), run(days)
    assert [(f.id, f.verdict, f.intervals, f.statistic) for f in whole] == [
        (f.id, f.verdict, f.intervals, f.statistic) for f in cut
    ]
    assert [list(f.windows) for f in whole] == [list(f.windows) for f in cut]


@given(DAYS, SHARES, st.sets(st.integers(0, 23), max_size=8))
def test_removing_data_never_turns_open_into_pass(values: list[float], percent: str, gone: set[int]) -> None:
    thinner = [float("nan") if number in gone else value for number, value in enumerate(values)]
    before, after = verdict(values, table(percent)), verdict(thinner, table(percent))
    if after.verdict is Verdict.PASS:
        assert before.verdict is Verdict.PASS
    if after.verdict is Verdict.FAIL:
        assert before.verdict is Verdict.FAIL


@given(DAYS, SHARES, st.sampled_from(["0", "0.01", "3", "15"]))
def test_tightening_a_limit_never_turns_fail_into_pass(values: list[float], percent: str, by: str) -> None:
    loose = verdict(values, table(percent)).verdict
    tight = verdict(values, table(percent, LOW + Decimal(by), HIGH - Decimal(by))).verdict
    order = {Verdict.PASS: 0, Verdict.INCONCLUSIVE: 1, Verdict.FAIL: 2}
    assert order[tight] >= order[loose]


@given(DAYS, SHARES, st.integers(0, 23))
def test_one_more_exceedance_never_turns_fail_into_pass(values: list[float], percent: str, where: int) -> None:
    worse = list(values)
    worse[where] = 300.0
    order = {Verdict.PASS: 0, Verdict.INCONCLUSIVE: 1, Verdict.FAIL: 2}
    before, after = verdict(values, table(percent)).verdict, verdict(worse, table(percent)).verdict
    assert after is not Verdict.PASS or before is not Verdict.FAIL
    assert before is not Verdict.FAIL or order[after] == 2


@given(st.lists(st.sampled_from([229.0, 231.0, 240.0, 252.0]), min_size=24, max_size=24), st.booleans())
def test_a_band_at_or_inside_single_precision(values: list[float], narrow: bool) -> None:
    stored = np.asarray(values, dtype=np.float32 if narrow else np.float64)
    found = verdict(stored, table("100", None, Decimal("240.0")))
    assert found.intervals is not None and found.intervals.outside == values.count(252.0)


@settings(max_examples=40)
@given(st.lists(st.floats(180, 280), min_size=24 * 6, max_size=24 * 6), st.integers(0, 100))
def test_aggregation_is_the_root_mean_square_of_whole_groups(values: list[float], hole: int) -> None:
    # Ten-minute members to the hour; one missing member takes its hour with it.
    members = np.asarray(values)
    members[hole] = np.nan
    made = recording({"voltage.an [V]": members}, interval_s=600)
    found = judged(made, PLACE, table("100"))[0]
    hours = np.sqrt(np.mean(members.reshape(24, 6) ** 2, axis=1))
    assert found.intervals is not None and found.intervals.missing == 1
    far = np.nanmax(np.maximum(hours - 253, 207 - hours))
    assert found.statistic is not None and found.statistic.value is not None
    shown = max(found.statistic.value - 253, 207 - found.statistic.value)
    assert abs(shown - far) < 1e-9
