"""The limits command, the limits at a site, the generated pages, the page about the vocabulary."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pqcheck.cli import main
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.files import table_ids
from pqcheck.limit_tables.library import library_sentence
from pqcheck.reports.limit_table_diff import diff_text
from pqcheck.reports.limit_tables import limits_at, table_text
from pqcheck.reports.rule_pages import example_sites, pages, write_pages
from tests.limit_rows import rule_of
from tests.recordings import site

ROOT = Path(__file__).resolve().parent.parent
PAGES = ROOT / "docs" / "rules"
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


@pytest.mark.parametrize("table_id", table_ids())
def test_every_table_can_be_shown(capsys: pytest.CaptureFixture[str], site_file: str, table_id: str) -> None:
    status, out, err = run(capsys, "show", table_id)
    assert (status, err) == (0, "")
    for rule in load_table(table_id).rules:
        assert f"\n{rule.id}: {rule.title}\n" in out and f"clause {rule.clause}; confidence: {rule.confidence}" in out
    status, at_site, err = run(capsys, "show", table_id, "--site", site_file)
    assert (status, err) == (0, "") and "Heron Wharf cold store" in at_site
    for text in (out, at_site):
        assert "Decimal" not in text and "None" not in text and "{" not in text.replace("{h}", "")


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
    assert "not in force here: The frequency limits are written for 50 Hz systems." in out


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
    assert "7 rules are alike in both." in out
    assert "odd" not in flat.replace("ODD", "")


def test_the_difference_of_an_overlay(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "diff", "en50160-2010-lv", "es-rd1955-2000-lv")
    assert "90 to 110 -> 93 to 107" in out and "11 rules are alike in both." in out
    _, out, _ = run(capsys, "diff", "en50160-2010-lv", "no-fol-lv")
    assert "Only in en50160-2010-lv:\n  voltage-week-95" in out and "Only in no-fol-lv:\n  voltage-minute-all" in out


@pytest.mark.parametrize("table_id", table_ids())
def test_a_table_does_not_differ_from_itself(table_id: str) -> None:
    text = diff_text(load_table(table_id), load_table(table_id))
    assert "->" not in text and "Only in" not in text


def test_validate(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "house.json"
    document = json.loads((ROOT / "limits" / "gb-esqc-hv.json").read_text(encoding="utf-8"))
    path.write_text(json.dumps(document), encoding="utf-8")
    status, out, err = run(capsys, "validate", str(path))
    assert (status, err) == (0, "") and out.startswith("gb-esqc-hv: the table holds together (1 rules, 2 rows")
    document["rules"][0]["statistic"]["kind"] = "mostly"
    path.write_text(json.dumps(document), encoding="utf-8")
    status, out, err = run(capsys, "validate", str(path))
    assert (status, out) == (2, "")
    assert err.startswith("pqcheck: house.json: rules[0].statistic.kind: 'mostly' is not one of ")
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments", [("show", "en50160"), ("diff", "ieee519-2014", "nothing.json"), ("validate", "no.json")]
)
def test_what_is_not_there_is_refused(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    status, out, err = run(capsys, *arguments)
    assert (status, out) == (2, "") and err.count("\n") == 1


def test_the_pages_are_those_of_the_tables() -> None:
    found = {path.name: path.read_text(encoding="utf-8") for path in PAGES.glob("*.md")}
    expected = pages()
    assert sorted(found) == sorted(expected), "write the pages anew (pqcheck/reports/rule_pages.py)"
    assert [name for name in expected if found[name] != expected[name]] == []


def test_pages_are_written_as_they_are_made(tmp_path: Path) -> None:
    write_pages(tmp_path)
    assert {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()} == pages()


@pytest.mark.parametrize(
    "table_id", [one for one in table_ids() if load_table(one).rules or load_table(one).event_rules]
)
def test_every_rule_has_its_headings(table_id: str) -> None:
    table, text = load_table(table_id), pages()[f"{table_id}.md"]
    headings = ["What is judged", "How computed", "Limits", "Clause", "Example", "Confidence"]
    for rule in (*table.rules, *table.event_rules):
        section = text.split(f"\n## {rule.id}\n")[1].split("\n## ")[0]
        assert re.findall(r"^### (.*)$", section, flags=re.MULTILINE) == headings
    assert "Decimal(" not in text and "None" not in text


def test_the_allowed_numbers_of_the_examples() -> None:
    """Allowed of 1008, 28 800, 84 and 3 153 600 values: 50 or 10, 288, 4 and 15 768 (derived counts)."""
    text = pages()["ieee519-2014.md"] + pages()["en50160-2010-lv.md"]
    for count in (
        "1008 values of a week at most 50",
        "1008 values of a week at most 10",
        "28800 values of a day at most 288",
        "84 values of a week at most 4",
        "3153600 values of a year at most 15768",
    ):
        assert count in text


def test_example_sites_have_names_of_nobody() -> None:
    assert all(one.name.startswith("Example service") for one in example_sites())


def test_the_library_is_counted() -> None:
    sentence = library_sentence()
    assert sentence.startswith(f"{len(table_ids())} limit tables with ") and sentence in pages()["index.md"]


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


@pytest.mark.parametrize(
    "key",
    sorted(
        set(
            keys(
                {
                    **SCHEMA,
                    "$defs": {
                        name: one
                        for name, one in SCHEMA["$defs"].items()
                        if not name.startswith("load") and name != "demand_source"
                    },
                }
            )
        )
    ),
)
def test_the_page_names_every_key(key: str) -> None:
    assert re.search(rf"[`\"]{re.escape(key)}[`\"]", VOCABULARY), key


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
