"""Examples in the pages are run: Python sessions as they stand, in the folder of the reference cases."""

from __future__ import annotations

import doctest
import re
import tomllib
from pathlib import Path

import pytest

from pqcheck.site.load_site import site_from

DOCS = Path(__file__).resolve().parent.parent / "docs"
CASES = DOCS.parent / "reference_cases"
PAGES = sorted([*DOCS.rglob("*.md"), DOCS.parent / "README.md", CASES / "README.md"])


def blocks(page: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


WITH_SESSIONS = [page for page in PAGES if any(">>>" in block for block in blocks(page, "python"))]


@pytest.mark.parametrize("page", WITH_SESSIONS, ids=lambda page: page.name)
def test_python_sessions(page: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CASES)
    text = "\n".join(block for block in blocks(page, "python") if ">>>" in block)
    session = doctest.DocTestParser().get_doctest(text, {}, page.name, str(page), 0)
    report: list[str] = []
    failed = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(session, out=report.append).failed
    assert not failed, "".join(report)
    assert len(session.examples) > 1


def test_the_pages_about_the_method_have_sessions() -> None:
    named = {page.name for page in WITH_SESSIONS}
    assert {"counting.md", "proof.md", "periods.md", "aggregation.md", "converting.md", "findings-file.md"} <= named
    assert "README.md" in named


@pytest.mark.parametrize("page", [page for page in PAGES if blocks(page, "toml")], ids=lambda page: page.name)
def test_toml_blocks_are_toml(page: Path) -> None:
    for block in blocks(page, "toml"):
        document = tomllib.loads(block)
        if page.parent.name == "method":
            # Parts of a site file: what they leave out is added.
            supply = {"nominal_voltage": "400 V", "connection": "wye"}
            site_from({"name": "x", "time_zone": "UTC", "supply": supply} | document, page.name)


def test_no_page_holds_marks_of_an_unfinished_merge() -> None:
    """Python and JSON files with such marks cannot be read at all; a page can."""
    marks = ("<" * 7 + " ", ">" * 7 + " ")
    for page in (*PAGES, DOCS.parent / "DEVELOPERS.md", *CASES.rglob("*.md")):
        lines = page.read_text(encoding="utf-8").splitlines()
        assert not [line for line in lines if line.startswith(marks)], page
