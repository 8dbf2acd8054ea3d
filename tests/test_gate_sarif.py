"""SARIF against its published schema, paths as a code host knows them, and what machines read when nothing could run.

``sarif_schema/sarif-2.1.0-rtm.5.json`` is the public schema of the format as the npm package @microsoft/jest-sarif
carries it (1.0.0-beta.0, MIT licence).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.verdict import Verdict
from pqcheck.reports.annotations import command_lines
from pqcheck.reports.sarif import as_sarif, failed_run
from pqcheck.reports.source_location import in_repository
from pqcheck.workflows.run_gate import gate, ungated
from tests.design import SITE, percent, site, toml, write
from tests.test_gate_outputs import DAY, parsed
from tests.test_waivers import VOLTAGE, waiver, week

SCHEMA = json.loads((Path(__file__).parent / "sarif_schema" / "sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))


def run_of(text: str) -> dict[str, Any]:
    log = json.loads(text)
    jsonschema.Draft4Validator(SCHEMA).validate(log)
    assert log["version"] == "2.1.0"
    (run,) = log["runs"]
    return dict(run)


def test_every_criterion_is_a_result() -> None:
    result = gate(percent(10.4, 25), SITE)
    run = run_of(as_sarif(result, ["spectra/a.csv"]))
    asked = [one for one in result.results[0].findings if one.kind == "limit"]
    assert len(run["results"]) == len(asked)
    assert run["invocations"] == [{"executionSuccessful": True, "exitCode": 1}]
    levels = {(one["properties"]["verdict"], one["kind"], one["level"]) for one in run["results"]}
    assert levels == {("fail", "fail", "error"), ("inconclusive", "fail", "warning"), ("pass", "pass", "none")}
    rules = [rule["id"] for rule in run["tool"]["driver"]["rules"]]
    assert rules == sorted(rules) and all(rules[one["ruleIndex"]] == one["ruleId"] for one in run["results"])
    failed = next(one for one in run["results"] if one["kind"] == "fail" and one["level"] == "error")
    assert "62.4 A (10.4 %), where below 60 A is asked for" in failed["message"]["text"]
    assert "no statement that equipment" in run["properties"]["statement"]
    marks = [one["partialFingerprints"]["pqcheckQuestion/v1"] for one in run["results"]]
    assert len(marks) == len(set(marks))


def test_a_waiver_in_force_suppresses_and_one_that_expired_does_not() -> None:
    run = run_of(as_sarif(gate(percent(10.4), SITE, as_of=DAY, waivers=[waiver()]), ["a.csv"]))
    waived = [one for one in run["results"] if one["properties"]["verdict"] == "waived"]
    assert waived and all(one["suppressions"][0]["status"] == "accepted" for one in waived)
    late = gate(percent(10.4), SITE, as_of=DAY.replace(year=2032), waivers=[waiver()])
    assert not any("suppressions" in one for one in run_of(as_sarif(late, ["a.csv"]))["results"])


@pytest.mark.parametrize("columns", [{}, {"name": "odd <&> \u00e4 \x07"}])
def test_recordings_scenarios_and_odd_names(columns: dict[str, str]) -> None:
    many = gate(week((60, 255.0)), [VOLTAGE, {**VOLTAGE, "name": "b", **columns}])
    run = run_of(as_sarif(many, ["a b/w\u00f6che.csv"]))
    assert {one["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] for one in run["results"]} == {
        "a%20b/w%C3%B6che.csv"
    }
    assert run_of(as_sarif(ungated(check(week(), VOLTAGE)), []))["invocations"][0]["exitCode"] == 0


def test_bytes_depend_on_nothing_else() -> None:
    assert as_sarif(gate(percent(10.4), SITE), ["a.csv"]) == as_sarif(gate(percent(10.4), SITE), ["a.csv"])
    assert run_of(failed_run("it broke"))["invocations"][0]["executionSuccessful"] is False


@pytest.fixture
def repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A repository with a spectrum in a folder, and the command is run in another one."""
    root = tmp_path / "repository"
    (root / "design" / "spectra").mkdir(parents=True)
    (root / ".git").mkdir()
    (root / "build").mkdir()
    write(root / "design" / "spectra" / "s.csv", percent(10.4))
    (root / "design" / "site.toml").write_text(toml(SITE), encoding="utf-8")
    monkeypatch.chdir(root / "build")
    return root


RUN = ["gate", "../design/spectra/s.csv", "--site", "../design/site.toml"]


