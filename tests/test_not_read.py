"""What the question needs and was not read comes first, by name; nothing is sound over what was not looked at."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from pqcheck import check
from pqcheck.cli import main
from pqcheck.model.findings import Findings
from pqcheck.model.verdict import Verdict

SITE = """\
name = "Bench"
time_zone = "UTC"
[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
[limits]
apply = ["en50160-2010-lv"]
"""


def written(folder: Path, headers: Sequence[str]) -> list[str]:
    """A day of 10-minute rows; every column but the first holds about 230."""
    rng = np.random.default_rng(2)
    lines = [",".join(headers)]
    for row in range(144):
        cells = [f"{230 + rng.normal():.2f}" for _ in headers[1:]]
        lines.append(",".join([f"2031-03-03T{row // 6:02d}:{row % 6}0Z", *cells]))
    (folder / "week.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return [str(folder / "week.csv"), "--site", str(folder / "site.toml")]


def run(command: Sequence[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    status = main(list(command))
    shown = capsys.readouterr()
    return status, shown.out, shown.err


LEFT = ("time", "U L1-N [V]", "X L2-N", "X L3-N")


def test_vet_is_not_sound_over_columns_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(["vet", *written(tmp_path, LEFT)], capsys)
    first = out.splitlines()[0]
    assert status == 3
    assert first.startswith("OPEN: ") and "voltage of bn and cn" in first
    assert "'X L2-N', 'X L3-N'" in first and "pqcheck columns week.csv --write" in first
    assert run(["vet", *written(tmp_path, LEFT), "--quiet"], capsys)[1].splitlines()[0] == first


def test_vet_is_sound_over_a_column_that_nobody_needs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    headers = ("time", "U L1-N [V]", "U L2-N [V]", "U L3-N [V]", "Status")
    status, out, _ = run(["vet", *written(tmp_path, headers)], capsys)
    assert status == 0
    assert out.startswith("SOUND:")


VOLTAGES = ("U L1-N [V]", "U L2-N [V]", "U L3-N [V]")


@pytest.mark.parametrize("left", ["current ?", "Leistung", "?? Volts L1", "Wirkleistung ?? L1 [kW]"])
def test_vet_is_not_sound_over_a_current_or_power_left_alone(
    left: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Until somebody writes the mapping, and so says that the column is not needed."""
    command = ["vet", *written(tmp_path, ("time", *VOLTAGES, left))]
    status, out, _ = run(command, capsys)
    assert status == 3
    assert out.splitlines()[0].startswith(f"OPEN: Not read: {left!r}, left alone. Say what they hold: pqcheck columns")
    with (tmp_path / "site.toml").open("a", encoding="utf-8") as file:
        file.write("[recording.columns]\n" + "".join(
            f'"{header}" = "voltage.{phase}n [V]"\n' for header, phase in zip(VOLTAGES, "abc", strict=True)))
    assert run(command, capsys)[:2][0] == 0


def test_vet_is_not_sound_over_extremes_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(["vet", *written(tmp_path, ("time", *(f"{header[:6]} max [V]" for header in VOLTAGES)))],
                         capsys)
    assert status == 3
    assert out.startswith("OPEN: Not read: the mean of")
    headers = ("time", *VOLTAGES[:2], "U L3-N max [V]")
    status, out, _ = run(["vet", *written(tmp_path, headers)], capsys)
    assert (status, out.splitlines()[0].startswith("OPEN: Not read: voltage of cn.")) == (3, True)


@pytest.mark.parametrize("command", ["vet", "check"])
@pytest.mark.parametrize("headers", [("time", "foo", "bar"), ("time", "X L1-N", "X L2-N", "X L3-N")])
def test_nothing_understood_is_no_result(
    command: str, headers: Sequence[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run([command, *written(tmp_path, headers)], capsys)
    assert (status, out) == (2, "")
    assert repr(headers[1]) in err and "--write" in err


def test_check_names_what_was_not_read_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for more in ([], ["--quiet"]):
        status, out, _ = run(["check", *written(tmp_path, LEFT), "--quantities", "voltage", *more], capsys)
        assert status == 3
        text = " ".join(out.split())
        assert text.startswith("Not read: voltage of bn and cn. Columns left alone: 'X L2-N', 'X L3-N'.")
        assert text.count("Not read:") == 1


def test_the_advice_is_to_read_the_column_that_was_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    headers = ("time", "f [Hz]", "X L1-N")
    given = written(tmp_path, headers)
    text = " ".join(run(["check", *given, "--quantities", "voltage"], capsys)[1].split())
    assert "-> 'X L1-N' was left alone: say what the columns hold (pqcheck columns week.csv --write FILE), or" in text
    assert "-> Record voltage" not in text


def test_check_names_a_column_left_alone_that_no_rule_misses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    headers = ("time", "voltage.an [V]", "voltage.bn [V]", "voltage.cn [V]", "X L1-N")
    command = ["check", *written(tmp_path, headers), "--quantities", "voltage"]
    _, out, _ = run(command, capsys)
    assert "Recorded and left alone: 'X L1-N'. The reasons: pqcheck columns week.csv" in " ".join(out.split())
    assert "Nothing speaks against the recording" not in out


def _of_two_legs(second: np.ndarray) -> Findings:  # type: ignore[type-arg]
    """A single-phase service with a second leg in the recording, against the ten-minute rules of EN 50160."""
    rng = np.random.default_rng(4)
    first = 231 + rng.normal(0, 0.8, 1008)
    columns = {"time": [f"2031-03-{3 + row // 144:02}T{row // 6 % 24:02}:{row % 6}0Z" for row in range(1008)],
               "voltage.an [V]": first, "voltage.bn [V]": second}
    place = {"time_zone": "UTC", "supply": {"nominal_voltage": "230 V", "connection": "single-phase"}}
    return check(columns, place, ["en50160-2010-lv"], quantities=["voltage"])


def test_a_phase_beyond_the_connection_is_named_and_keeps_the_check_from_passing_where_it_fails() -> None:
    rng = np.random.default_rng(5)
    sound = 229 + rng.normal(0, 0.8, 1008)
    low = sound.copy()
    low[300:420] = 204 + rng.normal(0, 0.4, 120)  # 120 of 1,008 outside 207 to 253 V: more than 5 %
    failing = _of_two_legs(low)
    (finding,) = [each for each in failing.findings if each.kind == "limit" and each.phase == "bn"]
    assert finding.verdict is Verdict.INCONCLUSIVE and finding.rule == "voltage-week-95"
    assert finding.reason is not None and finding.reason.code == "beyond-connection"
    assert finding.intervals is not None and finding.intervals.outside == 120
    assert failing.verdict is Verdict.INCONCLUSIVE
    for legs in (_of_two_legs(sound), failing):
        (line,) = [line for line in legs.remarks if line.startswith("Beyond the declared connection")]
        assert line.endswith("voltage.bn.")
        assert not any(line.startswith("Nothing speaks against") for line in legs.remarks)
    assert _of_two_legs(sound).verdict is Verdict.PASS


def test_an_unused_input_beyond_the_connection_leaves_the_answer_as_it_is() -> None:
    rng = np.random.default_rng(6)
    unused = _of_two_legs(np.abs(rng.normal(0.3, 0.1, 1008)))
    assert unused.verdict is Verdict.PASS
    assert {finding.phase for finding in unused.findings if finding.kind == "limit"} <= {"an", None}


def test_a_delta_recorded_to_neutral_is_told_which_voltages_are_asked() -> None:
    rng = np.random.default_rng(7)
    columns = {"time": [f"2031-03-03T{row // 6 % 24:02}:{row % 6}0Z" for row in range(144)]}
    columns |= {f"voltage.{phase} [V]": 231 + rng.normal(0, 0.8, 144) for phase in ("an", "bn", "cn")}
    place = {"time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "delta"}}
    findings = check(columns, place, ["en50160-2010-lv"], quantities=["voltage"]).findings
    texts = {finding.reason.text for finding in findings if finding.kind == "limit" and finding.reason is not None}
    assert texts == {"No column holds voltage line to line; those line to neutral are none of a delta."}
