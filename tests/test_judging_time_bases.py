"""A quantity at several time bases: every period is judged from all of them, each slot once; contradictions refuse."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck.io import read
from pqcheck.judge.choose_sources import joined, reaches_beyond
from pqcheck.model.errors import PqcheckError
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Axis, Recording
from pqcheck.model.verdict import Verdict
from tests.recordings import WEEK, judged, one, recording, site

EN = "en50160-2010-lv"
PCC = {
    "is_pcc": True,
    "short_circuit_current": "12 kA",
    "maximum_demand_current": "400 A",
    "demand_basis": "mean of 12 monthly maxima",
}
FIRST = "2031-03-03T00:00:00+00:00"
SINGLE = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"})


def at(day: float) -> str:
    return (datetime.fromisoformat(FIRST) + timedelta(days=day)).isoformat()


def streams(*parts: tuple[float, float, Mapping[str, Any]]) -> Recording:
    """Streams of (day of the start, interval in seconds, columns)."""
    made = [recording(table, start=at(day), interval_s=step) for day, step, table in parts]
    return Recording(tuple(file for one in made for file in one.files), tuple(s for one in made for s in one.streams))


def thd(value: float, count: int) -> dict[str, Any]:
    return {"voltage_thd.an [%]": np.full(count, float(value))}


def of_weeks(found: list[Finding], rule: str) -> list[Verdict]:
    return [each.verdict for each in found if each.rule == rule]


@pytest.mark.parametrize("turned", [False, True])
def test_a_recorder_that_changes_its_interval_is_judged_in_both_weeks(turned: bool) -> None:
    parts = [(0.0, 600.0, thd(2, WEEK)), (7.0, 60.0, thd(9, 10 * WEEK))]
    found = judged(streams(*(parts[::-1] if turned else parts)), SINGLE, EN, quantities=["voltage_thd"])
    assert of_weeks(found, "thd-week-95") == [Verdict.PASS, Verdict.FAIL]
    first, second = found
    assert first.title.endswith("from values over 10 min") and second.title.endswith("from values over 1 min")
    assert second.intervals is not None and (second.intervals.valid, second.intervals.outside) == (WEEK, WEEK)
    assert second.windows[0].rows[0].last == 10 * WEEK + 1


def test_half_an_hour_at_another_interval_does_not_stand_for_the_week() -> None:
    low = np.full(20 * WEEK, 112.0)
    low[500:560] = np.nan
    made = streams((0, 30, {"voltage.an [V]": low}), (500 / 2880, 60, {"voltage.an [V]": np.full(30, 230.0)}))
    found = one(judged(made, SINGLE, EN, quantities=["voltage"]), "voltage-week-95")
    assert found.verdict is Verdict.FAIL and found.intervals is not None
    assert (found.intervals.expected, found.intervals.valid, found.intervals.outside) == (WEEK, WEEK, WEEK - 3)
    assert "1005 intervals from values over 30 s" in found.title and "3 intervals from values over 1 min" in found.title


def test_a_period_of_the_whole_recording_covers_all_streams() -> None:
    place = site(supply={"nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"})
    volts = {f"voltage.{phase} [V]": np.full(WEEK, 120.0) for phase in ("an", "bn")}
    coarse = {name: np.full(672, 150.0) for name in volts}
    found = judged(streams((0, 600, volts), (7, 900, coarse)), place, "ansi-c84.1-2020", quantities=["voltage"])
    fails = [each for each in found if each.rule == "service-range-b"]
    assert [each.verdict for each in fails] == [Verdict.FAIL] * 2
    assert all(each.period is not None and each.period.end.startswith("2031-03-17") for each in fails)
    # Nothing outside in the second week: still no pass, as its intervals are not those of the rule.
    coarse = {name: np.full(672, 120.0) for name in volts}
    found = judged(streams((0, 600, volts), (7, 900, coarse)), place, "ansi-c84.1-2020", quantities=["voltage"])
    assert {each.verdict for each in found if each.rule == "service-range-b"} == {Verdict.INCONCLUSIVE}


def test_intervals_that_have_a_common_one_are_judged_at_it() -> None:
    place = site(supply={"nominal_voltage": "120/240 V", "connection": "split-phase", "frequency": "60 Hz"})
    quarter = {f"voltage.{phase} [V]": np.full(672, 120.0) for phase in ("an", "bn")}
    minutes = {name: np.full(10 * WEEK, 120.0) for name in quarter}
    found = judged(streams((0, 900, quarter), (7, 60, minutes)), place, "ansi-c84.1-2020", quantities=["voltage"])
    first = one(found, "service-range-a", phase="an")
    assert first.verdict is Verdict.PASS and first.intervals is not None and first.intervals.valid == 1344


def test_time_bases_a_lifetime_apart_are_named() -> None:
    made = streams((0, 3, thd(2, 28800)), (25_000, 1, thd(2, 86400)))
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}, pcc={"is_pcc": True})
    with pytest.raises(PqcheckError, match=r"voltage_thd\.an lie too far apart \(2031-03-03.* to 2099-"):
        judged(made, place, "ieee519-2022", quantities=["voltage_thd"])


def test_the_lightest_load_is_named_for_several_time_bases_too() -> None:
    place = site(supply={"nominal_voltage": "480 V", "connection": "delta", "frequency": "60 Hz"})
    columns = {f"voltage.{pair} [V]": np.full(WEEK, 480.0) for pair in ("ab", "bc", "ca")}
    columns |= {"voltage_deviation_unbalance [%]": np.full(WEEK, 1.0), "current.a [A]": np.arange(WEEK) + 5.0}
    finer = {name: np.repeat(values, 2) for name, values in columns.items()}
    found = judged(streams((0, 600, columns), (7, 300, finer)), place, "ansi-c84.1-2020",
                   quantities=["voltage_deviation_unbalance"])  # fmt: skip
    assert any(each.reason is not None and "lightest load" in each.reason.text for each in found)


def test_a_week_that_only_a_coarser_stream_saw_is_named() -> None:
    """Two values over 15 min hold three of 10 min: a mean outside proves one of them outside, never all inside."""
    for value, count, verdict, code in (
        (9, 672, Verdict.FAIL, "proven-by-bound"), (3, 672, Verdict.INCONCLUSIVE, "wrong-interval"),
        (14, 400, Verdict.FAIL, "proven-by-bound"), (14, 40, Verdict.INCONCLUSIVE, "wrong-interval"),
    ):  # fmt: skip
        made = streams((0, 600, thd(2, WEEK)), (7, 900, thd(value, count)))
        found = judged(made, SINGLE, EN, quantities=["voltage_thd"])
        assert of_weeks(found, "thd-week-95") == [Verdict.PASS, verdict], (value, count)
        assert found[1].reason is not None and found[1].reason.code == code


def test_a_week_that_only_extremes_saw_is_judged_by_them() -> None:
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"},
                 recording={"extremes_of": "200 ms"})  # fmt: skip
    extremes = {"voltage.an.min [V]": np.full(672, 180.0), "voltage.an.max [V]": np.full(672, 190.0)}
    made = streams((0, 600, {"voltage.an [V]": np.full(WEEK, 230.0)}), (7, 900, extremes))
    found = judged(made, place, EN, quantities=["voltage"])
    assert of_weeks(found, "voltage-week-95") == [Verdict.PASS, Verdict.FAIL]
    assert found[1].reason is not None


def test_orders_in_other_units_are_brought_to_one() -> None:
    volts = {"voltage_harmonic.an.h5 [V]": np.full(WEEK, 11.5), "voltage_harmonic.an.h1 [V]": np.full(WEEK, 230.0)}
    percent = {"voltage_harmonic.an.h5 [%]": np.full(10 * WEEK, 7.0)}
    found = judged(streams((0, 600, volts), (7, 60, percent)), SINGLE, EN, quantities=["voltage_harmonic"])
    weeks = [each for each in found if each.rule == "harmonics-week-95" and each.order == 5]
    assert [each.verdict for each in weeks] == [Verdict.PASS, Verdict.FAIL]
    values = [each.statistic.value for each in weeks if each.statistic is not None]
    assert values == pytest.approx([5.0, 7.0])


def test_flicker_is_taken_from_short_and_long_term_values() -> None:
    short, long = {"flicker_pst.an [1]": np.full(WEEK, 0.5)}, {"flicker_plt.an [1]": np.full(84, 1.5)}
    found = judged(streams((0, 600, short), (7, 7200, long)), SINGLE, EN, quantities=["flicker_plt"])
    assert of_weeks(found, "plt-week-95") == [Verdict.PASS, Verdict.FAIL]
    assert "cubic mean of twelve" in found[0].title and "cubic mean" not in found[1].title
    both = one(judged(streams((0, 600, short), (0, 7200, long)), SINGLE, EN, quantities=["flicker_plt"]), "plt-week-95")
    assert both.verdict is Verdict.REFUSED and both.reason is not None and "is 1.5 by" in both.reason.text


def test_values_off_the_grid_of_the_others_keep_their_rows() -> None:
    # Three minutes past: the value counts for the slot in which it begins, and its row is named.
    made = streams((0, 600, thd(2, 500)), ((500 * 600 + 180) / 86400, 600, thd(9, 500)))
    found = one(judged(made, SINGLE, EN, quantities=["voltage_thd"]), "thd-week-95")
    assert found.intervals is not None and (found.intervals.valid, found.intervals.outside) == (1000, 500)
    assert [(span.first, span.last) for span in found.windows[0].rows] == [(2, 501)]


def test_single_precision_values_stay_the_decimals_that_were_written() -> None:
    parts = [(day, step, {"voltage.an [V]": np.full(count, 253.1, np.float32)})
             for day, step, count in ((0, 600, 504), (3.5, 300, 1008))]  # fmt: skip
    found = one(judged(streams(*parts), SINGLE, EN, quantities=["voltage"]), "voltage-week-95")
    assert found.statistic is not None and found.statistic.value == pytest.approx(253.1, abs=1e-5)
    same = [(day, 600, {"voltage.an [V]": np.full(504, 253.1, np.float32)}) for day in (0, 3.5)]
    found = one(judged(streams(*same), SINGLE, EN, quantities=["voltage"]), "voltage-week-95")
    assert found.statistic is not None and found.statistic.value == 253.1


@pytest.mark.parametrize(
    ("fine", "verdict"), [(2.0, Verdict.PASS), (2.6, Verdict.PASS), (2.7, Verdict.REFUSED), (9.0, Verdict.REFUSED)]
)
def test_two_time_bases_over_one_week_must_agree(fine: float, verdict: Verdict) -> None:
    made = streams((0, 600, thd(2, WEEK)), (0, 60, thd(fine, 10 * WEEK)))
    found = one(judged(made, SINGLE, EN, quantities=["voltage_thd"]), "thd-week-95")
    assert found.verdict is verdict
    if verdict is Verdict.REFUSED:
        assert found.reason is not None and found.reason.code == "sources-disagree"
        assert f"{fine:g} %" in found.reason.text and "2 %" in found.reason.text


@pytest.mark.parametrize(("volts", "refused"), [(232.0, False), (233.0, True)])
def test_voltages_may_differ_by_one_percent_of_nominal(volts: float, refused: bool) -> None:
    made = streams(
        (0, 600, {"voltage.an [V]": np.full(WEEK, 230.0)}), (0, 60, {"voltage.an [V]": np.full(10 * WEEK, volts)})
    )
    found = one(judged(made, SINGLE, EN, quantities=["voltage"]), "voltage-week-95")
    assert (found.verdict is Verdict.REFUSED) is refused


def test_a_declared_instrument_narrows_what_may_differ() -> None:
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}, instrument={"class": "A"})
    made = streams(
        (0, 600, {"voltage.an [V]": np.full(WEEK, 230.0)}), (0, 60, {"voltage.an [V]": np.full(10 * WEEK, 231.0)})
    )
    assert one(judged(made, place, EN, quantities=["voltage"]), "voltage-week-95").verdict is Verdict.REFUSED


def test_a_disagreement_in_one_of_several_weeks_refuses_that_week() -> None:
    fine = np.repeat([2.0, 2.0, 9.0], 10 * WEEK)
    made = streams((0, 600, thd(2, 3 * WEEK)), (0, 60, {"voltage_thd.an [%]": fine}))
    found = judged(made, SINGLE, EN, quantities=["voltage_thd"])
    assert of_weeks(found, "thd-week-95") == [Verdict.PASS, Verdict.PASS, Verdict.REFUSED]


@pytest.mark.parametrize(("count", "verdict"), [(3, Verdict.PASS), (50, Verdict.PASS), (51, Verdict.REFUSED)])
@pytest.mark.parametrize("coarse_is_worse", [True, False])
def test_values_that_contradict_each_other_are_unknown(count: int, verdict: Verdict, coarse_is_worse: bool) -> None:
    """Fewer than half of the values leave the medians alone; a pass must hold whichever of the two is right."""
    usual, odd = np.full(WEEK, 2.0), np.full(WEEK, 2.0)
    odd[300 : 300 + count] = 12.5
    coarse, fine = (odd, usual) if coarse_is_worse else (usual, odd)
    parts = [(0.0, 600.0, {"voltage_thd.an [%]": coarse}), (0.0, 60.0, {"voltage_thd.an [%]": np.repeat(fine, 10)})]
    (finding,) = judged(streams(*parts), SINGLE, EN, quantities=["voltage_thd"])
    assert finding.verdict is verdict
    if verdict is Verdict.REFUSED:
        assert finding.reason is not None and finding.reason.code == "sources-disagree"
        assert f"{count} of {WEEK} common values" in finding.reason.text


@pytest.mark.parametrize(("column", "implied"), [(3.0, "1200 A"), (9.0, None), (12.0, "300 A")])
def test_a_recorded_demand_distortion_is_held_against_the_orders(column: float, implied: str | None) -> None:
    table = {"current_tdd.a [%]": np.full(WEEK, column)}
    table |= {f"current_harmonic.a.h{order} [A]": np.full(WEEK, 36 / 7) for order in range(2, 51)}
    found = one(
        judged(streams((0, 600, table)), site(pcc=PCC), "ieee519-2022", quantities=["current_tdd"]),
        "tdd-week-99", phase="a",
    )  # fmt: skip
    if implied is None:
        assert found.verdict is Verdict.PASS
    else:
        assert found.verdict is Verdict.REFUSED and found.reason is not None
        assert found.reason.code == "sources-disagree"
        assert implied in found.reason.text and "400 A is declared" in found.reason.text


@pytest.mark.parametrize(("column", "refused"), [(3.0, True), (12.0, False)])
def test_some_of_the_orders_can_only_show_that_a_total_is_too_small(column: float, refused: bool) -> None:
    table = {"voltage_thd.an [%]": np.full(WEEK, column)}
    table |= {f"voltage_harmonic.an.h{order} [%]": np.full(WEEK, 3.0) for order in (3, 5, 7, 9, 11)}
    table["voltage.an [V]"] = np.full(WEEK, 230.0)
    found = one(judged(streams((0, 600, table)), SINGLE, EN, quantities=["voltage_thd"]), "thd-week-95")
    assert (found.verdict is Verdict.REFUSED) is refused


def test_time_bases_without_a_common_rule_interval_are_compared_too() -> None:
    # 10 and 15 min: only the first serves the rule; both make 30 min.
    made = streams((0, 600, thd(2, WEEK)), (0, 900, thd(9, 672)))
    found = one(judged(made, SINGLE, EN, quantities=["voltage_thd"]), "thd-week-95")
    assert found.verdict is Verdict.REFUSED and found.reason is not None
    assert "336 common values" in found.reason.text
    agreed = streams((0, 600, thd(2, WEEK)), (0, 900, thd(2, 672)))
    assert one(judged(agreed, SINGLE, EN, quantities=["voltage_thd"]), "thd-week-95").verdict is Verdict.PASS


def test_a_disagreement_reaches_every_rule_about_the_quantity() -> None:
    # Only the daily rule on 3 s values rests on one stream alone.
    made = streams((0, 600, thd(2, WEEK)), (0, 3, thd(9, 200 * WEEK)))
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}, pcc={"is_pcc": True})
    found = judged(made, place, "ieee519-2022", quantities=["voltage_thd"])
    assert {each.verdict for each in found} == {Verdict.REFUSED}
    assert {each.rule for each in found} == {"voltage-thd-day-99", "voltage-thd-week-95"}


PIECES = st.lists(
    st.tuples(st.integers(1, 200), st.sampled_from([60, 120, 200, 300, 600]), st.floats(-20, 20)),
    min_size=1,
    max_size=7,
)


@settings(max_examples=60, deadline=None)
@given(pieces=PIECES, order=st.randoms(use_true_random=False), outside=st.integers(0, 120))
def test_splitting_a_recording_into_time_bases_changes_no_verdict(
    pieces: list[tuple[int, int, float]], order: Any, outside: int
) -> None:
    slots = sum(count for count, _, _ in pieces)
    ten = np.concatenate([np.full(count, 230.0 + change) for count, _, change in pieces])
    ten[:: max(1, slots // max(outside, 1))] = 200.0
    whole = streams((0, 600, {"voltage.an [V]": ten}))
    bases: dict[int, list[tuple[int, Any]]] = {}
    first = 0
    for count, step, _ in pieces:
        bases.setdefault(step, []).append((first, np.repeat(ten[first : first + count], 600 // step)))
        first += count
    # As the reader hands it over: one stream for each interval, with nothing where another was in use.
    parts = []
    for step, held in bases.items():
        begin, per = held[0][0], 600 // step
        end = held[-1][0] * per + len(held[-1][1])
        values = np.full(end - begin * per, np.nan)
        for place, part in held:
            values[place * per - begin * per : place * per - begin * per + len(part)] = part
        parts.append((begin / 144, float(step), {"voltage.an [V]": values}))
    order.shuffle(parts)
    for expected, found in zip(
        judged(whole, SINGLE, EN, quantities=["voltage"]),
        judged(streams(*parts), SINGLE, EN, quantities=["voltage"]),
        strict=True,
    ):
        assert (found.id, found.verdict, found.intervals, found.proven) == (
            expected.id, expected.verdict, expected.intervals, expected.proven,
        )  # fmt: skip
        assert [(each.start, each.end, each.intervals) for each in found.windows] == [
            (each.start, each.end, each.intervals) for each in expected.windows
        ]


@settings(max_examples=40, deadline=None)
@given(
    gaps=st.lists(st.tuples(st.integers(0, 990), st.integers(1, 60)), max_size=6),
    high=st.integers(0, 110),
    seed=st.integers(0, 99),
)
def test_what_one_recorder_missed_comes_from_the_other(
    gaps: list[tuple[int, int]], high: int, seed: int
) -> None:
    # Two recorders side by side, each with its own gaps: a slot is missing only where both were away.
    chance = np.random.default_rng(seed)
    ten = 230 + chance.normal(0, 1, WEEK)
    ten[chance.permutation(WEEK)[:high]] = 260.0
    fine, coarse = np.repeat(ten, 10), ten.copy()
    for number, (first, count) in enumerate(gaps):
        if number % 2:
            fine[first * 10 + 3 : (first + count) * 10 - 4] = np.nan
        else:
            coarse[first : first + count] = np.nan
    made = streams((0, 600, {"voltage.an [V]": coarse}), (0, 60, {"voltage.an [V]": fine}))
    found = one(judged(made, SINGLE, EN, quantities=["voltage"]), "voltage-week-95")
    held = ~np.isnan(coarse) | (~np.isnan(fine)).reshape(-1, 10).all(axis=1)
    assert found.intervals is not None
    assert found.intervals.valid == np.count_nonzero(held)
    assert found.intervals.outside == np.count_nonzero(held & (ten == 260.0))


def csv_of(first_slot: int, step: int, ten: Any) -> list[str]:
    """Rows of ten-minute values, each written 600 / step times, `step` seconds apart."""
    begin = datetime.fromisoformat(FIRST) + timedelta(minutes=10 * first_slot)
    values = np.repeat(ten, 600 // step)
    return [
        f"{(begin + timedelta(seconds=step * number)).strftime('%Y-%m-%dT%H:%M:%SZ')},{value:.2f}"
        for number, value in enumerate(values)
    ]


@pytest.mark.parametrize("seed", range(6))
def test_one_file_or_many_at_any_interval_give_the_same_findings(seed: int, tmp_path: Path) -> None:
    chance = np.random.default_rng(seed)
    ten = 230 + np.round(chance.normal(0, 1, WEEK + 300), 2)
    ten[chance.permutation(len(ten))[: int(chance.integers(0, 120))]] = 260.0
    cuts = sorted({0, len(ten), *chance.integers(20, len(ten) - 20, 3).tolist()})
    steps = chance.permutation([60, 120, 300, 600])
    parts = [csv_of(a, int(step), ten[a:b]) for a, b, step in zip(cuts, cuts[1:], steps, strict=False)]
    whole = [csv_of(0, 60, ten)]

    def findings(files: list[list[str]]) -> list[Any]:
        paths = []
        for number, rows in enumerate(files):
            paths.append(tmp_path / f"part{number}.csv")
            paths[-1].write_text("\n".join(["time,voltage.an [V]", *rows]) + "\n", encoding="utf-8")
        found = judged(read(paths), SINGLE, EN, quantities=["voltage"])
        return sorted((each.id, each.verdict, each.intervals, each.proven) for each in found)

    expected = findings(whole)
    assert findings(parts) == expected
    assert findings(parts[::-1]) == expected
    assert findings([[row for part in parts for row in part]]) == expected


SPAN = st.tuples(st.integers(0, 60), st.integers(1, 40)).map(lambda pair: (pair[0], pair[0] + pair[1]))


@given(spans=st.lists(SPAN, max_size=5), start=st.integers(0, 60), step=st.integers(1, 7), count=st.integers(1, 12))
def test_what_an_axis_covers_beyond_spans(spans: list[tuple[int, int]], start: int, step: int, count: int) -> None:
    covered = {place for first, last in spans for place in range(first, last)}
    assert sum(last - first for first, last in joined(spans)) == len(covered)
    free = [place not in covered for place in range(start, start + step * count)]
    longest = max(map(len, "".join("x" if each else " " for each in free).split()), default=0)
    assert reaches_beyond(Axis(start, step, count), spans) is (longest >= step)


@pytest.mark.parametrize(("shown", "verdict"), [("401 V", Verdict.REFUSED), ("386 V", Verdict.PASS)])
def test_a_recorded_unbalance_is_held_against_the_line_voltages(shown: str, verdict: Verdict) -> None:
    """386, 386 and 401 V have an unbalance of 2.6 % (negative over positive sequence), not the 0.5 % of the column."""
    rng = np.random.default_rng(5)
    level = {"ab": 386.0, "bc": 386.0, "ca": float(shown.split()[0])}
    columns = {f"voltage.{line} [V]": volts + 0.2 * rng.standard_normal(WEEK) for line, volts in level.items()}
    columns["negative_sequence_unbalance [%]"] = 0.5 + 0.05 * rng.standard_normal(WEEK)
    place = site(supply={"nominal_voltage": "400 V", "connection": "wye"})
    found = judged(recording(columns), place, EN, quantities=["negative_sequence_unbalance"])
    assert of_weeks(found, "unbalance-week-95") == [verdict]


@pytest.mark.parametrize(("window", "verdict"), [("7 min", Verdict.INCONCLUSIVE), ("5 min", Verdict.PASS)])
def test_extremes_prove_only_what_their_window_divides(window: str, verdict: Verdict) -> None:
    """Every mean over 7 min may lie inside while one over 10 min does not; two of 5 min make one of 10."""
    place = site(supply={"nominal_voltage": "230 V", "connection": "single-phase"}, recording={"extremes_of": window})
    rng = np.random.default_rng(6)
    columns = {f"voltage_thd.an.{reading} [%]": level + 0.1 * rng.standard_normal(672)
               for reading, level in (("min", 2.0), ("max", 4.0))}
    found = judged(recording(columns, interval_s=900), place, EN, quantities=["voltage_thd"])
    assert of_weeks(found, "thd-week-95") == [verdict]
