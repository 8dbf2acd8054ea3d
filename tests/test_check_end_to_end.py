"""`pqcheck check` from file to file: the same bytes on any machine, a valid findings file, exit codes, bad input."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from pqcheck import check
from pqcheck.cli import main

CASES = Path(__file__).resolve().parent.parent / "reference_cases"
FIVE_DAYS = CASES / "story_09_five_days"
FAILS, OPEN = "a_61_outside.csv", "c_none_outside.csv"
# Recordings that give every verdict, many findings, clock changes, corrections, exclusions and a danger sign.
VARIETY = {
    "clock": ("story_12_clock_changes", "autumn.csv", "site.toml", None),
    "trim": ("story_16_start_up_day", "record.csv", "site_trimmed.toml", None),
    "excluded": ("story_13_outage", "outage.csv", "site_declared.toml", None),
    "refused": ("story_10_wrong_nominal", "week.csv", "site.toml", None),
    "neutral": ("story_02_loose_neutral", "week.csv", "site.toml", None),
    "orders": ("vector_t1_order_and_tdd", "week.csv", "site.toml", ["ieee519-2014", "ieee519-2022"]),
    "bounds": ("story_08_fifteen_minutes", "with_minima.csv", "site.toml", None),
    "elsewhere": ("story_18_at_the_drive", "week.csv", "site.toml", ["ieee519-2022", "en50160-2010-lv"]),
    "packed": ("household_week", "week.csv.gz", "site.toml", None),
}


def found_in(case: str) -> str:
    folder, recording, site, limits = VARIETY[case]
    return check(CASES / folder / recording, CASES / folder / site, limits).to_json()


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the five-day recordings, and the process in it."""
    for source in (*FIVE_DAYS.glob("*.csv"), FIVE_DAYS / "site.toml"):
        (tmp_path / source.name).write_bytes(source.read_bytes())
    monkeypatch.chdir(tmp_path)
    return tmp_path


# The findings file


@pytest.fixture(scope="module")
def validator() -> Any:
    schema = json.loads(resources.files("pqcheck").joinpath("findings.schema.json").read_text(encoding="utf-8"))
    kind = jsonschema.validators.validator_for(schema)
    kind.check_schema(schema)
    return kind(schema)


@pytest.mark.parametrize("case", VARIETY)
def test_the_findings_file_meets_its_schema_and_every_id_is_unique(case: str, validator: Any) -> None:
    document = json.loads(found_in(case))
    validator.validate(document)
    ids = [one["id"] for one in document["findings"]]
    assert len(ids) == len(set(ids)) > 0


def test_the_schema_refuses_what_is_not_a_findings_file(validator: Any) -> None:
    document = json.loads(found_in("clock"))
    for change in ({"format": "pqcheck-findings/0"}, {"verdict": "fine"}, {"counts": {}}, {"site": None}):
        assert list(validator.iter_errors(document | change)), change
    first = document["findings"][0]
    for change in ({"verdict": "unknown"}, {"intervals": {"expected": -1}}, {"windows": None}, {"more": 1}):
        assert list(validator.iter_errors(document | {"findings": [first | change]})), change


@pytest.mark.parametrize("case", VARIETY)
def test_the_findings_file_is_plain_sorted_and_free_of_places(case: str) -> None:
    text = found_in(case)

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is no number of JSON")

    document = json.loads(text, parse_constant=refuse)
    assert text.endswith("}\n") and "\r" not in text
    assert list(document) == sorted(document)
    assert all(list(one) == sorted(one) for one in document["findings"])
    assert str(CASES) not in text and os.sep + "tmp" not in text
    assert all("/" not in one["file"] for one in document["recordings"])


@pytest.mark.parametrize("case", VARIETY)
def test_what_every_finding_holds(case: str) -> None:
    """What docs/reference/findings-file.md promises and a schema cannot say."""
    document = json.loads(found_in(case))
    counted = [one for one in document["findings"] if one["kind"] in ("limit", "safety")]
    counts = dict.fromkeys(document["counts"], 0)
    for one in counted:
        counts[one["verdict"]] += 1
    assert counts == document["counts"]
    tables = {one["id"] for one in document["limit_tables"]}
    for one in document["findings"]:
        if one["kind"] != "limit":
            continue
        assert one["table"] in tables and one["clause"] and one["title"]
        assert one["reason"] is not None or one["verdict"] in ("pass", "fail")
        count, statistic = one["intervals"], one["statistic"]
        if count is None:
            assert statistic["value"] is None and one["margin"] is None and one["windows"] == []
            continue
        assert count["expected"] - count["excluded"] == count["valid"] + count["missing"]
        if one["proven"] and one["verdict"] in ("pass", "fail"):
            fails = count["outside"] > count["allowed"]
            assert fails == (one["verdict"] == "fail")
            if not fails and one["reason"] is None:
                assert count["outside"] + count["missing"] <= count["allowed"]
        if one["reason"] is None:
            assert sum(window["intervals"] for window in one["windows"]) == count["outside"]
            # The shown reading and the verdict agree.
            assert (one["margin"]["value"] < 0) == (one["verdict"] == "fail") or one["margin"]["value"] == 0
        starts = [window["start"] for window in one["windows"]]
        assert starts == sorted(starts, key=_instant)
        for window in one["windows"]:
            assert _instant(window["start"]) <= _instant(window["worst_at"]) < _instant(window["end"])
            assert _instant(one["period"]["start"]) <= _instant(window["start"])
            assert _instant(window["end"]) <= _instant(one["period"]["end"])
            assert window["rows"]


