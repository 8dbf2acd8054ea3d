"""What goes with the gate: checking waivers, the pytest plugin, short representations, typed frames, schemas, words."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import pandas
import pytest
from referencing import Registry, Resource

import pqcheck
from pqcheck import check
from pqcheck.cli import main
from pqcheck.model.findings import Findings, StrictLimit
from pqcheck.model.findings_file import from_document
from pqcheck.model.findings_words import band_text
from pqcheck.reports.gate_text import gate_text
from pqcheck.waivers.check_waivers import Judged, faults
from pqcheck.workflows.compare_findings import as_set_text
from pqcheck.workflows.run_gate import gate, questions_of
from tests.design import SITE, percent, site, toml, write
from tests.test_waivers import ENTRY, VOLTAGE, text_of, voltage_waiver, waiver, week

ROOT = Path(__file__).resolve().parent.parent


# Waivers.

JUDGED = [Judged(one.site, one.tables) for one in questions_of([{**SITE, "gate": {"operating_points": ["full"]}}])]


@pytest.mark.parametrize(("changes", "words"), [
    ({}, None),
    ({"rule": "ieee519-2014/current-harmonics-week-95"}, "the limit table 'ieee519-2014' is not applied; did you mean"),
    ({"rule": "ieee519-2022/current-harmonic-week-95"}, "has no rule 'current-harmonic-week-95'; did you mean"),
    ({"site": "Kestrel drive, frame 5"}, "no site is called 'Kestrel drive, frame 5'; did you mean 'Kestrel drive"),
    ({"scenario": "weak grids"}, "no scenario is called 'weak grids'; did you mean 'weak grid'"),
    ({"operating_point": "fall"}, "no operating point is called 'fall'; did you mean 'full'"),
    ({"operating_point": "full"}, None),
    ({"ceiling": "10.5 V"}, "'10.5 V' fits neither the unit of the rule (A) nor its percentage"),
    ({"ceiling": "a lot"}, "'a lot' fits neither"),
    ({"ceiling": "10 %"}, "the ceiling 10 % is within the limit of 10 %, so it covers nothing"),
    ({"ceiling": "60 A"}, "the ceiling 60 A is within the limit of 10 %"), ({"ceiling": "60.1 A"}, None),
    # Order 11 has its own limit: 4.5 % in the row 50 < 100 (IEEE 519-2022 Table 2).
    ({"order": 11, "ceiling": "4.5 %"}, "within the limit of 4.5 %"), ({"order": 11, "ceiling": "4.6 %"}, None),
    ({"expires": date(2032, 3, 4)}, "it lives for 367 days, and 366 are the most"),
    ({"owner": "Chief Engineer"}, "Chief Engineer owns and approves it; somebody else has to approve"),
    ({"owner": "Chief Engineer", "status": "pending"}, None),
])  # fmt: skip
def test_what_is_wrong_with_a_waiver(changes: dict[str, Any], words: str | None) -> None:
    found = faults([waiver(**changes)], JUDGED)
    if words is None:
        assert found == []
    else:
        assert len(found) == 1 and words in found[0] and found[0].startswith("waiver 1 (")


@pytest.mark.parametrize(("changes", "words"), [
    ({}, None), ({"ceiling": "253 V", "phase": "an"}, "within the limit of 110 %"),
    ({"ceiling": None, "floor": "90 %"}, "the floor 90 % is within the limit of 90 %"),
    ({"ceiling": None, "floor": "89 %"}, None),
])  # fmt: skip
def test_waivers_of_a_band(changes: dict[str, Any], words: str | None) -> None:
    judged = [Judged(one.site, one.tables) for one in questions_of(VOLTAGE)]
    found = faults([voltage_waiver(**changes)], judged)
    assert found == [] if words is None else words in found[0]
    assert faults([voltage_waiver(rule="en50160-2010-lv/dips", ceiling="80 %")], judged) == []
    expired = faults([voltage_waiver()], judged, as_of=date(2040, 1, 1))
    assert expired[0].endswith("it expired on 2031-06-30.")


def test_checking_waivers_on_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("site.toml").write_text(toml({**SITE, "waivers": {"file": "waivers.toml", "longest_days": 90}}), "utf-8")
    Path("waivers.toml").write_text(text_of(ENTRY), encoding="utf-8")
    run = ["waivers", "check", "waivers.toml", "--site", "site.toml"]
    assert main(run) == 1
    out = capsys.readouterr().out
    assert "it lives for 119 days, and 90 are the most" in out and out.endswith("waivers.toml: 1 waiver, 1 fault.\n")
    Path("waivers.toml").write_text(text_of(ENTRY | {"expires": date(2031, 6, 1)}), encoding="utf-8")
    assert main(run) == 0
    assert capsys.readouterr().out == "waivers.toml: 1 waiver, nothing is wrong.\n"
    assert main([*run, "--as-of", "2031-06-02"]) == 1
    Path("waivers.toml").write_text("[[waiver]]\n", encoding="utf-8")
    assert main(run) == 2


# Words on the command line.


@pytest.mark.parametrize(("words", "meant"), [
    (["gate", "s.csv", "--sites", "x"], "--site"), (["gate", "s.csv", "--base-line", "x"], "--baseline"),
    (["check", "s.csv", "--site", "x", "--quantitys", "voltage"], "--quantities"),
    (["check", "s.csv", "--site", "x", "--limit=ieee519-2022"], "--limits"),
    (["gate", "s.csv", "--site", "x", "--fail-on", "newer"], "new"), (["limits", "shwo", "x"], "show"),
    (["waivers", "chek", "x"], "check"),
])  # fmt: skip
def test_a_misspelt_word_gets_a_suggestion(words: list[str], meant: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    err = capsys.readouterr().err
    assert f"did you mean '{meant}'?" in err and err.count("\n") == 1


# The pytest plugin.

TESTS = """
import pytest
from datetime import date
from tests.design import SITE, percent
from tests.test_waivers import waiver

