"""The folder to repeat a check from: run in it, the command gives the same bytes."""

from __future__ import annotations

import hashlib
import json
import shlex
import shutil
from pathlib import Path

import pytest

from tests.report_material import SITE, run, write_job


def contents(folder: Path) -> dict[str, bytes]:
    return {one.relative_to(folder).as_posix(): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


def test_repeating_gives_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording, site = write_job(tmp_path)
    bundle = tmp_path / "bundle"
    assert run("check", recording, "--site", site, "--quantities", "voltage", "--bundle", bundle) == 1
    made = contents(bundle)
    assert set(made) == {"README.txt", "checksums.txt", "columns.json", "command.txt", "findings.json",
                         "limits/en50160-2010-lv.json", "site.toml"}  # fmt: skip
    for line in made["checksums.txt"].decode().splitlines():
        digest, name = line.split("  ")
        content = made[name] if name in made else recording.read_bytes()
        assert hashlib.sha256(content).hexdigest() == digest
    # The same again, from inside the folder, with nothing but the folder and the recording.
    monkeypatch.chdir(bundle)
    shutil.copy(recording, bundle)
    words = shlex.split(made["command.txt"].decode())
    assert words[:2] == ["pqcheck", "check"]
    assert run(*words[1:]) == 1
    assert (bundle / "findings.json").read_bytes() == made["findings.json"]
    (bundle / recording.name).unlink()
    assert run("check", recording, "--site", site, "--quantities", "voltage", "--bundle", bundle) == 1
    assert contents(bundle) == made


def test_a_table_of_ones_own_and_the_logo_go_along(tmp_path: Path) -> None:
    from pqcheck.limit_tables.load_limit_table import limits_folder

    table = json.loads((limits_folder() / "en50160-2010-lv.json").read_text(encoding="utf-8"))
    table["id"] = "house-rule"
    (tmp_path / "house-rule.json").write_text(json.dumps(table), encoding="utf-8")
    recording, site = write_job(tmp_path, None, SITE + '\n[report]\nlogo = "logo.svg"\n')
    (tmp_path / "logo.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg"/>', encoding="utf-8")
    out = ("--bundle", tmp_path / "b", "--out", tmp_path / "r.html")
    run("check", recording, "--site", site, "--limits", tmp_path / "house-rule.json", *out)
    made = contents(tmp_path / "b")
    assert made["limits/house-rule.json"] == (tmp_path / "house-rule.json").read_bytes()
    assert "logo.svg" in made and "limits/house-rule.json" in made["command.txt"].decode()
    assert "data:image/svg+xml;base64," in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_a_folder_with_other_files_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, site = write_job(tmp_path)
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine", encoding="utf-8")
    assert run("check", recording, "--site", site, "--bundle", other) == 2
    assert "other files" in capsys.readouterr().err
    assert contents(other) == {"letter.txt": b"mine"}
    assert run("check", recording, "--site", site, "--bundle", tmp_path / "none" / "b") == 2
    assert "does not exist" in capsys.readouterr().err
