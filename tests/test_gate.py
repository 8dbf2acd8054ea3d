"""The gate: reference case story_20, baseline, lock, margin, matrix, exit codes, library."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.limit_tables import load_table
from pqcheck.model.errors import GateError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings, Margin, Period
from pqcheck.model.verdict import Verdict
from pqcheck.testing import assert_passes
from pqcheck.workflows.compare_findings import Comparison, as_set_text, compare, read_results
from pqcheck.workflows.hold_margin import tighter
from pqcheck.workflows.run_gate import gate
from tests.design import PERCENT, RULE, SITE, WEEK_95, percent, shares, site, toml, write
from tests.test_waivers import ENTRY, VOLTAGE, text_of, week

YESTERDAY = date(2031, 6, 30)
TODAY = "2031-07-01"


# Reference case story_20, as the command line tells it.


@pytest.fixture
def story(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A simulated spectrum: h7 10.4 % vs 10.0 %, baseline 9.8 %, orders to 25, an amps column that is peak."""
    monkeypatch.chdir(tmp_path)
    peak = [round(value * 6 * 2**0.5, 3) for value in shares(10.4, 25).values()]
    write(tmp_path / "spectrum.csv", {**percent(10.4, 25), "current_harmonic [A]": peak})
    write(tmp_path / "before.csv", percent(9.8, 25))
    (tmp_path / "site.toml").write_text(toml(SITE), encoding="utf-8")
    (tmp_path / "waivers.toml").write_text(text_of({**ENTRY, "expires": YESTERDAY}), encoding="utf-8")
    assert main(["gate", "before.csv", "--site", "site.toml", "--json", "before.json", "--quiet"]) == 3
    return tmp_path


