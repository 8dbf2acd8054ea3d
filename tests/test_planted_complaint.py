"""What is said of a complaint whose causes are known: against the truth that stands beside the recording."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pqcheck.cli import main
from tests import planted_complaint as truth


@pytest.fixture(scope="module", params=[True, False], ids=["lines recorded", "to neutral alone"])
def place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recording, site file and findings file."""
    folder = tmp_path_factory.mktemp("farm")
    recording, site = truth.write(folder, lines=request.param)
    assert main(["check", str(recording), "--site", str(site), "--json", str(folder / "findings.json"), "--quiet",
                 "--out", str(folder / "report.html")]) == 1
    (folder / ("lines" if request.param else "legs")).touch()
    return folder


def printed(place: Path, capsys: pytest.CaptureFixture[str], command: str, *more: str) -> str:
    """What a command on the recording prints, lines unwrapped."""
    main([command, str(place / "farm.csv"), "--site", str(place / "site.toml"), *more])
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("command", ["check", "check --quiet", "vet", "gate --as-of 2031-04-01", "load"])
def test_danger_signs_are_a_paragraph_each_and_the_evenings_are_none(
    place: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    name, *more = command.split()
    text = printed(place, capsys, name, *more)
    neutral, voltage = re.findall(r"DANGER SIGN.*?Act today", text)
    loose = "between 06:00 and 23:00" in neutral and "on 2 days from 2031-03-14 to 2031-03-15" in neutral
    assert loose and f"{truth.LOOSE_HOURS:g} h in all" in neutral
    assert "possible" in neutral.lower() if (place / "legs").exists() else "picture of a loose or broken" in neutral
    assert f"phase a above 115 % of its nominal 230 V for {truth.LOOSE_HOURS:g} h in all" in voltage
    assert "between 06:00 and 23:00" in voltage and "phase b" not in voltage and "phase c" not in voltage
    assert "voltage an " not in text and not re.search(r"\d{3,} min", neutral + voltage)


def test_every_command_counts_the_same_criteria(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    check = printed(place, capsys, "check")
    failing, total = map(int, re.findall(r"FAIL: (\d+) of (\d+) criteria", check)[0])
    gate = printed(place, capsys, "gate", "--as-of", "2031-04-01")
    counts = re.findall(r"of (\d+) criteria (\d+) fail, (\d+) not judged, (\d+) waived, (\d+) pass", gate)[0]
    assert (int(counts[0]), int(counts[1])) == (total, failing) == (sum(map(int, counts[1:])), failing)
    load = printed(place, capsys, "load")
    assert f"({failing} FAIL" in load and f"of {total} criteria)" in load
    assert "beside 2 danger signs" in check and "Beside 2 danger signs" in gate


def test_a_finding_has_one_time(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(place, capsys, "check")
    stamp = re.findall(r"\(voltage\.[a-z]+, (\S+ \S+)\)", text)[0]
    first_row = re.findall(r"allowed (2031-03-\d\d \d\d:\d\d)", text)[0]
    assert stamp == first_row
