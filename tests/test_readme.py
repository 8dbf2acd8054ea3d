"""The README's runs are real: each command of a console block is run in an empty folder and prints what is shown.

Its Python session is run by tests/test_docs_examples.py.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from pqcheck.cli import main
from pqcheck.limit_tables.load_limit_table import library_sentence

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


CUT = "[...]\n"
"""A line of a console block that stands for lines left out."""


def runs() -> list[tuple[str, str]]:
    """(command, output) of every console block."""
    shown = []
    for block in re.findall(r"^```console\n(.*?)^```", README, re.DOTALL | re.MULTILINE):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            shown.append((command, output))
    return shown


def test_there_is_a_worked_run() -> None:
    assert runs()


@pytest.mark.parametrize(("command", "output"), runs())
def test_a_run_prints_what_the_readme_shows(
    command: str,
    output: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    program, *arguments = shlex.split(command)
    assert program == "pqcheck"
    assert main(arguments) in (0, 1, 3)
    printed = capsys.readouterr().out
    parts = output.split(CUT)
    assert printed.startswith(parts[0]) and printed.endswith(parts[-1])
    # What is shown between two cuts stands in the output as it is, in this order; and every cut leaves something out.
    end = len(parts[0])
    for part in parts[1:]:
        start = printed.find(part, end)
        assert start > end, part
        assert printed[start - 1] == "\n" and part, part
        end = start + len(part)


def test_the_readme_stays_short() -> None:
    assert len(README.splitlines()) <= 120


def test_the_count_of_tables_is_true() -> None:
    assert library_sentence() in README


def test_every_picture_is_there() -> None:
    for target in re.findall(r"!\[[^]]+\]\(([^)]+)\)", README):
        assert (ROOT / target).is_file(), target


def test_every_link_leads_somewhere() -> None:
    for target in re.findall(r"(?<!!)\[[^]]+\]\(([^)#]+)", README):
        assert (ROOT / target).exists(), target
