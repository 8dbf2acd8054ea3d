"""Alternatives in one run, what would have to be true, and the library spectra they are made of."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from pqcheck.loads.declared import new_loads
from pqcheck.loads.spectra import ideal
from pqcheck.loads.study import LoadStudy
from pqcheck.model.errors import SiteError
from pqcheck.reports.load_document import as_document
from pqcheck.reports.load_page import load_page
from pqcheck.reports.load_terminal import as_text
from pqcheck.site.load_site import site_from
from tests.test_load_capacity import PCC, WYE, spectral, study, week

DRIVE = {"name": "drive", "apparent_power": "70 kVA", "power_factor": 0.97, "spectrum": "six-pulse-capacitor-1-percent"}


def alternatives(*variants: dict[str, Any], **sections: Any) -> LoadStudy:
    return study(
        spectral(4), tables=["ieee519-2014"], pcc=PCC, new_load=[DRIVE], variant=list(variants), **sections
    )


def bridge(reactance: float, volts: float, steps: int, cycles: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Line current of phase a of a diode bridge on a stiff direct voltage behind reactances, the last of the cycles.

    Peak of the phase voltage 1, angular frequency 1; a leg conducts until its current turns, and takes over where its
    voltage lies outside those of the others. Solved in small steps of time.
    """
    current, leg, kept = [0.0] * 3, [0] * 3, []
    step = 2 * math.pi / steps
    for number in range(steps * cycles):
        source = [math.cos(number * step - 2 * math.pi / 3 * k) for k in range(3)]
        on = [k for k in range(3) if leg[k]]
        if len(on) == 3:
            star = (sum(source) - volts / 2 * sum(leg)) / 3
            for k in range(3):
                current[k] += step * (source[k] - volts / 2 * leg[k] - star) / reactance
        elif len(on) == 2:
            first, other = on
            third = 3 - first - other
            change = step * (source[first] - source[other] - volts / 2 * (leg[first] - leg[other])) / (2 * reactance)
            current[first] += change
            current[other] -= change
            floating = source[third] - (source[first] + source[other]) / 2
            leg[third] = 1 if floating > volts / 2 else -1 if floating < -volts / 2 else 0
        else:
            high, low = max(range(3), key=source.__getitem__), min(range(3), key=source.__getitem__)
            if source[high] - source[low] > volts:
                leg[high], leg[low] = 1, -1
        for k in range(3):
            if current[k] * leg[k] < 0:
                current[k], leg[k] = 0.0, 0
        on = [k for k in range(3) if leg[k]]
        if len(on) == 1:
            current, leg = [0.0] * 3, [0] * 3
        if len(on) == 2:
            mean = (current[on[0]] - current[on[1]]) / 2
            current[on[0]], current[on[1]], current[3 - on[0] - on[1]] = mean, -mean, 0.0
        if number >= steps * (cycles - 1):
            kept.append(current[0])
    return np.array(kept)


@pytest.mark.parametrize("percent", [1, 3, 5])
def test_the_spectra_of_bridges_with_a_capacitor_are_those_solved_in_time(percent: int) -> None:
    low, high = 1.0, math.sqrt(3)
    for _ in range(12):
        volts = (low + high) / 2
        wave = bridge(percent / 100, volts, 1000, 5)
        # Full load: fundamental current 1 at a base impedance of 1.
        low, high = (volts, high) if 2 * abs(np.fft.rfft(wave)[1]) / len(wave) > 1 else (low, volts)
    lines = np.abs(np.fft.rfft(bridge(percent / 100, volts, 4000, 6)))
    listed = ideal(f"six-pulse-capacitor-{percent}-percent", "x").percent
    for order, value in listed.items():
        assert 100 * lines[order] / lines[1] == pytest.approx(value, rel=0.06, abs=0.15), order


