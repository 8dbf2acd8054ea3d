"""`limits validate` names every mistake in one run, with its line: what cannot be read, and what cannot be meant.

The mistakes are those that people make who encode a rule of their own house from the documentation: fractions for
percent, hertz for percent, a share that lies outside instead of inside, rows and conditions that nothing reaches.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import pqcheck
from pqcheck.cli import main
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.line_of_path import line_of
from pqcheck.limit_tables.load_limit_table import examine_named, table_ids
from pqcheck.model.errors import LimitTableError
from tests.limit_rows import rule_of
from tests.recordings import site

Document = dict[str, Any]


def rule(rule_id: str, quantity: str, limit: Document, **keys: Any) -> Document:
    return {
        "id": rule_id, "title": rule_id, "clause": "1", "confidence": "one source", "quantity": quantity,
        "interval": "10 min", "period": "week", "statistic": {"kind": "share_within", "percent": "95"},
        "reference": "nominal", "comparison": "closed", "limit": limit, **keys,
    }  # fmt: skip


def band(**sides: Any) -> Document:
    return {"kind": "band", **sides}


HOUSE: Document = {
    "format": "pqcheck-limit-table/1", "id": "house", "standard": "House rule 7", "edition": "2031",
    "title": "House rule 7", "source": "invented for this test",
    "interruption_below_percent": 5,
    "options": {"line": {"values": ["old", "new"], "meaning": "which production line"}},
    "nominals": [{"designation": "400 V", "connections": ["wye"], "line_to_line": 400, "line_to_neutral": 230}],
    "applies_if": [
        {"fact": "measured_at", "is": ["service", "utilization"], "default": "service", "reason": "Not at equipment."},
        {"fact": "nominal_voltage", "in": "(0, 1000]", "reason": "Low voltage only."},
    ],
    "shared_limits": {"wide": band(low="85", high="115")},
    "remarks": [{"where": [{"fact": "option:line", "is": ["new"]}], "text": "The new line is stricter."}],
    "rules": [
        rule("voltage", "voltage", band(low="90", high="110"), coverage_percent="90"),
        rule("voltage-all", "voltage", {"kind": "shared", "name": "wide"}, statistic={"kind": "all_within"}),
        rule("frequency", "frequency", band(low="49.5", high="50.5"), interval="10 s", reference="none", unit="Hz"),
        rule("frequency-percent", "frequency", band(low="99", high="101"), interval="10 s",
             reference="nominal_frequency"),
        rule("thd", "voltage_thd", band(high="8"), highest_order=40, factor={"value": "1.5", "confidence": "memory"}),
        rule("harmonics", "voltage_harmonic", {"kind": "by_order", "orders": [
            {"orders": [3], "high": "5"}, {"orders": [5], "high": "6"},
            {"orders": {"from": 6, "to": 9}, "high": "1"}]}),
        rule("volts", "voltage", {"kind": "by_nominal", "rows": [
            {"nominal": "400 V", "line_to_neutral": {"low": 207, "high": 253}}]}, reference="none", unit="V"),
        rule("runs", "voltage", band(low="90"), period="day", statistic={"kind": "longest_run_at_most",
                                                                         "duration": "30 min"}),
        rule("counts", "voltage", band(high="110"), period="day", statistic={"kind": "count_at_most", "count": 3}),
        rule("by-line", "voltage", {"kind": "selected_band", "over": [
            {"fact": "nominal_voltage", "in": "(0, 1000]"}], "rows": [
            {"where": [{"fact": "nominal_voltage", "in": "(0, 400)"}], "low": "90"},
            {"where": [{"fact": "nominal_voltage", "in": "[400, 1000]"}], "low": "92"}]}),
        rule("plt", "flicker_plt", band(high="1"), interval="2 h", reference="none", unit="1"),
        rule("tolerance", "voltage", band(low="90"), period="recording", statistic={"kind": "all_within"},
             time_criterion={"range": "A", "outside": "fail", "shortest_pass": "7 d"}),
        rule("unbalance", "negative_sequence_unbalance", band(high="2"), reference="none", unit="%"),
        rule("factor", "power_factor", band(low="0.9"), reference="none", unit="1"),
        rule("load", "current", band(high="120"), reference="rated_current"),
    ],
    "event_rules": [
        {"id": "ride-through", "title": "Ride through", "clause": "9", "confidence": "memory", "kind": "ride_through",
         "lower": [{"residual": "0", "up_to": "20 ms"}, {"residual": "70", "up_to": "0.5 s"}, {"residual": "90"}],
         "upper": [{"residual": "120", "up_to": "0.5 s"}, {"residual": "110"}]},
        {"id": "dips", "title": "Dips", "clause": "10", "confidence": "memory", "kind": "events_at_most",
         "at_most": 10, "per": "year",
         "classes": [{"name": "A", "kind": "dip", "residual": "[40, 90)", "duration": {"from": "10 ms"}},
                     {"name": "B", "kind": "swell", "residual": "(110, 200]", "duration": {"from": "10 ms"}}]},
    ],
    "load_rules": [
        {"id": "margin", "title": "Margin", "clause": "11", "confidence": "memory", "rating": "service",
         "multiplier": {"value": "1.25", "confidence": "memory"},
         "demand": [{"basis": "declared", "months": 12, "clause": "11"}]},
    ],
}  # fmt: skip


def of(document: Document, rule_id: str) -> Document:
    for kind in ("rules", "event_rules", "load_rules"):
        for each in document[kind]:
            if each["id"] == rule_id:
                chosen: Document = each
                return chosen
    raise KeyError(rule_id)


def limit(document: Document, rule_id: str) -> Document:
    chosen: Document = of(document, rule_id)["limit"]
    return chosen


Change = Callable[[Document], Any]

DOUBTFUL: list[tuple[Change, str]] = [
    # Fractions for percent.
    (lambda d: of(d, "voltage")["statistic"].update(percent="0.95"), "0.95 looks like a fraction; .*as 95"),
    (lambda d: of(d, "voltage")["statistic"].update(percent="1"), "1 looks like a fraction"),
    (lambda d: of(d, "voltage")["statistic"].update(percent="5"), "more than half .*is it 95"),
    (lambda d: of(d, "voltage").update(coverage_percent="0.9"), "0.9 looks like a fraction"),
    (lambda d: of(d, "voltage").update(coverage_percent="10"), "10 % of the values would decide .*is it 90"),
    (lambda d: limit(d, "voltage").update(low="0.9", high="1.1"), r"limit\.low: 0.9 looks like a fraction; .*as 90"),
    (lambda d: limit(d, "thd").update(high="0.08"), "looks like a fraction"),
    (lambda d: limit(d, "unbalance").update(high="0.02"), "0.02 looks like a fraction"),
    (lambda d: limit(d, "harmonics")["orders"][1].update(high="0.06"), "0.06 looks like a fraction"),
    (lambda d: limit(d, "frequency-percent").update(low="0.99", high="1.01"), "0.99 looks like a fraction"),
    (lambda d: limit(d, "load").update(high="1.2"), "1.2 looks like a fraction"),
    (lambda d: d.update(interruption_below_percent="0.05"), "0.05 looks like a fraction; .*as 5"),
    (lambda d: d["event_rules"][0].update(lower=[{"residual": "0.7"}]), "residuals up to 0.7 look like fractions"),
    (lambda d: of(d, "dips")["classes"][0].update(residual="[0.4, 0.9)"), "residuals up to 0.9 look like fractions"),
    # Percent for factors.
    (lambda d: of(d, "thd")["factor"].update(value="150"), "every limit times 150; .*is written 1.5"),
    (lambda d: of(d, "margin")["multiplier"].update(value="125"), "125 times the maximum demand; .*1.25"),
    # Other units.
    (lambda d: limit(d, "frequency").update(low="99", high="101"), "neither 50 nor 60 Hz is 99 to 101 Hz"),
    (lambda d: limit(d, "frequency").update(low="-0.5", high="0.5"), "-0.5 can never fail"),
    (lambda d: limit(d, "frequency-percent").update(low="49.5", high="50.5"), "49.5 % of nominal lies outside .*hertz"),
    (lambda d: limit(d, "volts")["rows"][0].update(line_to_neutral={"low": "0.9", "high": "1.1"}), "0.9 V at a nomin"),
    (lambda d: limit(d, "volts")["rows"][0].update(line_to_neutral={"low": 90, "high": 110}),
     "90 V at a nominal of 230"),
    (lambda d: limit(d, "volts")["rows"][0].update(line_to_neutral={"low": 360, "high": 440}), "360 V at a nominal of"),
    (lambda d: of(d, "volts").update(limit=band(low="0.9", high="1.1")), "0.9 to 1.1 V looks like a share of nominal"),
    (lambda d: d["nominals"].append({"designation": "20 kV", "connections": ["delta"], "line_to_line": 20}),
     "kilovolts"),
    (lambda d: d["nominals"][0].update(line_to_neutral=400), "no wye service"),
    (lambda d: d["applies_if"][1].update({"in": "(0, 1]"}), "it looks like kilovolts"),
    (lambda d: limit(d, "factor").update(low="90"), "90 lies outside -1 to 1"),
    # What can never fail, or never pass.
    (lambda d: limit(d, "voltage").update(low="-10", high="10"), "-10 can never fail: voltage is never below 0"),
    (lambda d: limit(d, "runs").update(low="9"), "9 % of nominal lies outside 50 to 150 %"),
    (lambda d: limit(d, "counts").update(high="1100"), "1100 % of nominal lies outside"),
    (lambda d: limit(d, "voltage").update(low="101"), "a supply at exactly its nominal value fails"),
    (lambda d: limit(d, "thd").update(high="80"), "this can never fail: no supply has 120 % of voltage thd"),
    (lambda d: limit(d, "harmonics")["orders"][1].update(high="60"), "can never fail: no supply has 60 %"),
    (lambda d: of(d, "thd").update(limit=band(low="8")), "a clean supply has no voltage thd"),
    (lambda d: limit(d, "plt").update(high="95"), "no flicker is as high as 95"),
    (lambda d: of(d, "plt").update(interval="1 min"), "nothing records it every 1 min"),
    (lambda d: of(d, "counts")["statistic"].update(count=144), "can never fail: 144 may lie outside"),
    (lambda d: of(d, "counts")["statistic"].update(count=100), "more than half of the 144 values of a day"),
    (lambda d: of(d, "runs")["statistic"].update(duration="24 h"), "no run within a day is longer than 24 h"),
    (lambda d: d.update(interruption_below_percent=95), "95 % of nominal would count as no supply"),
    (lambda d: of(d, "thd").update(highest_order=4), "the sum would end at order 4"),
    (lambda d: of(d, "tolerance")["time_criterion"].update(shortest_pass="7 s"), "less than one interval"),
    (lambda d: limit(d, "harmonics")["orders"].append({"orders": [1], "high": "5"}) or of(d, "harmonics").update(
        reference="fundamental"), "order 1 is the fundamental itself"),
    (lambda d: limit(d, "thd").update(high="0"), "this can never pass: no reading of voltage thd is exactly 0"),
    (lambda d: limit(d, "plt").update(high="0.01"), "below what any lamp on a supply shows"),
    (lambda d: of(d, "runs")["statistic"].update(duration="20 h"), "more than half of a day, may lie outside"),
    (lambda d: of(d, "tolerance")["time_criterion"].update(shortest_pass="7000 d"), "this can never pass"),
    (lambda d: limit(d, "frequency").update(high="505"), "no supply reaches 49.5 to 505 Hz"),
    (lambda d: limit(d, "load").update(high="12000"), "12000 % of rated current can never fail"),
    (lambda d: of(d, "factor").update(limit=band(high="0.9")), "a load at a power factor of 1 fails"),
    (lambda d: of(d, "volts").update(limit=band(low="90", high="110")), "90 V lies outside 50 to 150 % of every"),
    (lambda d: of(d, "volts").update(limit=band(high="22000")), "22000 V lies outside 50 to 150 % of every nominal"),
    (lambda d: of(d, "voltage").update(phases=["ng"]), "the neutral stands near 0 V to ground"),
    (lambda d: of(d, "harmonics")["limit"]["orders"].append(
        {"orders": [17], "formula": {"a": "2.27", "h0": "0", "b": "0.1"}}), "with 0 or less the formula"),
    (lambda d: of(d, "margin").update(demand=[{"basis": "recorded", "clause": "1", "continuous": "30 min"}]),
     "30 min hold no maximum demand"),
    (lambda d: of(d, "dips").update(at_most=1000000), "this can hardly fail"),
    # Conditions, rows, options.
    (lambda d: of(d, "unbalance").update(applies_if=[{"fact": "connection", "is": ["single-phase"], "reason": "No."}]),
     "a single-phase service has no unbalance"),
    (lambda d: of(d, "voltage").update(phases=["an"], applies_if=[
        {"fact": "connection", "is": ["delta"], "reason": "No."}]), "a delta service has no line-to-neutral voltages"),
    (lambda d: d["applies_if"].append({"fact": "inverter_share", "in": "[0.1, inf)", "reason": "No."}), "a fraction"),
    (lambda d: d["nominals"].append({"designation": "20 kV", "connections": ["delta"], "line_to_line": 20000}),
     "the table does not govern '20 kV'"),
    (lambda d: of(d, "voltage").update(applies_if=[{"fact": "measured_at", "is": ["equipment"], "reason": "No."}]),
     r"the rule never applies: this excludes applies_if\[0\]"),
    (lambda d: of(d, "voltage").update(applies_if=[{"fact": "nominal_voltage", "in": "(1000, inf)", "reason": "No."}]),
     r"the rule never applies: this excludes applies_if\[1\]"),
    (lambda d: d["applies_if"].append({"fact": "measured_at", "is": ["equipment"], "reason": "No."}),
     "the table never applies"),
    (lambda d: d["applies_if"][0].update(default="meter"), "'meter' is no value of measured_at"),
    (lambda d: of(d, "by-line")["limit"]["rows"].append(
        {"where": [{"fact": "nominal_voltage", "in": "(1000, 36000]"}], "low": "93"}), "this row never applies"),
    (lambda d: of(d, "by-line")["limit"].update(over=[{"fact": "nominal_voltage", "in": "(0, 690]"}]) or
     of(d, "by-line")["limit"]["rows"][1]["where"][0].update({"in": "[400, 690]"}), "no row covers it"),
    (lambda d: d["options"].update(shift={"values": ["day", "night"], "meaning": "which shift"}), "it decides nothing"),
    (lambda d: d["shared_limits"].update(narrow=band(low="95")), "no rule names this limit"),
    (lambda d: d["applies_if"].append({"fact": "is_pcc", "is": ["true", "false"], "reason": "No."}),
     "holds everywhere"),
    (lambda d: d["applies_if"].append({"fact": "nominal_frequency", "in": "[5, 6]", "reason": "No."}),
     "neither 50 nor"),
    # Events.
    (lambda d: d["event_rules"][0]["lower"].pop(), "asks nothing of events longer than 0.5 s"),
    (lambda d: d["event_rules"][0].update(lower=[{"residual": "0"}]), "every residual is at least 0 %"),
    (lambda d: d["event_rules"][0]["lower"][1].update(residual="95"),
     r"longer events may go further \(95 %, then 90 %\)"),
    (lambda d: d["event_rules"][0]["upper"][1].update(residual="90"), "an? upper edge of 90 % lies below 100 %"),
    (lambda d: d["event_rules"][0]["lower"][2].update(residual="110"), "a lower edge of 110 % lies above 100 %"),
    (lambda d: of(d, "dips")["classes"][0].update(residual="[40, 110)"), "no dip has a residual of 110 %"),
    (lambda d: of(d, "dips")["classes"][1].update(residual="(10, 90]"), "no swell has a residual of 10 %"),
    (lambda d: of(d, "dips")["classes"][0].update(residual="[90, 40)"), "the span holds no value"),
    (lambda d: of(d, "dips")["classes"][0].update(duration={"from": "1 s", "up_to": "10 ms"}), "so long and so short"),
    (lambda d: of(d, "dips").update(at_most=-1), "never fewer than -1 events"),
    (lambda d: of(d, "dips").update(at_most="2.5"), "2.5 is no whole number"),
    (lambda d: of(d, "dips").update(measure="minutes", per="week", at_most=20000), "can never fail"),
]  # fmt: skip

UNREADABLE: list[tuple[Change, str]] = [
    (lambda d: limit(d, "voltage").update(high="1" * 13), "is not written as expected: a number such as 1.5"),
    (lambda d: of(d, "voltage").update(interval="0.0001 ms"), "no whole number of microseconds"),
    (lambda d: of(d, "voltage").update(interval="9999999999 d"), "is not written as expected: a duration"),
    (lambda d: d["applies_if"].append({"fact": "short_circuit_ratio", "in": "(0, 20)", "default": "few",
     "reason": "N."}),
     "'few' is no number"),
    (lambda d: d["event_rules"][0]["lower"][0].update(up_to="0 s"), "no event is as short as 0 s"),
    (lambda d: limit(d, "harmonics")["orders"][2].update(orders={"from": 6, "to": 10**12}), "lies outside 1 to 50"),
    (lambda d: of(d, "voltage").update(quantity="volts"), "there is no quantity 'volts'"),
]  # fmt: skip


def validate(
    folder: Path, capsys: pytest.CaptureFixture[str], document: Document | str, name: str = "house.json"
) -> tuple[int, str, str]:
    path = folder / name
    path.write_text(document if isinstance(document, str) else json.dumps(document, indent=1), encoding="utf-8")
    status = main(["limits", "validate", str(path)])
    done = capsys.readouterr()
    return status, done.out, done.err


def test_the_table_without_mistakes_has_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = validate(tmp_path, capsys, HOUSE)
    assert (status, err) == (0, "") and out.startswith("house: the table holds together (18 rules")


@pytest.mark.parametrize(("change", "words"), DOUBTFUL, ids=[words[:40] for _, words in DOUBTFUL])
def test_what_cannot_be_meant_is_named_and_the_table_still_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: Change, words: str
) -> None:
    document = copy.deepcopy(HOUSE)
    change(document)
    status, out, err = validate(tmp_path, capsys, document)
    assert (status, err) == (1, ""), out
    *lines, last = out.splitlines()
    assert any(re.search(words, line) for line in lines), out
    assert all(re.match(r"house\.json, line \d+: [a-z_]\S+: .*[.?]$", line) for line in lines), out
    assert last.startswith("house: the table can be read, and ")
    remarks = load_table(str(tmp_path / "house.json")).remarks
    assert any(re.search(words, remark.text) for remark in remarks if not remark.where)


@pytest.mark.parametrize(("change", "words"), UNREADABLE, ids=[words[:40] for _, words in UNREADABLE])
def test_what_cannot_be_read_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: Change, words: str
) -> None:
    document = copy.deepcopy(HOUSE)
    change(document)
    status, out, err = validate(tmp_path, capsys, document)
    assert (status, out) == (2, "") and re.search(words, err), err
    with pytest.raises(LimitTableError, match=words):
        load_table(str(tmp_path / "house.json"))


@pytest.mark.parametrize("number", ["1e999", "-1e999", "1e-999", "1" * 400, "1e15"])
def test_numbers_that_overflow_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], number: str
) -> None:
    status, out, err = validate(tmp_path, capsys, json.dumps(HOUSE).replace('"110"', number))
    assert (status, out) == (2, "") and ".limit.high: " in err and "pqcheck itself" not in err


def test_all_mistakes_in_one_run_each_with_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = copy.deepcopy(HOUSE)
    document["editon"] = "2031"
    of(document, "voltage")["quantity"] = "volts"
    of(document, "thd")["statistic"] = {"kind": "mostly"}
    of(document, "runs")["interval"] = "11 min"
    of(document, "runs")["applies_if"] = [{"fact": "option:shift", "is": ["x"], "reason": "No."}]
    limit(document, "voltage-all")["name"] = "narrow"
    limit(document, "frequency").update(low="99", high="101")
    status, out, err = validate(tmp_path, capsys, document)
    assert (status, out) == (2, "")
    lines = err.removeprefix("pqcheck: ").splitlines()
    text = (tmp_path / "house.json").read_text(encoding="utf-8").splitlines()
    for words, at in (
        ("'editon' is not known here; did you mean 'edition'", "{"),
        ("there is no quantity 'volts'", '"quantity": "volts"'),
        ("'mostly' is not one of", '"kind": "mostly"'),
        ("11 min does not divide the day", '"interval": "11 min"'),
        ("the option 'shift' is not declared", '"fact": "option:shift"'),
        ("there is no shared limit 'narrow'", '"name": "narrow"'),
        ("neither 50 nor 60 Hz", '"limit": {'),
    ):
        (line,) = (line for line in lines if words in line)
        number = re.match(r"house\.json, line (\d+): ", line)
        assert number and at in text[int(number[1]) - 1], line
    # And what follows from two of them: a run that is no multiple of 11 min, a shared limit that nothing names.
    assert len(lines) == 7 + 2


def test_no_shipped_table_has_a_doubt() -> None:
    examined = map(examine_named, table_ids())
    assert [line for table in examined for line in table.lines([*table.errors, *table.doubts])] == []


def test_a_check_runs_and_prints_the_remarks(tmp_path: Path) -> None:
    document = {**HOUSE, "rules": [copy.deepcopy(HOUSE["rules"][0])]}
    document = {key: document[key] for key in ("format", "id", "standard", "edition", "title", "source", "rules")}
    document["rules"][0]["statistic"]["percent"] = "0.95"
    path = tmp_path / "house.json"
    path.write_text(json.dumps(document, indent=1), encoding="utf-8")
    recording = tmp_path / "week.csv"
    rows = [f"2031-03-{3 + n // 144:02d}T{n % 144 // 6:02d}:{n % 6}0:00Z,{229 + n % 3 / 10}" for n in range(1008)]
    recording.write_text("\n".join(["time,voltage.an [V]", *rows]) + "\n", encoding="utf-8")
    findings = pqcheck.check(recording, site(supply={"connection": "single-phase", "nominal_voltage": "230 V"}), path)
    assert any("0.95 looks like a fraction" in remark and "line " in remark for remark in findings.remarks)
    assert [finding for finding in findings.findings if finding.rule == "voltage"]


# Overlays.

OVERLAY: Document = {
    **{key: HOUSE[key] for key in ("format", "standard", "edition", "title", "source")},
    "id": "stricter", "overlay_of": "house.json",
    "changes": {"voltage": {"limit": band(low="95", high="105"), "confidence": "one source"}},
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"removes": ["voltage"]}, r"changes\.voltage: this rule is under 'removes' too"),
        ({"changes": {"voltage": {"limit": band(low="95")}}},
         r"changes\.voltage\.limit: the new limit has no confidence"),
        ({"order_changes": {"harmonics": [{"orders": [5], "high": "4"}]}},
         r"harmonics\[0\]: the new limit of order 5 has"),
        ({"changes": {"voltage": {"limit": band(low="90", high="110"), "confidence": "one source"}}},
         "nothing is chang"),
        ({"changes": {"voltage": {"limit": band(low="0.9"), "confidence": "memory"}}}, "0.9 looks like a fraction"),
        ({"applies_if": [{"fact": "nominal_voltage", "in": "(0, 400)", "reason": "No."}]}, "the row never applies"),
    ],
)
def test_overlays_are_examined(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: Document, words: str
) -> None:
    assert validate(tmp_path, capsys, HOUSE)[0] == 0
    assert validate(tmp_path, capsys, OVERLAY, "stricter.json")[0] == 0
    status, out, err = validate(tmp_path, capsys, {**OVERLAY, **change}, "stricter.json")
    assert (status, err) == (1, "") and re.search(words, out), out


def test_a_changed_limit_without_a_mark_is_from_memory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    validate(tmp_path, capsys, HOUSE)
    changes = {"voltage": {"limit": band(low="95", high="105")}, "frequency": {"title": "Frequency"}}
    orders = {"harmonics": [{"orders": [5], "high": "4"}]}
    validate(tmp_path, capsys, {**OVERLAY, "changes": changes, "order_changes": orders}, "stricter.json")
    table = load_table(str(tmp_path / "stricter.json"))
    assert rule_of(table, "voltage").rows[0].confidence == "memory"
    assert rule_of(table, "frequency").rows[0].confidence == "one source"
    marks = {row.orders: row.confidence for row in rule_of(table, "harmonics").rows}
    assert marks[(5,)] == "memory" and marks[(3,)] == "one source"


def test_the_dates_of_a_base_hold_for_its_overlay(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    validate(tmp_path, capsys, {**HOUSE, "effective_from": "2029-01-01", "effective_to": "2030-12-31"})
    validate(tmp_path, capsys, OVERLAY, "stricter.json")
    table = load_table(str(tmp_path / "stricter.json"))
    assert (table.effective_from, table.effective_to) == ("2029-01-01", "2030-12-31")
    validate(tmp_path, capsys, {**OVERLAY, "effective_to": "2029-06-30"}, "stricter.json")
    assert load_table(str(tmp_path / "stricter.json")).effective_to == "2029-06-30"


def test_the_line_of_a_place() -> None:
    text = '\ufeff{"a": [1,\n  {"b.c": {"d": 2},\n   "b": {"c": 3}}],\n "x": "}]"\n}'.removeprefix("\ufeff")
    assert [line_of(text, path) for path in ("a", "a[0]", "a[1]", "a[1].b.c.d", "a[1].b.d", "x", "y", "")] == [
        1, 1, 2, 2, 3, 4, 1, 1,
    ]  # fmt: skip


ODD = [
    None, True, 0, -1, 1.5, 1e300, "", " ", "x", "0", "1e5", "0 s", "999999999 d", "(0, 0)", "(-inf, inf)", "[5, 1]",
    [], {}, [1], ["a"], [[]], {"kind": "band"}, {"kind": "shared", "name": "wide"}, "none", "5 %", "recording",
    "report_only", "voltage_thd", ["ng"], "by_order",
]  # fmt: skip
"""What may stand anywhere in a file by mistake."""


def places(value: Any, steps: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [steps, *(place for key, part in parts for place in places(part, (*steps, key)))]


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(places(HOUSE)[1:]), st.sampled_from(ODD)), min_size=1, max_size=3))
def test_whatever_stands_in_a_table_is_named_and_nothing_breaks(
    tmp_path: Path, mistakes: list[tuple[tuple[Any, ...], Any]]
) -> None:
    document = copy.deepcopy(HOUSE)
    for steps, value in mistakes:
        holder: Any = document
        for step in steps[:-1]:
            holder = holder[step] if isinstance(holder, (dict, list)) and step in range_of(holder) else {}
        if isinstance(holder, (dict, list)) and steps[-1] in range_of(holder):
            holder[steps[-1]] = copy.deepcopy(value)
    path = tmp_path / "house.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    examined = examine_named(str(path))
    lines = examined.lines([*examined.errors, *examined.doubts])
    assert all(re.match(r"house\.json, line 1: .*[.?]$", line) for line in lines)
    assert (examined.table is None) == bool(examined.errors)


def range_of(holder: Any) -> Any:
    return holder if isinstance(holder, dict) else range(len(holder))