def _instant(stamp: str) -> float:
    from datetime import datetime

    assert re.search(r"[+-]\d\d:\d\d$", stamp), "every stamp carries its offset"
    return datetime.fromisoformat(stamp).timestamp()


# The same bytes


@pytest.mark.parametrize("case", VARIETY)
def test_two_runs_give_the_same_bytes(case: str) -> None:
    assert found_in(case) == found_in(case)


MACHINES: list[dict[str, str]] = [
    {"TZ": "UTC", "LC_ALL": "C", "PYTHONHASHSEED": "0"},
    {"TZ": "Pacific/Chatham", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "1"},
    # Clocks of Lisbon change within the recording, those of Beirut at midnight.
    {"TZ": "Asia/Beirut", "LC_ALL": "de_DE.UTF-8", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "4711"},
    {"TZ": "America/St_Johns", "PYTHONUTF8": "0", "OMP_NUM_THREADS": "1", "PYTHONHASHSEED": "99"},
]


def test_the_machine_does_not_matter(tmp_path: Path) -> None:
    results = set()
    for number, machine in enumerate(MACHINES):
        folder = tmp_path / str(number)
        folder.mkdir()
        case = CASES / "story_12_clock_changes"
        command = [
            sys.executable,
            "-m",
            "pqcheck",
            "check",
            str(case / "autumn_pairs.csv"),
            "--site",
            str(case / "site.toml"),
        ]
        command += ["--json", "f.json", "--out", "f.md", "f.csv", "--all"]
        plain = {
            name: value for name, value in os.environ.items() if not name.startswith(("LC_", "LANG", "TZ", "PYTHON"))
        }
        plain |= {"PYTHONPATH": os.environ["PYTHONPATH"]}
        done = subprocess.run(command, cwd=folder, env=plain | machine, capture_output=True, check=False)
        assert done.returncode == 0 and done.stderr == b"", done.stderr
        results.add((done.stdout, *((folder / name).read_bytes() for name in ("f.json", "f.md", "f.csv"))))
    assert len(results) == 1


# Outputs and exit codes


