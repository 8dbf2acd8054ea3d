"""A repository of a product with a gate, made from docs/sample-gate, and commits that each try a way round it.

``python -m tests.gate_repository FOLDER`` makes it, to be looked at: main holds what was agreed, and every attempt is a
branch of one commit.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "docs" / "sample-gate"
DAY = "2031-02-20"

_SOMEBODY = {"NAME": "Somebody", "EMAIL": "somebody@example.org", "DATE": "2031-02-20T00:00:00Z"}
_WHO = {f"GIT_{role}_{what}": text for role in ("AUTHOR", "COMMITTER") for what, text in _SOMEBODY.items()}


def run(command: str, folder: Path) -> tuple[str, int]:
    """A shell command, with a `pqcheck` that is the one under test: what it prints, and its exit status."""
    tools = folder.parent / f"{folder.name}-tools"
    tools.mkdir(exist_ok=True)
    tool = tools / "pqcheck"
    tool.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m pqcheck "$@"\n', encoding="utf-8")
    tool.chmod(0o755)
    environment = {
        **os.environ, **_WHO, "PATH": f"{tools}{os.pathsep}{os.environ['PATH']}", "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_CONFIG_SYSTEM": os.devnull,
    }  # fmt: skip
    done = subprocess.run(
        ["sh", "-c", command], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    return done.stdout + done.stderr, done.returncode


def _must(command: str, folder: Path) -> None:
    text, status = run(command, folder)
    if status:
        raise RuntimeError(f"{command}: exit {status}\n{text}")


def make(folder: Path) -> Path:
    """The repository with its main branch: the sample, a survey over time, and what was agreed about both."""
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    survey = folder / "survey"
    survey.mkdir()
    (survey / "site.toml").write_text(SURVEY_SITE, encoding="utf-8")
    _write_week(survey / "week.csv", 60)
    (folder / ".gitignore").write_text("build/\n", encoding="utf-8")
    _must("git init -q -b main && git add -A && git commit -qm 'The drive and its gate'", folder)
    _must(f"sh accept.sh spectra/release.csv {DAY}", folder)
    _must("pqcheck gate --write-lock survey/gate.lock --site survey/site.toml", folder)
    _must("git add -A && git commit -qm 'Accepted'", folder)
    return folder


SURVEY_SITE = """name = "Heron Wharf"
time_zone = "UTC"

[supply]
nominal_voltage = "230 V"
connection = "single-phase"
frequency = "50 Hz"

