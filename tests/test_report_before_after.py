"""Before and after: the same criteria side by side, loads compared, limits that differ said aloud."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pqcheck import check
from pqcheck.model.findings import Findings
from pqcheck.observe.comparable import loads_comparable
from pqcheck.observe.gather import Gathered, gather
from pqcheck.workflows.compare_findings import compare
from pqcheck.workflows.prediction_and_record import predicted_and_recorded
from pqcheck.workflows.study_load import load_study
from tests.recordings import recording
from tests.report_material import mended, run, with_orders, write_job
from tests.test_load_capacity import PCC, WYE, spectral


@pytest.fixture
def sides(tmp_path: Path) -> tuple[Path, Path, Path]:
    """A recording with evening dips, one without, and the site."""
    before, site = write_job(tmp_path)
    later = tmp_path / "later"
    later.mkdir()
    after, _ = write_job(later, with_orders(mended()))
    return before, after, site


def test_two_recordings(sides: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before, after, site = sides
    out = (tmp_path / "c.html", tmp_path / "c.md")
    # The 11th order still fails after the work, so the exit status is that of a fail.
    assert run("compare", before, after, "--site", site, "--out", *out) == 1
    said = capsys.readouterr().out
    assert "The loads were alike." in said
    row = next(line for line in said.splitlines() if "voltage-week-95" in line)
    assert row.split()[0] == "better" and "FAIL" in row and "PASS" in row and "voltage.cn" in row
    page = out[0].read_text(encoding="utf-8")
    assert "fig-both-cn" in page and "Were the loads comparable?" in page
    assert "| better |" in out[1].read_text(encoding="utf-8")


def test_two_findings_files_cannot_tell_about_loads(
    sides: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, after, site = sides
    files = []
    for name, one in (("b.json", before), ("a.json", after)):
        files.append(tmp_path / name)
        run("check", one, "--site", site, "--json", files[-1], "--quiet")
    capsys.readouterr()
    assert run("compare", *files, "--quiet") == 1
    assert capsys.readouterr().out.count("\n") == 1
    run("compare", *files)
    assert "cannot be compared" in capsys.readouterr().out
    document = json.loads(files[1].read_text(encoding="utf-8"))
    document["limit_tables"][0]["sha256"] = "0" * 64
    files[1].write_text(json.dumps(document), encoding="utf-8")
    run("compare", *files)
    assert "The limits are not the same" in capsys.readouterr().out


def test_a_recording_without_its_site_is_refused(
    sides: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("compare", sides[0], sides[1], "--out", tmp_path / "c.html") == 2
    assert "--site" in capsys.readouterr().err
    assert run("compare", sides[0], sides[1], "--site", sides[2], "--out", tmp_path / "c.csv") == 2
    assert "ending" in capsys.readouterr().err
    assert list(tmp_path.glob("c.*")) == []


def loads(scale: float, days: int = 7, start: str = "2031-03-03T00:00:00+00:00") -> Gathered:
    random = np.random.RandomState(1)
    columns: dict[str, Any] = {f"current.{p} [A]": scale * (40 + 5 * random.rand(144 * days)) for p in "abc"}
    return gather(recording(columns, start=start))


def test_loads_are_alike_within_a_fifth() -> None:
    assert loads_comparable(loads(1), loads(1.15)).alike is True
    assert loads_comparable(loads(1), loads(1.3)).alike is False
    assert loads_comparable(loads(1), None).alike is None


def test_days_and_seasons_are_named() -> None:
    reasons = " ".join(loads_comparable(loads(1), loads(1, 4, "2031-09-01T00:00:00+00:00")).reasons)
    assert "differ in length" in reasons and "holds a weekend" in reasons and "seasons" in reasons


def voltage(volts: float, count: int = 1008) -> Findings:
    """A week of a single-phase voltage that hardly moves."""
    columns = {
        "time": np.datetime64("2031-03-03") + np.arange(count) * np.timedelta64(10, "m"),
        "voltage.an [V]": volts + np.arange(count) % 7 / 1000,
    }
    supply = {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz", "measured_at": "service"}
    return check(columns, {"time_zone": "UTC", "supply": supply}, ["en50160-2010-lv"], quantities=["voltage"])


def test_more_margin_at_the_other_limit_is_better() -> None:
    # 2.9 V above 207 V is 1.40 % of that limit, 3.1 V below 253 V is 1.23 % of this one: more volts, and better.
    moved = compare(voltage(209.9), voltage(249.9))
    change = next(change for change in moved.changes if change.shown.rule == "voltage-week-95")
    assert change.state == "better" and change.loss is not None and change.loss < 0
    back = compare(voltage(249.9), voltage(209.9))
    assert next(change for change in back.changes if change.shown.rule == "voltage-week-95").state == "worse"


def test_a_danger_sign_is_first_and_one_that_is_gone_was_not_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    danger, safe = tmp_path / "danger.json", tmp_path / "safe.json"
    danger.write_text(voltage(190.0).to_json(), encoding="utf-8")
    safe.write_text(voltage(231.0).to_json(), encoding="utf-8")
    run("compare", safe, danger, "--out", tmp_path / "c.md")
    said = capsys.readouterr().out
    assert said.startswith("DANGER SIGN:") and "danger sign, only after" in said
    assert "DANGER SIGN:" in (tmp_path / "c.md").read_text(encoding="utf-8").splitlines()[2]
    run("compare", safe, danger, "--quiet")
    assert capsys.readouterr().out.startswith("DANGER SIGN:")
    run("compare", danger, safe)
    said = capsys.readouterr().out
    assert "danger sign, not seen after" in said and "does not mean that the installation is safe" in said
    assert "1 no longer asked" not in said


@pytest.mark.parametrize(("fifth", "beyond"), [(21.0, 0), (23.9, 0), (26.0, 3)])
def test_a_prediction_stands_beside_the_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], fifth: float, beyond: int
) -> None:
    # 4 A of order 5 there, 20 A declared: 24 A in phase at most.
    drive = {"name": "drive", "current": f"{100 * 1.04**0.5} A", "power_factor": 1.0, "harmonics": {"5": 20}}
    site = {"time_zone": "UTC", "supply": WYE, "pcc": PCC}
    study = load_study(recording(spectral(4)), {**site, "new_load": [drive]}, ["ieee519-2014"])
    real = check(recording(spectral(fifth)), site, ["ieee519-2014"])
    before, after, page, text = (tmp_path / name for name in ("before.json", "after.json", "c.html", "c.md"))
    before.write_text(study.findings.to_json(), encoding="utf-8")
    after.write_text(real.to_json(), encoding="utf-8")
    run("compare", before, after, "--out", page, text)
    said = capsys.readouterr().out
    assert "Predicted by a load study and now recorded" in said
    rows = predicted_and_recorded(study.findings, real)
    weekly = [row for row in rows if row.criterion.endswith("week-95") and row.channel.endswith("h5")]
    assert len(weekly) == 3 and sum(row.beyond_bound for row in weekly) == beyond
    for row in weekly:
        assert row.recorded == pytest.approx(fifth, abs=0.1) and row.bound == pytest.approx(24.1, abs=0.2)
    assert "Predicted and recorded" in page.read_text(encoding="utf-8")
    assert "## Predicted and recorded" in text.read_text(encoding="utf-8")