@pytest.mark.parametrize(("arguments", "status"), [
    ([OPEN, "--site", "site.toml", "--limits", "house.json"], 0),
    ([FAILS, "--site", "site.toml"], 1),
    ([FAILS, "--site", "nowhere.toml"], 2),
    ([OPEN, "--site", "site.toml"], 3),
])  # fmt: skip
def test_exit_codes(arguments: list[str], status: int, place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rule = {
        "id": "within", "title": "Voltage, 95 % of each day", "clause": "1", "confidence": "derived",
        "quantity": "voltage", "interval": "10 min", "period": "day", "reference": "nominal", "comparison": "closed",
        "statistic": {"kind": "share_within", "percent": "95"}, "limit": {"kind": "band", "low": "90", "high": "110"},
    }  # fmt: skip
    table = {
        "format": "pqcheck-limit-table/1", "id": "house", "standard": "House rule", "edition": "1",
        "title": "A daily share", "source": "invented", "rules": [rule],
    }  # fmt: skip
    (place / "house.json").write_text(json.dumps(table), encoding="utf-8")
    assert main(["check", *arguments]) == status
    out, err = capsys.readouterr()
    assert (bool(out), bool(err)) == (status != 2, status == 2)


@pytest.mark.parametrize("outputs", [[], ["--json", "f.json"], ["--out", "f.md"], ["--out", "f.csv", "f.json"]])
@pytest.mark.parametrize("printing", [[], ["--quiet"], ["--all"]])
def test_the_form_of_the_output_never_changes_the_code(
    outputs: list[str], printing: list[str], place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", FAILS, "--site", "site.toml", *outputs, *printing]) == 1
    assert main(["check", OPEN, "--site", "site.toml", *outputs, *printing]) == 3


def test_json_and_out_write_the_same_findings(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["check", FAILS, "--site", "site.toml"]
    assert main([*command, "--json", "a.txt", "--out", "b.json", "c.md", "d.csv"]) == 1
    library = check(FAILS, "site.toml").to_json()
    assert (place / "a.txt").read_text(encoding="utf-8") == (place / "b.json").read_text(encoding="utf-8") == library
    assert "205.33 V" in (place / "c.md").read_text(encoding="utf-8")
    assert "voltage-week-95" in (place / "d.csv").read_text(encoding="utf-8")


def test_what_exists_is_replaced_whole(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = place / "f.json"
    target.write_text("x" * 1_000_000, encoding="utf-8")
    assert main(["check", OPEN, "--site", "site.toml", "--json", "f.json"]) == 3
    assert json.loads(target.read_text(encoding="utf-8"))["verdict"] == "inconclusive"
    assert not list(place.glob(".*"))


def test_quiet_is_one_line_and_all_is_everything(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def printed(*arguments: str) -> str:
        main(["check", FAILS, "--site", "site.toml", *arguments])
        out, err = capsys.readouterr()
        assert not err
        return out

    quiet, plain, everything = printed("--quiet"), printed(), printed("--all")
    assert quiet.count("\n") == 1 and quiet.startswith("FAIL")
    assert plain.startswith(quiet.splitlines()[0][:40])
    # Passes are folded to a count unless they are asked for.
    week = ["check", "v1.csv", "--site", "v1.toml", "--limits", "en50160-2010-lv", "--quantities", "voltage"]
    vector = CASES / "vector_v1_v2_voltage_share"
    (place / "v1.csv").write_bytes((vector / "v1.csv").read_bytes())
    (place / "v1.toml").write_bytes((vector / "site.toml").read_bytes())
    main(week)
    folded = capsys.readouterr().out
    main([*week, "--all"])
    listed = capsys.readouterr().out
    assert len(listed) > len(folded) and listed.count("voltage-all") >= 1
    assert len(everything) >= len(plain)


def test_a_danger_sign_is_printed_even_when_quiet(capsys: pytest.CaptureFixture[str]) -> None:
    case = CASES / "story_02_loose_neutral"
    assert main(["check", str(case / "ten_minutes.csv"), "--site", str(case / "site.toml"), "--quiet"]) == 1
    assert "neutral" in capsys.readouterr().out


# What cannot be run: one sentence, exit 2, nothing written


def change(name: str, edit: Callable[[str], str], source: str = FAILS) -> Callable[[Path], None]:
    def apply(place: Path) -> None:
        (place / name).write_text(edit((place / source).read_text(encoding="utf-8")), encoding="utf-8")

    return apply


def nothing(place: Path) -> None:
    """Nothing to prepare."""


def no_zone(place: Path) -> None:
    change("bad.csv", lambda text: text.replace("Z,", ","))(place)
    change("bad.toml", lambda text: text.replace('time_zone = "Europe/Lisbon"\n', ""), "site.toml")(place)


def site_with(old: str, new: str) -> Callable[[Path], None]:
    return change("bad.toml", lambda text: text.replace(old, new), "site.toml")


RUN = "bad.csv --site site.toml"
SITE = f"{FAILS} --site bad.toml"
BAD: dict[str, tuple[Callable[[Path], None], str, list[str]]] = {
    "missing file": (nothing, "gone.csv --site site.toml", ["gone.csv", "no such file"]),
    "empty file": (change("bad.csv", lambda text: ""), RUN, ["bad.csv", "empty"]),
    "header only": (change("bad.csv", lambda text: text.splitlines()[0] + "\n"), RUN, ["bad.csv", "no rows"]),
    "no time column": (
        change("bad.csv", lambda text: "voltage.bn [V]," + re.sub(r"(?m)^[^,]*,", "230,", text)[4:]), RUN,
        ["bad.csv", "time"]),
    "one unreadable stamp": (
        change("bad.csv", lambda text: text.replace("2031-03-03T00:20Z", "yesterday")), RUN,
        ["bad.csv", "row 4", "'yesterday'"]),
    "no readable stamp": (
        change("bad.csv", lambda text: re.sub(r"(?m)^2031[^,]*", "whenever", text)), RUN, ["bad.csv", "'whenever'"]),
    "no zone": (no_zone, "bad.csv --site bad.toml", ["bad.csv", "offset", "time_zone"]),
    "text in a numeric column": (
        change("bad.csv", lambda text: re.sub(r"(?m),[\d.]+$", ",high", text)), RUN,
        ["bad.csv", "voltage.an", "720 cells", "row 2", "'high'"]),
    "unknown unit": (
        change("bad.csv", lambda text: text.replace("[V]", "[furlong]")), RUN, ["furlong", "voltage", "V or kV"]),
    "unknown table": (
        nothing, f"{FAILS} --site site.toml --limits en50160-2010-lw", ["-lw'", "did you mean 'en50160-2010-lv'"]),
    "no table at all": (
        site_with('apply = ["en50160-2010-lv"]', ""), SITE, ["no limit table", "--limits"]),
    "missing table file": (nothing, f"{FAILS} --site site.toml --limits house.json", ["house.json"]),
    "unknown quantity": (
        nothing, f"{FAILS} --site site.toml --quantities voltag", ["voltag", "did you mean 'voltage'"]),
    "missing site file": (nothing, f"{FAILS} --site gone.toml", ["gone.toml", "no such file"]),
    "site file that is no TOML": (site_with("[supply]", "[supply"), SITE, ["bad.toml", "TOML"]),
    "wrong key": (
        site_with("time_zone", "time_zoen"), SITE, ["bad.toml", "time_zoen", "did you mean 'time_zone'"]),
    "wrong key deep down": (
        site_with("connection", "conection"), SITE, ["supply.conection", "did you mean 'connection'"]),
    "wrong type": (
        site_with('"single-phase"', "3"), SITE, ["supply.connection", "must be", "found 3"]),
    "wrong choice": (
        site_with("single-phase", "star"), SITE, ["supply.connection", "star", "wye"]),
    "nominal in amperes": (site_with("230 V", "230 A"), SITE, ["supply.nominal_voltage", "230 A", "not a voltage"]),
    "nominal in words": (site_with("230 V", "mains"), SITE, ["supply.nominal_voltage", "mains", "not a voltage"]),
    "unknown zone": (site_with("Europe/Lisbon", "Europe/Lissabon"), SITE, ["Europe/Lissabon", "zone"]),
    "exclusion elsewhere": (
        change("bad.toml", lambda text: text + '[[exclusions]]\nfrom = 2030-01-01T00:00:00\nto = 2030-01-02T00:00:00\n'
               'reason = "storm"\nauthor = "engineer"\n', "site.toml"), SITE, ["storm", "outside the recording"]),
    "no site": (nothing, FAILS, ["--site"]),
    "unknown ending": (nothing, f"{FAILS} --site site.toml --out f.docx", ["f.docx", ".json"]),
    "folder that is not there": (nothing, f"{FAILS} --site site.toml --json no/f.json", ["no/f.json", "not exist"]),
    "same output twice": (nothing, f"{FAILS} --site site.toml --out f.md ./f.md", ["f.md", "twice"]),
    "output that is a folder": (
        lambda place: (place / "f.json").mkdir(), f"{FAILS} --site site.toml --json f.json", ["f.json", "folder"]),
    "unknown option": (nothing, f"{FAILS} --site site.toml --jsno f.json", ["--jsno"]),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_sentence_and_leaves_nothing_behind(
    name: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    prepare, command, words = BAD[name]
    prepare(place)
    before = {path: path.stat().st_mtime_ns for path in place.rglob("*")}
    outputs = [] if "--out" in command or "--json" in command else ["--json", "out.json", "--out", "out.md", "out.csv"]
    assert main(["check", *command.split(), *outputs]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("pqcheck"), err
    assert "Traceback" not in err and "error of pqcheck itself" not in err
    for word in words:
        assert word in err, err
    assert {path: path.stat().st_mtime_ns for path in place.rglob("*")} == before


def test_a_few_cells_that_are_no_number_are_unobserved_and_named(place: Path) -> None:
    change("few.csv", lambda text: text.replace("2031-03-03T00:20Z,", "2031-03-03T00:20Z,?"), OPEN)(place)
    found = check("few.csv", "site.toml")
    weekly = next(one for one in found.findings if one.rule == "voltage-week-95")
    assert weekly.intervals is not None and weekly.intervals.valid == 719
    texts = [one.reason.text for one in found.findings if one.kind == "recording" and one.reason]
    assert any("1 cell" in text and "row 4" in text and "?" in text for text in texts), texts


def test_an_unknown_column_is_named_and_never_fatal(place: Path) -> None:
    change("more.csv", lambda text: re.sub(r"(?m)$", ",7", text.strip()).replace("[V],7", "[V],Hull colour") + "\n")(
        place
    )
    document = json.loads(check("more.csv", "site.toml").to_json())
    assert document["verdict"] == "fail"
    column = next(one for one in document["recordings"][0]["columns"] if one["column"] == "Hull colour")
    assert column["channel"] is None and column["read_as"]


def test_a_process_that_cannot_run_says_so_without_traceback(place: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pqcheck", "check", "gone.csv", "--site", "site.toml", "--json", "f.json"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1 and "Traceback" not in done.stderr
    assert not (place / "f.json").exists()
