"""The sample repository of docs/gate.md: its pipeline is run for real, and what it prints is what the page records.

`RECORD_RUNS=1` writes the recorded runs anew; look at the difference before committing it.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest

from tests import gate_repository

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "docs" / "sample-gate"
RUNS = sorted((SAMPLE / "runs").glob("*.txt"))

# What each run stands for and the exit code it must have (docs/reference/exit-codes.md: 0 all pass or waived, 1 a
# fail, 3 nothing fails but something is not judged, 2 could not run).
EXPECTED = {
    "green": 0, "red": 1, "inconclusive": 3, "waived": 0, "expired": 1, "creeping": 0, "known": 0, "known-worse": 1,
    "margin": 1, "emission": 0, "lock-changed": 2, "matrix": 1,
}  # fmt: skip


def without_checksums(text: str) -> str:
    """The last paragraph names checksums of shipped tables, which change for reasons of their own."""
    text = re.sub(r"\nJudged against .*?\n(?=\n|\Z)", "", text + "\n", flags=re.DOTALL)
    return re.sub(r"[0-9a-f]{12}\b", "<checksum>", text).rstrip() + "\n"


@pytest.fixture(scope="module")
def accepted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample as a repository whose main branch holds the lock and the baseline."""
    return gate_repository.make(tmp_path_factory.mktemp("accepted") / "sample")


@pytest.fixture
def sample(accepted: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "sample"
    shutil.copytree(accepted, folder)
    return folder


def test_every_kind_of_run_is_recorded() -> None:
    assert {path.stem for path in RUNS} == set(EXPECTED)


@pytest.mark.parametrize("path", RUNS, ids=lambda path: path.stem)
def test_a_recorded_run(path: Path, sample: Path) -> None:
    first, *_, last = path.read_text(encoding="utf-8").splitlines()
    command = first.removeprefix("$ ")
    text, status = gate_repository.run(command, sample)
    printed = f"{first}\n{without_checksums(text)}exit {status}\n"
    if os.environ.get("RECORD_RUNS"):
        path.write_text(printed, encoding="utf-8")
    assert last == f"exit {EXPECTED[path.stem]}"
    assert printed == path.read_text(encoding="utf-8")


def test_the_page_shows_every_run() -> None:
    page = (ROOT / "docs" / "gate.md").read_text(encoding="utf-8")
    for path in RUNS:
        assert f"sample-gate/runs/{path.name}" in page
        command = path.read_text(encoding="utf-8").splitlines()[0].removeprefix("$ ")
        assert command in page
