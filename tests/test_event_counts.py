"""Events counted: by class and phases, indices per span of time, and rules about how many there may be."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from pqcheck.judge.judge_events import judge_events
from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_file import as_document, from_document
from pqcheck.model.recording import Event, Recording
from pqcheck.model.verdict import Verdict
from tests.recordings import recording, site, us

START = us("2031-03-03T00:00:00+00:00")
DAY = 86_400_000_000
WYE = {"supply": {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}}


def event(kind: str, duration: str, residual: str | None, day: float, phase: str = "") -> Event:
    depth = None if residual is None else Decimal(residual)
    return Event(START + round(day * DAY), phase, kind, Decimal(duration), depth)


def days(count: int, *events: Event) -> Recording:
    made = recording({"voltage.an [V]": 230 + np.random.default_rng(1).normal(0, 1, 144 * count)})
    return replace(made, events=events, event_tables=("events.csv",))


def found(table: Any, made: Recording, **sections: Any) -> dict[str, Finding]:
    loaded = load_table(table) if isinstance(table, str) else table
    return {each.rule: each for each in judge_events([loaded], made, site(**{**WYE, **sections}))}


def test_classes_count_their_own_kind_by_phases() -> None:
    made = days(
        7, event("dip", "0.1", "85", 1, "an"), event("dip", "0.1", "85", 2, "an"), event("dip", "0.1", "85", 2, "bn"),
        event("dip", "0.1", "75", 3), event("swell", "0.1", "115", 4, "cn"), event("interruption", "600", "0", 5),
    )  # fmt: skip
    by_rule = found("en50160-2010-lv", made)
    cells = {cell.name: (cell.one_phase, cell.two_phases, cell.three_phases) for cell in by_rule["dips"].cells}
    assert (cells["A1"], cells["B1"], cells["C1"]) == ((1, 1, 0), (0, 0, 1), (0, 0, 0))
    totals = {rule: each.statistic.value for rule, each in by_rule.items() if each.statistic is not None}
    assert (totals["dips"], totals["swells"], totals["interruptions"]) == (3, 1, 1)
    assert "without a class" not in by_rule["swells"].title
    document = json.loads(json.dumps(as_document(Findings(tuple(by_rule.values()), {}, (), ()))))
    assert from_document(document).findings[0].cells == by_rule["dips"].cells
    assert all("cells" in each for each in document["findings"])
    assert not any("cells" in each for each in as_document(Findings(
        tuple(found("iti-2000", made).values()), {}, (), ()))["findings"])  # fmt: skip


def test_an_interruption_without_residual_has_a_class_by_its_duration() -> None:
    by_rule = found("en50160-2010-lv", days(7, event("interruption", "600", None, 1)))
    finding = by_rule["interruptions"]
    assert sum(cell.count for cell in finding.cells) == 1 and "without" not in finding.title


def test_indices_per_thirty_days() -> None:
    """SARFI-X as in IEEE 1564 (from memory): events below X %, here scaled from ten days to thirty."""
    made = days(
        10, event("dip", "0.1", "85", 1), event("dip", "0.1", "60", 2), event("interruption", "60", "0", 3),
        event("interruption", "600", "0", 4), event("swell", "1", "115", 5),
    )  # fmt: skip
    by_rule = found("event-indices", made)
    values = {rule: each.statistic.value for rule, each in by_rule.items() if each.statistic is not None}
    assert values == {
        "sarfi-90": 12, "sarfi-70": 9, "sarfi-50": 6, "sarfi-10": 6, "interruptions-short": 1, "interruptions-long": 1,
        "interruption-minutes": 11, "interruption-longest": 10, "events-all": 15, "rapid-changes-day": None,
        "rapid-changes-hour": None,
    }  # fmt: skip
    assert {each.verdict for each in by_rule.values()} == {Verdict.NOT_APPLICABLE}
    monitored = {"from": "2031-03-03T00:00:00+00:00", "to": "2031-04-02T00:00:00+00:00", "complete": True}
    whole = found("event-indices", made, events=monitored)["sarfi-90"]
    assert whole.statistic is not None and whole.statistic.value == 4
    assert by_rule["sarfi-90"].reason is not None and "not declared" in by_rule["sarfi-90"].reason.text
    assert whole.reason is not None and "not declared" not in whole.reason.text


def limit_table(at_most: str, per: str, measure: str = "number") -> Any:
    rule = {
        "id": "deep-dips", "title": "Deep dips", "clause": "house rule", "confidence": "derived", "at_most": at_most,
        "kind": "events_at_most", "per": per, "measure": measure,
        "classes": [{"name": "deep", "kind": "dip", "residual": "[0, 70)", "duration": {"from": "0 ms"}}],
    }  # fmt: skip
    table = {
        "format": "pqcheck-limit-table/1", "id": "house-dips", "standard": "House rule", "edition": "1",
        "title": "Dips",
        "source": "an invented rule", "event_rules": [rule],
    }  # fmt: skip
    with TemporaryDirectory() as folder:
        path = Path(folder) / "house-dips.json"
        path.write_text(json.dumps(table))
        return load_table(str(path))


DEEP = [event("dip", "90", "50", day) for day in (0.5, 1.5, 8.5, 9.5, 10.5)]
COMPLETE = {"events": {"complete": True}}


@pytest.mark.parametrize(("at_most", "per", "verdict", "value"), [
    ("3", "week", Verdict.PASS, 3), ("2", "week", Verdict.FAIL, 3), ("5", "recording", Verdict.PASS, 5),
    ("4", "recording", Verdict.FAIL, 5), ("4", "year", Verdict.FAIL, 5), ("5", "year", Verdict.NOT_APPLICABLE, 5),
])  # fmt: skip
def test_a_rule_about_how_many(at_most: str, per: str, verdict: Verdict, value: float) -> None:
    finding = found(limit_table(at_most, per), days(14, *DEEP), **COMPLETE)["deep-dips"]
    assert finding.verdict is verdict
    assert finding.statistic is not None and finding.statistic.value == value and finding.limit is not None
    assert len(finding.windows) == (value if verdict is Verdict.FAIL else 0)
    if verdict is Verdict.PASS:
        assert finding.proven


def test_a_rule_about_how_many_without_a_complete_list_is_met_by_the_events_listed() -> None:
    finding = found(limit_table("3", "week"), days(14, *DEEP))["deep-dips"]
    assert finding.verdict is Verdict.PASS and not finding.proven
    assert finding.reason is not None and finding.reason.code == "events-listed"
    minutes = found(limit_table("4", "week", "minutes"), days(14, *DEEP), **COMPLETE)["deep-dips"]
    assert minutes.verdict is Verdict.FAIL and minutes.statistic is not None and minutes.statistic.value == 4.5


def test_the_page_counts_the_classes(tmp_path: Path) -> None:
    from pqcheck.cli import main

    rng = np.random.default_rng(8)
    rows = "".join(
        f"2031-03-{3 + at // 144:02}T{at // 6 % 24:02}:{at % 6}0:00Z,{230 + rng.normal():.2f}\n" for at in range(1008)
    )
    (tmp_path / "week.csv").write_text("time,voltage.an [V]\n" + rows)
    (tmp_path / "events.csv").write_text(
        "time,phase,kind,duration [s],residual [%]\n2031-03-04T10:00:00Z,an,dip,0.1,85\n")
    (tmp_path / "site.toml").write_text(
        'name = "Press shop"\ntime_zone = "UTC"\n[supply]\nnominal_voltage = "230 V"\nconnection = "single-phase"\n'
        'frequency = "50 Hz"\n[limits]\napply = ["en50160-2010-lv"]\n')
    main(["check", *(str(tmp_path / name) for name in ("week.csv", "events.csv")), "--site",
          str(tmp_path / "site.toml"), "--out", str(tmp_path / "page.html")])  # fmt: skip
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "dip, residual [80, 90) %, from 10 ms up to 200 ms" in page
