"""Waivers: what they cover, up to where and until when, and what is malformed."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pqcheck import check
from pqcheck.limit_tables import load_table
from pqcheck.model.errors import GateError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import site_from
from pqcheck.waivers.apply_waivers import Waiver, apply_waivers, remarks
from pqcheck.waivers.waiver_file import read_waivers
from pqcheck.workflows.run_gate import gate
from tests.design import RULE, SITE, percent

ENTRY: dict[str, Any] = {
    "rule": RULE, "order": 7, "ceiling": "10.5 %", "reason": "choke saturates", "owner": "filter group",
    "approver": "chief engineer", "created": date(2031, 3, 3), "expires": date(2031, 6, 30), "ticket": "KD-118",
}  # fmt: skip
IN_TIME = date(2031, 6, 30)
TOO_LATE = date(2031, 7, 1)


def text_of(*entries: dict[str, Any]) -> str:
    lines = []
    for entry in entries:
        lines.append("[[waivers]]")
        for key, value in entry.items():
            lines.append(f"{key} = {value if isinstance(value, (date, int)) else repr(value)}")
    return "\n".join(lines) + "\n"


def without(*keys: str, **changes: Any) -> dict[str, Any]:
    changed = {key: value for key, value in ENTRY.items() if key not in keys}
    return changed | changes


def waiver(**changes: Any) -> Waiver:
    entry = {**ENTRY, "place": "waiver 1", "status": "approved"} | changes
    return Waiver(**{key: value for key, value in entry.items() if value is not None})


def failed(result: Any) -> list[Finding]:
    return [one for one in result.results[0].findings if one.verdict is Verdict.FAIL]


# What is covered.


@pytest.mark.parametrize(("day", "h7", "verdict", "words"), [
    (IN_TIME, 10.4, Verdict.WAIVED, "62.4 A fails and is waived up to 10.5 % (63 A) until 2031-06-30"),
    (IN_TIME, 10.5, Verdict.WAIVED, "63 A fails and is waived"),
    (IN_TIME, 10.500001, Verdict.FAIL, "is not covered by the waiver up to 10.5 % (63 A)"),
    (TOO_LATE, 10.4, Verdict.FAIL, "expired on 2031-06-30 (choke saturates; owner filter group"),
    (date(2031, 3, 2), 10.4, Verdict.FAIL, "is not yet in force"),
    (date(2031, 3, 3), 10.4, Verdict.WAIVED, "approved by chief engineer"),
])  # fmt: skip
def test_a_waiver_holds_up_to_its_ceiling_and_its_day(day: date, h7: float, verdict: Verdict, words: str) -> None:
    result = gate(percent(h7), SITE, as_of=day, waivers=[waiver()])
    found = [one for one in result.results[0].findings if one.waiver is not None]
    assert {one.verdict for one in found} == {verdict} and {one.phase for one in found} == {"a", "b", "c"}
    assert found[0].reason is not None and words in found[0].reason.text
    assert result.exit_status is (ExitStatus.PASSED if verdict is Verdict.WAIVED else ExitStatus.FAILED)


def test_a_waived_finding_is_still_listed_with_its_waiver() -> None:
    found = gate(percent(10.4), SITE, as_of=IN_TIME, waivers=[waiver()]).results[0]
    assert found.counts["waived"] == 3 and found.verdict is Verdict.WAIVED
    one = next(one for one in found.findings if one.verdict is Verdict.WAIVED)
    assert one.waiver == {
        "standing": "in force", "rule": RULE, "ceiling": 63.0, "floor": None, "unit": "A", "reason": "choke saturates",
        "owner": "filter group", "approver": "chief engineer", "created": "2031-03-03", "expires": "2031-06-30",
        "ticket": "KD-118",
    }  # fmt: skip


@pytest.mark.parametrize("status", ["pending", "rejected"])
def test_what_nobody_approved_suppresses_nothing(status: str) -> None:
    result = gate(percent(10.4), SITE, as_of=IN_TIME, waivers=[waiver(status=status)])
    assert result.exit_status is ExitStatus.FAILED
    assert all(f"is {status}" in one.reason.text for one in failed(result) if one.reason is not None)
    assert any(f"is {status} and suppresses nothing" in line for line in result.remarks)


@pytest.mark.parametrize(("scope", "covered"), [
    ({"phase": "a"}, {"a"}), ({"phase": "a", "order": None}, {"a"}), ({"order": 5}, set()),
    ({"site": "Kestrel drive, frame 4"}, {"a", "b", "c"}), ({"site": "another"}, set()),
    ({"scenario": "weak grid"}, {"a", "b", "c"}), ({"scenario": "stiff grid"}, set()),
    ({"operating_point": "full"}, set()), ({"rule": "ieee519-2022/current-harmonics-week-99"}, set()),
])  # fmt: skip
def test_the_scope(scope: dict[str, Any], covered: set[str]) -> None:
    result = gate(percent(10.4), SITE, as_of=IN_TIME, waivers=[waiver(**scope)])
    assert {one.phase for one in result.results[0].findings if one.verdict is Verdict.WAIVED} == covered


@pytest.mark.parametrize("ceiling", ["63 A", "0.063 kA", "10.5 %"])
def test_a_ceiling_in_the_unit_of_the_rule_or_in_percent_of_what_it_refers_to(ceiling: str) -> None:
    assert gate(percent(10.5), SITE, as_of=IN_TIME, waivers=[waiver(ceiling=ceiling)]).exit_status is ExitStatus.PASSED
    result = gate(percent(10.51), SITE, as_of=IN_TIME, waivers=[waiver(ceiling=ceiling)])
    assert result.exit_status is ExitStatus.FAILED


VOLTAGE = {"name": "Heron Wharf", "time_zone": "UTC",
           "supply": {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz"},
           "limits": {"apply": ["en50160-2010-lv"], "quantities": ["voltage"]}}  # fmt: skip


def week(*values: tuple[int, float], missing: int = 0) -> dict[str, Any]:
    """1008 ten-minute values of 230 V, the first ones as given."""
    times = np.datetime64("2031-03-03T00:00:00") + np.arange(1008) * np.timedelta64(600, "s")
    volts = np.full(1008, 230.0)
    at = 0
    for count, value in values:
        volts[at : at + count] = value
        at += count
    # A real voltage moves; one that stands still would be doubted.
    volts += 0.1 * (np.arange(1008) % 5)
    volts[at : at + missing] = np.nan
    return {"time": times, "voltage.an [V]": volts}


def voltage_waiver(**changes: Any) -> Waiver:
    return waiver(**({"rule": "en50160-2010-lv/voltage-week-95", "order": None, "ceiling": "256 V"} | changes))


@pytest.mark.parametrize(("volts", "changes", "verdict"), [
    (255.0, {}, Verdict.WAIVED), (257.0, {}, Verdict.FAIL), (255.0, {"ceiling": "112 %"}, Verdict.WAIVED),
    # A ceiling excuses nothing at the lower limit; that takes a floor. 207 V is 90 % of 230 V (EN 50160 4.2.2).
    (200.0, {}, Verdict.FAIL), (200.0, {"ceiling": None, "floor": "198 V"}, Verdict.WAIVED),
    (197.0, {"ceiling": None, "floor": "198 V"}, Verdict.FAIL),
    (255.0, {"ceiling": None, "floor": "198 V"}, Verdict.FAIL),
])  # fmt: skip
def test_a_band_has_a_ceiling_and_a_floor(volts: float, changes: dict[str, Any], verdict: Verdict) -> None:
    result = gate(week((60, volts)), VOLTAGE, as_of=IN_TIME, waivers=[voltage_waiver(**changes)])
    found = next(one for one in result.results[0].findings if one.rule == "voltage-week-95")
    assert found.verdict is verdict


@pytest.mark.parametrize(("missing", "verdict"), [(48, Verdict.WAIVED), (49, Verdict.FAIL)])
def test_what_is_missing_could_lie_beyond_the_ceiling(missing: int, verdict: Verdict) -> None:
    # 50 of 1008 may be outside. 60 at 255 V fail; 2 at 300 V lie beyond the ceiling of 256 V, in a window of their own.
    values = [(2, 300.0), (1, 230.0), (60, 255.0)]
    result = gate(week(*values, missing=missing), VOLTAGE, as_of=IN_TIME, waivers=[voltage_waiver()])
    found = next(one for one in result.results[0].findings if one.rule == "voltage-week-95")
    assert found.verdict is verdict
    if verdict is Verdict.FAIL:
        assert found.reason is not None and found.reason.code == "waiver-not-shown"


def test_only_a_fail_becomes_waived() -> None:
    passing = gate(percent(5.0), SITE, as_of=IN_TIME, waivers=[waiver()]).results[0]
    plain = check(percent(5.0), SITE)
    assert passing.findings == plain.findings


# Remarks.


def test_unused_and_expiring_waivers_are_named() -> None:
    unused = gate(percent(5.0), SITE, as_of=IN_TIME, waivers=[waiver()])
    assert any("is unused: nothing that it covers fails" in line for line in unused.remarks)
    assert remarks([waiver()], frozenset({waiver()}), date(2031, 6, 20), 14) == (
        "Waiver waiver 1 (ieee519-2022/current-harmonics-week-95, order 7, ticket KD-118) expires in 10 days, on "
        "2031-06-30; owner filter group.",
    )
    assert remarks([waiver()], frozenset({waiver()}), date(2031, 6, 15), 14) == ()
    assert "expires today" in remarks([waiver()], frozenset({waiver()}), IN_TIME, 0)[0]


def test_a_waiver_of_another_site_is_not_called_unused() -> None:
    assert gate(percent(5.0), SITE, as_of=IN_TIME, waivers=[waiver(site="another")]).remarks == ()


# What is malformed.

MALFORMED: list[tuple[list[dict[str, Any]], str]] = [
    ([without("ceiling")], "waiver 1 lacks a ceiling"),
    ([without("expires")], "waiver 1 lacks expires, for example expires = 2031-09-30"),
    ([without("reason")], "waiver 1 lacks reason"),
    ([without("owner")], "waiver 1 lacks owner"),
    ([without("rule")], "waiver 1 lacks rule"),
    ([without("created")], "waiver 1 lacks created"),
    ([without("approver")], r'lacks approver.*status = "pending"'),
    ([without(floor="9 A")], "has a ceiling and a floor"),
    ([without(ceilling="3 A")], "ceilling is not a known key; did you mean 'ceiling'"),
    ([without(status="aproved")], "status must be one of approved, pending, rejected.*did you mean 'approved'"),
    ([without(expires=date(2030, 1, 1))], "expires on 2030-01-01, before it was created on 2031-03-03"),
    ([without(expires="soon")], "expires = 'soon' is not a date"),
    ([without(order=77)], "order must be a whole number from 1 to 50"),
    ([without(order=True)], "order must be a whole number"),
    ([without(rule="current-harmonics")], "must be table/rule"),
    ([without(reason="  ")], "reason must be a text"),
    ([without(owner=7)], "owner must be a text"),
    ([ENTRY, without("approver", "expires")], "waiver 2 lacks expires"),
]


@pytest.mark.parametrize(("entries", "sentence"), MALFORMED, ids=[sentence[:35] for _, sentence in MALFORMED])
def test_a_malformed_waiver_is_refused_in_one_sentence(
    entries: list[dict[str, Any]], sentence: str, tmp_path: Path
) -> None:
    path = tmp_path / "waivers.toml"
    written = text_of(*entries).replace("True", "true")
    path.write_text(written, encoding="utf-8")
    with pytest.raises(GateError, match=sentence) as caught:
        read_waivers(path)
    assert "\n" not in str(caught.value) and str(caught.value).startswith("waivers.toml")


@pytest.mark.parametrize(("content", "sentence"), [
    (b"[[waiver]]\n", "waiver is not a known key; did you mean 'waivers'"),
    (b"waivers = 3\n", "write the heading as \\[\\[waivers\\]\\]"),
    (b"[[waivers]\n", "not valid TOML"),
    (b"\xff\xfe", "is not UTF-8"),
])  # fmt: skip
def test_a_file_that_is_no_waiver_file(content: bytes, sentence: str, tmp_path: Path) -> None:
    path = tmp_path / "waivers.toml"
    path.write_bytes(content)
    with pytest.raises(GateError, match=sentence):
        read_waivers(path)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(GateError, match="cannot be read"):
        read_waivers(tmp_path / "none.toml")


def test_the_file_reads_as_written(tmp_path: Path) -> None:
    path = tmp_path / "waivers.toml"
    path.write_text(text_of(ENTRY, without("approver", status="pending")), encoding="utf-8")
    first, second = read_waivers(path)
    assert first == waiver(place="waivers.toml, waiver 1")
    assert (second.status, second.approver) == ("pending", "nobody yet")
    assert read_waivers(path) == (first, second)
    path.write_text("", encoding="utf-8")
    assert read_waivers(path) == ()


def test_two_approved_waivers_for_one_finding() -> None:
    two = [waiver(), waiver(place="waiver 2", order=None, ceiling="12 %")]
    with pytest.raises(GateError, match="keep one waiver for one finding"):
        gate(percent(10.4), SITE, as_of=IN_TIME, waivers=two)
    # The one that is being renewed may stand beside the one that is asked for.
    asked = [waiver(expires=date(2031, 6, 1)), waiver(place="waiver 2", status="pending")]
    result = gate(percent(10.4), SITE, as_of=IN_TIME, waivers=asked)
    assert all("expired on 2031-06-01" in one.reason.text for one in failed(result) if one.reason is not None)


@pytest.mark.parametrize(("changes", "sentence"), [
    ({"rule": "ieee519-2022/current-harmonics-week95"}, "has no rule 'current-harmonics-week95'; did you mean"),
    ({"ceiling": "10.5 V"}, "fits neither the unit of the rule .A. nor its percentage"),
    ({"ceiling": "a lot"}, "a lot"),
])  # fmt: skip
def test_a_waiver_that_does_not_fit_the_tables(changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(GateError, match=sentence):
        gate(percent(10.4), SITE, as_of=IN_TIME, waivers=[waiver(**changes)])


def test_the_day_is_an_input() -> None:
    with pytest.raises(GateError, match="--as-of"):
        gate(percent(10.4), SITE, waivers=[waiver()])


def test_a_danger_sign_cannot_be_waived() -> None:
    sign = Finding(kind="safety", table="safety", rule="open-neutral", clause="", title="t", quantity="voltage",
                   phase="a", order=None, verdict=Verdict.FAIL)  # fmt: skip
    table = load_table("ieee519-2022")
    broad = waiver(rule="safety/open-neutral", order=None)
    worked = apply_waivers(Findings((sign,)), [broad], [table], site_from(SITE), IN_TIME)
    assert worked.findings.findings == (sign,)


# A band has two sides, and a waiver is about one of them.


@pytest.mark.parametrize(("low", "high", "changes", "verdict", "code"), [
    # 50 of 1008 may lie outside. A floor down to 198 V covers 60 values at 200 V, and up to 50 at 255 V are allowed.
    (60, 50, {"floor": "198 V"}, Verdict.WAIVED, "waived"),
    (60, 51, {"floor": "198 V"}, Verdict.FAIL, "waiver-exceeded"),
    (51, 60, {"ceiling": "256 V"}, Verdict.FAIL, "waiver-exceeded"),
    (50, 60, {"ceiling": "256 V"}, Verdict.WAIVED, "waived"),
    (0, 60, {"floor": "100 V"}, Verdict.FAIL, "waiver-exceeded"),
    (60, 0, {"ceiling": "400 V"}, Verdict.FAIL, "waiver-exceeded"),
])  # fmt: skip
@pytest.mark.parametrize("mixed", [False, True])
def test_what_lies_on_the_other_side_is_not_waived(
    low: int, high: int, changes: dict[str, Any], verdict: Verdict, code: str, mixed: bool
) -> None:
    values = [(low, 200.0), (high, 255.0)]
    if mixed:
        # The same values one after the other, low and high in turns: one window holds both sides.
        both = min(low, high)
        values = [(1, value) for _ in range(both) for value in (200.0, 255.0)] + [
            (low - both, 200.0), (high - both, 255.0)
        ]  # fmt: skip
    waivers = [voltage_waiver(**({"ceiling": None} | changes))]
    result = gate(week(*values), VOLTAGE, as_of=IN_TIME, waivers=waivers)
    found = next(one for one in result.results[0].findings if one.rule == "voltage-week-95")
    assert found.reason is not None
    assert (found.verdict, found.reason.code) == (verdict, code)


def test_a_floor_of_the_frequency_excuses_nothing_above() -> None:
    # EN 50160 4.2.1, interconnected systems: 47 to 52 Hz for 100 % of the time, 10 s values.
    times = np.datetime64("2031-03-03T00:00:00") + np.arange(60480) * np.timedelta64(10, "s")
    hertz = 50 + 0.01 * (np.arange(60480) % 7)
    hertz[100:120], hertz[200:203] = 46.8, 52.5
    place = {**VOLTAGE, "limits": {"apply": ["en50160-2010-lv"], "quantities": ["frequency"]}}
    floor = voltage_waiver(rule="en50160-2010-lv/frequency-all", ceiling=None, floor="46.5 Hz")
    both = gate({"time": times, "frequency [Hz]": hertz}, place, as_of=IN_TIME, waivers=[floor])
    assert both.exit_status is ExitStatus.FAILED
    hertz[200:203] = 50.0
    low = gate({"time": times, "frequency [Hz]": hertz}, place, as_of=IN_TIME, waivers=[floor])
    assert low.exit_status is ExitStatus.PASSED


@settings(deadline=None, max_examples=40)
@given(
    low=st.integers(0, 60), high=st.integers(0, 120), beyond=st.integers(0, 60), missing=st.integers(0, 10),
    mixed=st.randoms(use_true_random=False),
)  # fmt: skip
def test_nothing_but_its_own_side_is_ever_waived(low: int, high: int, beyond: int, missing: int, mixed: Any) -> None:
    # 207 V to 253 V, 50 of 1008 may lie outside; the waiver covers up to 256 V.
    values = [200.0] * low + [255.0] * high + [260.0] * beyond
    mixed.shuffle(values)
    data = week(*((1, value) for value in values), missing=missing)
    result = gate(data, VOLTAGE, as_of=IN_TIME, waivers=[voltage_waiver()])
    found = next(one for one in result.results[0].findings if one.rule == "voltage-week-95")
    if found.verdict is Verdict.WAIVED:
        assert low + high + beyond > 50 and low + beyond + missing <= 50
    if low + high + beyond > 50 and not low and not beyond and not missing:
        assert found.verdict is Verdict.WAIVED
