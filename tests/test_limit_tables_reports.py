"""The limits command, the limits at a site, the page about the vocabulary."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pqcheck.cli import main
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.load_limit_table import library_sentence, table_ids
from pqcheck.reports.limit_table_diff import diff_text
from pqcheck.reports.show_limit_table import limits_at, table_text
from tests.limit_rows import rule_of
from tests.recordings import site
from tests.rule_pages import example_sites

ROOT = Path(__file__).resolve().parent.parent
VOCABULARY = (ROOT / "docs" / "reference" / "limit-tables.md").read_text(encoding="utf-8")

SITE = """
name = "Heron Wharf cold store"
time_zone = "Europe/Lisbon"
[supply]
nominal_voltage = "480Y/277 V"
connection = "wye"
frequency = "60 Hz"
measured_at = "service"
[pcc]
is_pcc = true
short_circuit_current = "12 kA"
maximum_demand_current = "400 A"
demand_basis = "mean of 12 monthly maxima"
"""


@pytest.fixture(name="site_file")
def written_site(tmp_path: Path) -> str:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["limits", *arguments])
    done = capsys.readouterr()
    return status, done.out, done.err


@pytest.mark.parametrize("arguments", [(), ("list",)])
def test_the_list_names_every_table(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    status, out, err = run(capsys, *arguments)
    assert (status, err) == (0, "")
    assert [line.split()[0] for line in out.splitlines()[1 : len(table_ids()) + 1]] == list(table_ids())


def test_every_table_can_be_shown(capsys: pytest.CaptureFixture[str], site_file: str) -> None:
    wrong = []
    for table_id in table_ids():
        status, out, err = run(capsys, "show", table_id)
        at_status, at_site, at_err = run(capsys, "show", table_id, "--site", site_file)
        if (status, err, at_status, at_err) != (0, "", 0, "") or "Heron Wharf cold store" not in at_site:
            wrong.append(table_id)
        for rule in load_table(table_id).rules:
            if f"\n{rule.id}: {rule.title}\n" not in out:
                wrong.append(f"{table_id}/{rule.id}")
            if f"clause {rule.clause}; confidence: {rule.confidence}" not in out:
                wrong.append(f"{table_id}/{rule.id}: clause")
        for text in (out, at_site):
            wrong += [f"{table_id}: {word}" for word in ("Decimal", "None", "{") if word in text.replace("{h}", "")]
    assert wrong == []


def test_limits_at_a_site_in_volts_and_amperes(capsys: pytest.CaptureFixture[str], site_file: str) -> None:
    """480Y/277 V: range A 456/504 and 263/291 V (published); Isc/IL 30, IL 400 A: h5 7 % = 28 A, h11 14 A, TDD 8 %."""
    _, out, _ = run(capsys, "show", "ansi-c84.1-2020", "--site", site_file)
    assert "456 to 504 V line to line" in out and "263 to 291 V line to neutral" in out
    assert "228" not in out
    _, out, _ = run(capsys, "show", "ieee519-2014", "--site", site_file)
    weekly = out.split("current-harmonics-week-95")[1].split("tdd-day-99")[0]
    assert "order 3 to 9 odd: below 28 A" in weekly and "order 11 to 15 odd: below 14 A" in weekly
    assert "order 2 to 10 even: below 7 A" in weekly and "Table 2, Isc/IL 20 < 50" in weekly
    assert "below 8 %" in out.split("tdd-week-95")[1]
    _, out, _ = run(capsys, "show", "en50160-2010-lv", "--site", site_file)
    assert "written for other nominal voltages than 480Y/277 V (wye); the nearest is 400/230 V" in " ".join(out.split())


def test_percent_of_nominal_becomes_volts() -> None:
    """EN 50160 at 230 V: 207.0 to 253.0 V (two public texts)."""
    table = load_table("en50160-2010-lv")
    found = limits_at(table, rule_of(table, "voltage-week-95"), site())
    assert [(limit.line, limit.words) for limit in found.limits] == [
        ("line_to_neutral", "207 to 253 V"),
        ("line_to_line", "360 to 440 V"),
    ]


@pytest.mark.parametrize(
    ("table", "rule", "sections", "words"),
    [
        ("ieee519-2014", "tdd-week-95", {}, "point of common coupling"),
        ("ieee519-2014", "tdd-week-95", {"pcc": {"is_pcc": False}}, "IEEE 519 governs the point of common coupling"),
        ("ieee519-2014", "tdd-week-95", {"pcc": {"is_pcc": True}}, "demand current"),
        (
            "ansi-c84.1-2020",
            "service-range-a",
            {"supply": {"frequency": "60 Hz"}},
            "does not list 400 V .*nearest row is",
        ),
        ("en50160-2010-mv", "voltage-all", {}, "above 1 kV up to 36 kV"),
        ("ieee1547-2018", "trd", {}, "the rated current is not declared"),
    ],
)
def test_why_a_rule_is_not_in_force(table: str, rule: str, sections: dict[str, Any], words: str) -> None:
    loaded = load_table(table)
    found = limits_at(loaded, rule_of(loaded, rule), site(**sections))
    assert found.limits == () and re.search(words, found.why_not or "")


def test_the_even_orders_stand_out(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "diff", "ieee519-2014", "ieee519-2022")
    assert status == 0
    assert out.count("EVEN ORDERS ONLY: the limits of order 2 to 50 even differ; all other orders are alike.") == 1
    flat = " ".join(out.split())
    assert "order 2 to 6 even: below 1 -> below 2; order 8, 10: below 1 -> below 4" in flat
    assert "current-harmonics-week-95: differs as current-harmonics-day-99" in out
    # Voltage rules are alike; the current rules of 2022 have the route of inverter-based generation besides.
    assert "4 rules are alike in both." in out
    assert "odd" not in flat.replace("ODD", "")


def test_the_difference_of_an_overlay(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "diff", "en50160-2010-lv", "es-rd1955-2000-lv")
    assert "90 to 110 -> 93 to 107" in out and "11 rules are alike in both." in out
    _, out, _ = run(capsys, "diff", "en50160-2010-lv", "no-fol-lv")
    before, after = out.split("Only in no-fol-lv:\n")
    assert "Only in en50160-2010-lv:\n" in before and "\n  voltage-week-95" in before
    assert after.startswith("  voltage-minute-all")
    assert "at most 8 -> not shown" in after


def test_a_table_does_not_differ_from_itself() -> None:
    texts = {table_id: diff_text(load_table(table_id), load_table(table_id)) for table_id in table_ids()}
    assert [name for name, text in texts.items() if "->" in text or "Only in" in text] == []


def test_validate(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "house.json"
    document = json.loads((ROOT / "limits" / "gb-esqc-hv.json").read_text(encoding="utf-8")) | {"id": "house"}
    path.write_text(json.dumps(document), encoding="utf-8")
    status, out, err = run(capsys, "validate", str(path))
    assert (status, err) == (0, "") and out.startswith("house: the table holds together (2 rules, 3 rows")
    document["rules"][0]["statistic"]["kind"] = "mostly"
    path.write_text(json.dumps(document), encoding="utf-8")
    status, out, err = run(capsys, "validate", str(path))
    assert (status, out) == (2, "")
    assert err.startswith("pqcheck: house.json, line 1: rules[0].statistic.kind: 'mostly' is not one of ")
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments", [("show", "en50160"), ("diff", "ieee519-2014", "nothing.json"), ("validate", "no.json")]
)
def test_what_is_not_there_is_refused(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    status, out, err = run(capsys, *arguments)
    assert (status, out) == (2, "") and err.count("\n") == 1


def test_the_list_is_narrowed_by_country_and_kind(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "list", "--country", "uk", "--kind", "frequency")
    assert {"gb-esqc-lv", "gb-esqc-hv", "en50160-2010-mv"} <= set(out.split())
    assert not {"ieee519-2022", "iec61000-4-11", "es-rd1955-2000-lv"} & set(out.split())
    _, out, _ = run(capsys, "list", "--kind", "load")
    assert {line.split()[0] for line in out.splitlines()[1:4]} == {"ca-ce-code-2021", "nfpa70-2020", "nfpa70-2023"}
    for arguments, words in (
        (("--kind", "volts"), "there is no kind 'volts'; did you mean 'voltage'?"),
        (("--country", "XX"), "no shipped table is of country XX"),
        (("--country", "Spain"), "is no code of two letters"),
    ):
        status, out, err = run(capsys, "list", *arguments)
        assert (status, out) == (2, "") and words in err


def test_a_family_is_no_table(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "show", "en50160")
    assert (status, out) == (2, "") and "did you mean one of en50160-2007-lv, en50160-2007-mv, en50160-2010" in err


def test_which_tables_govern_a_place_and_why_others_do_not(
    capsys: pytest.CaptureFixture[str], site_file: str, tmp_path: Path
) -> None:
    status, out, err = run(capsys, "for", site_file)
    assert (status, err) == (0, "")
    here, not_here = out.split("Do not govern here:")
    governing = here.split("Open until")[0]
    assert "  ansi-c84.1-2020: " in governing and "  ieee519-2022: " in governing and "ieee1547-2018" in here
    flat = " ".join(not_here.split())
    assert "EN 50160 2010 is written for other nominal voltages than 480Y/277 V" in flat or "en50160-2010-lv" in flat
    assert all(table_id in out for table_id in table_ids())
    medium = tmp_path / "medium.toml"
    text = SITE.replace("480Y/277 V", "20 kV").replace('"wye"', '"delta"').replace("60 Hz", "50 Hz")
    medium.write_text(text, encoding="utf-8")
    _, out, _ = run(capsys, "for", str(medium), "--country", "ES")
    assert "  es-rd1955-2000-mv: " in out.split("Do not govern")[0]
    assert "es-rd1955-2000-lv" in out.split("Do not govern")[1]
    assert "gb-esqc-lv" not in out


def test_example_sites_have_names_of_nobody() -> None:
    assert all(one.name.startswith("Example service") for one in example_sites())


def test_the_library_is_counted() -> None:
    assert library_sentence().startswith(f"{len(table_ids())} limit tables with ")


def test_show_without_a_site_folds_repeated_limits() -> None:
    text = table_text(load_table("ieee519-2014"))
    assert "limits: the rows of current-harmonics-day-99; every limit times 1.5 (memory)" in text


# The page about the vocabulary names everything there is.

SCHEMA = json.loads((ROOT / "limits" / "limit_table.schema.json").read_bytes())


def keys(schema: Any) -> Iterator[str]:
    if isinstance(schema, dict):
        yield from schema.get("properties", {}) if isinstance(schema.get("properties"), dict) else ()
        for below in schema.values():
            yield from keys(below)
    elif isinstance(schema, list):
        for below in schema:
            yield from keys(below)


def test_the_page_names_every_key() -> None:
    parts = {
        name: part for name, part in SCHEMA["$defs"].items() if not name.startswith("load") and name != "demand_source"
    }
    known = sorted(set(keys({**SCHEMA, "$defs": parts})))
    assert len(known) >= 100
    assert [key for key in known if not re.search(rf"[`\"]{re.escape(key)}[`\"]", VOCABULARY)] == []


@pytest.mark.parametrize("name", ["kind", "confidence"])
def test_the_page_names_every_kind_and_mark(name: str) -> None:
    words = (
        SCHEMA["$defs"]["limit"]["properties"]["kind"]["enum"]
        if name == "kind"
        else SCHEMA["$defs"]["confidence"]["enum"]
    )
    for word in [*words, *SCHEMA["$defs"]["statistic"]["properties"]["kind"]["enum"]]:
        assert f"`{word}`" in VOCABULARY


def test_the_page_names_every_fact() -> None:
    facts = re.findall(r"[a-z_]+(?=\||\))", SCHEMA["$defs"]["fact"]["pattern"])
    assert len(facts) > 6
    for fact in facts:
        assert f"`{fact}`" in VOCABULARY


def test_the_overlay_of_the_page_is_the_shipped_one() -> None:
    block = re.search(r"```json\n(.*?)```", VOCABULARY, flags=re.DOTALL)
    assert block
    shown = json.loads(block[1])
    shipped = json.loads((ROOT / "limits" / "es-rd1955-2000-lv.json").read_bytes())
    assert shown["overlay_of"] == shipped["overlay_of"]
    assert shown["changes"]["voltage-week-95"]["limit"] == shipped["changes"]["voltage-week-95"]["limit"]
