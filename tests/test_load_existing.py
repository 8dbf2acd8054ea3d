"""Existing-load determination by the load rules of limit tables. Worked examples, all derived."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pqcheck.limit_tables import LimitTable, load_table
from pqcheck.limit_tables.table_checks import table_problems
from pqcheck.loads.existing_load import existing_load_findings
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import site_from
from tests.recordings import recording

MONTH = 2880
"""30 days of quarter hours (derived)."""
THREE = {"nominal_voltage": "480Y/277 V", "connection": "wye"}
SPLIT = {"nominal_voltage": "120/240 V", "connection": "split-phase"}
CONDITIONS: dict[str, Any] = {
    "occupied": True, "renewable_source": False, "peak_shaving": False, "seasonal_addition": "0 A",
    "demand_window": "block",
}  # fmt: skip


def currents(*amperes: float, count: int = MONTH, phases: str = "abc") -> Recording:
    return recording(
        {f"current.{phase} [A]": np.full(count, value) for phase, value in zip(phases, amperes, strict=False)},
        interval_s=900,
    )


def judge(
    record: Recording, table: str | LimitTable = "nfpa70-2023", supply: dict[str, Any] | None = None, **sections: Any
) -> Finding:
    """The determination for the service rating."""
    site = site_from({"supply": supply or THREE, **sections})
    loaded = load_table(table) if isinstance(table, str) else table
    found = existing_load_findings([loaded], record, site)
    return next(one for one in found if one.rule == "existing-load-service")


def value_of(finding: Finding) -> float:
    assert finding.statistic is not None and finding.statistic.value is not None
    return finding.statistic.value


# Worked examples.


def test_example_1_kilowatts_need_their_power_factor() -> None:
    # 800 A, 480Y/277; 310 kW at 0.92: 337.0 kVA, 405.3 A, x 1.25 = 506.6 A; spare 293.4 A = 243.9 kVA.
    year = {"maximum_demand": "310 kW", "maximum_demand_power_factor": 0.92, "maximum_demand_months": 12}
    found = judge(currents(100, 100, 100), ratings={"service": "800 A"}, load_study=year)
    assert found.verdict is Verdict.PASS
    assert value_of(found) == pytest.approx(506.6, abs=0.05)
    assert found.margin is not None
    assert found.margin.value == pytest.approx(293.4, abs=0.05)
    assert found.margin.value * np.sqrt(3) * 480 / 1000 == pytest.approx(243.9, abs=0.05)
    # Treating kW as kVA gives 372.9 A, x 1.25 = 466.1 A, optimistic by 40.5 A: information only.
    assert "by kilowatts alone the demand would be 372.9 A, for information" in found.title


def test_example_1_without_a_power_factor_there_are_no_amperes() -> None:
    year = {"maximum_demand": "310 kW", "maximum_demand_months": 12}
    voltages = recording({"voltage.an [V]": np.full(MONTH, 277.0)}, interval_s=900)
    found = judge(voltages, ratings={"service": "800 A"}, load_study=year)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason is not None and found.reason.code == "demand-unknown"


def test_example_2_continuous_new_load_both_ways() -> None:
    # 200 A, 120/240: 7.68 kW are 32 A, x 1.25 = 40 A; a 48 A charger makes 88 A, with 125 % on it 100 A.
    year = {"maximum_demand": "7.68 kVA", "maximum_demand_months": 12}
    charger = {"name": "charger", "current": "48 A", "phases": ["a", "b"], "continuous": True}
    record = currents(10, 10, phases="ab")
    more = {"ratings": {"service": "200 A"}, "new_load": [charger], "supply": SPLIT}
    # Undeclared, but a pass either way.
    assert judge(record, load_study=year, **more).verdict is Verdict.PASS
    for choice, amperes in (("100 %", 88.0), ("125 %", 100.0)):
        found = judge(record, load_study={**year, "continuous_new_load": choice}, **more)
        assert value_of(found) == pytest.approx(amperes)


def test_example_2_the_choice_decides_between_88_and_100_amperes() -> None:
    year = {"maximum_demand": "32 A", "maximum_demand_months": 12}
    charger = {"name": "charger", "current": "48 A", "phases": ["a", "b"], "continuous": True}
    record = currents(10, 10, phases="ab")
    more = {"ratings": {"service": "90 A"}, "new_load": [charger], "supply": SPLIT}
    open_ = judge(record, load_study=year, **more)
    assert open_.verdict is Verdict.INCONCLUSIVE
    assert open_.reason is not None and open_.reason.code == "load-choice"
    assert "100 %: 88.0 A passes" in open_.reason.text and "125 %: 100.0 A fails" in open_.reason.text
    assert "continuous_new_load" in open_.reason.advice
    for choice, verdict in (("100 %", Verdict.PASS), ("125 %", Verdict.FAIL)):
        found = judge(record, load_study={**year, "continuous_new_load": choice}, **more)
        assert found.verdict is verdict
        # The other way is still shown.
        assert found.reason is not None and found.reason.code == "load-choice-declared"
        assert "88.0 A passes" in found.reason.text and "100.0 A fails" in found.reason.text


def test_example_3_the_highest_phase_not_the_average() -> None:
    # 250/180/165 A: 312.5 A on the highest phase, 247.9 A by the average.
    found = judge(currents(250, 180, 165), ratings={"service": "300 A"}, load_study=CONDITIONS)
    assert found.phase == "a"
    assert value_of(found) == pytest.approx(312.5)
    assert found.verdict is Verdict.FAIL


def test_a_seasonal_load_before_or_after_the_multiplication() -> None:
    # 200 A and 40 A: 1.25 x 240 = 300 A, or 1.25 x 200 + 40 = 290 A.
    study = {**CONDITIONS, "seasonal_addition": "40 A"}
    more = {"ratings": {"service": "295 A"}}
    found = judge(currents(200, 200, 200), load_study=study, **more)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason is not None and "seasonal_addition_treatment" in found.reason.advice
    for treatment, amperes in (("before", 300.0), ("after", 290.0)):
        one = judge(currents(200, 200, 200), load_study={**study, "seasonal_addition_treatment": treatment}, **more)
        assert value_of(one) == pytest.approx(amperes)


# Conditions.


def test_one_gap_breaks_thirty_days() -> None:
    values = np.full(MONTH, 100.0)
    values[2000] = np.nan
    record = recording({f"current.{phase} [A]": values for phase in "abc"}, interval_s=900)
    found = judge(record, ratings={"service": "400 A"}, load_study=CONDITIONS)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason is not None and found.reason.code == "not-continuous"
    assert "20.83 days of the 30 days" in found.reason.text
    assert judge(currents(100, 100, 100), ratings={"service": "400 A"}, load_study=CONDITIONS).verdict is Verdict.PASS


def test_a_short_recording_can_still_fail() -> None:
    found = judge(currents(330, 1, 1, count=96), ratings={"service": "400 A"}, load_study=CONDITIONS)
    assert found.verdict is Verdict.FAIL


@pytest.mark.parametrize("left_out", ["occupied", "renewable_source", "peak_shaving", "seasonal_addition"])
def test_an_undeclared_condition_never_passes(left_out: str) -> None:
    study = {key: value for key, value in CONDITIONS.items() if key != left_out}
    found = judge(currents(100, 100, 100), ratings={"service": "400 A"}, load_study=study)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason is not None and left_out in found.reason.text


def test_an_empty_building_is_not_representative() -> None:
    found = judge(currents(9, 9, 9), ratings={"service": "400 A"}, load_study={**CONDITIONS, "occupied": False})
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason is not None and found.reason.code == "load-not-representative"


@pytest.mark.parametrize("fact", ["renewable_source", "peak_shaving"])
def test_what_a_renewable_source_excludes_depends_on_the_edition(fact: str) -> None:
    # 2023: the 30-day exception only; 2020: the whole determination (sources disagree on the earlier edition).
    study = {**CONDITIONS, fact: True, "maximum_demand": "100 A", "maximum_demand_months": 12}
    ratings = {"service": "400 A"}
    record = currents(100, 100, 100)
    assert judge(record, "nfpa70-2023", ratings=ratings, load_study=study).verdict is Verdict.PASS
    assert judge(record, "nfpa70-2020", ratings=ratings, load_study=study).verdict is Verdict.NOT_APPLICABLE
    only_recorded = {**CONDITIONS, fact: True}
    found = judge(record, "nfpa70-2023", ratings=ratings, load_study=only_recorded)
    assert found.verdict is not Verdict.PASS


def test_declared_generation_is_a_renewable_source() -> None:
    study = {key: value for key, value in CONDITIONS.items() if key != "renewable_source"}
    found = judge(
        currents(100, 100, 100), "nfpa70-2020", ratings={"service": "400 A"}, load_study=study,
        generation={"inverter_share_of_average_demand": "20 %"},
    )  # fmt: skip
    assert found.verdict is Verdict.NOT_APPLICABLE


def test_the_highest_phase_at_the_start_and_later() -> None:
    a, b = np.full(MONTH, 50.0), np.full(MONTH, 40.0)
    b[1000] = 70.0
    record = recording({"current.a [A]": a, "current.b [A]": b, "current.c [A]": b * 0.5}, interval_s=900)
    found = judge(record, ratings={"service": "400 A"}, load_study=CONDITIONS)
    assert "at the start phase a had the highest load, later phase b had more" in found.title
    assert value_of(found) == pytest.approx(87.5)


def test_a_record_above_the_declared_year_is_used() -> None:
    year = {"maximum_demand": "100 A", "maximum_demand_months": 12}
    found = judge(currents(120, 100, 100), ratings={"service": "400 A"}, load_study=year)
    assert value_of(found) == pytest.approx(150.0)
    assert "the record itself shows 120.0 A" in found.title


def test_eleven_months_are_no_year() -> None:
    study = {**CONDITIONS, "maximum_demand": "100 A", "maximum_demand_months": 11}
    found = judge(currents(200, 200, 200), ratings={"service": "400 A"}, load_study=study)
    assert value_of(found) == pytest.approx(250.0)


def test_windows_that_the_document_does_not_name() -> None:
    # One-minute readings with a peak over two clock blocks: 100 A sliding, less in blocks.
    values = np.full(30 * 1440, 10.0)
    values[607:622] = 100.0
    record = recording({f"current.{phase} [A]": values for phase in "abc"}, interval_s=60)
    study = {key: value for key, value in CONDITIONS.items() if key != "demand_window"}
    found = judge(record, ratings={"service": "110 A"}, load_study=study)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason is not None and "demand_window" in found.reason.advice
    sliding = judge(record, ratings={"service": "110 A"}, load_study={**study, "demand_window": "sliding"})
    assert (sliding.verdict, value_of(sliding)) == (Verdict.FAIL, pytest.approx(125.0))
    assert judge(record, ratings={"service": "110 A"}, load_study=CONDITIONS).verdict is Verdict.PASS


def test_the_canadian_rule_has_no_multiplier_and_no_thirty_days() -> None:
    # CE Code 8-106 8) (one source): maximum of 12 months plus the addition.
    year = {"maximum_demand": "300 A", "maximum_demand_months": 12}
    new = [{"name": "oven", "current": "50 A"}]
    found = judge(currents(1, 1, 1), "ca-ce-code-2021", ratings={"service": "400 A"}, load_study=year, new_load=new)
    assert (found.verdict, value_of(found)) == (Verdict.PASS, pytest.approx(350.0))
    without = judge(currents(1, 1, 1), "ca-ce-code-2021", ratings={"service": "400 A"}, load_study=CONDITIONS)
    assert without.verdict is Verdict.INCONCLUSIVE


def test_the_output_defers_to_licensed_practice() -> None:
    found = judge(currents(100, 100, 100), ratings={"service": "400 A"}, load_study=CONDITIONS)
    assert "Licensed practice and the local code decide" in found.title


def test_no_rating_is_no_verdict() -> None:
    found = judge(currents(100, 100, 100), load_study=CONDITIONS)
    assert found.reason is not None and found.reason.code == "rating-not-declared"


# The tables themselves.


def rule(**changes: Any) -> dict[str, Any]:
    written = {
        "id": "existing-load-service", "title": "t", "clause": "1", "confidence": "memory", "rating": "service",
        "multiplier": {"value": "1.25", "confidence": "memory"},
        "demand": [{"basis": "recorded", "continuous": "30 d", "clause": "1"}],
    }  # fmt: skip
    return {**written, **changes}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"multiplier": {"value": "0.8", "confidence": "memory"}}, "smaller than it is"),
        ({"open_choices": ["demand_windows"]}, "did you mean 'demand_window'"),
        ({"demand": [{"basis": "recorded", "clause": "1"}]}, "needs 'continuous'"),
        ({"demand": [{"basis": "declared", "clause": "1"}]}, "needs 'months'"),
        (
            {"demand": [{"basis": "recorded", "continuous": "30 d", "interval": "7 min", "clause": "1"}]},
            "divide the hour",
        ),
        ({"conditions": [{"fact": "ocupied", "is": True, "reason": "r"}]}, "did you mean 'occupied'"),
    ],
)
def test_a_load_rule_that_does_not_hold_together(changes: dict[str, Any], said: str) -> None:
    placed = {"rules": [], "event_rules": [], "load_rules": [("load_rules[0]", rule(**changes))]}
    (problem,) = table_problems({}, placed)
    assert said in problem.text


def test_thirty_days_and_the_multiplier_stand_in_the_table() -> None:
    for edition in ("2020", "2023"):
        one = load_table(f"nfpa70-{edition}").load_rules[0]
        assert one.multiplier == pytest.approx(1.25)
        assert [(source.basis, source.months) for source in one.sources] == [("declared", 12), ("recorded", 0)]
        assert one.sources[1].continuous_s == MONTH * 900


@pytest.mark.parametrize(
    ("rating", "verdict"), [("280 A", Verdict.PASS), ("255 A", Verdict.INCONCLUSIVE), ("230 A", Verdict.FAIL)]
)
def test_both_ends_of_a_power_factor_have_to_agree(rating: str, verdict: Verdict) -> None:
    # 1.25 x 100 A; 90 kW at 480 V are 113.95 A at 0.95 (238.95 A in all) and 144.3 A at 0.75 (269.3 A).
    press = {"name": "press", "active_power": "90 kW", "power_factor": 0.95, "power_factor_span": [0.75, 0.95]}
    record = currents(100, 100, 100)
    found = judge(record, ratings={"service": rating}, load_study=CONDITIONS, new_load=[press])
    assert found.verdict is verdict
    if verdict is Verdict.INCONCLUSIVE:
        assert found.reason is not None and found.reason.code == "new-load-bounded"
    assert value_of(found) == pytest.approx(238.95 if verdict is Verdict.FAIL else 269.3, abs=0.05)
