"""``pqcheck vet`` on files: exit codes, danger first, proposals to sign, the state half-way."""

from __future__ import annotations

import json
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.cli import main
from tests.test_vetting_cases import see_saw, three_phase

SITE = """\
name = "Test bench"
time_zone = "UTC"
[supply]
nominal_voltage = "{nominal}"
connection = "{connection}"
measured_at = "service"
"""


def files(folder: Path, table: dict[str, NDArray[np.float64]], nominal: str = "400 V", connection: str = "wye",
          more: str = "") -> list[str]:
    """A CSV file and a site file; the arguments that name them."""
    start = datetime.fromisoformat("2031-03-03T00:00:00")
    size = len(next(iter(table.values())))
    rows = ["time," + ",".join(table)]
    for number in range(size):
        stamp = (start + timedelta(minutes=10 * number)).isoformat()
        cells = ("" if np.isnan(column[number]) else f"{column[number]:g}" for column in table.values())
        rows.append(f"{stamp}," + ",".join(cells))
    (folder / "week.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "site.toml").write_text(SITE.format(nominal=nominal, connection=connection) + more, encoding="utf-8")
    return [str(folder / "week.csv"), "--site", str(folder / "site.toml")]


def reversed_b() -> dict[str, NDArray[np.float64]]:
    table = three_phase(7, 230.94)
    for name in ("active_power.b [W]", "reactive_power.b [var]"):
        table[name] = -table[name]
    return table


def test_a_sound_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["vet", *files(tmp_path, three_phase(1, 230.94))]) == 0
    out = capsys.readouterr().out
    assert out.startswith("SOUND") and "safe" not in out.lower()


def test_a_danger_sign_comes_first_also_when_quiet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = files(tmp_path, see_saw(), "120/240 V", "split-phase")
    for more in ([], ["--quiet"]):
        assert main(["vet", *arguments, *more]) == 1
        assert capsys.readouterr().out.startswith("DANGER SIGN")


def test_a_refused_recording_and_its_proposal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = files(tmp_path, reversed_b())
    proposal, findings = tmp_path / "proposed.toml", tmp_path / "vet.json"
    assert main(["vet", *arguments, "--propose", str(proposal), "--json", str(findings)]) == 3
    assert "clamp b reversed" in capsys.readouterr().out
    text = proposal.read_text(encoding="utf-8")
    assert tomllib.loads(text) == {}, "nothing is in force until a person uncomments it"
    lines = [line.removeprefix("# ") for line in text.splitlines() if not line.startswith("# why")]
    begin = next(number for number, line in enumerate(lines) if line.startswith("[[corrections]]"))
    entry = tomllib.loads("\n".join(lines[begin:]))["corrections"]
    assert entry == [{"kind": "reverse-current", "phase": "b", "reason": "", "author": ""}]
    document = json.loads(findings.read_text(encoding="utf-8"))
    assert document["format"] == "pqcheck-findings/1"
    assert {one["kind"] for one in document["findings"]} == {"recording"}


def test_signed_the_proposal_is_applied_and_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = '[[corrections]]\nkind = "reverse-current"\nphase = "b"\nreason = "photo 7"\nauthor = "site engineer"\n'
    assert main(["vet", *files(tmp_path, reversed_b(), more=more)]) == 0
    out = capsys.readouterr().out
    assert "Corrections applied" in out and "photo 7; site engineer" in out


def test_unsigned_it_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = '[[corrections]]\nkind = "reverse-current"\nphase = "b"\nauthor = "site engineer"\n'
    assert main(["vet", *files(tmp_path, reversed_b(), more=more)]) == 2
    assert "reason" in capsys.readouterr().err


def test_half_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Five of seven days, 40 of 1008 intervals outside +-10 %: 50 may be."""
    table = {name: column[:720] for name, column in three_phase(9, 230.94).items() if name.startswith("voltage")}
    table["voltage.bn [V]"][100:140] = 254 + np.round(np.random.default_rng(1).random(40), 2)
    arguments = files(tmp_path, table)
    main(["vet", *arguments, "--so-far", "--limits", "en50160-2010-lv"])
    out = capsys.readouterr().out
    assert "5 full days" in out
    assert "first full week is complete at 2031-03-10 00:00" in out
    row = next(line for line in out.splitlines() if "voltage-week-95" in line)
    assert "40 of 50" in row and "10 more" in row and "voltage.bn" in row
    proven = out.split("What the running")[0]
    assert "voltage-all, voltage.bn" in proven and "voltage-week-95" not in proven
    assert "however long you wait" in out


def test_half_way_with_the_fail_already_certain(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """61 of 1008 outside after five days fail the week whatever comes."""
    table = {name: column[:720] for name, column in three_phase(9, 230.94).items() if name.startswith("voltage")}
    table["voltage.bn [V]"][100:161] = 254 + np.round(np.random.default_rng(1).random(61), 2)
    main(["vet", *files(tmp_path, table), "--so-far", "--limits", "en50160-2010-lv"])
    out = capsys.readouterr().out
    assert "Proven already, whatever comes" in out and "voltage-week-95, voltage.bn" in out


def test_limits_belong_to_so_far(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["vet", *files(tmp_path, three_phase(1, 230.94)), "--limits", "en50160-2010-lv"]) == 2
    assert "--so-far" in capsys.readouterr().err


def test_a_spot_check_outside_the_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = '[[spot_checks]]\nat = "2031-05-01T10:00:00"\nchannel = "voltage.an"\nvalue = "230 V"\n'
    assert main(["vet", *files(tmp_path, three_phase(1, 230.94), more=more)]) == 2
    assert "outside the recording" in capsys.readouterr().err


def test_what_kept_the_clamps_unchecked_is_said_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A total power is a power recorded, and says nothing of one clamp."""
    whole = three_phase(2, 230.94)
    table = {name: whole[name] for name in ("voltage.an [V]", "current.a [A]")}
    assert main(["vet", *files(tmp_path, table, "230 V", "single-phase")]) == 0
    assert "clamps not checked, no power was recorded" in " ".join(capsys.readouterr().out.split())
    total = table | {"active_power.total [W]": whole["active_power.a [W]"]}
    assert main(["vet", *files(tmp_path, total, "230 V", "single-phase")]) == 0
    assert "clamps not checked, no power of a phase was recorded" in " ".join(capsys.readouterr().out.split())
