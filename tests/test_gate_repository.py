"""Ways round the gate, each a commit in a repository laid out as docs/sample-gate: none of them is green."""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path

import junitparser
import pytest

from tests import gate_repository
from tests.gate_repository import ATTEMPTS, CI, RELEASE, SURVEY, Attempt, run


@pytest.fixture(scope="module")
def accepted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return gate_repository.make(tmp_path_factory.mktemp("accepted") / "product")


@pytest.fixture
def repository(accepted: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "product"
    shutil.copytree(accepted, folder)
    return folder


def test_main_is_green_and_what_fails_is_red(repository: Path) -> None:
    text, status = run(RELEASE, repository)
    assert status == 0 and text.startswith("GREEN (exit 0): of 900 criteria in 2 operating points 0 fail")
    text, status = run(CI, repository)
    assert status == 1 and text.startswith("RED (exit 1)")
    text, status = run(SURVEY, repository)
    assert status == 1 and "voltage-week-95" in text
    read = junitparser.JUnitXml.fromfile(str(repository / "build" / "result.junit.xml"))
    assert (read.tests, read.failures, read.errors) == (900, 3, 0)


def test_attempts_have_names_of_their_own() -> None:
    assert max(Counter(one.name for one in ATTEMPTS).values()) == 1 and len(ATTEMPTS) > 30


@pytest.mark.parametrize("attempt", ATTEMPTS, ids=lambda one: one.name)
def test_a_way_round(attempt: Attempt, repository: Path) -> None:
    attempt.branch(repository)
    text, status = run(attempt.command, repository)
    assert status == attempt.status, text
    assert attempt.words in " ".join(text.split()), text
    # And what a machine reads of it is not green either.
    junit = repository / "build" / "result.junit.xml"
    if "ci.sh" in attempt.command:
        read = junitparser.JUnitXml.fromfile(str(junit))
        assert read.failures + read.errors > 0
