"""New loads beside power that flows out, or seems to: reversed and exchanged clamps, feed-in, what rests at times."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck.cli import main
from pqcheck.loads.answer import answer_of
from pqcheck.loads.study import LoadStudy
from pqcheck.model.verdict import Verdict
from pqcheck.reports.load_terminal import as_text
from pqcheck.workflows.study_load import load_study
from tests.recordings import recording
from tests.test_load_capacity import WYE, moving, prediction, study

LOAD = {"name": "press", "current": "150 A", "power_factor": 0.95}
IMPEDANCE = {"resistance": "0.01 ohm", "reactance": "0.02 ohm"}


def plant(angles: tuple[float, float, float], amperes: tuple[float, float, float] = (200, 200, 200)) -> dict[str, Any]:
    """A week of currents with these lags in degrees; 180 more is a clamp that was turned round."""
    table: dict[str, Any] = {}
    for seed, (phase, angle, size) in enumerate(zip("abc", angles, amperes, strict=True)):
        current, volts = moving(size, 20, seed), 230 + moving(0, 0, seed + 7) / 5
        table |= {f"voltage.{phase}n [V]": volts, f"current.{phase} [A]": current}
        table[f"active_power.{phase} [W]"] = volts * current * math.cos(math.radians(angle))
        table[f"reactive_power.{phase} [var]"] = volts * current * math.sin(math.radians(angle))
    return table


@pytest.mark.parametrize("angles", [(18, 18, 18), (198, 198, 198), (198, 18, 18), (18, -42, 78)])
def test_a_turned_clamp_takes_nothing_off_a_new_load(angles: tuple[float, float, float]) -> None:
    """220 A and 150 A are 370 A on a 300 A service, whichever way the clamps were put on."""
    found = study(plant(angles), source_impedance=IMPEDANCE, ratings={"service": "300 A"}, new_load=[LOAD])
    answer = answer_of(found)
    assert answer is not None and answer.verdict is (Verdict.INCONCLUSIVE if min(angles) > 90 else Verdict.FAIL)
    for entry in found.capacity:
        bound = prediction(found, "service", f"current.{entry.phase}+new-load-arithmetic").statistic
        assert entry.spare < -65 and bound is not None and bound.value is not None and bound.value > 365


def test_the_answer_names_the_clamps() -> None:
    found = study(plant((198, 198, 198)), ratings={"service": "300 A"}, new_load=[LOAD])
    text = " ".join(as_text(found, quiet=True).split())
    assert "Not known: A clamp is reversed" in text and "against 300 A" in text


def test_exchanged_clamps_leave_the_rating_of_a_phase_open() -> None:
    """b really carries 290 A and c 100 A; the clamps are exchanged, and the new load stands on b."""
    table = plant((18, 138, -102), (100, 100, 290))
    load = {**LOAD, "current": "60 A", "phases": ["b"]}
    found = study(table, ratings={"service": "330 A"}, new_load=[load])
    assert answer_of(found).verdict is Verdict.INCONCLUSIVE  # type: ignore[union-attr]
    balanced = study(table, ratings={"service": "400 A"}, new_load=[{**LOAD, "current": "60 A"}])
    assert prediction(balanced, "service", "current.a+new-load").verdict is Verdict.PASS


def test_power_that_flows_out_by_its_totals_takes_nothing_off() -> None:
    """138 kVA seem to flow out and 50 kVA are new: 188 kVA if the sign is wrong, 138 kVA while the new load rests."""
    flow = moving(-131, 5)
    table = {"active_power.total [kW]": flow, "reactive_power.total [kvar]": flow / 3}
    new = {"name": "press", "apparent_power": "50 kVA", "power_factor": 0.95}
    for rating, verdict in (("120 kVA", Verdict.FAIL), ("160 kVA", Verdict.INCONCLUSIVE), ("200 kVA", Verdict.PASS)):
        found = study(table, ratings={"transformer": rating}, new_load=[new])
        assert prediction(found, "transformer", "apparent_power.total+new-load").verdict is verdict


def test_declared_generation_explains_export() -> None:
    flow = moving(-131, 5)
    table = {"active_power.total [kW]": flow, "reactive_power.total [kvar]": flow / 3}
    new = {"name": "press", "apparent_power": "50 kVA", "power_factor": 0.95}
    declared = {"ratings": {"transformer": "160 kVA"}, "new_load": [new],
                "generation": {"inverter_share_of_average_demand": "200 %"}}  # fmt: skip
    found = study(table, **declared)
    bound = prediction(found, "transformer", "apparent_power.total+new-load-arithmetic").statistic
    assert bound is not None and bound.value is not None and bound.value < 145_000


@pytest.mark.parametrize("export", [1.0, 1.45])
def test_generation_that_hides_load_shows_no_spare_capacity(export: float) -> None:
    """A roof feeds 90 A of 120 A at noon: on a dull day 120 A and 60 A flow, and the record shows 70 A and 60 A."""
    hours = np.arange(1008) % 144 / 6
    sun = np.clip(np.sin((hours - 6) / 12 * math.pi), 0, None)
    table: dict[str, Any] = {}
    for seed, phase in enumerate("abc"):
        net = 60 + 60 * sun - 90 * export * sun + np.random.default_rng(seed).normal(0, 0.3, 1008)
        table |= {f"voltage.{phase}n [V]": 230 - net / 100, f"current.{phase} [A]": np.abs(net)}
        table |= {f"active_power.{phase} [kW]": 0.23 * net, f"reactive_power.{phase} [kvar]": 0.001 * net}
    declared: dict[str, Any] = {
        "ratings": {"service": "150 A"}, "new_load": [{**LOAD, "current": "60 A"}],
        "generation": {"inverter_share_of_average_demand": "40 %"},
    }  # fmt: skip
    open_ = study(table, **declared)
    service = prediction(open_, "service", "current.a+new-load")
    assert service.verdict is Verdict.INCONCLUSIVE
    assert service.reason is not None and "generation on site" in service.reason.text
    # Signed for: the record is of the load alone.
    alone = {"demand_interval": "10 min", "renewable_source": False}
    shown = study(table, **declared, load_study=alone)
    assert prediction(shown, "service", "current.a+new-load").verdict is Verdict.PASS


def feeding(size: float, **more: Any) -> LoadStudy:
    solar = {"name": "roof", "active_power": f"-{size} kW", "power_factor": 1.0}
    return study(plant((18, 18, 18)), source_impedance=IMPEDANCE, ratings={"service": "400 A"},
                 new_load=[solar, *more.values()], limits={"apply": ["en50160-2010-lv"], "quantities": ["voltage"]})


@pytest.mark.parametrize("size", [250, 350, 380])
def test_one_size_of_feed_in_may_go_in(size: float) -> None:
    """All of it flows out while nothing else runs: sqrt(3) x 400 V x 400 A are 277 kVA."""
    found = feeding(size)
    answer, most = answer_of(found), math.sqrt(3) * 400 * 400 / 1000
    assert answer is not None and answer.verdict is (Verdict.PASS if size < most else Verdict.INCONCLUSIVE)
    (room,) = [room for room in found.rooms if room.key == "ratings/service"]
    assert room.apparent_va == pytest.approx(1000 * most, rel=0.01)
    sizes = [words for words in answer.conditions if "kVA" in words]
    assert len(sizes) == (size > most) and all("276" in words or "277" in words for words in sizes)


def test_what_has_to_be_less_is_the_feed_in_and_not_the_load() -> None:
    found = feeding(350, heater={"name": "heater", "current": "20 A", "power_factor": 1.0})
    answer = answer_of(found)
    assert answer is not None and any("a feed-in of at most 277.1 kVA" in words for words in answer.conditions)


def test_an_upper_bound_alone_takes_up_no_limit() -> None:
    """Hourly means of 310 A may hold a quarter of an hour of 620 A: that is no load that has to go."""
    table = {f"current.{phase} [A]": moving(310, 5, seed, 168) for seed, phase in enumerate("abc")}
    declared = {"supply": WYE, "time_zone": "UTC", "load_study": {"demand_interval": "15 min"},
                "ratings": {"service": "500 A"}, "new_load": [{**LOAD, "current": "20 A"}]}  # fmt: skip
    answer = answer_of(load_study(recording(table, interval_s=3600), declared))
    assert answer is not None
    text = " ".join(answer.conditions)
    assert "a record whose interval divides the demand interval" in text and "less of what is there" not in text


def test_what_is_open_by_its_bound_is_printed_with_it() -> None:
    """Order 5: 27 A by the exponent, 33 A in phase, 28 A allowed."""
    from tests.test_load_capacity import PCC, spectral

    drive = {"name": "drive", "current": f"{90 * math.sqrt(1.04)} A", "power_factor": 1.0, "harmonics": {"5": 20}}
    answer = answer_of(study(spectral(15), tables=["ieee519-2014"], pcc=PCC, new_load=[drive]))
    assert answer is not None
    assert any("at worst 33" in words and "against 28 A" in words for words in answer.unknown)


def test_a_quiet_check_names_a_current_that_its_rating_never_saw(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = ["time,voltage.an [V],current.a [A]"]
    rows += [f"2031-03-{3 + at // 144:02}T{at // 6 % 24:02}:{at % 6}0Z,23{at % 3}.{at % 7},-205.{at % 9}"
             for at in range(1008)]  # fmt: skip
    (tmp_path / "week.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "site.toml").write_text(
        'name = "Shed"\ntime_zone = "UTC"\n[supply]\nnominal_voltage = "230 V"\nconnection = "single-phase"\n'
        'frequency = "50 Hz"\n[ratings]\nservice = "100 A"\n[limits]\napply = ["en50160-2010-lv"]\n'
        'quantities = ["voltage"]\n', encoding="utf-8",
    )  # fmt: skip
    assert main(["check", str(tmp_path / "week.csv"), "--site", str(tmp_path / "site.toml"), "--quiet"]) == 0
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("Not read: current.a holds no value") and "[ratings] service" in first
