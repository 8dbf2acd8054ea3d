"""The catalogue of reason codes: every template renders to a sentence, every code in use is in it, none is dead."""

from __future__ import annotations

import ast
import functools
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

from pqcheck.model.reason_codes import CATALOGUE, known, sentence
from pqcheck.vet.check_definition import COMMON_CODES
from pqcheck.vet.checks import CHECKS as VETTING_CHECKS

PACKAGE = Path(__file__).resolve().parent.parent / "pqcheck"
CHECKS = {code for check in VETTING_CHECKS for code in check.codes} | set(COMMON_CODES)


def filled(template: str) -> str:
    """The template with a word for each field that suits its place: at the start, after a letter, at the end."""
    parts = list(string.Formatter().parse(template))
    text = ""
    for number, (before, name, _, _) in enumerate(parts):
        text += before
        if name:
            glued = bool(text) and text[-1].isalnum()
            last = number == len(parts) - 1
            text += " of phase a" if glued else "it is so." if last else "7" if text else "It is so"
    return text


@pytest.mark.parametrize("code", CATALOGUE)
def test_a_template_renders_to_plain_sentences(code: str) -> None:
    entry = CATALOGUE[code]
    for template in (entry.text, entry.advice):
        text = filled(template)
        assert not re.search(r"[{}]|  | [.,;]|\.\.|;;", text), text
        assert re.match(r"[A-Z0-9]|it is so", text) and text.endswith("."), text
    names = {name for one in (entry.text, entry.advice) for _, name, _, _ in string.Formatter().parse(one) if name}
    assert all("{" not in text for text in sentence(code, **dict.fromkeys(names, "7")))
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
    assert entry.title[0].isupper() and not entry.title.endswith(".")


def test_a_sentence_begins_with_a_capital_or_a_name() -> None:
    assert sentence("outside-scope", why="the table has no row")[0] == "The table has no row."
    assert sentence("outside-scope", why="voltage.an is no line")[0] == "voltage.an is no line."


def test_a_code_means_one_thing() -> None:
    titles = [entry.title for entry in CATALOGUE.values()]
    assert len(titles) == len(set(titles))
    assert known("gap") and not known("no-such-code")


def texts(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def calls(tree: ast.AST) -> Iterator[str]:
    """Codes written out where a reason is made."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", None) or getattr(node.func, "attr", None)
        first = node.args[0] if node.args else None
        if name in ("Reason", "reason", "sentence") and isinstance(first, ast.Constant):
            yield str(first.value)


@functools.cache
def modules() -> dict[Path, ast.Module]:
    return {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}


def test_every_code_in_use_is_in_a_catalogue() -> None:
    used = {code: path.name for path, tree in modules().items() for code in calls(tree)}
    unknown = {code: name for code, name in used.items() if code not in CATALOGUE and code not in CHECKS}
    assert len(used) > 10 and not unknown


def test_no_code_of_the_catalogue_is_dead() -> None:
    written = {text for path, tree in modules().items() if path.name != "reason_codes.py" for text in texts(tree)}
    assert not set(CATALOGUE) - written