[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
"""


def _write_week(path: Path, low: int) -> None:
    """A week of ten-minute values, the first `low` of them at 205 V, below 207 V."""
    volts = 230 + 0.1 * (np.arange(1008) % 5)
    volts[:low] -= 25
    times = np.datetime64("2031-02-03T00:00:00") + np.arange(1008) * np.timedelta64(600, "s")
    rows = [f"{time},{value:.1f}" for time, value in zip(times, volts, strict=True)]
    path.write_text("\n".join(["time,voltage.an [V]", *rows]) + "\n", encoding="utf-8")


# Attempts. `CI` judges the new filter, which fails; `SURVEY` a week that fails.

CI = f"sh ci.sh spectra/new-filter.csv {DAY}"
RELEASE = f"sh ci.sh spectra/release.csv {DAY}"
SURVEY = f"pqcheck gate survey/week.csv --site survey/site.toml --lock survey/gate.lock --as-of {DAY}"

Change = Callable[[Path], None]


class Attempt:
    """A commit that tries a way round, the command the pipeline runs on it, and what has to come of that."""

    def __init__(self, name: str, command: str, status: int, words: str, *changes: Change) -> None:
        self.name, self.command, self.status, self.words, self.changes = name, command, status, words, changes

    def branch(self, repository: Path) -> None:
        """Commit the attempt on a branch of its own."""
        _must(f"git checkout -q main && git checkout -q -b {self.name}", repository)
        for change in self.changes:
            change(repository)
        _must(f"git add -A && git commit -q --allow-empty -m 'Try: {self.name}'", repository)


def replaced(path: str, old: str, new: str) -> Change:
    """The text of a file, once."""

    def change(repository: Path) -> None:
        file = repository / path
        text = file.read_text(encoding="utf-8")
        if old not in text:
            raise RuntimeError(f"{path} does not hold {old!r}")
        file.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def appended(path: str, text: str) -> Change:
    """Text at the end of a file."""

    def change(repository: Path) -> None:
        with (repository / path).open("a", encoding="utf-8") as stream:
            stream.write(text)

    return change


def ran(command: str) -> Change:
    """What a command writes; its own exit status does not matter."""

    def change(repository: Path) -> None:
        run(command, repository)

    return change


def rows(path: str, change_row: Callable[[list[str]], list[str] | None]) -> Change:
    """Every row of a spectrum behind the header, or None to leave it out."""

    def change(repository: Path) -> None:
        file = repository / path
        head, *lines = file.read_text(encoding="utf-8").splitlines()
        changed = [change_row(line.split(",")) for line in lines]
        kept = [",".join(cells) for cells in changed if cells is not None]
        file.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")

    return change


def share(cells: list[str], whole: int) -> str:
    """The amplitude of a row of the sample, where `whole` is its fundamental at 50 % and 100 %."""
    return str(float(cells[2]) * whole / {"50 %": 300, "100 %": 600}[cells[0]])


PERCENT = "current_harmonic [% of fundamental]"
FILTER = "spectra/new-filter.csv"
SITE = "site/weak-grid.toml"
LATER = f"sh ci.sh spectra/new-filter.csv {DAY.replace('02-20', '07-01')}"
EXCLUSION = """
[[exclusions]]
from = 2031-02-03T00:00:00
to = 2031-02-03T10:00:00
reason = "not representative"
author = "somebody"
"""

ATTEMPTS = (
    # The question.
    Attempt("demand-x10", CI, 2, "scenario.maximum_demand_current: 600 A became 6000 A",
            replaced(SITE, '"600 A"', '"6000 A"')),
    Attempt("short-circuit-x10", CI, 2, "scenario.short_circuit_current: 40 kA became 400 kA",
            replaced(SITE, '"40 kA"', '"400 kA"')),
    Attempt("fewer-quantities", CI, 2, "limits.quantities: current_harmonic, current_tdd became current_tdd",
            replaced(SITE, '"current_harmonic", ', "")),
    Attempt("wider-tolerance", CI, 2, "gate.tolerance: 1 % became 50 %", replaced(SITE, '"1 %"', '"50 %"')),
    Attempt("no-points-asked", CI, 2, "gate.operating_points: 50 %, 100 % became not declared",
            replaced(SITE, 'operating_points = ["50 %", "100 %"]\n', "")),
    Attempt("another-name", CI, 2, "and 'Kestrel drive, frame 4, strong grid' is judged",
            replaced(SITE, '"weak grid"', '"strong grid"')),
    Attempt("another-edition", CI, 2, "for other tables: it pins drive-emission, ieee519-2022, and ieee519-2014 is",
            replaced(SITE, '"ieee519-2022"', '"ieee519-2014"')),
    Attempt("another-site-file", f"{CI} --site site/emission.toml --quiet", 1, "h7"),
    Attempt("other-tables-by-option", f"{CI} --limits ieee519-2014", 2, "for other tables"),
    Attempt("own-table", "pqcheck gate spectra/release.csv --site site/emission.toml --lock gate.lock", 2,
            "at most 10.5 % of the rated current became at most 99 %",
            replaced("limits/drive-emission.json", "10.5", "99")),
    Attempt("higher-ceiling", CI, 2, "waivers[1].ceiling: 10.5 % became 99 %",
            replaced("waivers.toml", "10.5 %", "99 %")),
    Attempt("longer-life", LATER, 2, "waivers[1].expires: 2031-06-30 became 2039-06-30",
            replaced("waivers.toml", "2031-06-30", "2039-06-30")),
    Attempt("earlier-begin", CI, 2, "waivers[1].created: 2031-03-03 became 2031-01-01",
            replaced("waivers.toml", "2031-03-03", "2031-01-01")),
    Attempt("another-waiver-file", f"{CI} --waivers mine.toml", 2, "waivers[1]",
            ran("sed 's/10.5/99/' waivers.toml >mine.toml")),
    # What was agreed, brought along by the change itself.
    Attempt("own-lock", CI, 2, "scenario.maximum_demand_current: 600 A became 6000 A",
            replaced(SITE, '"600 A"', '"6000 A"'),
            ran("pqcheck gate --write-lock gate.lock --site site/weak-grid.toml site/emission.toml")),
    Attempt("own-baseline", f"{CI} --fail-on new", 1, "new: PASS with 52.8 A in the baseline",
            ran(f"pqcheck gate {FILTER} --site {SITE} --as-of {DAY} --json baseline.json")),
    Attempt("no-lock", f"{CI} --fail-on new", 1, "h7", ran("git rm -q gate.lock baseline.json")),
    Attempt("another-lock-by-option", f"{CI} --lock mine.lock", 2, "--lock was given twice"),
    Attempt("baseline-by-option", f"{CI} --baseline mine.json", 2, "--baseline was given twice"),
    Attempt("ratchet", f"{CI} --fail-on new --json build/baseline.json", 2, "it is an input"),
    Attempt("lock-overwritten", f"{CI} --json build/gate.lock", 2, "the ending must be one of"),
    Attempt("abbreviated-option", f"{CI} --fail new", 2, "unrecognized arguments: --fail new"),
    # The spectrum.
    Attempt("point-left-out", CI, 3, "Not judged: '100 %', which [gate] operating_points asks for",
            rows(FILTER, lambda cells: None if cells[0] == "100 %" else cells)),
    Attempt("point-renamed", CI, 3, "the operating point '100 %' is not there",
            rows(FILTER, lambda cells: ["95 %", "7", "50.0"] if cells[:2] == ["100 %", "7"] else
                 ["95 %", *cells[1:]] if cells[0] == "100 %" else cells)),
    Attempt("order-left-out", CI, 3, "Order",
            rows(FILTER, lambda cells: None if cells[:2] == ["100 %", "7"] else cells)),
    Attempt("zeros", CI, 3, "Order 1 of the current of each phase at '100 %' is zero",
            rows(FILTER, lambda cells: [*cells[:2], "0"])),
    Attempt("kiloamperes-under-amperes", CI, 3, "as if kA stood under A",
            rows(FILTER, lambda cells: [*cells[:2], str(float(cells[2]) / 1000)])),
    Attempt("no-fundamental", CI, 1, "is not in the spectrum",
            rows(FILTER, lambda cells: None if cells[1] == "1" else cells)),
    Attempt("no-fundamental-and-small", CI, 3, "is not in the spectrum",
            rows(FILTER, lambda cells: None if cells[1] == "1" else [*cells[:2], str(float(cells[2]) / 2)])),
    Attempt("header-without-rms", CI, 2, "rms or peak", replaced(FILTER, "[A rms]", "[A]")),
    Attempt("fractions-under-percent", CI, 3, "is not among the percentages",
            replaced(FILTER, "[A rms]", f"[A rms],{PERCENT}"),
            rows(FILTER, lambda cells: cells if cells[1] == "1" else [*cells[:2], "", share(cells, 1)])),
    Attempt("one-order-in-two-columns", CI, 2, "order 7 is 5 A in one and",
            replaced(FILTER, "[A rms]", f"[A rms],{PERCENT}"),
            rows(FILTER, lambda cells: [*cells[:2], "5" if cells[1] == "7" else cells[2], share(cells, 100)])),
    Attempt("point-as-comment", CI, 2, "starts with # and holds an order and an amplitude",
            rows(FILTER, lambda cells: ["#2" if cells[0] == "100 %" else cells[0], *cells[1:]]),
            ran(f"grep '^100 %' spectra/release.csv >>{FILTER}")),
    # A recording over time.
    Attempt("exclusion", SURVEY, 2, "exclusions[1].author: not declared became somebody",
            appended("survey/site.toml", EXCLUSION)),
    Attempt("coverage", SURVEY, 2, "coverage.at_least_percent: not declared became 50",
            appended("survey/site.toml", '\n[coverage]\nat_least_percent = 50\npolicy_of = "us"\n')),
    Attempt("another-nominal", SURVEY, 2, "supply.nominal_voltage: 230 V became 220 V",
            replaced("survey/site.toml", '"230 V"', '"220 V"')),
    Attempt("elsewhere", SURVEY, 2, "supply.measured_at: not declared became equipment",
            replaced("survey/site.toml", '"50 Hz"', '"50 Hz"\nmeasured_at = "equipment"')),
    Attempt("trim", SURVEY, 2, "corrections[1].kind: not declared became trim",
            appended("survey/site.toml", EXCLUSION.replace("exclusions", "corrections").replace(
                "to = ", "# ").replace("from = 2031-02-03T00", 'kind = "trim"\nfrom = 2031-02-03T10'))),
    Attempt("days-left-out", SURVEY, 3, "NOT SHOWN",
            ran("sed -i '/2031-02-03T/d' survey/week.csv")),
    Attempt("allowed-not-to-apply", SURVEY, 2, "limits.may_not_apply: not declared became en50160-2010-lv",
            appended("survey/site.toml", 'may_not_apply = ["en50160-2010-lv"]\n')),
)  # fmt: skip


def attempts() -> Iterator[Attempt]:
    """Every attempt, in order."""
    yield from ATTEMPTS


if __name__ == "__main__":
    made = make(Path(sys.argv[1]))
    for one in attempts():
        one.branch(made)
    _must("git checkout -q main", made)
