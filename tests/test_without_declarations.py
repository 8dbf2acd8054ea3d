"""The verdict of the run without corrections (or exclusions) beside each finding."""

import pytest

from pqcheck.model.findings import Finding, Period
from pqcheck.model.verdict import Verdict
from pqcheck.workflows.without_declarations import beside


def finding(day: int, verdict: Verdict, hour: int = 0, kind: str = "limit", rule: str = "share") -> Finding:
    start, end = f"2031-03-{day:02}T{hour:02}:00:00+00:00", f"2031-03-{day + 1:02}T{hour:02}:00:00+00:00"
    return Finding(
        kind=kind, table="t", rule=rule, clause="1", title="A share", quantity="voltage", phase="an", order=None,
        verdict=verdict, period=Period("day", start, end), channel="voltage.an",
    )  # fmt: skip


def beside_of(*found: Finding, others: list[Finding]) -> list[str | None]:
    return [one.without_corrections for one in beside(found, others, "without_corrections")]


def test_the_same_period_is_compared_with_itself() -> None:
    found = finding(3, Verdict.PASS), finding(4, Verdict.FAIL)
    assert beside_of(*found, others=[finding(3, Verdict.FAIL), finding(4, Verdict.FAIL)]) == ["fail", None]


def test_a_trim_at_noon_shows_the_day_that_began_it() -> None:
    # Corrected days run from noon to noon; the first of them also answers for the morning that was cut away.
    found = [finding(day, Verdict.PASS, hour=14) for day in (3, 4, 5)]
    others = [finding(3, Verdict.FAIL), *(finding(day, Verdict.PASS) for day in (4, 5, 6))]
    assert beside_of(*found, others=others) == ["fail", None, None]


def test_a_fail_that_was_cut_away_whole_is_still_shown() -> None:
    found = [finding(day, Verdict.PASS) for day in (5, 6)]
    others = [finding(3, Verdict.FAIL), *(finding(day, Verdict.PASS) for day in (4, 5, 6))]
    assert beside_of(*found, others=others) == ["fail", None]


def test_a_shift_compares_each_period_with_its_own() -> None:
    found = [finding(day, Verdict.PASS, hour=1) for day in (3, 4, 5)]
    others = [finding(3, Verdict.PASS), finding(4, Verdict.FAIL), finding(5, Verdict.INCONCLUSIVE)]
    assert beside_of(*found, others=others) == [None, "fail", "inconclusive"]


@pytest.mark.parametrize("other", [finding(3, Verdict.FAIL, kind="recording"), finding(3, Verdict.FAIL, rule="all")])
def test_only_the_same_rule_is_compared(other: Finding) -> None:
    assert beside_of(finding(3, Verdict.PASS), others=[other]) == [None]