def test_alternatives_stand_side_by_side() -> None:
    found = alternatives(
        {"name": "5 % reactor", "spectrum": "six-pulse-capacitor-5-percent"},
        {"name": "filtered", "active_filter": "95 %"},
        {"name": "limited", "managed_at_most": "3 kW", "loads": ["drive"]},
        ratings={"service": "400 A"},
    )
    rows = {row.name: row for row in found.variants}
    assert list(rows) == ["as declared", "5 % reactor", "filtered", "limited"]
    assert rows["as declared"].verdict == "fail"
    assert rows["as declared"].failing > rows["5 % reactor"].failing > rows["filtered"].failing == 0
    assert rows["limited"].failing == 0
    margins = [rows[name].margin_percent or 0.0 for name in ("as declared", "5 % reactor", "filtered")]
    assert margins == sorted(margins)
    text, page, document = as_text(found), load_page(found), as_document(found)
    assert "5 % reactor: MAY NOT GO IN" in " ".join(text.split())
    assert "Alternatives" in page and len(document["variants"]) == 4


def test_what_would_have_to_be_true_is_true() -> None:
    # 4 A there, 7 % of 400 A = 28 A allowed, 24 A left for a drive with 98.6 A of fundamental at worst.
    found = alternatives()
    assert found.variants == ()
    sentence = next(line for line in as_document(found)["answer"]["conditions"] if "takes order 5" in line)
    percent = float(sentence.split(" at most ")[1].split(" %")[0])
    plain = {key: value for key, value in DRIVE.items() if key != "spectrum"}
    below, above = (
        study(spectral(4), tables=["ieee519-2014"], pcc=PCC, new_load=[{**plain, "harmonics": {"5": percent * by}}])
        for by in (0.75, 1.3)
    )
    fifth = [
        {
            each.verdict.value for each in one.findings.findings
            if each.kind == "prediction" and each.order == 5 and "week" in each.rule
        }
        for one in (below, above)
    ]  # fmt: skip
    assert fifth[0] == {"pass", "not_applicable"} and fifth[1] != fifth[0]


def test_demand_factor_and_management_lower_the_load_everywhere() -> None:
    site = site_from({"supply": WYE, "new_load": [
        {"name": "bays", "count": 10, "active_power": "11 kW", "power_factor": 1.0, "demand_factor": "50 %"},
        {"name": "managed", "count": 10, "active_power": "11 kW", "power_factor": 1.0, "managed_at_most": "40 kW"},
    ]})  # fmt: skip
    bays, managed = new_loads(site)
    assert (bays.rms_va, bays.diversity) == (pytest.approx(55e3), 0.5)
    assert (managed.rms_va, managed.diversity, managed.managed) == (pytest.approx(40e3), 1.0, "40 kW")
    found = study(
        week(), ratings={"service": "200 A"},
        new_load=[{"name": "bays", "count": 10, "active_power": "11 kW", "power_factor": 1.0, "demand_factor": "50 %"}],
    )  # fmt: skip
    one = next(entry for entry in found.capacity if entry.phase == "a")
    # Half of it by the factor; with everything at once all of it: 110 kW are 159 A.
    assert one.then is not None and one.then_bounds is not None
    assert one.then == pytest.approx(one.now + 55e3 / (3 * 230), rel=0.01)
    assert one.then_bounds[1] == pytest.approx(one.now + 110e3 / (3 * 230), rel=0.01)


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ({"name": "x"}, "changes nothing"),
        ({"name": "x", "spectrum": "linear", "harmonics": {"5": 20}}, "one spectrum is enough"),
        ({"name": "x", "detuning": "7 %"}, "a detuning and no capacitor"),
        ({"name": "x", "managed_at_most": "40 V"}, "is no limit of a load"),
        ({"name": "x", "demand_factor": "0 %"}, "leaves nothing of the load"),
        ({"name": "x", "demand_factor": "150 %"}, "demand_factor"),
    ],
)
def test_a_variant_that_cannot_be(variant: dict[str, Any], words: str) -> None:
    with pytest.raises(SiteError, match=words):
        site_from({"supply": WYE, "new_load": [DRIVE], "variant": [variant]})


def test_a_variant_of_a_load_that_is_not_there() -> None:
    with pytest.raises(SiteError, match="changes 'driv', which is no"):
        alternatives({"name": "x", "loads": ["driv"], "spectrum": "linear"})
