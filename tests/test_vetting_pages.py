"""The checks are listed, say what they do, use their thresholds, and refuse what rests on them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.verdict import Verdict
from pqcheck.vet import checks
from pqcheck.vet.check_definition import COMMON_CODES, ITSELF, Check
from pqcheck.vet.checks import CHECKS, clipped, lost_lead, wiring
from pqcheck.vet.into_findings import doubts
from pqcheck.vet.outcome import Outcome, Subject

ROOM = Path(checks.__file__).parent
FILES = {path: path.read_text(encoding="utf-8") for path in sorted(ROOM.rglob("*.py"))}
SOURCE = "\n".join(FILES.values())
CODES = {code for check in CHECKS for code in check.codes} | set(COMMON_CODES)


def test_every_module_of_a_check_is_in_the_list() -> None:
    """A check that stands in a file and in no list would never be asked."""
    own = {path for path, text in FILES.items() if re.search(r"^[A-Z_]+ = Check\(", text, flags=re.MULTILINE)}
    made = re.findall(r"^[A-Z_]+ = Check\(\n    name=\"([a-z-]+)\"", SOURCE, flags=re.MULTILINE)
    assert sorted(made) == sorted(check.name for check in CHECKS)
    assert len(own) > 30


def test_every_code_that_is_written_stands_with_its_check() -> None:
    written = set(re.findall(r'code="([a-z0-9-]+)"', SOURCE))
    assert written <= CODES, written - CODES


def test_every_code_of_a_check_is_written_somewhere() -> None:
    for code in CODES:
        stem = code.removeprefix("file-") if code.startswith("file-") else code.rsplit("-", 1)[0]
        assert SOURCE.count(code) > 1 or stem in SOURCE, code


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_a_check_says_what_it_does(check: Check) -> None:
    for text in (check.question, check.looks_at, check.how, check.example):
        assert text.strip() and "{" not in text and "  " not in text
    assert check.codes
    for threshold in check.thresholds.values():
        assert threshold.basis and threshold.unit and threshold.why.endswith(".")


def test_every_threshold_is_used() -> None:
    for check in CHECKS:
        for name in check.thresholds:
            assert re.search(rf"\b{name.upper()}\b(?! = Threshold)", SOURCE), (check.name, name)


def test_refusals_name_known_quantities_and_codes() -> None:
    for check in CHECKS:
        assert set(check.refuses) <= set(check.codes)
        for refusals in check.refuses.values():
            for refusal in refusals:
                assert refusal.why.endswith(".")
                assert refusal.quantities == ITSELF or set(refusal.quantities) <= set(QUANTITIES)
                assert refusal.only_if in ("", *QUANTITIES)


def refused(check: Check, code: str, quantity: str, *phases: str) -> set[tuple[str, str | None]]:
    outcome = Outcome(check, Verdict.REFUSED, quantity=quantity, code=code, subjects=(Subject(quantity, phases),))
    return {(name, phase) for one in doubts(outcome) for name in one.quantities for phase in (one.phases or (None,))}


def test_a_reversed_clamp_leaves_voltage_current_and_distortion_alone() -> None:
    found = refused(wiring.CHECK, "reversed-current", "current", "b")
    assert ("active_power", "b") in found and ("active_power", "total") in found
    assert not {name for name, _ in found} & {"voltage", "current", "current_harmonic", "current_thd", "current_tdd"}
    assert ("active_power", "a") not in found


def test_a_lost_lead_refuses_its_phase_and_the_unbalance() -> None:
    found = refused(lost_lead.CHECK, "lost-lead", "voltage", "cn", "bc")
    assert {("voltage", "cn"), ("voltage", "bc"), ("negative_sequence_unbalance", None), ("active_power", "c")} <= found
    assert ("voltage", "an") not in found and ("active_power", "b") not in found and ("current", "c") not in found


def test_a_ceiling_allows_fails() -> None:
    outcome = Outcome(clipped.CHECK, Verdict.REFUSED, quantity="current", code="clipped",
                      subjects=(Subject("current", ("a",)),))
    assert {one.allows for one in doubts(outcome)} == {"lower bound"}
    assert ("voltage_harmonic", "an") not in refused(clipped.CHECK, "clipped", "current", "a")
