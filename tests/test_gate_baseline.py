"""A baseline is of the same question, and what it judged is judged again: otherwise the gate is not green."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck import check
from pqcheck.cli import main
from pqcheck.model.errors import GateError, InputError, SiteError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_file import from_document
from pqcheck.model.verdict import Verdict
from pqcheck.reports.annotations import command_lines, entry_list
from pqcheck.reports.gate_text import gate_text
from pqcheck.reports.junit import as_junit
from pqcheck.workflows.run_gate import gate
from tests.design import PERCENT, SITE, percent, site, toml, write
from tests.test_fundamental import amperes, points
from tests.test_gate_outputs import cases, parsed
from tests.test_waivers import VOLTAGE, waiver, week

KNOWN = check(percent(10.4), SITE)
"""A result with known fails of order 7."""


def against(place: dict[str, Any], h7: float = 10.4, **options: Any) -> Any:
    return gate(percent(h7), place, baseline=[KNOWN], fail_on="new", **options)


# The same question.


@pytest.mark.parametrize(("place", "words"), [
    ({**SITE, "name": "Kestrel drive, frame 5"}, "another site: Kestrel drive, frame 4 became Kestrel drive, frame 5"),
    (site(name="stiff grid"), "another scenario: weak grid became stiff grid"),
    ({**SITE, "limits": {**SITE["limits"], "apply": ["ieee519-2022", "ieee519-2014"]}},
     "other limit tables: ieee519-2014 is applied now and was not before"),
    ({**SITE, "limits": {**SITE["limits"], "apply": ["ieee519-2014"]}},
     "other limit tables: ieee519-2014 is applied now and was not before; ieee519-2022 was applied before"),
])  # fmt: skip
def test_a_baseline_of_another_question_stops_the_run(place: dict[str, Any], words: str) -> None:
    with pytest.raises(GateError, match=words):
        against(place)
    accepted = against(place, baseline_differs=True, allow_gone=True)
    assert accepted.exit_status is not ExitStatus.COULD_NOT_RUN


def test_the_content_of_a_table_counts() -> None:
    tables = ({**KNOWN.limit_tables[0], "sha256": "0" * 64},)
    with pytest.raises(GateError, match="ieee519-2022 was changed: checksum 000000000000 before"):
        gate(percent(10.4), SITE, baseline=[replace(KNOWN, limit_tables=tables)])


def test_other_declared_facts_are_printed_and_not_green() -> None:
    # Ten times the demand current: what failed passes, and 100 times the current of order 5 would.
    larger = site(maximum_demand_current="6000 A", short_circuit_current="400 kA")
    found = against(larger, 9.0)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    text = " ".join(gate_text(found).split())
    assert "DECLARED OTHERWISE than in the baseline: scenario.maximum_demand_current: 600 A became 6000 A" in text
    quiet = gate_text(found, quiet=True)
    assert "scenario.maximum_demand_current: 600 A became 6000 A" in quiet
    assert cases(parsed(as_junit(found)))["gate.declared-facts -"] == "error"
    assert any(line.startswith("::warning") and "became 6000 A" in line
               for line in command_lines(found, ["s.csv"]).splitlines())  # fmt: skip
    accepted = against(larger, 9.0, baseline_differs=True)
    assert accepted.exit_status is ExitStatus.PASSED
    assert "The baseline is of another question: 2 differences." in gate_text(accepted, quiet=True)


def test_what_does_not_belong_to_the_question() -> None:
    place = {**SITE, "report": {"title": "x"}, "waivers": {"warn_days": 3}}
    assert against(place).exit_status is ExitStatus.PASSED


# What is gone.


def gone(found: Any) -> list[Finding]:
    return [one for result in found.results for one in result.findings if one.reason and one.reason.code == "gone"]


def test_a_point_that_is_gone() -> None:
    both = points(half=amperes(300.0), full=amperes(600.0))
    known = check(both, SITE)
    found = gate(points(half=amperes(300.0)), SITE, baseline=[known])
    assert found.exit_status is ExitStatus.NOT_SHOWN
    missing = gone(found)
    at_full = {one.id for one in known.findings if one.kind == "limit" and one.when == "full"}
    assert {one.id for one in missing} == at_full
    first = missing[0]
    assert first.verdict is Verdict.INCONCLUSIVE and first.margin is None and not first.windows
    assert first.statistic is not None and first.statistic.value is None and first.statistic.percent is not None
    assert first.reason is not None and "the operating point 'full' is not there" in first.reason.text
    text = " ".join(gate_text(found).split())
    assert "NOT SHOWN ieee519-2022/current-harmonics-day-99" in text and "The baseline judged this (PASS" in text
    outcome = [case for case in parsed(as_junit(found)).iter("error")]
    assert len(outcome) == len(missing)
    assert all(json.loads(entry_list(found, ["s.csv"])))
    assert from_document(json.loads(found.results[0].to_json())).verdict is Verdict.INCONCLUSIVE
    assert gate(points(half=amperes(300.0)), SITE, baseline=[known], allow_gone=True).exit_status is ExitStatus.PASSED


def test_a_phase_a_quantity_and_an_order_that_are_gone() -> None:
    volts = week()["voltage.an [V]"]
    three = {"time": week()["time"]} | {f"voltage.{phase} [V]": volts for phase in ("an", "bn", "cn")}
    wye = {**VOLTAGE, "supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}}
    known = check({**three, "frequency [Hz]": 50 + 0.01 * (volts - 230)}, wye,
                  quantities=["voltage", "frequency"])  # fmt: skip
    found = gate(three, wye, baseline=[known], quantities=["voltage"])
    assert {one.quantity for one in gone(found)} <= {"frequency"}
    single = {"time": three["time"], "voltage.an [V]": three["voltage.an [V]"]}
    found = gate(single, wye, baseline=[known], quantities=["voltage"])
    assert found.exit_status is ExitStatus.NOT_SHOWN
    short = gate(percent(9.0, 25), SITE, baseline=[check(percent(9.0), SITE)])
    assert {one.order for one in gone(short) if one.quantity == "current_harmonic"} == set(range(26, 51))


def test_what_does_not_apply_any_more_is_gone() -> None:
    known = check(week(), VOLTAGE, ["en50160-2010-lv"])
    medium = {**VOLTAGE, "supply": {**VOLTAGE["supply"], "measured_at": "equipment"}}
    found = gate(week(), medium, ["en50160-2010-lv"], baseline=[known], baseline_differs=True)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    assert all("does not apply any more" in one.reason.text for one in gone(found) if one.reason)
    ids = [one.id for one in found.results[0].findings]
    assert len(ids) == len(set(ids))


def test_a_scenario_that_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    stiff = site(name="stiff grid", short_circuit_current="90 kA")
    known = [check(percent(9.0), SITE), check(percent(9.0), stiff)]
    found = gate(percent(9.0), SITE, baseline=known)
    assert found.exit_status is ExitStatus.NOT_SHOWN
    assert [one.site["scenario"]["name"] for one in found.results] == ["weak grid", "stiff grid"]
    assert all(one.reason and "the scenario was not judged" in one.reason.text for one in found.results[1].findings)
    assert gate(percent(9.0), SITE, baseline=known, allow_gone=True).exit_status is ExitStatus.PASSED
    # A page holds one scenario, and here are two to tell of.
    from pqcheck.workflows.compare_findings import as_set_text

    (tmp_path / "known.json").write_text(as_set_text(known), encoding="utf-8")
    (tmp_path / "site.toml").write_text(toml(SITE), encoding="utf-8")
    write(tmp_path / "s.csv", percent(9.0))
    run = ["gate", "s.csv", "--site", "site.toml", "--baseline", "known.json", "--quiet"]
    assert main([*run, "--out", "page.md"]) == 2
    assert main([*run, "--out", "page.md", "--allow-gone"]) == 0


def test_another_week_of_the_same_question_is_nothing_gone() -> None:
    later = {**week(), "time": week()["time"] + (7 * 24 * 3600)}
    known = check(week(), VOLTAGE)
    found = gate({"time": week()["time"].astype("datetime64[s]"), "voltage.an [V]": later["voltage.an [V]"]}, VOLTAGE,
                 baseline=[known])  # fmt: skip
    assert found.exit_status is ExitStatus.PASSED and not gone(found)


# A baseline with a margin.


TOLERANT = {**SITE, "gate": {"tolerance": "1 %"}}


def with_margin(h7: float, margin: float | None, **options: Any) -> Findings:
    (result,) = gate(percent(h7), TOLERANT, margin=margin, as_of=date(2031, 3, 4), **options).results
    return result


@pytest.mark.parametrize(("h7", "margin", "status"), [
    # 60 A, 10 % of 600 A, is the limit of order 7, and 54 A leave a margin of 10 % (IEEE 519 Table 2, 50 < 100).
    (9.98, 10, ExitStatus.PASSED), (10.03, 10, ExitStatus.FAILED), (10.0, 10, ExitStatus.FAILED),
    (10.03, None, ExitStatus.FAILED), (9.98, None, ExitStatus.PASSED), (10.03, 1, ExitStatus.FAILED),
    (9.5, 10, ExitStatus.PASSED),
])  # fmt: skip
def test_a_fail_for_its_margin_alone_is_no_fail_of_the_limit(
    h7: float, margin: float | None, status: ExitStatus
) -> None:
    known = with_margin(9.98, 10)
    assert known.verdict is Verdict.FAIL
    found = gate(percent(h7), TOLERANT, margin=margin, baseline=[known], fail_on="new")
    assert found.exit_status is status
    text = " ".join(gate_text(found).split())
    if status is ExitStatus.FAILED:
        assert "new: FAIL for its margin alone with 59.88 A in the baseline" in text
    changed = "The margin asked for is not the same: 10 % before, none now."
    assert (changed in text) == (margin is None)


def test_a_waiver_that_does_not_hold_hides_no_margin() -> None:
    expired = [waiver(expires=date(2031, 3, 3), created=date(2031, 1, 1), ceiling="12 %")]
    known = with_margin(9.98, 10, waivers=expired)
    later = {"margin": 10, "waivers": expired, "as_of": date(2031, 3, 4), "baseline": [known], "fail_on": "new"}
    assert gate(percent(9.99), TOLERANT, **later).exit_status is ExitStatus.PASSED
    assert gate(percent(10.03), TOLERANT, **later).exit_status is ExitStatus.FAILED


def test_the_margin_stands_in_the_findings_file() -> None:
    document = json.loads(with_margin(9.98, 10).to_json())
    assert document["margin_percent"] == 10 and from_document(document).margin_percent == 10
    assert "margin_percent" not in json.loads(KNOWN.to_json())
    with pytest.raises(InputError, match="does not hold together"):
        from_document({**document, "margin_percent": "ten"})


@settings(deadline=None, max_examples=40)
@given(before=st.floats(9.9, 9.999), after=st.floats(10, 10.09), first=st.floats(2, 20), second=st.floats(0, 20))
def test_what_crosses_the_limit_is_never_known(before: float, after: float, first: float, second: float) -> None:
    known = with_margin(before, first)
    found = gate(percent(after), TOLERANT, margin=second, baseline=[known], fail_on="new")
    # Below 60 A the limit is met (strict comparison).
    assert known.verdict is Verdict.FAIL and found.exit_status is ExitStatus.FAILED


# What is refused now.


def clipped(count: int) -> dict[str, Any]:
    """A week of which the first `count` readings stand at 270 V, above 253 V."""
    data = week()
    volts = data["voltage.an [V]"].copy()
    volts[:count] = 270.0
    return {**data, "voltage.an [V]": volts}


def test_a_refused_verdict_is_never_better() -> None:
    known = check(clipped(40), VOLTAGE)
    found = gate(clipped(400), VOLTAGE, baseline=[known], fail_on="new")
    change = next(one for one in found.comparisons[0].changes if one.shown.rule == "voltage-all")  # type: ignore[union-attr]
    assert change.before is not None and change.before.verdict is Verdict.FAIL
    assert change.shown.verdict is Verdict.REFUSED and change.state == "open"
    text = " ".join(gate_text(found).split())
    assert "better: FAIL" not in text and "FAIL in the baseline, not judged now; voltage.an.mean stops at" in text
    assert "1 open, 0 better" in text


# What [gate] asks for.


@pytest.mark.parametrize(("asked", "status", "words"), [
    ({"at_least_criteria": 450}, ExitStatus.PASSED, ""),
    ({"at_least_criteria": 451}, ExitStatus.NOT_SHOWN, "450 criteria were judged; [gate] at_least_criteria asks for"),
    ({"operating_points": ["full"]}, ExitStatus.PASSED, ""),
    ({"operating_points": ["full", "half"]}, ExitStatus.NOT_SHOWN, "Not judged: 'half', which [gate] operating_points"),
])  # fmt: skip
def test_what_has_to_be_judged_at_least(asked: dict[str, Any], status: ExitStatus, words: str) -> None:
    found = gate(points(full=amperes(600.0)), {**SITE, "gate": asked})
    assert found.exit_status is status
    assert words in " ".join(gate_text(found).split())


def test_keys_of_the_gate_are_checked() -> None:
    with pytest.raises(SiteError, match=r"at_least_criterion.*did you mean 'at_least_criteria'"):
        gate(percent(5.0), {**SITE, "gate": {"at_least_criterion": 3}})
    with pytest.raises(SiteError, match="at_least_criteria"):
        gate(percent(5.0), {**SITE, "gate": {"at_least_criteria": 0}})


# Arguments of the library.


@pytest.mark.parametrize("word", ["all", "ANY", "none", "", None, 1])
def test_fail_on_is_checked(word: Any) -> None:
    with pytest.raises(GateError, match=r"fail_on = .* cannot be; write 'any' or 'new'"):
        gate(percent(10.4), SITE, baseline=[KNOWN], fail_on=word)


@pytest.mark.parametrize("day", ["2031-03-04", datetime(2031, 3, 4), 20310304])
def test_as_of_is_checked(day: Any) -> None:
    with pytest.raises(GateError, match=r"is no day; give a datetime[.]date"):
        gate(percent(10.4), SITE, as_of=day)


# The day that counts.


def test_an_early_day_keeps_no_waiver_alive() -> None:
    # The recording ends with 2031-03-09; the waiver with 2031-03-05.
    expired = waiver(
        rule="en50160-2010-lv/voltage-week-95", order=None, ceiling=None, floor="200 V", created=date(2031, 1, 1),
        expires=date(2031, 3, 5),
    )  # fmt: skip
    for day in (date(2031, 3, 1), date(2031, 3, 9)):
        found = gate(week((60, 205.0)), VOLTAGE, as_of=day, waivers=[expired])
        assert found.exit_status is ExitStatus.FAILED
        failed = next(one for one in found.results[0].findings if one.verdict is Verdict.FAIL)
        assert failed.reason is not None and "expired on 2031-03-05" in failed.reason.text
        assert any("before the end of the recording, 2031-03-09" in note for note in found.notes) == (day.day == 1)
    later = replace(expired, expires=date(2031, 3, 9))
    assert gate(week((60, 205.0)), VOLTAGE, as_of=date(2031, 3, 1), waivers=[later]).exit_status is ExitStatus.PASSED


def test_a_ratchet_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "s.csv", percent(10.4))
    (tmp_path / "site.toml").write_text(toml(SITE), encoding="utf-8")
    (tmp_path / "b.json").write_text(KNOWN.to_json(), encoding="utf-8")
    run = ["gate", "s.csv", "--site", "site.toml", "--baseline", "b.json", "--fail-on", "new"]
    assert main([*run, "--json", "b.json"]) == 2
    assert (tmp_path / "b.json").read_text(encoding="utf-8") == KNOWN.to_json()


def test_the_bases_of_percentages_are_kept() -> None:
    assert isinstance(KNOWN, Findings) and PERCENT in percent(1.0)
