"""The catalogue, the thresholds and the dependencies of the checks belong together."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pqcheck.findings import Verdict
from pqcheck.quantities import QUANTITIES
from pqcheck.vetting import catalogue, dependencies, thresholds
from pqcheck.vetting.dependencies import doubts
from pqcheck.vetting.outcome import Outcome, Subject

ROOM = Path(catalogue.__file__).parent
SOURCE = "\n".join(path.read_text(encoding="utf-8") for path in sorted(ROOM.glob("*.py")))
CHECKS = catalogue.catalogue()["checks"]
COMMON = catalogue.catalogue()["common_codes"]
CODES = {code for entry in CHECKS.values() for code in entry["codes"]} | set(COMMON)


def test_every_code_that_is_written_stands_in_the_catalogue() -> None:
    written = set(re.findall(r'code="([a-z0-9-]+)"', SOURCE)) | {"stuck", "copied", "interpolated"}
    assert written <= CODES, written - CODES


def test_every_code_of_the_catalogue_is_written_somewhere() -> None:
    for code in CODES:
        stem = code.removeprefix("file-") if code.startswith("file-") else code.rsplit("-", 1)[0]
        assert code in SOURCE or stem in SOURCE, code


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_the_rule_names_are_those_of_the_catalogue(check: str) -> None:
    entry = CHECKS[check]
    assert all(entry[key].strip() and "{" not in entry[key] and "  " not in entry[key]
               for key in ("title", "looks_at", "how", "example"))
    assert entry["codes"]


def test_thresholds_say_whose_practice_they_are() -> None:
    for check, own in thresholds.table().items():
        assert check in CHECKS
        for name, row in own.items():
            assert set(row) == {"value", "unit", "basis", "why"}, (check, name)
            assert row["basis"] and row["why"].endswith(".")


def test_every_threshold_is_used_and_every_one_used_is_there() -> None:
    read = set(re.findall(r'threshold\(\s*"([a-z-]+)", "([a-z_]+)"', SOURCE))
    read |= {("polarity", name) for name in re.findall(r'threshold\(CHECK, "([a-z_]+)"', SOURCE)}
    read |= {("neutral-loose", name) for name in re.findall(r'threshold\(check, "([a-z_]+)"', SOURCE)}
    for check, own in thresholds.table().items():
        for name in own:
            assert (check, name) in read or f'"{name}"' in SOURCE, (check, name)


def test_dependencies_name_known_quantities_and_codes() -> None:
    for code, entry in dependencies.table().items():
        assert code in CODES
        assert entry["allows"] in ("nothing", "lower bound")
        for row in entry["refuses"]:
            assert row["why"].endswith(".")
            assert row["quantities"] == ["*"] or set(row["quantities"]) <= set(QUANTITIES)


def refused(code: str, quantity: str, *phases: str) -> set[tuple[str, str | None]]:
    outcome = Outcome("polarity", Verdict.REFUSED, quantity=quantity, code=code, subjects=(Subject(quantity, phases),))
    return {(name, phase) for one in doubts(outcome) for name in one.quantities for phase in (one.phases or (None,))}


def test_a_reversed_clamp_leaves_voltage_current_and_distortion_alone() -> None:
    found = refused("reversed-current", "current", "b")
    assert ("active_power", "b") in found and ("active_power", "total") in found
    assert not {name for name, _ in found} & {"voltage", "current", "current_harmonic", "current_thd", "current_tdd"}
    assert ("active_power", "a") not in found


def test_a_lost_lead_refuses_its_phase_and_the_unbalance() -> None:
    found = refused("lost-lead", "voltage", "cn", "bc")
    assert {("voltage", "cn"), ("voltage", "bc"), ("negative_sequence_unbalance", None), ("active_power", "c")} <= found
    assert ("voltage", "an") not in found and ("active_power", "b") not in found and ("current", "c") not in found


def test_a_ceiling_allows_fails() -> None:
    outcome = Outcome("clipping", Verdict.REFUSED, quantity="current", code="clipped",
                      subjects=(Subject("current", ("a",)),))
    assert {one.allows for one in doubts(outcome)} == {"lower bound"}
    assert ("voltage_harmonic", "an") not in refused("clipped", "current", "a")