def test_story_20(story: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    arguments = ["gate", "spectrum.csv", "--site", "site.toml", "--waivers", "waivers.toml", "--as-of", TODAY,
                 "--baseline", "before.json", "--out", "now.json"]  # fmt: skip
    assert main(arguments) == 1
    out, err = capsys.readouterr()
    text = " ".join(out.split())
    assert err == ""
    assert "no statement that equipment or a site complies with a standard" in text
    assert "62.4 A (10.4 %), where below 60 A is asked for, 4 % beyond" in text
    assert "new: PASS with 58.8 A in the baseline, margin down by 6 % of the limit" in text
    assert "the waiver up to 10.5 % (63 A) expired on 2031-06-30 (choke saturates; owner filter group" in text
    assert "NOT SHOWN" in text and "Orders 26 to 50" in text
    assert "REFUSED current_harmonic.a" in text and "rms or peak" in text
    findings = json.loads((story / "now.json").read_text(encoding="utf-8"))["findings"]
    failed = [one for one in findings if one["verdict"] == "fail"]
    assert {(one["rule"], one["order"]) for one in failed} == {(WEEK_95, 7)}
    # With a renewed waiver: 3, because orders 26 to 50 are required and not judged.
    (story / "waivers.toml").write_text(text_of(ENTRY | {"expires": date(2031, 12, 31)}), encoding="utf-8")
    assert main(arguments) == 3


def test_story_20_without_percentages(story: Path, capsys: pytest.CaptureFixture[str]) -> None:
    peak = [value * 6 * 2**0.5 for value in shares(10.4, 25).values()]
    write(story / "amps.csv", {"order": percent(1, 25)["order"], "current_harmonic [A]": peak})
    capsys.readouterr()
    assert main(["gate", "amps.csv", "--site", "site.toml", "--out", "amps.json"]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and "rms or peak" in err
    assert not (story / "amps.json").exists()


# Exit codes.


def test_a_fail_wins_over_what_was_not_judged() -> None:
    assert gate(percent(10.4, 25), SITE).exit_status is ExitStatus.FAILED
    assert gate(percent(9.0, 25), SITE).exit_status is ExitStatus.NOT_SHOWN
    assert gate(percent(9.0), SITE).exit_status is ExitStatus.PASSED


def test_a_rule_that_was_not_asked_is_not_silently_left_out() -> None:
    everything = {**SITE, "limits": {"apply": ["ieee519-2022"]}}
    result = gate(percent(5.0), everything)
    assert result.exit_status is ExitStatus.NOT_SHOWN
    open_ = {one.quantity for one in result.results[0].findings if one.verdict is Verdict.INCONCLUSIVE}
    assert open_ == {"voltage_harmonic", "voltage_thd"}
    assert any("Left out" in line for line in gate(percent(5.0), SITE).results[0].remarks)


# Baseline.


def finding(verdict: Verdict, margin: float | None, order: int = 7, week_of: str | None = None) -> Finding:
    return Finding(
        kind="limit", table="t", rule="r", clause="", title="t", quantity="current_harmonic", phase="a", order=order,
        verdict=verdict, channel=f"current_harmonic.a.h{order}",
        margin=None if margin is None else Margin(margin, "A", margin),
        period=None if week_of is None else Period("week", week_of, week_of),
    )  # fmt: skip


def state(before: Finding | None, after: Finding | None, tolerance: float = 0) -> Any:
    sides = [Findings(() if one is None else (one,)) for one in (before, after)]
    (change,) = compare(sides[0], sides[1], tolerance).changes
    return change


PASS, FAIL, WAIVED, OPEN, REFUSED = (
    Verdict.PASS, Verdict.FAIL, Verdict.WAIVED, Verdict.INCONCLUSIVE, Verdict.REFUSED
)  # fmt: skip


@pytest.mark.parametrize(("before", "after", "tolerance", "expected", "red"), [
    ((PASS, 2.0), (FAIL, -4.0), 0, "new", True),
    (None, (FAIL, -4.0), 0, "new", True),
    (None, (PASS, 4.0), 0, "new", False),
    ((WAIVED, -4.0), (FAIL, -4.0), 0, "new", True),        # the waiver expired: not a known failure
    ((OPEN, None), (FAIL, -4.0), 0, "new", True),
    ((FAIL, -4.0), (FAIL, -4.0), 0, "unchanged", False),
    ((FAIL, -4.0), (FAIL, -4.4), 0.5, "unchanged", False),
    ((FAIL, -4.0), (FAIL, -4.5), 0.5, "unchanged", False),  # beyond the tolerance, not on it
    ((FAIL, -4.0), (FAIL, -4.6), 0.5, "worse", True),
    ((FAIL, -4.0), (FAIL, -3.0), 0.5, "better", False),
    ((FAIL, -4.0), (PASS, 1.0), 0, "better", False),
    ((FAIL, -4.0), (WAIVED, -4.0), 0, "better", False),
    ((PASS, 9.0), (PASS, 6.0), 0.5, "worse", False),
    ((PASS, 9.0), (OPEN, None), 0, "worse", False),
    # What is not judged is never better.
    ((FAIL, -4.0), (OPEN, None), 0, "open", False),
    ((FAIL, -4.0), (REFUSED, -1.0), 0, "open", False),
    ((REFUSED, -4.0), (OPEN, None), 0, "open", False),
    ((REFUSED, -4.0), (REFUSED, -1.0), 0, "unchanged", False),
    ((REFUSED, -4.0), (REFUSED, -5.0), 0.5, "worse", False),
    ((REFUSED, -4.0), (PASS, 1.0), 0, "better", False),
    ((PASS, 9.0), None, 0, "gone", False),
    ((PASS, 9.0), (Verdict.NOT_APPLICABLE, None), 0, "gone", False),
    ((Verdict.NOT_APPLICABLE, None), (PASS, 9.0), 0, "new", False),
])  # fmt: skip
def test_states(before: Any, after: Any, tolerance: float, expected: str, red: bool) -> None:
    change = state(before and finding(*before), after and finding(*after), tolerance)
    assert (change.state, change.red) == (expected, red)


def test_the_tolerance_is_compared_in_decimals() -> None:
    # 4.3 - 4.2 is 0.09999999999999964 in binary arithmetic, and 4.2 - 4.1 is 0.10000000000000053.
    for high, low in ((4.3, 4.2), (4.2, 4.1)):
        assert state(finding(PASS, high), finding(PASS, low), 0.1).state == "unchanged"


def test_matched_by_fingerprint_and_never_by_row() -> None:
    first = Findings((finding(PASS, 5.0, 5), finding(FAIL, -1.0, 7), finding(PASS, 9.0, 11)))
    shuffled = Findings((first.findings[2], first.findings[1], first.findings[0]))
    assert {one.state for one in compare(first, shuffled).changes} == {"unchanged"}


def test_the_worst_period_of_each_side_is_compared() -> None:
    before = Findings((finding(PASS, 5.0, week_of="2031-01-06"), finding(PASS, 3.0, week_of="2031-01-13")))
    after = Findings((finding(PASS, 2.0, week_of="2031-03-03"), finding(PASS, 8.0, week_of="2031-03-10")))
    (change,) = compare(before, after).changes
    assert (change.state, change.loss) == ("worse", Decimal("1.0"))


def test_largest_loss_first() -> None:
    before = Findings(tuple(finding(PASS, 10.0, order) for order in (5, 7, 11, 13)))
    after = Findings((finding(PASS, 9.0, 5), finding(PASS, 2.0, 7), finding(PASS, 12.0, 11), finding(OPEN, None, 13)))
    assert [change.shown.order for change in compare(before, after).changes] == [13, 7, 5, 11]


def test_other_rule_sets_are_said_loudly(capsys: pytest.CaptureFixture[str], story: Path) -> None:
    document = json.loads((story / "before.json").read_text(encoding="utf-8"))
    document["limit_tables"][0]["sha256"] = "0" * 64
    (story / "old.json").write_text(json.dumps(document), encoding="utf-8")
    capsys.readouterr()
    arguments = ["gate", "before.csv", "--site", "site.toml", "--baseline", "old.json"]
    assert main(arguments) == 2
    assert "was judged by other limit tables: ieee519-2022 was changed: checksum 0000" in capsys.readouterr().err
    assert main([*arguments, "--baseline-differs"]) == 3
    out = capsys.readouterr().out
    assert "RULE SETS DIFFER from the baseline" in out and "ieee519-2022 was changed: checksum 000000000000" in out


def test_known_failures_stay_visible_and_are_not_red(story: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(story / "known.csv", percent(10.4))
    site_file = ["--site", "site.toml"]
    assert main(["gate", "known.csv", *site_file, "--out", "known.json", "--quiet"]) == 1
    compared = ["--baseline", "known.json", "--fail-on", "new"]
    capsys.readouterr()
    assert main(["gate", "known.csv", *site_file, *compared, "--out", "now.junit.xml", "now.json"]) == 0
    assert "KNOWN FAIL" in capsys.readouterr().out
    assert json.loads((story / "now.json").read_text(encoding="utf-8"))["verdict"] == "fail"
    assert 'failures="0"' in (story / "now.junit.xml").read_text(encoding="utf-8")
    write(story / "worse.csv", percent(10.41))
    assert main(["gate", "worse.csv", *site_file, *compared, "--quiet"]) == 1
    # Known failures excuse nothing that was not judged.
    write(story / "short.csv", percent(10.4, 25))
    assert main(["gate", "short.csv", *site_file, *compared, "--quiet"]) == 3
    # Without --fail-on new every fail is red, known or not.
    assert main(["gate", "known.csv", *site_file, "--baseline", "known.json", "--quiet"]) == 1


def test_a_danger_sign_is_never_a_known_failure() -> None:
    sign = finding(FAIL, None).replaced(kind="safety")
    found = Findings((sign,))
    from pqcheck.workflows.run_gate import GateResult

    comparison = compare(found, found)
    assert comparison.changes[0].state == "unchanged"
    assert GateResult((found,), (comparison,), ({},), fail_on="new").exit_status is ExitStatus.FAILED


@pytest.mark.parametrize(("content", "sentence"), [
    (None, "cannot be read"), ("{", "is not JSON"), ("[]", "no findings file"), ('{"format": "x"}', "no findings file"),
    ('{"format": "pqcheck-findings/1"}', "does not hold together"),
    ('{"format": "pqcheck-findings/1", "findings": [3], "site": {}, "recordings": [], "limit_tables": []}', "be used"),
    ('{"format": "pqcheck-findings-set/1", "results": []}', "holds no results"),
])  # fmt: skip
def test_a_baseline_that_cannot_be_used(
    content: str | None, sentence: str, story: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if content is not None:
        (story / "bad.json").write_text(content, encoding="utf-8")
    capsys.readouterr()
    arguments = ["gate", "spectrum.csv", "--site", "site.toml", "--baseline", "bad.json", "--out", "x.json"]
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and sentence in err and "baseline" in err
    assert not (story / "x.json").exists()


def test_fail_on_new_needs_a_baseline(story: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["gate", "spectrum.csv", "--site", "site.toml", "--fail-on", "new"]) == 2
    assert "needs a baseline" in capsys.readouterr().err


# Margin.


@pytest.mark.parametrize(("h7", "margin", "status"), [
    (9.0, 10, ExitStatus.PASSED),   # 54 A is exactly 10 % below 60 A, and that is what was asked
    (9.01, 10, ExitStatus.FAILED), (9.01, 9.8, ExitStatus.PASSED), (9.01, 0, ExitStatus.PASSED),
    (10.0, 0, ExitStatus.FAILED),   # on the limit: IEEE 519 asks for less than it, margin or not
])  # fmt: skip
def test_the_margin(h7: float, margin: float, status: ExitStatus) -> None:
    result = gate(percent(h7), SITE, margin=margin)
    assert result.exit_status is status
    assert [one["id"] for one in result.results[0].limit_tables] == ["ieee519-2022"]
    assert all(one.table in ("ieee519-2022", "recording") for one in result.results[0].findings)


def test_a_pass_without_the_margin_fails_and_says_so() -> None:
    found = [one for one in gate(percent(9.5), SITE, margin=10).results[0].findings if one.verdict is Verdict.FAIL]
    assert {(one.rule, one.order) for one in found} == {(WEEK_95, 7)}
    assert found[0].reason is not None and found[0].reason.code == "margin"
    assert "57 A is within the limit, but a margin of 10 % is asked for: 54 A" in found[0].reason.text
    assert found[0].limit is not None and found[0].limit.high == 60


def test_the_margin_of_a_band_is_a_share_of_half_its_width() -> None:
    # EN 50160 4.2.2: 230 V +- 10 %, so 207 V to 253 V; 10 % of 23 V leaves 209.3 V to 250.7 V.
    band = tighter(load_table("en50160-2010-lv"), Decimal(10))
    rule = next(one for one in band.rules if one.id == "voltage-week-95")
    assert {(row.low, row.high) for row in rule.rows} == {(Decimal("91"), Decimal("109"))}
    asked = {"limits": {"apply": ["en50160-2010-lv"], "quantities": ["voltage"]}}
    for volts, verdict in ((250.2, Verdict.PASS), (250.8, Verdict.FAIL)):
        result = gate(week((60, volts)), {**VOLTAGE, **asked}, margin=10)
        assert next(one for one in result.results[0].findings if one.rule == rule.id).verdict is verdict


def test_a_margin_that_missing_values_leave_open() -> None:
    # 20 values lie between the tighter and the real limit, 40 are missing: 20 + 40 is more than 50, 0 + 40 is not.
    result = gate(week((20, 252.0), missing=40), VOLTAGE, margin=10)
    found = next(one for one in result.results[0].findings if one.rule == "voltage-week-95")
    assert found.verdict is Verdict.INCONCLUSIVE and found.reason is not None
    assert found.reason.code == "margin-not-shown"
    assert check(week((20, 252.0), missing=40), VOLTAGE).findings[-1].verdict is not None


def test_a_declared_time_criterion_holds_for_the_margin_too() -> None:
    place = {
        "name": "x", "time_zone": "UTC", "supply": {"nominal_voltage": "120 V", "connection": "single-phase"},
        "criteria": [{"table": "ansi-c84.1-2020", "range": "A", "at_least_percent": 95, "period": "week",
                      "policy_of": "the serving utility"}],
        "limits": {"apply": ["ansi-c84.1-2020"], "quantities": ["voltage"]},
    }  # fmt: skip
    data = {**week(), "voltage.an [V]": 120 + 0.1 * (np.arange(1008) % 5)}
    data["voltage.an [V]"][:60] += 5.3
    plain, asked = gate(data, place), gate(data, place, margin=20)
    range_a = [[one for one in result.results[0].findings if one.statistic and one.statistic.percent == 95]
               for result in (plain, asked)]  # fmt: skip
    assert [one.verdict for one in range_a[0]] == [Verdict.PASS]
    assert [one.verdict for one in range_a[1]] == [Verdict.FAIL]


@pytest.mark.parametrize("margin", [-1, 100, 250])
def test_a_margin_that_cannot_be(margin: float) -> None:
    with pytest.raises(GateError, match="from 0 to below 100"):
        gate(percent(5.0), SITE, margin=margin)


# Matrix.


def test_scenarios_and_operating_points_as_a_matrix_worst_first(
    story: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = percent(10.4)
    both = {"operating_point": ["half"] * 50 + ["full"] * 50, "order": table["order"] * 2,
            PERCENT: [value / 2 for value in table[PERCENT]] + table[PERCENT]}  # fmt: skip
    both[PERCENT][0] = 100.0
    write(story / "points.csv", both)
    stiff = site(name="stiff grid", short_circuit_current="90 kA")
    (story / "stiff.toml").write_text(toml(stiff), encoding="utf-8")
    capsys.readouterr()
    assert main(["gate", "points.csv", "--site", "stiff.toml", "site.toml", "--out", "set.json"]) == 1
    lines = capsys.readouterr().out.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("scenario"))
    rows = [line.split("  ") for line in lines[at + 1 : at + 5]]
    assert [(row[0].strip(), [cell for cell in row if cell][1].strip()) for row in rows] == [
        ("weak grid", "full"), ("stiff grid", "full"), ("weak grid", "half"), ("stiff grid", "half"),
    ]  # fmt: skip
    results = read_results("set.json")
    assert [one.site["scenario"]["name"] for one in results] == ["stiff grid", "weak grid"]
    assert as_set_text(results) == (story / "set.json").read_text(encoding="utf-8")
    # The set is a baseline for both, each against its own; a scenario that was not there is new as a whole.
    again = ["--baseline", "set.json", "--fail-on", "new", "--quiet"]
    assert main(["gate", "points.csv", "--site", "stiff.toml", "site.toml", *again]) == 0
    assert main(["gate", "points.csv", "--site", "site.toml", "stiff.toml", *again]) == 0
    # A scenario that is no longer judged is not green, unless that is accepted.
    assert main(["gate", "points.csv", "--site", "site.toml", *again]) == 3
    assert main(["gate", "points.csv", "--site", "site.toml", *again, "--allow-gone"]) == 0


def test_scenarios_need_names_of_their_own(story: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["gate", "spectrum.csv", "--site", "site.toml", "site.toml"]) == 2
    assert "both called 'weak grid'" in capsys.readouterr().err


# Library.


def test_numpy_arrays_and_data_frames_without_touching_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    import pandas

    table = {"order": np.arange(1, 51), PERCENT: np.array(percent(10.4)[PERCENT])}
    expected = check(percent(10.4), SITE).to_json()

    def forbidden(*args: Any, **kwargs: Any) -> Any:
        raise AssertionError("touched disk")

    tables = [load_table("ieee519-2022")]
    monkeypatch.setattr("builtins.open", forbidden)
    monkeypatch.setattr(Path, "open", forbidden)
    monkeypatch.setattr(Path, "read_bytes", forbidden)
    for columns in (table, pandas.DataFrame(table)):
        assert check(columns, SITE, tables).findings == check(percent(10.4), SITE, tables).findings
    monkeypatch.undo()
    assert expected == check(percent(10.4), SITE).to_json()


def test_recordings_over_time_from_memory() -> None:
    import pandas

    arrays = week((60, 255.0))
    frame = pandas.DataFrame({"voltage.an [V]": arrays["voltage.an [V]"]}, index=arrays["time"])
    first, second = gate(arrays, VOLTAGE), gate(frame, VOLTAGE)
    assert first.exit_status is ExitStatus.FAILED
    assert first.results[0].findings == second.results[0].findings


def test_threads_judge_side_by_side() -> None:
    values = [8.0 + 0.1 * number for number in range(24)]
    alone = [check(percent(value), SITE).to_json() for value in values]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(lambda value: check(percent(value), SITE).to_json(), values))
    assert together == alone


def test_assert_passes() -> None:
    assert assert_passes(percent(9.0), SITE, margin=10).verdict is Verdict.PASS
    with pytest.raises(AssertionError) as caught:
        assert_passes(percent(10.4, 25, h5=12.0, h3=11.0), SITE, most=3)
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("RED (exit 1)")
    beyond = [float(line.split(" % beyond")[0].rsplit(" ", 1)[1]) for line in lines[1:4]]
    assert beyond == sorted(beyond, reverse=True) and beyond[0] > 50
    assert re.fullmatch(r"  \d+ more", lines[4]) and len(lines) == 5
    with pytest.raises(AssertionError, match="not judged"):
        assert_passes(percent(9.0, 25), SITE)


def test_the_gate_of_one_is_the_check() -> None:
    result = gate(percent(10.4), SITE)
    assert isinstance(result.comparisons[0], Comparison | None)
    assert result.results[0].to_json() == check(percent(10.4), SITE).to_json()
    assert result.bases[0]["ieee519-2022", WEEK_95] == 600
    assert f"{result.results[0].findings[0].table}/{WEEK_95}" == RULE
