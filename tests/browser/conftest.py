"""The browser tests need chromium and axe-core. CI demands them; elsewhere they are left out with a printed reason."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.chromium import Chromium, executable
from tests.report_material import run, write_job

REQUIRED = "PQCHECK_BROWSER_TESTS"
AXE = "PQCHECK_AXE"
"""Path of axe-core's axe.min.js, as `npm install axe-core` lays it down."""

_ABSENT = executable() is None and os.environ.get(REQUIRED) != "required"
collect_ignore_glob = ["test_*.py"] if _ABSENT else []


def pytest_report_header() -> str | None:
    """Say it aloud when the browser tests are left out."""
    if _ABSENT:
        return f"browser tests: left out, no chromium on this machine ({REQUIRED}=required makes that an error)"
    return None


@pytest.fixture(scope="session")
def browser() -> Iterator[Chromium]:
    """One browser for all tests."""
    with Chromium() as found:
        yield found


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core: from the place CI names, else from the npm registry into a temporary folder."""
    if os.environ.get(AXE):
        return Path(os.environ[AXE]).read_text(encoding="utf-8")
    npm = shutil.which("npm")
    if npm is None and os.environ.get(REQUIRED) != "required":
        pytest.skip(f"no npm to fetch axe-core with, and {AXE} names no file")
    assert npm is not None
    folder = tmp_path_factory.mktemp("axe")
    subprocess.run(
        [npm, "install", "--silent", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", folder, "axe-core@4"],
        check=True,
        capture_output=True,
    )
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a week with trouble in voltage and one order."""
    folder = tmp_path_factory.mktemp("report")
    recording, site = write_job(folder)
    assert run("check", recording, "--site", site, "--out", folder / "r.html", folder / "f.json") == 1
    return folder / "r.html"


@pytest.fixture(scope="session")
def demo_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of the demo that ships."""
    from pqcheck.workflows.make_demo import write_demo

    folder = tmp_path_factory.mktemp("demo")
    files, _ = write_demo(folder)
    run("check", files.recording, files.flicker, "--site", files.site, "--out", folder / "r.html")
    return folder / "r.html"


@pytest.fixture(scope="session")
def comparison(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Before and after on one page: after the work the evening dips are gone."""
    from tests.report_material import mended, with_orders

    folder = tmp_path_factory.mktemp("compare")
    recording, site = write_job(folder)
    better = with_orders(mended())
    other = folder / "later"
    other.mkdir()
    after, _ = write_job(other, better)
    run("compare", recording, after, "--site", site, "--out", folder / "c.html")
    return folder / "c.html"
