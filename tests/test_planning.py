"""The measurement plan: intervals, durations, sizes, what cheaper choices lose, and the words about safety."""

from __future__ import annotations

from pathlib import Path

import pytest

from pqcheck.cli import main
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.errors import SiteError
from pqcheck.plan.survey import SurveyPlan, common_interval, plan, size_of
from pqcheck.reports.html.plan_page import plan_page
from pqcheck.reports.plan_text import as_text, every, size_text


def made(*tables: str, **more: object) -> SurveyPlan:
    return plan([load_table(one) for one in tables], **more)  # type: ignore[arg-type]


# Interval against memory (arithmetic: four bytes each for mean, minimum and maximum of a channel).
@pytest.mark.parametrize(
    ("channels", "interval_s", "days", "megabytes"),
    [(24, 3, 1, 8), (24, 60, 19, 8), (24, 600, 190, 8), (330, 600, 14, 8), (330, 60, 11, 64), (330, 3, 9, 1000)],
)
def test_sizes(channels: int, interval_s: int, days: int, megabytes: int) -> None:
    assert size_of("x", interval_s, channels, days).size_bytes / 1e6 == pytest.approx(megabytes, rel=0.05)


def test_durations_as_people_write_them() -> None:
    assert [every(one) for one in (3, 600, 7200, 60, 900)] == ["3 s", "10 min", "2 h", "1 min", "15 min"]
    assert [size_text(one) for one in (12, 8_294_400, 2_000, 3_100_000_000)] == ["12 B", "8.29 MB", "2 kB", "3.1 GB"]


def test_one_interval_serves_its_multiples() -> None:
    assert common_interval([3, 600]) == 3
    assert common_interval([600, 900]) == 300


def test_ieee519_needs_three_seconds_all_orders_and_a_week() -> None:
    """IEEE 519-2022 clause 4: 3 s values by day, 10 min values by week, orders to 50."""
    result = made("ieee519-2022")
    needs = {need.quantity: need for need in result.needs}
    assert (needs["current_harmonic"].interval_s, needs["current_harmonic"].also_s) == (3, (600,))
    assert needs["current_harmonic"].orders == "2 to 50"
    assert "current_tdd" not in needs, "a recorder's own column knows another demand"
    assert result.duration_days == 7
    lost = {one.choice: one.lost for one in result.losses}
    coarse = lost["values of 1 min or 5 min or 10 min only"]
    assert all(name.endswith("day-99") for name in coarse)
    assert "ieee519-2022 tdd-week-95" in lost["values of 15 min only"]
    facts = " ".join(one.fact for one in result.facts)
    assert "Short-circuit current" in facts and "Maximum demand" in facts
    assert any("utility, in writing" in one.source for one in result.facts)
    assert any("never the breaker" in one.source for one in result.facts)


def test_a_load_study_takes_thirty_days_of_quarter_hours() -> None:
    """NFPA 70 220.87: 30 days, 15-minute demand."""
    result = made("nfpa70-2023", quantities=["current"])
    assert result.duration_days == 30
    assert {need.quantity: need.interval_s for need in result.needs}["current"] == 900
    assert any("10 min" in one.choice and "existing-load-service" in " ".join(one.lost) for one in result.losses)


def test_five_days_are_named_as_too_few() -> None:
    result = made("ieee519-2022", days=5)
    assert any(one.choice.startswith("5 d instead of 7 d") and "fail can still be proven" in one.remark
               for one in result.losses)
    assert "The 5 d available are not enough." in " ".join(as_text(result).split())


def test_c841_asks_whose_criterion_it_is() -> None:
    result = made("ansi-c84.1-2020")
    assert any("time criterion" in one.fact for one in result.facts)
    assert result.duration_days == 7


def test_every_table_of_the_library_has_a_plan() -> None:
    for name in table_ids():
        table = load_table(name)
        if table.rules and any(rule.statistic.kind != "report_only" for rule in table.rules):
            text = as_text(plan([table]))
            assert "{" not in text and "None" not in text, name


@pytest.mark.parametrize("render", [as_text, plan_page])
def test_the_cautions_are_there_and_no_other_order_of_touching_conductors(render: object) -> None:
    """The cautions are printed, and nothing that could be read as a sequence of work."""
    text = " ".join(render(made("ieee519-2022")).split())  # type: ignore[operator]
    for words in ("De-energize and verify", "qualified person", "permit", "protective equipment", "second person",
                  "instrument", "reference lead goes on first and comes off last", "Split cores are closed",
                  "Never open the secondary of a current transformer", "Local rules and licensed practice decide"):
        assert words in text, words
    lowered = text.lower()
    assert lowered.count("first and") == 1
    for words in ("then connect", "then the", "connect the", "attach", "clip", "before the clamps", "after the clamps"):
        assert words not in lowered, words


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--limits", "en50160-2010-lv", "--channels", "24"]) == 0
    out = capsys.readouterr().out
    assert "24 channels  3 s" in out and "2 h" in out
    page = tmp_path / "plan.html"
    assert main(["plan", "--limits", "en50160-2010-lv", "--out", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>") and "Field checklist" in text and "http" not in text.split("</head>")[1]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["--limits", "en50160-2010-lw"], "en50160-2010-lv"), (["--limits", "ieee519-2022", "--days", "0"], "--days"),
     (["--limits", "ieee519-2022", "--connection", "star"], "connection"),
     (["--limits", "ieee519-2022", "--quantities", "volts"], "volts"),
     (["--limits", "ieee519-2022", "--quantities", "flicker_plt"], "nothing"),
     (["--limits", "ieee519-2022", "--out", "plan.pdf"], ".html")],
)
def test_bad_arguments_are_one_sentence(arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", *arguments]) == 2
    error = capsys.readouterr().err
    assert words in error and error.count("\n") == 1


def test_unknown_quantities_name_the_nearest() -> None:
    with pytest.raises(SiteError, match="did you mean 'voltage'"):
        made("en50160-2010-lv", quantities=["voltge"])


def test_sizes_are_those_of_the_days_needed_and_of_those_available() -> None:
    """Mean alone where no extremes are asked: four bytes for every value that is written."""
    result = made("en50160-2010-lv", days=1)
    needed = [size for size in result.sizes if size.what == "this plan"]
    available = [size for size in result.sizes if size.what == "the 1 d available"]
    assert needed and [size.values for size in needed] == [7 * size.values for size in available]
    per_interval = 86400 // needed[0].interval_s
    written = sum(need.channels * (3 if need.extremes else 1) for need in result.needs
                  if need.interval_s == needed[0].interval_s)
    assert available[0].values == written * per_interval


def test_orders_2_to_50_of_three_phases_are_147_channels() -> None:
    needs = {need.quantity: need for need in made("ieee519-2022").needs}
    assert needs["current_harmonic"].channels == 3 * 49


@pytest.mark.parametrize(("connection", "words"), [("high-leg-delta", "high one"), ("delta", "grounded"),
                                                   ("delta", "Ratios")])
def test_a_connection_asks_for_its_own_facts(connection: str, words: str) -> None:
    facts = " ".join(fact.fact for fact in made("ansi-c84.1-2020", connection=connection).facts)
    assert words in facts and words not in " ".join(fact.fact for fact in made("ansi-c84.1-2020").facts)


def test_the_demand_of_a_load_study_has_its_own_reason() -> None:
    why = " ".join(fact.why for fact in made("nfpa70-2023").facts)
    assert "distortion" not in why


def test_the_hook_up_asks_for_short_rows() -> None:
    assert "at most 1 min" in as_text(made("en50160-2010-lv"))
