"""``pqcheck site``: proposals with what shows them, questions for a person, and nothing decided."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pqcheck.cli import main
from pqcheck.limit_tables.by_country import tables_that_fit
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.errors import LimitTableError
from pqcheck.site.load_site import load_site, site_from
from pqcheck.vet.supply_options import supply_options
from pqcheck.workflows.start_site import StartOfSite, start_site
from tests.test_vetting_cases import high_leg, see_saw, three_phase
from tests.test_vetting_cli import files

Table = dict[str, NDArray[np.float64]]


def starter(folder: Path, table: Table, *more: str) -> str:
    """The file that the command writes for a recording."""
    recording, target = files(folder, table)[0], folder / "starter.toml"
    assert main(["site", recording, "--out", str(target), *more]) == 0
    return target.read_text(encoding="utf-8")


def proposed(text: str, key: str) -> list[str]:
    """The values that the file proposes for a key, in its order."""
    return re.findall(rf'^# {key} = "([^"]+)"', text, re.MULTILINE)


def start_site_of(table: Table) -> StartOfSite:
    """What the command knows of a recording."""
    with TemporaryDirectory() as folder:
        return start_site([files(Path(folder), table)[0]])


def test_nothing_is_decided_and_every_key_has_a_comment(tmp_path: Path) -> None:
    text = starter(tmp_path, three_phase(1, 230.94), "--country", "PT")
    assert tomllib.loads(text) == {"supply": {}}
    keys = [number for number, line in enumerate(text.splitlines()) if re.match(r"# [\w\"].* = ", line)]
    lines = text.splitlines()
    assert len(keys) > 10
    for number in keys:
        assert "  # " in lines[number] or re.match(r"# .*(asked|proposal): |# [^=]+$", lines[number - 1]), lines[number]
    for question in ("is_pcc", "short_circuit_current", "maximum_demand_current", "demand_basis", "time_zone"):
        assert re.search(rf'^# {question} = ""', text, re.MULTILINE), question
    assert '"en50160-2010-lv"' in text and "en50160-2010-mv" not in text, "tables of the country and the voltage"


def test_proposals_carry_what_shows_them_and_are_alternatives(tmp_path: Path) -> None:
    """Middle 229 V: 220, 230 and 240 V are nominals that vetting would accept alike, so none is the proposal."""
    text = starter(tmp_path, three_phase(1, 230.94))
    assert proposed(text, "connection") == ["wye"]
    assert proposed(text, "nominal_voltage") == ["400 V", "380 V", "415 V"]
    assert "of 230 V to neutral" in text and "an 229" in text and "choose one connection" in text


def test_check_asks_for_what_is_open_in_one_go(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    starter(tmp_path, three_phase(1, 230.94))
    capsys.readouterr()
    assert main(["check", str(tmp_path / "week.csv"), "--site", str(tmp_path / "starter.toml"), "--limits",
                 "en50160-2010-lv"]) == 2
    said = capsys.readouterr().err
    for word in ("lacks nominal_voltage", "lacks connection", "time_zone is not", "pqcheck site"):
        assert word in said
    assert said.count("\n") == 1


def test_what_a_person_confirms_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = starter(tmp_path, three_phase(1, 230.94))
    for line in ('connection = "wye"', 'nominal_voltage = "400 V"'):
        text = text.replace(f"# {line}", line)
    text = text.replace('# time_zone = ""', 'time_zone = "Europe/Lisbon"')
    (tmp_path / "starter.toml").write_text(text, encoding="utf-8")
    assert load_site(tmp_path / "starter.toml").supply.line_to_line == 400
    assert main(["check", str(tmp_path / "week.csv"), "--site", str(tmp_path / "starter.toml"), "--limits",
                 "en50160-2010-lv", "--quantities", "voltage"]) == 0
    capsys.readouterr()
    both = text.replace('# nominal_voltage = "415 V"', 'nominal_voltage = "415 V"')
    (tmp_path / "starter.toml").write_text(both, encoding="utf-8")
    assert main(["check", str(tmp_path / "week.csv"), "--site", str(tmp_path / "starter.toml")]) == 2, \
        "two alternatives confirmed are no declaration"


def test_a_file_that_is_there_stays_as_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, _, site = files(tmp_path, three_phase(1, 230.94))
    before = Path(site).read_bytes()
    assert main(["site", recording, "--out", site]) == 2
    assert "exists already" in capsys.readouterr().err and Path(site).read_bytes() == before
    assert main(["site", str(tmp_path / "nothing.csv"), "--out", str(tmp_path / "new.toml")]) == 2
    assert main(["site", recording, "--out", str(tmp_path / "new.toml"), "--country", "Portugal"]) == 2
    assert not (tmp_path / "new.toml").exists()


def lost_lead() -> Table:
    table = three_phase(4, 230.94)
    table["voltage.bn [V]"][500:] = 0.3
    return table


def copied() -> Table:
    table = three_phase(5, 230.94)
    table["voltage.bn [V]"] = table["voltage.an [V]"].copy()
    return table


def displaced() -> Table:
    """A broken neutral throughout: the star point stands between the phases, 270 V and 190 V at once."""
    table = three_phase(6, 230.94)
    table["voltage.an [V]"] += 38
    table["voltage.cn [V]"] -= 41
    return table


def two_days_without_neutral() -> Table:
    table = three_phase(7, 230.94)
    table["voltage.an [V]"][300:588] += 38
    table["voltage.bn [V]"][300:588] -= 1
    table["voltage.cn [V]"][300:588] -= 41
    return table


def a_ratio_off() -> Table:
    table = three_phase(8, 230.94)
    for phase in ("an", "bn", "cn"):
        table[f"voltage.{phase} [V]"] *= 0.29
    return table


def dead_all_along() -> Table:
    table = three_phase(9, 230.94)
    table["voltage.cn [V]"][:] = 0.0
    return table


@pytest.mark.parametrize(("make", "reason"), [
    (see_saw, "neutral"), (displaced, "stand apart"), (two_days_without_neutral, "neutral"), (lost_lead, "lead|bn"),
    (copied, "equal|alike|same|identical"), (a_ratio_off, "no standard nominal"), (dead_all_along, "near zero"),
])
def test_no_proposal_and_the_reason(
    make: Callable[[], Table], reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = starter(tmp_path, make())
    assert not proposed(text, "nominal_voltage") and not proposed(text, "connection")
    assert re.search(rf"# No proposal: (?:.*\n# )*?.*(?:{reason})", text), text
    assert "No supply is proposed" in capsys.readouterr().out


def test_a_danger_sign_comes_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    starter(tmp_path, see_saw())
    assert capsys.readouterr().out.startswith("DANGER SIGN")


def test_the_high_leg_is_proposed(tmp_path: Path) -> None:
    text = starter(tmp_path, high_leg())
    assert proposed(text, "connection") == ["high-leg-delta"] and proposed(text, "high_leg") == ["b"]


def test_names_of_a_phase_alone_leave_both_readings_open(tmp_path: Path) -> None:
    """``V1 V2 V3`` at 230 V: a wye of 400 V, or a network of 230 V without a neutral, as in parts of Norway."""
    table = three_phase(1, 230.94)
    table = {f"V{number} [V]": table[f"voltage.{leg} [V]"] for number, leg in enumerate(("an", "bn", "cn"), 1)}
    text = starter(tmp_path, table)
    assert proposed(text, "connection") == ["wye", "wye", "delta"]
    assert {"400 V", "230 V"} <= set(proposed(text, "nominal_voltage"))
    assert "left open by their names" in text


def test_line_voltages_under_names_of_phases_are_thought_of() -> None:
    """400 V to neutral is a 690 V service, or far more often a 400 V one whose columns are named wrongly."""
    found = supply_options({"an": 401.0, "bn": 400.0, "cn": 402.0}).options
    assert {("wye", "690 V"), ("wye", "400 V"), ("delta", "400 V")} <= {
        (option.connection, option.nominal_voltage) for option in found}
    assert any("against their names" in option.connection_shows for option in found)


def test_an_assumption_about_a_column_is_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = three_phase(1, 230.94)
    table = {f"U{number}": table[f"voltage.{leg} [V]"] for number, leg in enumerate(("an", "bn", "cn"), 1)} | {
        "Tür": np.ones(1008)}
    text = starter(tmp_path, table)
    assert re.search(r'U1", asked: read on an assumption: .*no unit is\s', text)
    assert '# "Tür" = ""  # asked: left' in text
    out = capsys.readouterr().out
    assert "read on an assumption: 'U1', 'U2', 'U3'" in out and "left alone: 'Tür'" in out
    assert "\n\n\n" not in text


@pytest.mark.parametrize(("middles", "connections", "nominals"), [
    ({"an": 121, "bn": 120, "ab": 241}, ["split-phase"], ["120/240 V"]),
    ({"an": 277, "bn": 277, "cn": 276, "ab": 480, "bc": 480, "ca": 480}, ["wye"], ["480 V", "500 V"]),
    ({"an": 400, "bn": 400, "cn": 1, "ab": 402, "bc": 401, "ca": 400}, ["delta"], ["400 V", "415 V", "380 V"]),
    ({"ab": 402, "bc": 401, "ca": 400}, ["wye", "delta"], ["400 V", "415 V", "380 V"]),
    ({"an": 120, "bn": 121}, ["split-phase", "wye"], ["120/240 V", "208 V"]),
    ({"an": 231}, ["single-phase", "wye"], ["230 V", "400 V"]),
])
def test_what_middle_voltages_allow(middles: dict[str, float], connections: list[str], nominals: list[str]) -> None:
    found = supply_options(middles)
    assert list(dict.fromkeys(option.connection for option in found.options)) == connections
    assert set(nominals) <= {option.nominal_voltage for option in found.options}


def test_an_overvoltage_never_leaves_the_true_nominal_out() -> None:
    """A site of 230 V that stands at 253 V, or at 207 V: the true nominal is among the options, or there is none."""
    for volts in np.arange(207.0, 253.5, 0.5):
        found = supply_options({"an": volts, "bn": volts, "cn": volts})
        assert not found.options or "400 V" in {option.nominal_voltage for option in found.options}, volts


@given(st.dictionaries(st.sampled_from(["an", "bn", "cn", "ab", "bc", "ca"]), st.floats(0.01, 40_000)))
def test_every_option_can_be_declared(middles: dict[str, float]) -> None:
    found = supply_options(middles)
    assert bool(found.options) != bool(found.why_none)
    for option in found.options:
        assert site_from({"supply": option.section}).supply.connection == option.connection


def test_tables_of_a_country() -> None:
    assert tables_that_fit("no")[0] == "no-fol-lv" and "en50160-2010-lv" in tables_that_fit("NO", "lv")
    assert "ansi-c84.1-2020" in tables_that_fit("US") and "en50160-2010-lv" not in tables_that_fit("US")
    assert tables_that_fit("JP") == () and set(tables_that_fit("GB")) <= set(table_ids())
    with pytest.raises(LimitTableError, match="two letters"):
        tables_that_fit("Sweden")


@pytest.mark.parametrize(("given", "said"), [
    (["--limits", "en50160"], "one of en50160-2007-lv, .*en50160-2010-mv"),
    (["--limits", "EN50160-2010-LV"], "did you mean 'en50160-2010-lv', or another of en50160-2007-lv"),
    (["--limits", "IEEE 519"], "one of ieee519-2014, ieee519-2022"),
    (["--limits", "C84.1"], "one of ansi-c84.1-2016, ansi-c84.1-2020"),
    (["--limts", "en50160-2010-lv"], "did you mean '--limits'"),
])
def test_what_is_misspelt_is_answered(
    given: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = files(tmp_path, three_phase(1, 230.94))
    assert main(["check", *arguments, *given]) == 2
    assert re.search(said, capsys.readouterr().err)


def test_files_in_each_others_place_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, _, site = files(tmp_path, three_phase(1, 230.94))
    for arguments, said in (
        (["check", site, "--site", site, "--limits", "en50160-2010-lv"], "is a site file and no recording"),
        (["check", recording, "--site", recording], "looks like a recording and is no site file"),
        (["check", recording, "--sitee", site], "there is no option --sitee; did you mean '--site'?"),
        (["vet", recording, "--site", str(tmp_path / "none.toml")], "begin one with `pqcheck site"),
    ):
        assert main(arguments) == 2
        assert said in capsys.readouterr().err


def test_a_missing_zone_is_asked_with_a_stamp_of_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, _, site = files(tmp_path, three_phase(1, 230.94))
    place = Path(site)
    place.write_text(place.read_text(encoding="utf-8").replace('time_zone = "UTC"', ""), encoding="utf-8")
    assert main(["check", recording, "--site", site, "--limits", "en50160-2010-lv"]) == 2
    said = capsys.readouterr().err
    assert "2031-03-03T00:00:00" in said and "Area/City" in said and "Lisbon" not in said
    place.write_text('time_zone = "Europe/Lisbonn"\n' + place.read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["check", recording, "--site", site, "--limits", "en50160-2010-lv"]) == 2
    assert "did you mean 'Europe/Lisbon'?" in capsys.readouterr().err


def test_of_dates_in_no_order_the_odd_one_is_quoted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"{day:02d}.03.2031 00:00;230" for day in range(20, 31)] + ["29.13.2031 00:00;230"]
    (tmp_path / "days.csv").write_text("Date;voltage.an [V]\n" + "\n".join(rows) + "\n", encoding="utf-8")
    assert main(["columns", str(tmp_path / "days.csv")]) == 2
    assert "'29.13.2031' is no date day first" in capsys.readouterr().err


def test_hours_of_a_schedule_may_be_a_text() -> None:
    load = {"name": "crane", "current": "40 A", "schedule": {"hours": "07:00-12:00, 13:00-18:00"}}
    supply = {"nominal_voltage": "400 V", "connection": "wye"}
    [read] = site_from({"supply": supply, "new_load": [load]}).new_load
    assert read["schedule"]["hours"] == ((420, 720), (780, 1080))


def test_two_legs_that_see_saw_are_no_wye_either() -> None:
    """Two voltages to neutral fit a split phase and two of three phases: a danger sign under either leaves none."""
    start = start_site_of(see_saw())
    assert not start.options and start.signs and "neutral" in start.doubts[0].lower()


def test_a_corner_grounded_delta_is_proposed_as_such() -> None:
    noise = np.random.RandomState(1).randn(6, 144)
    legs = {f"voltage.{phase}n [V]": np.abs(middle + noise[at]) for at, (phase, middle) in enumerate(
        (("a", 400.0), ("b", 401.0), ("c", 2.0)))}
    made = legs | {f"voltage.{pair} [V]": 400 + noise[at] for at, pair in enumerate(("ab", "bc", "ca"), 3)}
    start = start_site_of(made)
    assert {option.connection for option in start.options} == {"delta"}
    assert "corner-grounded" in start.options[0].connection_shows
