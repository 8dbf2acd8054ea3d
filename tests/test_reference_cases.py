"""Every folder of reference_cases/: the files go in, the findings written down beforehand come out.

How a folder is laid out: reference_cases/README.md.
"""

from __future__ import annotations

import argparse
import functools
import re
import shlex
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pqcheck import check, load_study
from pqcheck.cli import check as check_command
from pqcheck.cli import load as load_command
from pqcheck.cli import main
from pqcheck.model.errors import PqcheckError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.verdict import Verdict
from pqcheck.workflows.vet_recording import examine
from reference_cases.invented import files_of, kept

ROOT = Path(__file__).resolve().parent.parent / "reference_cases"
CASES = sorted(path.parent for path in ROOT.glob("*/case.toml"))

CASE_KEYS = {"title", "shows", "source", "run"}
RUN_KEYS = {"command", "because", "exit", "counts", "finding", "says", "error"}
FINDING_KEYS = {
    "kind", "table", "rule", "channel", "order", "start", "end", "verdict", "reason", "modifiers", "proven", "expected",
    "valid", "missing", "excluded", "outside", "allowed", "value", "tolerance", "unit", "low", "high", "margin",
    "windows", "window", "title", "text", "advice", "without_exclusions", "without_corrections", "channels",
}  # fmt: skip
WINDOW_KEYS = {"start", "end", "intervals", "worst", "worst_at", "rows"}
COUNTS = ("expected", "valid", "missing", "excluded", "outside", "allowed")


@functools.cache
def case_of(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "case.toml").read_text(encoding="utf-8"))


def runs() -> list[Any]:
    return [
        pytest.param(folder, run, id=f"{folder.name}-{number + 1}")
        for folder in CASES
        for number, run in enumerate(case_of(folder)["run"])
    ]


def command_line_runs() -> list[Any]:
    """The first run of every case, and whatever cannot run."""
    return [one for one in runs() if one.values[1] is case_of(one.values[0])["run"][0] or "error" in one.values[1]]


def expectations(run: dict[str, Any]) -> list[dict[str, Any]]:
    """One for each channel where a finding names several."""
    return [
        one | {"channel": channel} for one in run["finding"] for channel in one.get("channels", [one.get("channel")])
    ]


