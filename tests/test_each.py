"""Many recordings in one call: the same findings as one by one, and a bad file is not the end."""

from __future__ import annotations

import io
import json
from pathlib import Path

import jsonschema
import pytest

from pqcheck.cli import main
from pqcheck.io.progress import Progress
from pqcheck.model.errors import OutputError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.workflows.check_each import check_each, target_name

SITE = """
name = "Test bench"
time_zone = "UTC"
[supply]
nominal_voltage = "230 V"
connection = "single-phase"
[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
"""


def write_week(path: Path, low: int) -> None:
    rows = ["time,voltage.an [V]"]
    for slot in range(1008):
        day, minute = divmod(slot * 10, 1440)
        volts = (205.0 if slot < low else 230.0) + slot % 7 / 10
        rows.append(f"2031-03-{3 + day:02d}T{minute // 60:02d}:{minute % 60:02d}:00Z,{volts:.1f}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    for number in range(4):
        write_week(tmp_path / f"meter{number}.csv", 60 if number == 2 else 3)
    (tmp_path / "broken.csv").write_text("nothing to read\n", encoding="utf-8")
    return tmp_path


def names(folder: Path) -> list[str]:
    return [str(folder / name) for name in ("meter0.csv", "meter1.csv", "broken.csv", "meter2.csv", "meter3.csv")]


def test_each_is_what_single_calls_give(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site, out = str(folder / "site.toml"), folder / "out"
    assert main(["check", *names(folder), "--each", "--site", site, "--json", str(out)]) == ExitStatus.FAILED
    text = capsys.readouterr().out
    assert "5 recordings: 1 fail, 3 pass, 1 unreadable" in text
    schema = json.loads((Path(__file__).parents[1] / "pqcheck" / "findings.schema.json").read_text(encoding="utf-8"))
    for name in names(folder):
        made = (out / target_name(name)).read_bytes()
        jsonschema.validate(json.loads(made), schema)
        if "broken" not in name:
            single = folder / "single.json"
            main(["check", name, "--site", site, "--json", str(single), "--quiet"])
            assert made == single.read_bytes()
    broken = json.loads((out / "broken.json").read_text(encoding="utf-8"))
    assert broken["verdict"] == "inconclusive"
    assert broken["findings"][0]["reason"]["code"] == "unreadable"


@pytest.mark.parametrize("processes", [1, 2, 3])
def test_the_number_of_processes_shows_nowhere(folder: Path, processes: int) -> None:
    results = list(check_each(names(folder), folder / "site.toml", processes=processes))
    assert [one.recording for one in results] == names(folder)
    assert [one.verdict.value if one.verdict else None for one in results] == ["pass", "pass", None, "fail", "pass"]


def test_two_recordings_of_one_name_are_refused(folder: Path) -> None:
    (folder / "other").mkdir()
    write_week(folder / "other" / "meter0.csv", 0)
    pair = [folder / "meter0.csv", folder / "other" / "meter0.csv"]
    with pytest.raises(OutputError, match=r"meter0\.json"):
        check_each(pair, folder / "site.toml", folder=folder / "out")


def test_a_bad_site_is_said_once_and_before_anything(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["check", *names(folder), "--each", "--site", str(folder / "none.toml"), "--json", str(folder / "out")])
    assert code == ExitStatus.COULD_NOT_RUN
    assert capsys.readouterr().err.count("\n") == 1
    assert not (folder / "out").exists()


def test_progress_is_silent_for_what_is_quick_and_plain_in_a_log(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter([0.0, 1.0, 10.0, 100.0, 200.0])
    monkeypatch.setattr("pqcheck.io.progress.time.monotonic", lambda: next(clock))
    log = io.StringIO()
    progress = Progress("recordings", 100, stream=log)
    for done in (1, 5, 50, 80):
        progress.at(done)
    progress.end()
    assert (
        log.getvalue()
        == "recordings: 50 of 100, 0.5 a second, 2 min left\nrecordings: 80 of 100, 0.4 a second, 50 s left\n"
    )