def test_paths_are_those_of_the_repository(repository: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*RUN, "--annotations", "github", "--out", "s.sarif"]) == 1
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("::")]
    assert lines and all("file=design/spectra/s.csv,line=8," in line for line in lines)
    run = run_of((repository / "build" / "s.sarif").read_text(encoding="utf-8"))
    first = run["results"][0]["locations"][0]["physicalLocation"]
    assert first["artifactLocation"]["uri"] == "design/spectra/s.csv"
    assert main([*RUN, "--annotations", "gitlab"]) == 1
    assert json.loads(capsys.readouterr().out)[0]["location"]["path"] == "design/spectra/s.csv"
    assert in_repository("/nowhere/at/all.csv") == "/nowhere/at/all.csv"


# A run that could not run.

BROKEN: tuple[tuple[list[str], str], ...] = (
    (["--limits", "no-such-table"], "no-such-table"),
    (["--waivers", "missing.toml"], "missing.toml"),
    (["--baseline", "missing.json"], "missing.json"),
    (["--lock", "missing.lock"], "missing.lock"),
    (["--no-such-option"], "--no-such-option"),
    (["--margin", "10", "--margin", "20"], "was given twice"),
    (["--fail-on", "all"], "invalid choice: 'all'"),
)


@pytest.mark.parametrize(("more", "words"), BROKEN, ids=[" ".join(more) for more, _ in BROKEN])
@pytest.mark.parametrize("stale", [True, False])
def test_no_stale_green_file_stands(
    more: list[str], words: str, stale: bool, repository: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outputs = ["--out", "r.junit.xml", "r.sarif", "r.json"]
    if stale:
        write(repository / "design" / "spectra" / "s.csv", percent(5.0))
        assert main([*RUN, *outputs]) == 0
    before = (repository / "build" / "r.json").read_bytes() if stale else None
    capsys.readouterr()
    assert main([*RUN, *outputs, "--annotations", "github", *more]) == 2
    out, err = capsys.readouterr()
    assert err.count("\n") == 1 and words in err
    assert out.startswith("::error title=pqcheck could not run::") and words in out and out.count("\n") == 1
    root = parsed((repository / "build" / "r.junit.xml").read_text(encoding="utf-8"))
    assert (root.get("tests"), root.get("errors")) == ("1", "1")
    (error,) = root.iter("error")
    assert words in str(error.get("message"))
    run = run_of((repository / "build" / "r.sarif").read_text(encoding="utf-8"))
    assert run["invocations"][0]["exitCode"] == 2 and run["results"][0]["level"] == "error"
    # Findings are whole or not there: what could not run has none.
    path = repository / "build" / "r.json"
    assert (path.read_bytes() if path.exists() else None) == before


def test_a_list_of_entries_says_it_too(repository: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*RUN, "--annotations=gitlab", "--limits", "no-such-table"]) == 2
    (entry,) = json.loads(capsys.readouterr().out)
    assert entry["severity"] == "blocker" and "no-such-table" in entry["description"]


def test_check_says_it_too(repository: Path) -> None:
    arguments = ["check", "../design/spectra/s.csv", "--site", "missing.toml", "--out", "r.junit.xml"]
    assert main(arguments) == 2
    assert parsed((repository / "build" / "r.junit.xml").read_text(encoding="utf-8")).get("errors") == "1"


@pytest.mark.parametrize("name", ["notes.junit.xml", "notes.sarif"])
def test_what_is_no_result_is_left_alone(name: str, repository: Path) -> None:
    kept = repository / "build" / name
    kept.write_text("my notes", encoding="utf-8")
    assert main([*RUN, "--waivers", name, "--out", name]) == 2
    assert kept.read_text(encoding="utf-8") == "my notes"
    assert main([*RUN, "--limits", "none", "--out", f"missing/{name}"]) == 2
    assert not (repository / "build" / "missing").exists()


def test_the_process_ends_with_2(repository: Path) -> None:
    words = [sys.executable, "-m", "pqcheck", *RUN, "--limits", "none", "--out", "r.junit.xml"]
    here = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parent.parent)}
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=here)
    assert done.returncode == ExitStatus.COULD_NOT_RUN and done.stdout == ""
    assert "could-not-run" in (repository / "build" / "r.junit.xml").read_text(encoding="utf-8")


def test_known_failures_are_notes() -> None:
    known = check(percent(10.4), SITE)
    found = gate(percent(10.4), SITE, baseline=[known], fail_on="new")
    assert {one["level"] for one in run_of(as_sarif(found, []))["results"]} == {"note", "none"}
    assert all(line.startswith("::notice") for line in command_lines(found, []).splitlines())
    assert found.results[0].verdict is Verdict.FAIL and site() != {}


def test_what_is_printed_stays_json(repository: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*RUN, "--json", "-", "--annotations", "github"]) == 1
    out, err = capsys.readouterr()
    assert json.loads(out)["verdict"] == "fail" and "::error file=design/spectra/s.csv" in err
    assert main([*RUN, "--json", "-", "--annotations", "gitlab"]) == 2
    assert "both print JSON" in capsys.readouterr().err