@pytest.fixture(scope="session")
def copies(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A copy of a case outside the repository, with the files that are too large to keep."""

    @functools.cache
    def copy(folder: Path) -> Path:
        target = tmp_path_factory.mktemp("case") / folder.name
        shutil.copytree(folder, target)
        for name, text in files_of(folder).items():
            (target / name).write_text(text, encoding="utf-8", newline="\n")
        return target

    return copy


def asked(command: str) -> argparse.Namespace:
    """What a command line asks for, read as the command itself reads it."""
    words = shlex.split(command)
    assert words[0] == "pqcheck" and words[1] in ("check", "load"), command
    parser = argparse.ArgumentParser()
    (check_command if words[1] == "check" else load_command).add_arguments(parser)
    return parser.parse_args(words[2:])


def answered(command: str) -> tuple[Findings, int]:
    """What the library finds, and the exit status that belongs to it."""
    args = asked(command)
    if shlex.split(command)[1] == "load":
        study = load_study(args.recordings, args.site, args.limits, quantities=args.quantities)
        return study.findings, int(study.exit_status)
    found = check(args.recordings, args.site, args.limits, quantities=args.quantities)
    return found, int(found.exit_status)


@pytest.mark.parametrize("folder", CASES, ids=lambda folder: folder.name)
def test_a_case_says_what_it_shows_and_where_it_comes_from(folder: Path) -> None:
    case = case_of(folder)
    assert set(case) == CASE_KEYS
    assert all(len(case[key]) > 10 for key in ("title", "shows", "source"))
    for run in case["run"]:
        assert set(run) <= RUN_KEYS and {"command", "because", "exit"} <= set(run)
        assert {"counts", "finding"} <= set(run) or "error" in run
        for expected in run.get("finding", ()):
            assert set(expected) <= FINDING_KEYS and {"rule", "verdict"} <= set(expected), expected
            assert ("channel" in expected) != ("channels" in expected), expected
            assert ("value" in expected) == ("tolerance" in expected), "a value needs its tolerance"
            assert all(set(window) <= WINDOW_KEYS for window in expected.get("window", ()))


@pytest.mark.parametrize("folder", CASES, ids=lambda folder: folder.name)
def test_a_recording_beside_its_formula_is_what_it_makes(folder: Path) -> None:
    for name, text in kept(folder).items():
        assert (folder / name).read_text(encoding="utf-8") == text, f"python -m reference_cases.invented ({name})"


def test_the_page_lists_every_case_and_every_key() -> None:
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = [f"| [{folder.name}]({folder.name}/case.toml) | {case_of(folder)['title']} |" for folder in CASES]
    assert [line for line in page.splitlines() if "/case.toml)" in line] == rows
    written = {name for line in page.splitlines() for name in re.findall(r"`(\w+)`", line)}
    assert CASE_KEYS - {"run"} | RUN_KEYS - {"finding"} | FINDING_KEYS - {"window"} | WINDOW_KEYS <= written


@pytest.mark.parametrize(("folder", "run"), [one for one in runs() if "error" not in one.values[1]])
def test_vetting_is_never_sound_where_a_rule_is_refused(
    folder: Path, run: dict[str, Any], copies: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever makes a check refuse a rule speaks against the recording itself."""
    monkeypatch.chdir(copies(folder))
    found, _ = answered(run["command"])
    if any(finding.kind == "limit" and finding.verdict is Verdict.REFUSED and not finding.snapshot
           for finding in found.findings):
        args = asked(run["command"])
        assert examine(args.recordings, args.site).exit_status is not ExitStatus.PASSED


@pytest.mark.parametrize(("folder", "run"), runs())
def test_the_library_finds_what_was_expected(
    folder: Path, run: dict[str, Any], copies: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(copies(folder))
    if "error" in run:
        with pytest.raises(PqcheckError, match=re.escape(run["error"])):
            answered(run["command"])
        assert run["exit"] == 2
        return
    found, status = answered(run["command"])
    for expected in expectations(run):
        agrees(found, expected)
    complete(found, run)
    assert status == run["exit"]


@pytest.mark.parametrize(("folder", "run"), command_line_runs())
def test_the_command_line_gives_the_same_answer(
    folder: Path,
    run: dict[str, Any],
    copies: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(copies(folder))
    words = shlex.split(run["command"])[1:]
    written = tmp_path / "findings.json"
    assert main([*words, "--json", str(written)]) == run["exit"]
    out, err = capsys.readouterr()
    if "error" in run:
        assert run["error"] in err and err.count("\n") == 1 and not out and not written.exists()
        return
    for words_of_it in run.get("says", ()):
        assert words_of_it in " ".join(out.split()), out
    assert written.read_text(encoding="utf-8") == answered(run["command"])[0].to_json()


def the_one(found: Findings, expected: dict[str, Any]) -> Finding:
    wanted = {"kind": "limit"} | {key: expected[key] for key in ("kind", "table", "rule") if key in expected}
    wanted["channel"] = expected["channel"]
    matching = [
        one
        for one in found.findings
        if all(getattr(one, key) == value for key, value in wanted.items())
        and ("start" not in expected or (one.period is not None and one.period.start == expected["start"]))
        and ("order" not in expected or one.order == expected["order"])
    ]
    near = [one.id for one in found.findings if one.kind == wanted["kind"]]
    assert len(matching) == 1, f"{wanted} is {[one.id for one in matching]}; there are {near}"
    return matching[0]


def agrees(found: Findings, expected: dict[str, Any]) -> None:
    """One finding against what was written down; every key written is compared."""
    one = the_one(found, expected)
    where = f"{one.id}: {one.reason}"
    assert one.verdict == expected["verdict"], where
    if one.kind == "limit":
        assert (one.reason.code if one.reason else "") == expected.get("reason", ""), where
    elif "reason" in expected:
        assert one.reason is not None and one.reason.code == expected["reason"], where
    for key in ("modifiers", "proven", "without_exclusions", "without_corrections"):
        if key in expected:
            value = getattr(one, key)
            assert (list(value) if key == "modifiers" else value) == expected[key], where
    for key in COUNTS:
        if key in expected:
            assert one.intervals is not None and getattr(one.intervals, key) == expected[key], (key, one.intervals)
    if "value" in expected:
        assert one.statistic is not None and one.statistic.value == pytest.approx(
            expected["value"], abs=expected["tolerance"], rel=0
        ), one.statistic
    if "margin" in expected:
        assert one.margin is not None and one.margin.value == pytest.approx(expected["margin"], abs=1e-9)
    if "unit" in expected:
        assert one.statistic is not None and one.statistic.unit == expected["unit"]
    for key in ("low", "high"):
        if key in expected:
            assert one.limit is not None and getattr(one.limit, key) == pytest.approx(expected[key], rel=1e-12), where
    if "end" in expected:
        assert one.period is not None and one.period.end == expected["end"], one.period
    for key, text in (
        ("title", one.title),
        ("text", one.reason.text if one.reason else ""),
        ("advice", one.reason.advice if one.reason else ""),
    ):
        if key in expected:
            assert expected[key] in text, where
    if "windows" in expected:
        assert len(one.windows) == expected["windows"], list(one.windows)[:5]
    for number, window in enumerate(expected.get("window", ())):
        windows_agree(one, number, window, expected.get("tolerance", 1e-9))


def windows_agree(one: Finding, number: int, expected: dict[str, Any], tolerance: float) -> None:
    window = one.windows[number]
    for key in ("start", "end", "intervals", "worst_at"):
        if key in expected:
            assert getattr(window, key) == expected[key], window
    if "worst" in expected:
        assert window.worst == pytest.approx(expected["worst"], abs=tolerance, rel=0)
    if "rows" in expected:
        assert [[span.first, span.last] for span in window.rows] == expected["rows"]


def complete(found: Findings, run: dict[str, Any]) -> None:
    """The counts of all verdicts, and no fail, refusal or danger sign that the case does not mention."""
    counts = {verdict: count for verdict, count in found.counts.items() if count}
    assert counts == run["counts"]
    mentioned = {id(the_one(found, expected)) for expected in expectations(run)}
    forgotten = [
        one.id
        for one in found.findings
        if id(one) not in mentioned
        and ((one.kind == "limit" and one.verdict in ("fail", "refused")) or one.kind == "safety")
    ]
    assert not forgotten


def test_a_wrong_expectation_is_noticed(copies: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    # The runner itself: each of these must raise, or the cases above prove nothing.
    folder = ROOT / "vector_v1_v2_voltage_share"
    monkeypatch.chdir(copies(folder))
    run = case_of(folder)["run"][0]
    found, _ = answered(run["command"])
    good = expectations(run)[0]
    agrees(found, good)
    for key, value in {
        "verdict": "fail", "reason": "gap", "outside": good["outside"] + 1, "value": good["value"] + 1, "windows": 0,
        "proven": False, "high": 254.0, "channel": "voltage.bn", "modifiers": ["indicative"], "title": "Frequency",
    }.items():  # fmt: skip
        with pytest.raises(AssertionError):
            agrees(found, good | {key: value})
    with pytest.raises(AssertionError):
        complete(found, run | {"counts": {"fail": 1}})
