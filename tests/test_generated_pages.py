"""The pages made from the program are what the program says, and leave out no command and no reason code."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from pqcheck.cli import COMMANDS
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.load_limit_table import library_sentence, table_ids
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.reason_codes import CATALOGUE
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import COMMON_CODES
from pqcheck.vet.checks import CHECKS
from tests import generated_pages
from tests.generated_pages import PAGES, cli_page, kept_pages, options_of, parser_of, present

DOCS = PAGES.parent
ROOT = DOCS.parent


RULE_HEADINGS = ["What is judged", "How computed", "Limits", "Clause", "Example", "Confidence"]
CHECK_HEADINGS = ["What is looked at", "How", "Example", "Thresholds", "Reason codes"]


def test_the_pages_that_are_kept_are_what_the_program_says() -> None:
    made = kept_pages()
    stale = [name for name, text in made.items() if (DOCS / name).read_text(encoding="utf-8") != text]
    assert stale == [], "python -m tests.generated_pages"
    there = {f"{folder}/{path.name}" for folder in ("rules", "checks") for path in (DOCS / folder).glob("*")}
    assert there <= set(made), "a page too many"


@pytest.fixture(name="built", scope="module")
def built_pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = tmp_path_factory.mktemp("pages") / "docs"
    generated_pages.main(["--all", str(folder)])
    return folder


def test_every_table_and_every_check_has_a_page(built: Path) -> None:
    assert {path.stem for path in (built / "rules").iterdir()} == {"index", *table_ids()}
    assert {path.stem for path in (built / "checks").iterdir()} == {"index", *(check.name for check in CHECKS)}


def test_every_rule_has_its_headings(built: Path) -> None:
    wrong = []
    for table_id in table_ids():
        table, text = load_table(table_id), (built / "rules" / f"{table_id}.md").read_text(encoding="utf-8")
        for rule in (*table.rules, *table.event_rules):
            section = text.partition(f"\n## {rule.id}\n")[2].split("\n## ")[0]
            if re.findall(r"^### (.*)$", section, flags=re.MULTILINE) != RULE_HEADINGS:
                wrong.append(f"{table_id}/{rule.id}")
        wrong += [f"{table_id}: {word}" for word in ("Decimal(", "None") if word in text]
    assert wrong == []


def test_every_check_has_its_headings_and_codes(built: Path) -> None:
    wrong = []
    for check in CHECKS:
        text = (built / "checks" / f"{check.name}.md").read_text(encoding="utf-8")
        headings = re.findall(r"^##+ (.*)$", text, flags=re.MULTILINE)
        if headings != [*CHECK_HEADINGS, *(f"`{code}`" for code in check.codes)]:
            wrong.append(check.name)
    assert wrong == []


def test_the_allowed_numbers_of_the_examples(built: Path) -> None:
    """Allowed of 1008, 28 800, 84 and 3 153 600 values: 50 or 10, 288, 4 and 15 768 (derived counts)."""
    pages = ("ieee519-2014.md", "en50160-2010-lv.md")
    text = "".join((built / "rules" / name).read_text(encoding="utf-8") for name in pages)
    for count in (
        "1008 values of a week at most 50",
        "1008 values of a week at most 10",
        "28800 values of a day at most 288",
        "84 values of a week at most 4",
        "3153600 values of a year at most 15768",
    ):
        assert count in text


def test_no_link_of_the_built_pages_is_dead(built: Path) -> None:
    dead = []
    for folder in ("rules", "checks", "reference"):
        for page in (built / folder).glob("*.md"):
            text = page.read_text(encoding="utf-8")
            headings = {re.sub(r"[^\w. -]", "", h).strip().lower().replace(" ", "-").replace(".", "")
                        for h in re.findall(r"^#+ (.*)$", text, flags=re.MULTILINE)}
            for target, anchor in re.findall(r"\]\(([^)#\s]*)(?:#([^)]*))?\)", text):
                if "://" in target:
                    continue
                if not (page.parent / target).exists() or (not target and anchor.replace(".", "") not in headings):
                    dead.append(f"{folder}/{page.name}: {target}#{anchor}")
    assert dead == []


def test_the_index_counts_the_library(built: Path) -> None:
    assert library_sentence() in (built / "rules" / "index.md").read_text(encoding="utf-8")


def test_every_command_is_documented() -> None:
    page, wrong = cli_page(), []
    for command in present():
        parser = parser_of(command)
        if f"\n## {command}\n" not in page:
            wrong.append(command)
        if len(parser.description or "") <= 30 or not str(parser.description).endswith("."):
            wrong.append(f"{command}: {parser.description!r}")
        for action in options_of(parser):
            if not action.help or f"`{', '.join(action.option_strings)}" not in page:
                wrong.append(f"{command} {action.option_strings}")
    assert wrong == []


def test_a_command_has_at_most_twelve_options() -> None:
    counts = {command: len(options_of(parser_of(command))) for command in present()}
    assert {command: count for command, count in counts.items() if count > (16 if command == "gate" else 12)} == {}


def test_no_page_names_a_command_that_is_not_there() -> None:
    named = set()
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *DOCS.rglob("*.md")]:
        named |= set(re.findall(r"^\s*(?:\$ )?pqcheck ([a-z]+)", page.read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert named <= set(COMMANDS), named - set(COMMANDS)


def test_every_reason_code_has_its_line() -> None:
    page = (PAGES / "reasons.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `([^`]+)` \|", page, flags=re.MULTILINE)
    known = set(CATALOGUE) | {code for check in CHECKS for code in check.codes} | set(COMMON_CODES)
    assert set(listed) == known


def test_the_page_about_exit_codes_has_each_code_with_its_meaning() -> None:
    page = (PAGES / "exit-codes.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| (\d) \| `(\w+)` \|", page, flags=re.MULTILINE))
    assert rows == {str(int(status)): status.name for status in ExitStatus}
    for command in present():
        assert f"| `{command}` |" in page, f"what the exit codes of {command} mean"


def _properties(schema: object, path: str = "") -> set[str]:
    names: set[str] = set()
    if isinstance(schema, dict):
        for name, below in schema.get("properties", {}).items():
            names |= {name} | _properties(below)
        for key in ("items", "additionalProperties", "anyOf", "allOf", "oneOf", "then", "else", "if", "$defs"):
            below = schema.get(key)
            for part in below.values() if key == "$defs" and isinstance(below, dict) else [below]:
                names |= _properties(part)
    elif isinstance(schema, list):
        for part in schema:
            names |= _properties(part)
    return names


def test_the_page_about_the_findings_file_names_every_key_and_verdict() -> None:
    page = (PAGES / "findings-file.md").read_text(encoding="utf-8")
    schema = json.loads((ROOT / "pqcheck" / "findings.schema.json").read_text(encoding="utf-8"))
    named = set(re.findall(r"`([\w/-]+)`", page))
    missing = _properties(schema) - named
    assert not missing
    assert {verdict.value for verdict in Verdict} <= named


def test_every_page_is_reached_from_the_index_and_no_link_is_dead() -> None:
    pages = {page.resolve() for page in DOCS.rglob("*.md")}
    reached: set[Path] = set()
    waiting = [DOCS / "index.md"]
    while waiting:
        page = waiting.pop().resolve()
        if page in reached:
            continue
        reached.add(page)
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if "://" in target:
                continue
            place = (page.parent / target).resolve()
            assert place.exists(), f"{page.relative_to(ROOT)} links to {target}"
            if place.suffix == ".md" and place.is_relative_to(DOCS):
                waiting.append(place)
    assert pages - reached == set()


def test_every_file_that_a_page_names_exists() -> None:
    lost = []
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *DOCS.rglob("*.md")]:
        text = page.read_text(encoding="utf-8")
        named = re.findall(r"`((?:pqcheck|tests|docs|limits|reference_cases)/[\w./-]*)(?::[\w.]+)?`", text)
        lost += [f"{page.relative_to(ROOT)}: {name}" for name in named if not (ROOT / name).exists()]
    assert lost == []
