"""The command and its inputs: what a person declares wrongly, what is written, what it returns."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from pqcheck.cli import main
from pqcheck.loads.declared import check_runs, new_loads
from pqcheck.loads.spectra import ideal, library, spectrum_file
from pqcheck.model.errors import SiteError
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site
from tests.recordings import recording, us

SUPPLY = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}


def site(new: dict[str, Any], **sections: Any) -> Site:
    return site_from({"supply": SUPPLY, "time_zone": "Europe/Lisbon", "new_load": [new], **sections}, "heron.toml")


# Bad input: one sentence each.


@pytest.mark.parametrize(
    ("new", "said"),
    [
        ({"name": "x", "active_power": "10 kW", "power_factor": 1.2}, "power_factor must be at most 1, found 1.2"),
        ({"name": "x", "active_power": "10 kW", "power_factor": 0}, "power_factor must be above 0"),
        ({"name": "x", "active_power": "10 kW"}, "no power_factor; declare it"),
        ({"name": "x", "active_power": "0 kW", "power_factor": 1}, "adds nothing"),
        ({"name": "x", "current": "-5 A"}, "must be above zero"),
        ({"name": "x", "current": "5 A", "apparent_power": "5 kVA"}, "give one size"),
        ({"name": "x", "apparent_power": "-5 kVA"}, "feeds in and has no power_factor"),
        ({"name": "x", "current": "5 A", "phases": ["n"]}, "name a, b, c"),
        ({"name": "x", "current": "5 A", "phases": ["a", "a"]}, "each once"),
        ({"name": "x", "current": "5 A", "schedule": {"hours": []}}, "never runs: hours is empty"),
        ({"name": "x", "current": "5 A", "schedule": {"weekdays": []}}, "never runs: weekdays is empty"),
        ({"name": "x", "current": "5 A", "schedule": {"hours": ["07:00-07:00"]}}, "never runs: '07:00-07:00'"),
        ({"name": "x", "current": "5 A", "schedule": {"hours": ["7 to 18"]}}, "is no span of hours"),
        ({"name": "x", "current": "5 A", "schedule": {"hours": ["07:00-25:00"]}}, "is no span of hours"),
        ({"name": "x", "current": "5 A", "schedule": {"weekdays": ["monday"]}}, "did you mean 'mon'"),
        ({"name": "x", "current": "5 A", "spectrum": "six-puls"}, "did you mean 'six-pulse'"),
        ({"name": "x", "current": "5 A", "spectrum": "six-pulse", "harmonics": {"5": 20}}, "one spectrum is enough"),
        ({"name": "x", "current": "5 A", "harmonics": {"5": "12 A"}}, "harmonics.5"),
        ({"name": "x", "current": "5 A", "harmonics": {"5": 900}}, "which no load has"),
        ({"name": "x", "current": "5 A", "profile": "p.csv", "schedule": {}}, "a schedule and a profile"),
        ({"name": "x", "current": "5 A", "start_multiple": 0.5}, "start_multiple must be at least 1"),
    ],
)
def test_a_new_load_that_cannot_be(new: dict[str, Any], said: str) -> None:
    with pytest.raises(SiteError, match=re.escape(said)) as error:
        new_loads(site(new))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("sections", "said"),
    [
        ({"ratings": {"service": "0 A"}}, "ratings.service = '0 A' must be above zero"),
        ({"ratings": {"transformer": "0 kVA"}}, "must be above zero"),
        ({"ratings": {"panel_phases": {"d": "5 A"}}}, "is not a known key"),
        ({"source_impedance": {"resistance": "0.1 ohm"}}, "has resistance alone"),
        ({"source_impedance": {"resistance": "0 ohm", "reactance": "0 ohm"}}, "no impedance at all"),
        ({"source_impedance": {"resistance": "5 V", "reactance": "1 ohm"}}, "cannot be turned into 'ohm'"),
        ({"load_study": {"demand_interval": "7 min"}}, "divides the hour"),
        ({"load_study": {"maximum_demand": "5 km"}}, "write it in A, kVA or kW"),
        ({"load_study": {"continuous_new_load": "110 %"}}, "must be one of 125 %, 100 %"),
        ({"tariff": {"energy_rate": 0.2}}, "tariff lacks currency"),
    ],
)
def test_a_study_that_cannot_be(sections: dict[str, Any], said: str) -> None:
    with pytest.raises(SiteError, match=re.escape(said)):
        site_from({"supply": SUPPLY, **sections}, "heron.toml")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("order,current\n5,20\n", "does not say its base"),
        ("order,current [A]\n5,20\n7,10\n", "has no fundamental"),
        ("order,current [%]\n1,80\n5,20\n", "its base is not the fundamental"),
        ("order,current [%]\n5,20\n5,10\n", "order 5 a second time"),
        ("order,current [%]\n5,twenty\n", "row 2 is no pair"),
        ("order,current [%]\n99,20\n", "orders run from 1 to 50"),
        ("order,current [%]\n", "holds no orders"),
    ],
)
def test_a_spectrum_that_cannot_be(tmp_path: Path, content: str, said: str) -> None:
    path = tmp_path / "drive.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(SiteError, match=re.escape(said)):
        spectrum_file(path, "new_load[1] (x)")


def test_a_spectrum_in_amperes_and_in_percent_are_the_same(tmp_path: Path) -> None:
    amperes, percent = tmp_path / "a.csv", tmp_path / "p.csv"
    amperes.write_text("order;current [A]\n1;50\n5;10\n7;5\n", encoding="utf-8")
    percent.write_text("order,current [% of the fundamental]\n5,20\n7,10\n", encoding="utf-8")
    assert spectrum_file(amperes, "x").percent == spectrum_file(percent, "x").percent == {5: 20.0, 7: 10.0}


# The library: Fourier coefficients of the ideal waveforms, integrated numerically.


@pytest.mark.parametrize(("name", "pulses"), [("six-pulse", 6), ("twelve-pulse", 12), ("eighteen-pulse", 18),
                                              ("twenty-four-pulse", 24)])  # fmt: skip
def test_ideal_spectra_are_those_of_stepped_waves(name: str, pulses: int) -> None:
    # A line current of p pulses is a sine sampled and held p times a period, half a step late.
    angle = (np.arange(pulses * 2048) + 0.5) * 2 * np.pi / (pulses * 2048)
    wave = np.sin((np.floor(angle * pulses / (2 * np.pi)) + 0.5) * 2 * np.pi / pulses)
    orders = np.abs(np.fft.rfft(wave))[: 50 + 1]
    found = ideal(name, "x").percent
    for order in range(2, 51):
        assert found.get(order, 0.0) == pytest.approx(100 * orders[order] / orders[1], abs=0.02), order


def test_every_spectrum_of_the_library_names_its_limits() -> None:
    for name, entry in library().items():
        assert len(entry["limits"]) > 30
        assert ideal(name, "x").source.startswith(name)


# When it runs.


def shares(schedule: dict[str, Any], start: str, count: int, step_s: int = 3600) -> list[float]:
    (load,) = new_loads(site({"name": "x", "current": "5 A", "schedule": schedule}))
    starts = us(start) + step_s * 1_000_000 * np.arange(count, dtype=np.int64)
    return [float(one) for one in load.share(starts, step_s * 1_000_000, "Europe/Lisbon")]


def test_hours_are_local_and_days_count_where_the_span_starts() -> None:
    # Friday night shift: 22:00 to 04:00 into Saturday. 7 March 2031 is a Friday.
    schedule = {"hours": ["22:00-04:00"], "weekdays": ["fri"]}
    assert shares(schedule, "2031-03-07T20:00:00+00:00", 10) == [0, 0, 1, 1, 1, 1, 1, 1, 0, 0]
    assert not any(shares(schedule, "2031-03-08T20:00:00+00:00", 10))


def test_the_clock_change_moves_the_schedule_with_the_clock() -> None:
    # Lisbon goes to summer time on Sunday 30 March 2031 at 01:00 UTC: 08:00 local is then 07:00 UTC.
    schedule = {"hours": ["08:00-09:00"]}
    assert shares(schedule, "2031-03-29T00:00:00+00:00", 24).index(1.0) == 8
    assert shares(schedule, "2031-03-30T00:00:00+00:00", 24).index(1.0) == 7


def test_a_schedule_that_never_runs_within_the_recording() -> None:
    loads = new_loads(site({"name": "sunday bells", "current": "5 A", "schedule": {"weekdays": ["sun"]}}))
    record = recording({"current.a [A]": np.ones(144)})
    with pytest.raises(SiteError, match="'sunday bells': its schedule never runs within the recording"):
        check_runs(loads, record)


def test_profiles(tmp_path: Path) -> None:
    daily = tmp_path / "daily.csv"
    daily.write_text("time,share [%]\n06:00,50\n18:00,0\n", encoding="utf-8")
    (load,) = new_loads(site({"name": "x", "current": "5 A", "profile": str(daily)}))
    starts = us("2031-03-03T00:00:00+00:00") + 3_600_000_000 * np.arange(24, dtype=np.int64)
    found = load.share(starts, 3_600_000_000, "UTC")
    assert found.tolist() == [0.0] * 6 + [0.5] * 12 + [0.0] * 6
    dated = tmp_path / "dated.csv"
    dated.write_text("time,active_power [kW]\n2031-03-03T00:00:00Z,5\n2031-03-03T00:30:00Z,10\n", encoding="utf-8")
    (load,) = new_loads(site({"name": "x", "active_power": "10 kW", "power_factor": 1, "profile": str(dated)}))
    # 45 minutes hold half an hour at a half and a quarter of an hour at one: the mean for energy, the one for ratings.
    mean = load.share(starts[:1], 2_700_000_000, "UTC", largest=False)
    assert mean.tolist() == pytest.approx([(0.5 * 30 + 15) / 45])
    assert load.share(starts[:1], 2_700_000_000, "UTC").tolist() == [1.0]
    with pytest.raises(SiteError, match="does not cover the whole recording"):
        load.share(starts, 3_600_000_000, "UTC")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("time,share [%]\n06:00,0\n18:00,0\n", "never runs"),
        ("time,share [%]\n06:00,-5\n18:00,0\n", "below zero"),
        ("time,amount\n06:00,5\n18:00,0\n", "must give 'share [%]'"),
        ("time,share [%]\n18:00,5\n06:00,0\n", "must ascend"),
        ("when,share [%]\n18:00,5\n", "needs a header"),
        ("time,share [%]\nnoon,5\nnight,0\n", "is no time"),
    ],
)
def test_a_profile_that_cannot_be(tmp_path: Path, content: str, said: str) -> None:
    path = tmp_path / "p.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(SiteError, match=re.escape(said)):
        new_loads(site({"name": "x", "current": "5 A", "profile": str(path)}))


# The command.

SITE = """
name = "Heron Wharf"
time_zone = "Europe/Lisbon"
[supply]
nominal_voltage = "400 V"
connection = "wye"
frequency = "50 Hz"
[ratings]
service = "400 A"
[source_impedance]
resistance = "0.01 ohm"
reactance = "0.02 ohm"
[limits]
apply = ["en50160-2010-lv"]
quantities = ["voltage"]
[tariff]
currency = "EUR"
energy_rate = 0.21
[[new_load]]
name = "chargers"
active_power = "60 kW"
power_factor = 0.98
spectrum = "six-pulse"
start_multiple = 3
[new_load.schedule]
hours = ["07:00-18:00"]
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A week of readings and a site file."""
    monkeypatch.chdir(tmp_path)
    stamps = [datetime(2031, 3, 3, tzinfo=UTC) + timedelta(minutes=10 * k) for k in range(1008)]
    rows = ["time,voltage.an [V],voltage.bn [V],voltage.cn [V],current.a [A],current.b [A],current.c [A],"
            "active_power.total [kW],reactive_power.total [kvar]"]  # fmt: skip
    for k, stamp in enumerate(stamps):
        amperes = 150 + 60 * np.sin(k / 23) + k % 7
        volts = 231 - amperes / 100 + (k % 5) / 10
        rows.append(
            f"{stamp.isoformat()},{volts:.2f},{volts + 0.3:.2f},{volts - 0.2:.2f},{amperes:.1f},{amperes * 0.9:.1f},"
            f"{amperes * 0.95:.1f},{amperes * 0.62:.2f},{amperes * 0.2:.2f}"
        )
    (tmp_path / "week.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


Run = Callable[..., int]


def run(*more: str) -> int:
    return main(["load", "week.csv", "--site", "site.toml", *more])


def test_the_command_says_what_it_found(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = run()
    out = capsys.readouterr().out
    assert status == 0
    for part in ("Measured: PASS", "With the new load", "Spare capacity:", "Service rating, phase a", "chargers",
                 "What fails first", "Licensed practice", "Start of chargers", "EUR", "07:00 to 18:00"):  # fmt: skip
        assert part in out, part
    assert "None" not in out and "nan" not in out


def test_the_same_input_gives_the_same_bytes(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("--json", "a.json", "--study", "sa.json", "--out", "a.html")
    run("--json", "b.json", "--study", "sb.json", "--out", "b.html")
    for one, other in (("a.json", "b.json"), ("sa.json", "sb.json"), ("a.html", "b.html")):
        assert (place / one).read_bytes() == (place / other).read_bytes()
    capsys.readouterr()


def test_the_findings_file_carries_the_predictions(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("--json", "f.json")
    capsys.readouterr()
    document = json.loads((place / "f.json").read_text(encoding="utf-8"))
    schema = Path(__file__).resolve().parents[1] / "pqcheck" / "findings.schema.json"
    jsonschema.validate(document, json.loads(schema.read_text(encoding="utf-8")))
    kinds = {one["kind"] for one in document["findings"]}
    assert {"limit", "prediction"} <= kinds
    assert document["verdict"] == "pass"


def test_the_study_as_json(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("--study", "s.json", "--quiet")
    out = capsys.readouterr().out
    assert len(out.splitlines()) < 8
    found = json.loads((place / "s.json").read_text(encoding="utf-8"))
    assert found["format"] == "pqcheck-load-study/1"
    assert found["capacity"][0]["then"] > found["capacity"][0]["now"]
    assert found["capacity"][0]["now_at"].startswith("2031-03-")
    assert found["new_loads"][0]["spectrum_percent"]["5"] == pytest.approx(20.0)
    assert found["demand"]["maxima"] and found["rooms"] and found["cautions"]


def test_the_page(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("--out", "page.html")
    capsys.readouterr()
    text = (place / "page.html").read_text(encoding="utf-8")
    for part in (
        "load-demand",
        "load-duration",
        "load-headroom",
        "load-rooms",
        "Licensed practice",
        "What fails first",
    ):
        assert part in text, part
    assert "http://" not in text.replace("http://www.w3.org", "") and "https://" not in text


def test_bad_input_exits_two_and_writes_nothing(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "site.toml").write_text(SITE.replace('"60 kW"', '"60 MW"'), encoding="utf-8")
    assert run("--json", "f.json", "--out", "page.html") == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.strip().splitlines()) == 1
    assert "voltage collapses" in said.err
    assert not (place / "f.json").exists() and not (place / "page.html").exists()


def test_a_demand_study_needs_no_limit_table(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = SITE.split("[limits]")[0]
    (place / "site.toml").write_text(plain, encoding="utf-8")
    # Nothing was judged at all: 3, as everywhere.
    assert run() == 3
    assert "no limit table was asked for" in capsys.readouterr().out


def test_one_output_twice(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--json", "x.json", "--study", "x.json") == 2
    assert "asked for twice" in capsys.readouterr().err
