"""Cells that are only a bound (``>300``, ``<220``) prove what they prove whatever the truth is, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck import check
from pqcheck.limit_tables import LimitRow, LimitTable, Rule, RulePeriod, RuleStatistic
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Block, Recording
from pqcheck.model.verdict import Verdict
from tests.recordings import channel, judged, one, recording, site

WEEK = 1008
HOUSE = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"})


def with_bounds(made: Recording, lower: Mapping[str, Any], upper: Mapping[str, Any]) -> Recording:
    """The recording with cells marked as bounds, by header."""
    stream, *others = made.streams

    def blocks(wanted: Any = None) -> Iterator[Block]:
        first = 0
        for block in stream.blocks(wanted):
            part = slice(first, first + block.axis.count)
            first += block.axis.count
            low, high = (
                {channel(name): np.asarray(mask)[part] for name, mask in marks.items() if np.any(mask[part])}
                for marks in (lower, upper)
            )
            yield Block(block.axis, block.values, None, low, high)

    return replace(made, streams=(replace(stream, blocks=blocks), *others))


def table(quantity: str, low: Decimal | None, high: Decimal | None, percent: str, **more: Any) -> LimitTable:
    """A share of hourly values of a day."""
    period, share = RulePeriod("day"), RuleStatistic("share_within", Decimal(percent))
    interval = more.pop("interval", 3600)
    rule = Rule("made", "made", "clause 1", "two sources", quantity, ("an",), Decimal(interval), (), period, share,
                more.pop("reference", "none"), "V" if quantity == "voltage" else "%", False,
                (LimitRow(low=low, high=high),), **more)  # fmt: skip
    return LimitTable("made", "Made", "2031", "Made", "made", "0" * 64, (rule,))


def marks(count: int, at: slice | list[int]) -> np.ndarray:
    mask = np.zeros(count, np.bool_)
    mask[at] = True
    return mask


def week(value: float, count: int, *, upper: bool) -> Finding:
    """The week of a voltage of 230 V with some cells that are a bound at `value`."""
    volts = np.full(WEEK, 230.0)
    volts[:count] = value
    mask = {"voltage.an [V]": marks(WEEK, slice(0, count))}
    made = with_bounds(recording({"voltage.an [V]": volts}), *(({}, mask) if upper else (mask, {})))
    return one(judged(made, HOUSE, "en50160-2010-lv"), "voltage-week-95")


@pytest.mark.parametrize(("value", "count", "upper", "verdict", "outside"), [
    (300.0, 60, False, Verdict.FAIL, 60),  # more than 300 V is above 253 V
    (300.0, 60, True, Verdict.INCONCLUSIVE, 0),  # less than 300 V may be anything
    (200.0, 60, True, Verdict.FAIL, 60),  # less than 200 V is below 207 V
    (220.0, 60, True, Verdict.INCONCLUSIVE, 0),
    (220.0, 60, False, Verdict.INCONCLUSIVE, 0),
    (300.0, 1, False, Verdict.PASS, 1),  # passes even though it lies outside
    (300.0, 50, True, Verdict.PASS, 0),  # passes even if all of them lay outside
])  # fmt: skip
def test_a_week_of_volts(value: float, count: int, upper: bool, verdict: Verdict, outside: int) -> None:
    found = week(value, count, upper=upper)
    assert found.verdict is verdict
    assert found.intervals is not None and found.intervals.outside == outside
    if verdict is Verdict.INCONCLUSIVE:
        assert found.reason is not None and found.reason.code == "bounds-only"
        assert f"{count} of 1008" in found.reason.text
        assert found.intervals.valid == WEEK - count


def test_less_than_a_limit_to_one_side_is_inside() -> None:
    thd = np.full(24, 0.5)
    made = recording({"voltage_thd.an [%]": thd}, interval_s=3600)
    bounded = with_bounds(made, {}, {"voltage_thd.an [%]": marks(24, slice(None))})
    rules = table("voltage_thd", None, Decimal(8), "100", reference="fundamental")
    assert one(judged(bounded, HOUSE, rules), "made").verdict is Verdict.PASS
    over = with_bounds(made, {"voltage_thd.an [%]": marks(24, [3])}, {})
    assert one(judged(over, HOUSE, rules), "made").verdict is Verdict.INCONCLUSIVE


def test_an_aggregate_is_bounded_by_one_member() -> None:
    # Three 20-minute values in an hour; one of them at least 40 %, which alone brings the hour above 8 %.
    thd = np.full(72, 2.0)
    thd[4] = 40.0
    made = recording({"voltage_thd.an [%]": thd}, interval_s=1200)
    rules = table("voltage_thd", None, Decimal(8), "100", reference="fundamental")
    for lower, verdict in ((True, Verdict.FAIL), (False, Verdict.INCONCLUSIVE)):
        mask = {"voltage_thd.an [%]": marks(72, [4])}
        found = one(judged(with_bounds(made, *((mask, {}) if lower else ({}, mask))), HOUSE, rules), "made")
        assert found.verdict is verdict


def test_a_total_from_orders_is_bounded_by_one_order() -> None:
    fields = {f"voltage_harmonic.an.h{order} [%]": np.full(24, 0.5) for order in range(2, 51)}
    fields["voltage_harmonic.an.h5 [%]"][7] = 9.0
    made = recording(fields, interval_s=3600)
    rules = table("voltage_thd", None, Decimal(8), "100", reference="fundamental")
    mask = {"voltage_harmonic.an.h5 [%]": marks(24, [7])}
    assert one(judged(with_bounds(made, mask, {}), HOUSE, rules), "made").verdict is Verdict.FAIL
    assert one(judged(with_bounds(made, {}, mask), HOUSE, rules), "made").verdict is Verdict.INCONCLUSIVE


def test_a_bounded_line_voltage_bounds_no_unbalance() -> None:
    lines = {f"voltage.{pair} [V]": np.full(24 * 1200, 400.0) for pair in ("ab", "bc", "ca")}
    lines["voltage.ab [V]"][5000:7000] = 440.0
    made = recording(lines, interval_s=3)
    mask = {"voltage.ab [V]": marks(24 * 1200, slice(5000, 7000))}
    rules = table("negative_sequence_unbalance", None, Decimal(2), "99", interval=600)
    rules = replace(rules, rules=(replace(rules.rules[0], phases=()),))
    assert one(judged(made, site(), rules), "made").verdict is Verdict.FAIL
    assert one(judged(with_bounds(made, mask, {}), site(), rules), "made").verdict is Verdict.INCONCLUSIVE


def test_a_maximum_that_is_a_lower_bound_proves_no_pass() -> None:
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}, recording={"extremes_of": "200 ms"})
    highest = {"voltage_thd.an.max [%]": np.full(24, 3.0)}
    rules = table("voltage_thd", None, Decimal(8), "100", reference="fundamental")
    made = recording(highest, interval_s=3600)
    assert one(judged(made, place, rules), "made").verdict is Verdict.PASS
    mask = {"voltage_thd.an.max [%]": marks(24, [3])}
    assert one(judged(with_bounds(made, mask, {}), place, rules), "made").verdict is not Verdict.PASS
    assert one(judged(with_bounds(made, {}, mask), place, rules), "made").verdict is Verdict.PASS


TRUTHS = st.lists(st.sampled_from([200.0, 206.0, 207.0, 230.0, 253.0, 254.0, 260.0]), min_size=48, max_size=48)
CELLS = st.lists(st.sampled_from(["value", "value", "value", "more", "less", "none"]), min_size=48, max_size=48)
AWAY = st.lists(st.sampled_from([0.0, 1.0, 30.0]), min_size=48, max_size=48)


@settings(max_examples=150, deadline=None)
@given(TRUTHS, CELLS, AWAY, st.sampled_from(["100", "95", "80", "50"]),
       st.sampled_from([(207, 253), (None, 253), (207, None)]), st.sampled_from([3600, 1800]),
       st.booleans())  # fmt: skip
def test_a_bound_proves_only_what_is_true(
    truths: list[float], cells: list[str], away: list[float], percent: str, limits: tuple[int | None, int | None],
    interval: int, whole_hours: bool,
) -> None:
    """Whatever is recorded as a bound of the truth, or not at all: a pass and a fail are those of the truth."""
    rules = table("voltage", *(None if one is None else Decimal(one) for one in limits), percent,
                  interval=3600 if whole_hours else interval)  # fmt: skip
    truth, shown = np.array(truths), np.array(truths)
    kind = np.array(cells)
    shown[kind == "more"] -= np.array(away)[kind == "more"]
    shown[kind == "less"] += np.array(away)[kind == "less"]
    shown[kind == "none"] = np.nan
    name = "voltage.an [V]"
    made = with_bounds(recording({name: shown}, interval_s=interval), {name: kind == "more"}, {name: kind == "less"})
    known = judged(recording({name: truth}, interval_s=interval), HOUSE, rules)
    for seen, real in zip(judged(made, HOUSE, rules), known, strict=True):
        if seen.verdict in (Verdict.PASS, Verdict.FAIL):
            assert seen.verdict is real.verdict
        assert seen.verdict in (Verdict.PASS, Verdict.FAIL) or seen.intervals is None or seen.intervals.missing


def test_a_marked_reading_is_judged_as_a_bound_and_refuses_what_was_formed_from_it() -> None:
    from pqcheck.vet import vet
    from pqcheck.vet.trust import Trust

    volts, thd = np.round(230 + np.random.default_rng(1).standard_normal(WEEK), 1), np.full(WEEK, 2.0)
    volts[500] = 300.0
    made = with_bounds(recording({"voltage.an [V]": volts, "voltage_thd.an [%]": thd}),
                       {"voltage.an [V]": marks(WEEK, [500])}, {})  # fmt: skip
    doubts: list[Trust] = [doubt for doubt in vet(made, HOUSE).trust if doubt.code == "clipped"]
    assert doubts and not any(doubt.concerns("voltage", "an") for doubt in doubts)
    assert any(doubt.concerns("voltage_thd", "an") for doubt in doubts)


@pytest.mark.parametrize("first", [True, False])
def test_of_two_time_bases_a_value_is_better_than_a_bound(first: bool) -> None:
    # The 10 min file says at least 300 V for an hour, the 1 min file has the values, 230 V.
    ten, one_minute = np.full(WEEK, 230.0), np.full(WEEK * 10, 230.0)
    ten[60:66] = 300.0
    name = "voltage.an [V]"
    if not first:
        one_minute[600:660] = np.nan
    both = recording({name: ten}, {name: one_minute}, interval_s=(600, 60))
    made = with_bounds(both, {name: marks(WEEK, slice(60, 66))}, {})
    found = one(judged(made, HOUSE, "en50160-2010-lv"), "voltage-all")
    assert found.verdict is (Verdict.PASS if first else Verdict.FAIL)


def test_a_voltage_only_known_to_lie_below_a_number_is_no_danger_sign(tmp_path: Path) -> None:
    lines = ["time,voltage.an [V]"]
    for number in range(WEEK):
        cell = "<300" if 100 <= number < 200 else f"{230 + (number * 7 % 23) / 10:.1f}"
        lines.append(f"2031-03-{3 + number // 144:02d}T{number % 144 // 6:02d}:{number % 6 * 10:02d}:00Z,{cell}")
    (tmp_path / "week.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    findings = check(tmp_path / "week.csv", HOUSE, ["en50160-2010-lv"], quantities=["voltage"])
    assert {finding.kind for finding in findings.findings} == {"limit", "recording"}
    assert findings.verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(("cells", "verdict"), [(1, Verdict.PASS), (60, Verdict.REFUSED)])
def test_readings_over_range_doubt_their_own_intervals(tmp_path: Path, cells: int, verdict: Verdict) -> None:
    """What the instrument formed from a clipped voltage is unknown there; 50 of 1008 values may lie outside."""
    lines = ["time,voltage.an [V],voltage_thd.an [%]"]
    for number in range(WEEK):
        volts = ">300" if 100 <= number < 100 + cells else f"{230 + (number * 7 % 23) / 10:.1f}"
        stamp = f"2031-03-{3 + number // 144:02d}T{number % 144 // 6:02d}:{number % 6 * 10:02d}:00Z"
        lines.append(f"{stamp},{volts},{2 + (number * 5 % 17) / 20:.2f}")
    (tmp_path / "week.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    findings = check(tmp_path / "week.csv", HOUSE, ["en50160-2010-lv"], quantities=["voltage_thd"])
    assert {finding.verdict for finding in findings.findings if finding.rule == "thd-week-95"} == {verdict}
