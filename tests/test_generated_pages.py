"""The pages made from the program are what the program says, and leave out no command and no reason code."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from pqcheck.cli import COMMANDS
from pqcheck.findings import ExitStatus, Verdict
from pqcheck.reasons import CATALOGUE
from pqcheck.vetting.check import COMMON_CODES
from pqcheck.vetting.checks import CHECKS
from tests.generated_pages import GENERATED, PAGES, cli_page, options_of, parser_of, present

DOCS = PAGES.parent
ROOT = DOCS.parent


@pytest.mark.parametrize("name", GENERATED)
def test_the_page_is_what_the_program_says(name: str) -> None:
    assert (PAGES / name).read_text(encoding="utf-8") == GENERATED[name](), "python -m tests.generated_pages"


@pytest.mark.parametrize("command", present())
def test_every_command_is_documented(command: str) -> None:
    page = cli_page()
    assert f"\n## {command}\n" in page
    parser = parser_of(command)
    assert len(parser.description or "") > 30 and str(parser.description).endswith(".")
    for action in options_of(parser):
        assert action.help, f"{command} {action.option_strings} has no help"
        assert f"`{', '.join(action.option_strings)}" in page


@pytest.mark.parametrize("command", present())
def test_a_command_has_at_most_twelve_options(command: str) -> None:
    assert len(options_of(parser_of(command))) <= 12


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
    found: set[str] = set()
    if isinstance(schema, dict):
        for name, below in schema.get("properties", {}).items():
            found |= {name} | _properties(below)
        for key in ("items", "additionalProperties", "anyOf", "allOf", "oneOf", "then", "else", "if", "$defs"):
            below = schema.get(key)
            for one in below.values() if key == "$defs" and isinstance(below, dict) else [below]:
                found |= _properties(one)
    elif isinstance(schema, list):
        for one in schema:
            found |= _properties(one)
    return found


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
