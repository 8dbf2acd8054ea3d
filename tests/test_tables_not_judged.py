"""A table that somebody names and of which no rule is judged keeps a check from passing, unless the site allows it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.judge.tables_not_judged import sets_limits
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.errors import SiteError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.verdict import Verdict
from pqcheck.reports.check_terminal import as_text
from pqcheck.workflows.run_gate import gate
from tests.design import toml, write
from tests.test_waivers import VOLTAGE, week

BOTH = ["en50160-2010-lv", "en50160-2010-mv"]
"""EN 50160 clause 4 is for low voltage, clause 5 for medium voltage: at 230 V no rule of the second applies."""


def asking(**limits: Any) -> dict[str, Any]:
    return {**VOLTAGE, "limits": {**VOLTAGE["limits"], **limits}}


def test_a_table_that_judged_nothing_is_not_shown() -> None:
    found = check(week(), VOLTAGE, BOTH)
    assert found.exit_status is ExitStatus.NOT_SHOWN and found.verdict is Verdict.INCONCLUSIVE
    (unjudged,) = (one for one in found.findings if one.verdict is Verdict.INCONCLUSIVE)
    assert unjudged.reason is not None and unjudged.reason.code == "table-not-judged"
    assert unjudged.id == "en50160-2010-mv/-/-@-"
    text = " ".join(as_text(found).split())
    assert text.startswith(
        "NOT SHOWN: all 2 criteria that apply are met, 3 are not applicable, and no rule of en50160-2010-mv was judged."
    )
    judged, _, others = text.rpartition("Judged against ")[2].partition(". ")
    assert "en50160-2010-lv" in judged and "mv" not in judged
    assert others.startswith("No rule of en50160-2010-mv")
    assert gate(week(), VOLTAGE, BOTH).exit_status is ExitStatus.NOT_SHOWN


@pytest.mark.parametrize("workflow", [check, gate])
def test_the_site_may_allow_it(workflow: Any) -> None:
    found = workflow(week(), asking(may_not_apply=["en50160-2010-mv"]), BOTH)
    assert found.exit_status is ExitStatus.PASSED


def test_a_name_that_is_no_table_is_refused() -> None:
    with pytest.raises(SiteError, match=r"may_not_apply\[1\] = 'en50160-2010-nv' is no limit table; did you mean"):
        check(week(), asking(may_not_apply=["en50160-2010-nv"]), BOTH)


def test_a_table_that_is_not_in_force() -> None:
    # The Swedish rules of 2023 hold from 2024-01-01 on.
    tables = ["en50160-2010-lv", "se-eifs-2023-3-lv"]
    found = check(week(), VOLTAGE, tables, as_of=date(2023, 12, 31))
    unjudged = next(one for one in found.findings if one.id == "se-eifs-2023-3-lv/-/-@-")
    assert unjudged.reason is not None and "in force from 2024-01-01 on" in unjudged.reason.text
    assert found.exit_status is ExitStatus.NOT_SHOWN
    assert not any(one.rule == "-" for one in check(week(), VOLTAGE, tables, as_of=date(2024, 1, 1)).findings)


def test_what_the_quantities_leave_out_was_not_judged_either() -> None:
    found = check(week(), VOLTAGE, ["en50160-2010-lv", "ieee519-2022"], quantities=["voltage"])
    assert any("none of its rules is about the quantities asked for" in one.reason.text
               for one in found.findings if one.reason and one.table == "ieee519-2022")  # fmt: skip
    assert found.exit_status is ExitStatus.NOT_SHOWN


def test_tables_that_set_no_limit_are_exempt() -> None:
    without = [name for name in table_ids() if not sets_limits(load_table(name))]
    assert without and "en50160-2010-lv" not in without
    for name in without:
        assert check(week(), VOLTAGE, ["en50160-2010-lv", name]).exit_status is ExitStatus.PASSED, name


def test_nothing_judged_at_all_stays_as_it_is() -> None:
    found = check(week(), VOLTAGE, ["en50160-2010-mv"])
    assert {one.verdict for one in found.findings if one.kind == "limit"} == {Verdict.NOT_APPLICABLE}
    assert found.exit_status is ExitStatus.NOT_SHOWN


# Events are named like a quantity.

EVENTS = "time,phase,kind,duration [s],residual [%]\n2031-03-04T10:00:00,an,dip,0.1,40\n"


CURVE = "semi-f47-0706"
"""A table that holds nothing but ride-through curves."""


def test_events_narrow_the_question(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    data = week()
    write(Path("week.csv"), {"time": [str(time) for time in data["time"]], "voltage.an [V]": [*data["voltage.an [V]"]]})
    Path("events.csv").write_text(EVENTS, encoding="utf-8")
    Path("site.toml").write_text(
        toml({**VOLTAGE, "supply": {**VOLTAGE["supply"], "measured_at": "equipment"}, "limits": {}}), encoding="utf-8"
    )
    asked = ["--limits", CURVE, "--quantities", "events", "--quiet"]
    assert main(["check", "week.csv", "events.csv", "--site", "site.toml", *asked]) in (0, 1)
    by_site = check(["week.csv", "events.csv"], {**VOLTAGE, "limits": {"quantities": ["events"]}}, [CURVE])
    assert {one.channel for one in by_site.findings if one.kind == "limit"} == {"events"}
    without = check(["week.csv", "events.csv"], VOLTAGE, ["en50160-2010-lv", CURVE], quantities=["voltage"])
    assert any(line.startswith("Left out") and "events" in line for line in without.remarks)
    assert not any(one.channel == "events" for one in without.findings)


def test_a_misspelt_quantity_is_named(tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="unknown quantity 'event'; did you mean 'events'"):
        check(week(), VOLTAGE, quantities=["event"])


def test_a_page_names_the_table_and_no_rule_of_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    data = week()
    write(Path("week.csv"), {"time": [str(time) for time in data["time"]], "voltage.an [V]": [*data["voltage.an [V]"]]})
    Path("site.toml").write_text(toml(VOLTAGE), encoding="utf-8")
    assert main(["check", "week.csv", "--site", "site.toml", "--limits", *BOTH, "--out", "p.html", "--quiet"]) == 3
    page = Path("p.html").read_text(encoding="utf-8")
    assert "No rule of en50160-2010-mv was judged" in page
    assert "en50160-2010-mv -, ;" not in page and "not at hand" not in page
