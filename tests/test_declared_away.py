"""What a site file declares away stands in every output, with how many verdicts would be others without it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.model.declared_away import declared_lines
from pqcheck.model.findings import Findings
from pqcheck.model.findings_file import from_document
from pqcheck.model.verdict import Verdict
from pqcheck.reports.annotations import command_lines, entry_list
from pqcheck.reports.check_terminal import as_text
from pqcheck.reports.gate_text import gate_text
from pqcheck.reports.junit import as_junit
from pqcheck.reports.markdown import as_markdown
from pqcheck.reports.sarif import as_sarif
from pqcheck.workflows.run_gate import gate
from tests.design import toml, write
from tests.test_waivers import VOLTAGE, week

COVERAGE = {"coverage": {"at_least_percent": 50, "policy_of": "the serving utility"}}
EXCLUDED = {"exclusions": [{"from": "2031-03-03T00:00:00", "to": "2031-03-03T10:00:00", "reason": "log 118",
                            "author": "site engineer"}]}  # fmt: skip
CORRECTED = {"corrections": [{"kind": "trim", "from": "2031-03-03T10:00:00", "reason": "start-up",
                              "author": "site engineer"}]}  # fmt: skip
CRITERION = {"criteria": [{"table": "ansi-c84.1-2020", "range": "A", "at_least_percent": 90, "period": "week",
                           "policy_of": "the serving utility"}]}  # fmt: skip

US = {"name": "Flat 3", "time_zone": "UTC",
      "supply": {"nominal_voltage": "120 V", "connection": "single-phase", "frequency": "60 Hz"},
      "limits": {"apply": ["ansi-c84.1-2020"], "quantities": ["voltage"]}}  # fmt: skip


def low_week() -> dict[str, Any]:
    """A US flat of which 60 of 1008 values lie below range A (114 V) and inside range B."""
    volts = 120 + 0.1 * (np.arange(1008) % 5)
    volts[:60] -= 7
    return {"time": week()["time"], "voltage.an [V]": volts}


CASES: tuple[tuple[str, Any, dict[str, Any], str, str], ...] = (
    # 200 of 1008 missing, none outside: open by the count, a pass by the policy.
    ("coverage", week(missing=200), VOLTAGE | COVERAGE, "- Coverage as declared: (at_least_percent 50); policy of the",
     "Without it, 2 verdicts would be others."),
    ("exclusions", week((60, 254.0)), VOLTAGE | EXCLUDED, "- Excluded as declared: (from 2031-03-03T00:00:00, to",
     "Without it, 2 verdicts would be others."),
    ("criteria", low_week(), US | CRITERION, "- Time criterion as declared: (at_least_percent 90, period week, range A",
     "Without it, 1 verdict would be another."),
)


@pytest.mark.parametrize(("kind", "data", "place", "entry", "count"), CASES, ids=[case[0] for case in CASES])
def test_it_stands_in_every_output(kind: str, data: Any, place: dict[str, Any], entry: str, count: str) -> None:
    found = check(data, place)
    assert set(found.declared_away) == {kind} and found.declared_away[kind] >= 1
    lines = declared_lines(found)
    assert lines[0].startswith(entry) and lines[1].strip() == count
    text = " ".join(as_text(found).split())
    assert "Declared by the site file: " + entry in text and count in text
    assert "would be others without what the site file declares: " in as_text(found, quiet=True)
    gated = gate(data, place)
    both = " ".join(gate_text(gated).split())
    assert entry in both and count in both
    assert f"{kind} ({found.declared_away[kind]})" in gate_text(gated, quiet=True)
    assert count in as_junit(gated) and count in as_sarif(gated, []) and count in as_markdown(found)
    assert f"::notice title=declared by the site file::{count}" in command_lines(gated, [])
    assert any(count in one["description"] for one in json.loads(entry_list(gated, [])))
    document = json.loads(found.to_json())
    assert document["declared_away"] == dict(found.declared_away)
    assert declared_lines(from_document(document)) == lines


def test_on_a_page_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    data = week(missing=200)
    rows = {"time": [str(time) for time in data["time"]],
            "voltage.an [V]": ["" if value != value else value for value in data["voltage.an [V]"]]}  # fmt: skip
    write(tmp_path / "week.csv", rows)
    (tmp_path / "site.toml").write_text(toml(VOLTAGE | COVERAGE), encoding="utf-8")
    assert main(["check", "week.csv", "--site", "site.toml", "--out", "page.html", "--quiet"]) == 0
    assert "Without it, 2 verdicts would be others." in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_what_turns_nothing_is_listed_and_not_in_the_answer() -> None:
    found = check(week(), VOLTAGE | COVERAGE)
    assert found.declared_away == {"coverage": 0}
    assert declared_lines(found)[1].strip() == "Without it, no verdict would be another."
    assert "would be others" not in as_text(found, quiet=True)
    plain = check(week(), VOLTAGE)
    assert "declared_away" not in json.loads(plain.to_json()) and declared_lines(plain) == []


def test_corrections_and_exclusions_keep_the_other_verdict_beside_each_finding() -> None:
    found = check(week((60, 254.0)), VOLTAGE | EXCLUDED | COVERAGE)
    assert [one.without_exclusions for one in found.findings if one.rule == "voltage-week-95"] == ["fail"]
    assert found.declared_away == {"coverage": 0, "exclusions": 2}
    corrected = check(week((60, 255.0)), VOLTAGE | CORRECTED)
    assert set(corrected.declared_away) == {"corrections"}


def test_the_tighter_twins_of_a_margin_are_not_counted() -> None:
    found = gate(low_week(), US | CRITERION, margin=5).results[0]
    assert found.declared_away == check(low_week(), US | CRITERION).declared_away
    assert isinstance(found, Findings) and found.verdict is not Verdict.REFUSED