def test_passes(pqcheck_passes):
    assert pqcheck_passes(percent(9.0), SITE, margin=10).verdict.value == "pass"

def test_waived(pqcheck_passes, pqcheck_as_of):
    assert pqcheck_as_of == date(2031, 4, 1)
    pqcheck_passes(percent(10.4), SITE, waivers=[waiver()])
    with pytest.raises(AssertionError, match="expired"):
        pqcheck_passes(percent(10.4), SITE, waivers=[waiver()], as_of=date(2032, 1, 1))

def test_fails(pqcheck_passes):
    pqcheck_passes(percent(10.4), SITE)
"""


def plugin_run(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    (folder / "test_design.py").write_text(TESTS, encoding="utf-8")
    words = [sys.executable, "-m", "pytest", "-q", "-p", "pqcheck.pytest_plugin", "-p", "no:cacheprovider",
             "-c", os.devnull, "--rootdir", str(folder), str(folder / "test_design.py"), *more]  # fmt: skip
    here = {**os.environ, "PYTHONPATH": str(ROOT), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    return subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False, env=here)


def test_the_fixture_and_its_day(tmp_path: Path) -> None:
    done = plugin_run(tmp_path, "--pqcheck-as-of", "2031-04-01")
    assert done.returncode == 1 and "1 failed, 2 passed" in done.stdout, done.stdout
    assert "RED (exit 1)" in done.stdout and "run_gate.py" not in done.stdout
    wrong = plugin_run(tmp_path, "--pqcheck-as-of", "soon")
    assert wrong.returncode == 4 and "is not a date" in wrong.stderr


def test_the_plugin_is_registered() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["entry-points"]["pytest11"] == {"pqcheck": "pqcheck.pytest_plugin"}


# Values in a session.


def test_representations_are_short() -> None:
    found = check(percent(10.4), SITE)
    assert repr(found) == "<Findings fail: 450 criteria of Kestrel drive, frame 4, 447 pass, 3 fail>"
    failed = next(one for one in found.findings if one.verdict.value == "fail")
    assert repr(failed) == "<Finding fail ieee519-2022/current-harmonics-week-95/current_harmonic.a.h7@-: 62.4 A>"
    assert repr(gate(percent(10.4), SITE)).startswith("<GateResult exit 1: [<Findings fail: 450")
    assert len(repr(Findings(()))) < 60


def test_frames_have_the_same_types_whatever_they_hold() -> None:
    full, spectrum, empty = (one.to_frame() for one in (check(week((60, 255.0)), VOLTAGE), check(percent(9.0), SITE),
                                                        Findings(())))  # fmt: skip
    assert (full.dtypes == spectrum.dtypes).all() and (full.dtypes == empty.dtypes).all()
    assert str(full["statistic_value"].dtype) == "float64" and str(full["intervals_outside"].dtype) == "Int64"
    assert isinstance(full["period_start"].dtype, pandas.DatetimeTZDtype) and full["proven"].dtype == bool
    failed = full[full["verdict"] == "fail"]
    assert set(failed["rule"].dropna()) >= {"voltage-week-95"} and len(empty) == 0
    assert (full["period_start"].dropna() == "2031-03-03T00:00:00+00:00").any()


# Schemas.


def validator() -> Any:
    package = Path(pqcheck.__file__).parent
    one, several = (json.loads((package / f"{name}.schema.json").read_text(encoding="utf-8"))
                    for name in ("findings", "findings-set"))  # fmt: skip
    registry: Any = Registry().with_resource("findings.schema.json", Resource.from_contents(one))
    jsonschema.Draft202012Validator.check_schema(several)
    return jsonschema.Draft202012Validator(several, registry=registry)


def test_a_set_of_findings_has_a_schema() -> None:
    results = gate(percent(10.4), [SITE, site(name="stiff grid", short_circuit_current="90 kA")]).results
    document = json.loads(as_set_text(results))
    validator().validate(document)
    document["results"][1]["findings"][0]["verdict"] = "passed"
    with pytest.raises(jsonschema.ValidationError):
        validator().validate(document)
    with pytest.raises(jsonschema.ValidationError):
        validator().validate({**json.loads(as_set_text(results)), "more": 1})


# Strict limits.


def test_on_a_strict_limit() -> None:
    # IEEE 519 asks for less than its limits: 60 A on 60 A is a fail, and reads like one.
    result = gate(percent(10.0), SITE)
    assert "60 A (10 %), where below 60 A is asked for, 0 % within" in " ".join(gate_text(result).split())
    again = from_document(json.loads(result.results[0].to_json()))
    assert list(again.findings) == list(result.results[0].findings)
    assert json.loads(result.results[0].to_json())["strict_rules"][0].startswith("ieee519-2022/")
    plain = check(week(), VOLTAGE)
    assert "strict_rules" not in json.loads(plain.to_json())
    assert not any(isinstance(one.limit, StrictLimit) for one in plain.findings)


@pytest.mark.parametrize(("low", "high", "words"), [
    (None, 12.0, "below 12 A"), (3.0, None, "above 3 A"), (3.0, 12.0, "above 3 and below 12 A"),
])  # fmt: skip
def test_words_of_strict_limits(low: float | None, high: float | None, words: str) -> None:
    assert band_text(StrictLimit(low, high, "A")) == words


def test_a_check_in_a_page_reads_so_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "s.csv", percent(10.0))
    Path("site.toml").write_text(toml(SITE), encoding="utf-8")
    assert main(["check", "s.csv", "--site", "site.toml", "--out", "r.md", "--quiet"]) == 1
    assert "below 60 A" in Path("r.md").read_text(encoding="utf-8")
