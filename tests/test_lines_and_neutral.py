"""A set of voltages answers for the other set only where the rule has limits of both kinds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import replace

from pqcheck.limit_tables import load_table
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from tests.recordings import judged, recording, site

NEUTRAL, LINES = ("an", "bn", "cn"), ("ab", "bc", "ca")


def found(recorded: Sequence[str], kinds: Sequence[str], connection: str = "wye") -> list[Finding]:
    """Findings of range B for a 208Y/120 V service whose table has limits of some kinds only."""
    table = load_table("ansi-c84.1-2020")
    rule = next(rule for rule in table.rules if rule.id == "service-range-b")
    rule = replace(rule, rows=tuple(row for row in rule.rows if row.line in kinds))
    volts = {phase: 120.0 if phase in NEUTRAL else 208.0 for phase in recorded}
    made = recording({f"voltage.{phase} [V]": np.full(1008, value) for phase, value in volts.items()})
    supply = {"nominal_voltage": "208Y/120 V", "frequency": "60 Hz", "connection": connection}
    if connection == "delta":
        supply["nominal_voltage"] = "208 V"
    return judged(made, site(supply=supply), replace(table, rules=(rule,)))


@pytest.mark.parametrize(("recorded", "kinds"), [(NEUTRAL, ["line_to_line"]), (LINES, ["line_to_neutral"])])
def test_the_other_set_does_not_answer(recorded: Sequence[str], kinds: Sequence[str]) -> None:
    (finding,) = found(recorded, kinds)
    assert finding.verdict is Verdict.INCONCLUSIVE and finding.reason is not None
    assert finding.reason.code == "not-recorded" and kinds[0].replace("_", " ") in finding.reason.text


@pytest.mark.parametrize("recorded", [NEUTRAL, LINES, NEUTRAL + LINES])
def test_a_rule_with_both_kinds_is_answered_by_what_was_recorded(recorded: Sequence[str]) -> None:
    passed = {finding.phase for finding in found(recorded, ["line_to_line", "line_to_neutral"])
              if finding.verdict is Verdict.PASS}  # fmt: skip
    assert passed == set(recorded)


def test_what_has_no_limit_is_not_asked_beside_what_has() -> None:
    findings = found(NEUTRAL + LINES, ["line_to_line"])
    assert {finding.phase for finding in findings} == set(LINES)
    assert {finding.verdict for finding in findings} == {Verdict.PASS}
