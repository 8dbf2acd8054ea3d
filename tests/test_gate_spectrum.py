"""Spectra of a design: what is read, what is refused, and how one spectrum is judged."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pqcheck import check
from pqcheck.judge.steady_state import judge_steady
from pqcheck.limit_tables import load_table
from pqcheck.model.errors import InputError, SiteError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import site_from
from pqcheck.site.scenario import judged_site
from tests.design import PERCENT, SITE, WEEK_95, percent, shares, site, write

AMPERES = "current_harmonic [A rms]"
ROOT = math.sqrt(2)


def of(findings: Findings, order: int | None, rule: str = WEEK_95, phase: str = "a") -> Finding:
    found = [one for one in findings.findings if (one.rule, one.order, one.phase) == (rule, order, phase)]
    assert len(found) == 1, [one.id for one in found]
    return found[0]


def amperes(header: str, size: float = 1.0, last: int = 50) -> dict[str, list[float]]:
    found = shares(10.4, last)
    return {"order": [float(order) for order in found], header: [value * 6 * size for value in found.values()]}


# Reading.


def test_percent_of_a_declared_fundamental_becomes_amperes_exactly() -> None:
    # 10.4 % of 600 A; in binary arithmetic 0.104 * 600 is 62.4 only after rounding, so a decimal has to do it.
    found = of(check(percent(10.4), SITE), 7)
    assert found.statistic is not None and found.limit is not None
    assert (found.statistic.value, found.limit.high, found.statistic.unit) == (62.4, 60.0, "A")
    assert found.verdict is Verdict.FAIL


@pytest.mark.parametrize(("header", "size"), [
    ("current_harmonic [A rms]", 1.0), ("current_harmonic [A peak]", ROOT), ("current [kA rms]", 0.001),
    ("current_harmonic [mA pk]", 1000 * ROOT), ("amplitude [A rms]", 1.0),
])  # fmt: skip
def test_amplitudes_are_brought_to_rms_amperes(header: str, size: float) -> None:
    found = of(check(amperes(header, size), SITE), 7)
    assert found.statistic is not None and found.statistic.value == pytest.approx(62.4, rel=1e-12)


def test_the_scenario_declares_peak_where_the_header_does_not() -> None:
    found = of(check(amperes("current_harmonic [A]", ROOT), site(amplitudes="peak")), 7)
    assert found.statistic is not None and found.statistic.value == pytest.approx(62.4, rel=1e-12)
    said = check(amperes("current_harmonic [A rms]"), site(amplitudes="peak"))
    assert of(said, 7).statistic == of(check(amperes(AMPERES), SITE), 7).statistic


def test_undeclared_amperes_stop_the_run_where_nothing_else_answers() -> None:
    with pytest.raises(InputError, match=r"does not say whether its amplitudes are rms or peak.*1\.414.*amplitudes ="):
        check(amperes("current_harmonic [A]"), SITE)


def test_undeclared_amperes_beside_percentages_are_refused_and_the_percentages_judged() -> None:
    both = {**percent(10.4), "current_harmonic [A]": amperes("x", ROOT)["x"]}
    found = check(both, SITE)
    assert of(found, 7).statistic == of(check(percent(10.4), SITE), 7).statistic
    doubts = [one for one in found.findings if one.kind == "recording" and one.verdict is Verdict.REFUSED]
    assert {one.phase for one in doubts} == {"a", "b", "c"}
    assert all(one.reason is not None and one.reason.code == "rms-or-peak-undeclared" for one in doubts)
    # A doubt about a column that no verdict rests on does not reach the exit code.
    assert check({**percent(9.0), "current_harmonic [A]": [1.0] * 50}, SITE).exit_status is ExitStatus.PASSED


@pytest.mark.parametrize(("first", "size", "hint"), [
    (600.0, ROOT, r"order 7 is 88.2469 A in one and 62.4 A \(10.4 % of 600 A\) in the other, a factor of 1.414, as if "
                  "peak values were labelled rms"),
    (600.0, 2.0, r"order 7 is 124.8 A in one and 62.4 A \(10.4 % of 600 A\) in the other, a factor of 2; correct the"),
    (600.0 * ROOT, ROOT, "order 1 is 848.528, 1.414 times the declared fundamental of 600, as if"),
])  # fmt: skip
def test_amperes_and_percentages_of_two_spectra_are_refused(first: float, size: float, hint: str) -> None:
    values = [first, *[value * 6 * size for order, value in shares(10.4).items() if order > 1]]
    with pytest.raises(InputError, match=hint):
        check({**percent(10.4), AMPERES: values}, SITE)


def test_amperes_and_percentages_of_one_spectrum_agree() -> None:
    rounded = [round(value * 6, 1) for value in shares(10.4).values()]
    assert of(check({**percent(10.4), AMPERES: rounded}, SITE), 7).statistic.value == 62.4  # type: ignore[union-attr]


NOMINAL, VOLTS, SHARE = (f"voltage_harmonic [{unit}]" for unit in ("% of nominal", "V rms", "% of fundamental"))
VOLTAGES = {**SITE, "limits": {"apply": ["ieee519-2022"], "quantities": ["voltage_harmonic", "voltage_thd"]}}


def orders(first: float, h5: float, others: float = 0.1) -> list[float]:
    """An order a row, 1 to 50."""
    return [first, *[others] * 3, h5, *[others] * 45]


@pytest.mark.parametrize(("columns", "words"), [
    ({NOMINAL: orders(100, 20), VOLTS: orders(277, 0.1)}, r"order 5 is 0.1 V in one and 55.4 V \(20 % of 277 V\)"),
    ({NOMINAL: orders(100, 0.1), VOLTS: orders(277, 55.4)}, "order 5 is 55.4 V in one and 0.277 V"),
    ({NOMINAL: orders(1, 0.02, 0.001), VOLTS: orders(277, 5.54)}, "order 1 is 277 V in one and 2.77 V"),
    # Many orders agree and one does not: the middle of the ratios would say nothing.
    ({SHARE: orders(100, 3, 2), VOLTS: orders(277, 27.7, 5.54)}, "order 5 is 27.7 V in one and 8.31 V"),
    ({SHARE: orders(100, 3, 2), VOLTS: orders(277, 0, 5.54)}, r"order 5 is 0 V .* in the other; correct"),
    # Without volts the two columns of percentages answer for each other: 100 % of nominal is 277 V.
    ({SHARE: orders(100, 20), NOMINAL: orders(100, 0.1)}, "order 5 is 0.277 V in one and 55.4 V"),
])  # fmt: skip
def test_columns_that_contradict_each_other_stop_the_run(columns: dict[str, list[float]], words: str) -> None:
    with pytest.raises(InputError, match=f"voltage_harmonic.an: two columns contradict each other: {words}"):
        check({"order": list(range(1, 51)), **columns}, VOLTAGES)


def test_columns_that_agree_but_for_their_rounding_are_one_spectrum() -> None:
    columns = {NOMINAL: orders(100, 2.1), SHARE: orders(100, 2.1), VOLTS: orders(277, 5.7, 0.3)}
    assert check({"order": list(range(1, 51)), **columns}, VOLTAGES).exit_status is ExitStatus.PASSED


def test_what_percentages_refer_to() -> None:
    order, share = percent(10.0)["order"], percent(10.0)[PERCENT]
    share_of_load = site(fundamental_current=None, nonlinear_share="60 %")
    first = of(check({"order": order, PERCENT: share}, share_of_load), 7)
    assert first.statistic is not None and first.statistic.value == 36.0  # 10 % of 60 % of 600 A
    column = {"order": order, PERCENT: share, "fundamental [A rms]": [450.0] * 50}
    assert of(check(column, SITE), 7).statistic.value == 45.0  # type: ignore[union-attr]
    table = {"order": order, PERCENT: share, AMPERES: [500.0, *[float("nan")] * 49]}
    assert of(check(table, SITE), 7).statistic.value == 50.0  # type: ignore[union-attr]


def test_percentages_of_an_undeclared_fundamental_are_not_judged() -> None:
    found = check(percent(10.4), site(fundamental_current=None))
    asked = [one for one in found.findings if one.required]
    assert {one.verdict for one in asked} == {Verdict.INCONCLUSIVE}
    assert found.exit_status is ExitStatus.NOT_SHOWN


def test_an_empty_cell_is_missing_and_a_zero_is_zero() -> None:
    table = percent(5.0)
    table[PERCENT][1::2] = [float("nan")] * 25
    found = of(check(table, SITE), None)
    assert found.verdict is Verdict.INCONCLUSIVE and found.reason is not None
    assert found.reason.code == "orders-missing"
    assert "2, 4, 6" in found.reason.text or "2 to 50" in found.reason.text
    table[PERCENT][1::2] = [0.0] * 25
    assert check(table, SITE).exit_status is ExitStatus.PASSED


def test_a_distortion_from_too_few_orders_can_fail_and_never_pass() -> None:
    low = of(check(percent(5.0, last=25), SITE), None, "tdd-week-95")
    assert low.verdict is Verdict.INCONCLUSIVE and low.reason is not None and low.reason.code == "orders-missing"
    high = of(check(percent(9.0, last=25, h5=9.0), SITE), None, "tdd-week-95")
    assert high.verdict is Verdict.FAIL  # sqrt(81 + 81) = 12.7 % against 12 % (IEEE 519 Table 2, row 50 < 100)


def test_several_points_and_a_row_per_phase(tmp_path: Path) -> None:
    lines = ["operating_point;phase;order;amplitude [A rms]"]
    for point, size in (("half", 0.5), ("full", 1.0)):
        for phase in ("L1", "L2", "L3"):
            lines += [f"{point};{phase};{h};{str(v * 6 * size).replace('.', ',')}" for h, v in shares(10.4).items()]
    path = tmp_path / "points.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    found = check(path, SITE)
    failed = {one.id for one in found.findings if one.verdict is Verdict.FAIL}
    assert failed == {f"ieee519-2022/{WEEK_95}/current_harmonic.{phase}.h7@full" for phase in "abc"}
    seventh = next(one for one in found.findings if one.id.endswith("a.h7@full") and one.rule == WEEK_95)
    assert seventh.snapshot is not None
    (row,) = seventh.snapshot.rows
    assert lines[row.first - 1].startswith("full;L1;7;")


def test_files_are_operating_points_by_their_names(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"{name}.csv", percent(h7)) for name, h7 in (("idle", 3.0), ("rated", 10.4))]
    found = check(paths, SITE)
    assert {one.snapshot.operating_point for one in found.findings if one.snapshot} == {"idle", "rated"}
    assert {one.snapshot.operating_point for one in found.findings  # type: ignore[union-attr]
            if one.verdict is Verdict.FAIL} == {"rated"}  # fmt: skip


def test_mapped_headers(tmp_path: Path) -> None:
    table = {"Harm.": percent(10.4)["order"], "Ih": [v * 6 for v in shares(10.4).values()]}
    mapped = {**SITE, "recording": {"columns": {"Harm.": "order", "Ih": "current_harmonic.a [A rms]"}}}
    assert of(check(write(tmp_path / "x.csv", table), mapped), 7).verdict is Verdict.FAIL


def test_orders_that_no_rule_judges_are_named() -> None:
    table = percent(5.0)
    more = {"order": [0.0, *table["order"], 51.0], PERCENT: [0.0, *table[PERCENT], 0.1]}
    found = check(more, SITE)
    assert found.exit_status is ExitStatus.PASSED
    assert any("orders 0, 51" in remark for remark in found.remarks)


BAD: list[tuple[str, str]] = [
    ("order,L1\n1,100\n5,31\n", "has no unit, so its numbers may be amperes or percent, rms or peak"),
    ("order,L1 [%]\n1,100\n", "says neither current nor voltage"),
    ("order,current_harmonic.a [A rms]\n5,1\n5,2\n", r"row 3: order 5 is given twice .* \(first in row 2\)"),
    ("order,current_harmonic.a [A rms]\n4.98,1\n", "order '4.98' is not a whole number"),
    ("order,current_harmonic.a [A rms]\nfive,1\n", "order 'five' is not a whole number"),
    ("order,current_harmonic.a [A rms]\n5,abc\n", "row 2, column 'current_harmonic.a .A rms.': 'abc' is not a number"),
    ("order,current_harmonic.a [A rms]\n5,inf\n", "'inf' is not a number"),
    ("order,current_harmonic.a [A rms]\n5,-3\n", "an amplitude cannot be negative"),
    ("order,current_harmonic.x [A rms]\n5,3\n", "'x' is not a phase of current_harmonic"),
    ("order,current_harmonic.a [W]\n5,3\n", "'W' is not a unit of a spectrum"),
    ("order,current_harmonic.a [V rms]\n5,3\n", "V is not a unit of current_harmonic"),
    ("order,current_harmonic.a [% of rms]\n5,3\n", "percent of the rms value"),
    ("order,current_harmonic.a [A rms],L1 [A rms]\n5,3,3\n", "hold the same amplitudes"),
    ("order,h,L1 [A rms]\n5,3,3\n", "both hold the order"),
    ("order,angle [deg]\n5,3\n", "none of amplitudes"),
    ("order,current_harmonic.a [A rms]\n", "holds a header and no rows"),
    ("order,current_harmonic.a [A rms]\n99,1\n", "holds no order from 1 to 50"),
    ("order,current_harmonic.a [A rms]\n5,1,2,3\n", "row 2 has 4 cells and the header 2"),
    ("order,current_harmonic.a [% of fundamental]\n1,71\n5,20\n", "order 1 is 71 %"),
    ("order,operating_point,current_harmonic.a [A rms]\n5,,2\n", "names no operating point"),
    ("order,phase,amplitude [A rms]\n5,X9,2\n", "'X9' is not a phase"),
]


@pytest.mark.parametrize(("text", "sentence"), BAD, ids=[sentence[:30] for _, sentence in BAD])
def test_bad_tables_are_refused_in_one_sentence(text: str, sentence: str, tmp_path: Path) -> None:
    path = tmp_path / "spectrum.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=sentence) as caught:
        check(path, SITE)
    assert "\n" not in str(caught.value)


POINTS = "operating_point,order,current_harmonic.a [A rms],current_harmonic.a.angle [deg]\n"


@pytest.mark.parametrize("row", ["#3 full,7,90,12", "# 3 full,7,90,12", "#3 full,7,90", "#,7,90,", "# 3 full,h7,9e1,-"])
def test_a_row_that_starts_like_a_comment_is_not_dropped(row: str, tmp_path: Path) -> None:
    path = tmp_path / "spectrum.csv"
    path.write_text(f"{POINTS}full,1,600,0\n{row}\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"spectrum\.csv, row 3 starts with # and holds an order and an amplitude, so"):
        check(path, site(balanced=None))


def test_the_name_in_quotes_is_a_row_and_a_comment_is_a_comment(tmp_path: Path) -> None:
    path = tmp_path / "spectrum.csv"
    comments = "# from the model of March, order 7, 90 A, with the new filter\n#\n# a,b,c,d\n# 7\n# full,7,-,\n"
    path.write_text(f"{comments}{POINTS}{comments}'full',1,600,0\n".replace("'full'", '"#3 full"'), encoding="utf-8")
    found = check(path, site(balanced=None))
    assert {one.snapshot.operating_point for one in found.findings if one.snapshot} == {"#3 full"}
    # Where orders come first, the mark stands before the order.
    path.write_text("order,current_harmonic.a [A rms]\n1,600\n#7,90\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"row 3 starts with # .* put '#7' in double quotes"):
        check(path, site(balanced=None))


def test_a_column_for_all_phases_has_to_be_declared_so() -> None:
    with pytest.raises(InputError, match=r"names no phase.*balanced = true"):
        check(percent(5.0), site(balanced=None))


def test_one_point_in_two_files(tmp_path: Path) -> None:
    table = {**percent(5.0), "operating_point": ["full"] * 50}
    paths = [write(tmp_path / name, table) for name in ("a.csv", "b.csv")]
    with pytest.raises(InputError, match="operating point 'full' is in more than one file"):
        check(paths, SITE)


def test_a_spectrum_and_a_recording_are_not_mixed(tmp_path: Path) -> None:
    spectrum = write(tmp_path / "a.csv", percent(5.0))
    trend = write(tmp_path / "b.csv", {"time": ["2031-03-03T00:00:00Z"], "voltage.an [V]": [230]})
    with pytest.raises(InputError, match=r"b\.csv is no spectrum table while others are"):
        check([spectrum, trend], SITE)


# Scenario.


def test_the_virtual_pcc_stands_in_for_the_pcc() -> None:
    # Reference case story_18: at the terminals of a drive IEEE 519 does not apply; a declared scenario makes it a
    # yardstick.
    plain = {key: value for key, value in SITE.items() if key != "scenario"}
    plain["scenario"] = {"balanced": True, "fundamental_current": "600 A"}
    found = check(percent(10.4), plain)
    assert {one.verdict for one in found.findings if one.kind == "limit"} == {Verdict.NOT_APPLICABLE}
    assert found.exit_status is ExitStatus.NOT_SHOWN
    judged = judged_site(site_from(SITE))
    assert judged.pcc is not None and judged.pcc.is_pcc and judged.supply.measured_at == "service"


def test_every_finding_of_a_scenario_says_that_it_is_internal() -> None:
    found = check(percent(10.4, last=25), SITE)
    limits = [one for one in found.findings if one.kind == "limit"]
    assert limits
    for one in limits:
        assert "internal criterion" in one.title and "no statement of compliance" in one.title
    assert "519 compliant" not in found.to_json()


@pytest.mark.parametrize(("changes", "sentence"), [
    ({"nonlinear_share": "60 %"}, "keep one of them"),
    ({"short_circuit_current": "500 A"}, "is not above maximum_demand_current"),
    ({"nonlinear_share": "160 %", "fundamental_current": None}, "between 0 and 100 %"),
    ({"ampltudes": "rms"}, "did you mean 'amplitudes'"),
    ({"amplitudes": "average"}, "one of rms, peak"),
])  # fmt: skip
def test_a_scenario_that_cannot_be(changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(SiteError, match=sentence):
        site_from(site(**changes))


def test_real_and_virtual_pcc_contradict_each_other() -> None:
    with pytest.raises(SiteError, match="stands in for"):
        site_from({**SITE, "pcc": {"short_circuit_current": "30 kA"}})


def test_exclusions_have_no_meaning_for_a_spectrum() -> None:
    out = {"from": "2031-03-04T10:00:00Z", "to": "2031-03-04T11:00:00Z", "reason": "storm", "author": "x"}
    with pytest.raises(SiteError, match="no meaning for a spectrum"):
        check(percent(5.0), {**SITE, "exclusions": [out]})


# A steady point and the statistics of the rules.


def test_one_spectrum_answers_for_the_whole_period() -> None:
    found = of(check(percent(10.4), SITE), 7)
    assert found.period is None and not found.proven and found.intervals is not None
    assert (found.intervals.expected, found.intervals.outside, found.intervals.allowed) == (1, 1, 0)
    assert found.statistic is not None
    assert (found.statistic.kind, found.statistic.percent, found.statistic.interval_s) == ("share_within", 95, 600)
    assert found.reason is not None and found.reason.code == "steady-point"
    assert "every interval of the week" in found.reason.text


@pytest.mark.parametrize(("statistic", "more"), [
    ("count_at_most", {"count": 3}), ("longest_run_at_most", {"duration_s": Decimal(3600)}), ("share_within", {}),
    ("all_within", {}),
])  # fmt: skip
@pytest.mark.parametrize(("value", "verdict"), [("105", Verdict.FAIL), ("90", Verdict.PASS)])
def test_a_constant_state_outside_breaks_every_statistic(
    statistic: Any, more: dict[str, Any], value: str, verdict: Verdict
) -> None:
    from msgspec.structs import replace

    table = load_table("ieee1547-2018")
    rule = next(one for one in table.rules if one.quantity == "current_harmonic")
    percent_of = {"percent": Decimal(95)} if statistic == "share_within" else {}
    changed = replace(rule, statistic=replace(rule.statistic, kind=statistic, **percent_of, **more))
    place = site_from({**SITE, "pcc": {"rated_current": "2500 A"}})
    channel = Channel("current_harmonic", "a", 5, None, "mean", "A")
    found = judge_steady("full", {channel: Decimal(value)}, {}, [replace(table, rules=(changed,))], judged_site(place))
    fifth = next(one for one in found if one.order == 5)
    assert fifth.verdict is verdict  # 4 % of 2500 A = 100 A
    assert fifth.statistic is not None and fifth.statistic.kind == statistic


def test_equality_passes_or_fails_as_the_table_says() -> None:
    # IEEE 519 writes "less than" (clause 5.1, one source; current from memory): 60 A on 60 A is outside.
    assert of(check(percent(10.0), SITE), 7).verdict is Verdict.FAIL
    assert of(check(percent(9.999999), SITE), 7).verdict is Verdict.PASS
