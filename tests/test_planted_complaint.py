"""What is said of a complaint whose causes are known: against the truth that stands beside the recording."""

from __future__ import annotations

import html
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


# The page.

def words_of(place: Path) -> str:
    """The first page as text."""
    text = (place / "report.html").read_text(encoding="utf-8")
    section = text[text.index('class="first"') : text.index('class="technical"')]
    section = re.sub(r"<script.*?</script>|<img[^>]*>", "", section, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", section)).split())


def block_of(words: str, reported: str) -> str:
    """What stands below one reported time."""
    return words[words.index(reported) :].split("The current then")[0]


def test_a_dip_of_200_ms_is_not_held_against_the_band_of_ten_minute_values(place: Path) -> None:
    block = block_of(words_of(place), "dip when milking starts")
    assert "(10 min values) phase a 247" in block and "✓ inside 207 to 253 V" in block and "✕" not in block
    assert f"Short dips down to (200 ms values) phase a 247 V; phase b {truth.DIP_TO:g} V" in block


def test_evenings_above_the_band_are_outside_it(place: Path) -> None:
    block = block_of(words_of(place), "glaring in the evening")
    assert "✕ outside 207 to 253 V: phase a up to 254 V, phase b up to 254 V and phase c up to 254 V" in block
    assert "down to 254" not in block


def test_hours_outside_are_those_of_the_recording(place: Path) -> None:
    words = words_of(place)
    assert truth.OUTSIDE_HOURS == 74 and "recorded for 14 days" in words
    assert "for about 74 hours of the 14 days judged, about 49 hours of them in the worst week" in words


def test_the_pattern_is_the_hours_of_the_regulator_and_the_neutral_stands_apart(place: Path) -> None:
    words = words_of(place)
    first, last = truth.evening_dates()[0], truth.evening_dates()[-1]
    evenings = f"very day from Wednesday {first.day} March to Wednesday {last.day} March, between 17:30 and 22:30"
    assert f"{evenings}, about {truth.EVENING_HOURS:g} hours in all" in words
    assert "Friday 14 March, 06:00 to 23:00" in words and "Saturday 15 March, 06:00 to 23:00" in words
    assert "05:50 and 22:30" not in words


def test_voltages_to_neutral_and_between_phases_are_never_mixed(place: Path) -> None:
    words = words_of(place)
    both = not (place / "legs").exists()
    for low, high in re.findall(r"lay between (\d+) and (\d+) V", words):
        assert int(high) < 300 or int(low) > 400
    assert ("The voltage between phases" in words) is both and ("The voltage to neutral" in words) is both
    # At worst 441 V belongs to the voltages between phases alone.
    for sentence in re.findall(r"[^;.]*; at worst \d+ V", words):
        assert ("441" in sentence) <= ("between phases" in sentence)


def test_the_first_page_says_why(place: Path) -> None:
    why = re.findall(r"Why (.*?) At the times", words_of(place))[0]
    assert why.startswith("Likely:") and "phases a, b and c hardly moves with the load of this site" in why
    dips = "short dips on phase b (mostly from 05:50 and from 16:20 on)"
    assert f"{dips} come when a large load of this site starts" in why
    assert re.search(r"steps of about (6\.9|7|7\.1) V on all phases at once, as a tap changer", why)


def test_the_danger_box_holds_two_paragraphs_and_the_answer_follows(place: Path) -> None:
    text = (place / "report.html").read_text(encoding="utf-8")
    box = text[text.index('role="alert"') :].split("</div>")[0] if 'role="alert"' in text else ""
    assert box.count("Act today") == 2 and "phase a above 115 %" in html.unescape(box)
