"""Clamps beside other trouble, on services without neutral and behind feed-in; recordings of the network simulator."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck.model.verdict import Verdict
from pqcheck.vet.checks.wiring.voltage_answers import to_the_centre
from pqcheck.vet.into_findings import PARTS_OFF
from pqcheck.vet.vetting_result import Examined
from tests.simulator.confusion import examined, restores
from tests.simulator.hookup_faults import FAULTS, hooked
from tests.simulator.places import Place, draw

HELD = (Verdict.REFUSED, Verdict.INCONCLUSIVE)


def codes(result: Examined) -> set[str]:
    return {finding.reason.code for finding in result.findings.findings
            if finding.reason is not None and finding.verdict in HELD}


def made(service: str, scene: str, seed: int) -> tuple[Place, np.random.Generator]:
    rng = np.random.default_rng((17, seed))
    return draw(rng, service, scene), rng


@pytest.mark.parametrize("fault", ["a clamp dead from the start", "a clamp falls off", "a lead comes off",
                                   "powers of one phase scaled"])
@pytest.mark.parametrize("service", ["wye 400", "wye 480"])
def test_nothing_is_proposed_beside_a_part_that_is_off(service: str, fault: str) -> None:
    """And what is proposed at all brings the powers back."""
    for seed in range(6):
        place, rng = made(service, ("office", "motors", "feed-in on one phase")[seed % 3], seed)
        table = FAULTS[fault].make(place, rng)
        result = examined(table, place, place.supply, [])
        assert not (codes(result) & PARTS_OFF and result.proposals)
        assert not result.proposals or restores(result, table, place.table(), place)


def test_the_centre_of_a_triangle() -> None:
    """Conductors anywhere: the distances to their centre of gravity, from complex numbers."""
    corners = np.array([230 + 3j, -110 - 190j, -120 + 210j])
    lines = np.abs(corners - np.roll(corners, -1))[:, None]
    assert to_the_centre(lines)[:, 0] == pytest.approx(np.abs(corners - corners.mean()))


@pytest.mark.parametrize("scene", ["leading 0.9", "power factor 0.5 to 0.7"])
def test_voltages_between_lines_settle_what_angles_leave_open(scene: str) -> None:
    """Three clamps on three wires: unusual loads are no question in most cases, rotated clamps never sound."""
    asked = 0
    for seed in range(12):
        place, _ = made("delta, three clamps", scene, seed)
        sound = examined(place.table(), place, place.supply, [])
        asked += bool(sound.open_)
        assert not sound.refused
        rotated = examined(hooked(clamps=(1, 2, 0))(place, np.random.default_rng(seed)), place, place.supply, [])
        assert int(rotated.exit_status)
    assert asked <= 3


@pytest.mark.parametrize("service", ["wye 480", "delta, three clamps"])
def test_a_whole_set_turned_behind_feed_in_is_asked(service: str) -> None:
    """Export that reads as import by rotated clamps: the voltages rise where they should fall."""
    sound, seen = 0, 0
    for seed in range(16):
        place, rng = made(service, "feed-in", seed)
        result = examined(hooked(clamps=(2, 0, 1))(place, rng), place, place.supply, [])
        sound += not int(result.exit_status)
        seen += bool(examined(place.table(), place, place.supply, []).refused)
    assert sound <= 1 and seen == 0


def test_a_wiring_just_beyond_the_angles_of_loads_is_named_too() -> None:
    """All clamps against the arrow at a power factor of 0.5 look like a rotated set near unity: nothing is proposed."""
    for seed in range(16):
        place, rng = made("delta, three clamps", "power factor 0.5 to 0.7", seed)
        table = hooked(arrows=(-1, -1, -1))(place, rng)
        result = examined(table, place, place.supply, [])
        assert not result.proposals or restores(result, table, place.table(), place)
