"""A fleet judged from a registry: the findings of single checks, nothing lost, nothing twice, faults as findings."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pandas
import pyarrow
import pyarrow.parquet
import pytest

from pqcheck.cli import main
from pqcheck.fleet.judge_site import Outcome, Question
from pqcheck.fleet.registry import read_registry
from pqcheck.fleet.run_fleet import Asked, on_this_machine, run_fleet
from pqcheck.model.errors import InputError, LimitTableError, OutputError, PqcheckError
from pqcheck.model.exit_status import ExitStatus
from tests.fleet_registry import FACTS, contents, documents, fleet, rows_of, week, write_registry

CONTRACT = {
    "site", "table", "rule", "clause", "kind", "quantity", "phase", "order", "period_start", "period_end", "verdict",
    "reason", "value", "unit", "low", "high", "margin_percent", "expected", "valid", "missing", "excluded", "outside",
    "allowed", "worst", "worst_at", "modifiers",
}

SITE = """
name = "{name}"
time_zone = "UTC"
[supply]
nominal_voltage = "230 V"
connection = "single-phase"
frequency = "50 Hz"
"""


def here(question: Question, asked: Sequence[Asked]) -> Iterator[Outcome]:
    """In this process: quick to start."""
    return on_this_machine(question, asked, processes=1)


def results_of(folder: Path, rows: list[dict[str, str]], name: str = "results", **settings: bool) -> Path:
    run_fleet(write_registry(folder / "registry.csv", rows), folder / name, engine=here, **settings)
    return folder / name


def reasons(results: Path) -> dict[str, str]:
    """Reason code by site, of findings that refuse the whole site."""
    rows = rows_of(results)
    rows = rows[rows.reason.isin(["unreadable", "doubled", "no-recording"])]
    assert set(rows.kind) <= {"recording"}
    assert set(rows.verdict) <= {"refused"}
    return dict(zip(rows.site, rows.reason, strict=True))


# The findings of single checks.


def test_findings_of_a_site_are_those_of_a_single_check(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    rows[2]["recording"] = "data/m2*.csv"
    week(tmp_path / "data" / "m2-later.csv", 22, start="2031-03-10")
    (tmp_path / "M.toml").write_text(SITE.format(name="M-0003"), encoding="utf-8")
    rows[3] = {"site": "M-0003", "recording": "data/m3.csv", "declared": "M.toml", "limits": FACTS["limits"]}
    results = results_of(tmp_path, rows)
    found = documents(results)
    assert set(found) == {row["site"] for row in rows}
    for row in rows:
        site = tmp_path / "single.toml"
        site.write_text(SITE.format(name=row["site"]), encoding="utf-8")
        files = sorted(map(str, tmp_path.glob(row["recording"])))
        out = tmp_path / "single.json"
        main(["check", *files, "--site", str(site), "--limits", FACTS["limits"], "--json", str(out), "--quiet"])
        assert found[row["site"]] == out.read_text(encoding="utf-8")


def test_the_rows_of_the_store_are_the_findings(tmp_path: Path) -> None:
    results = results_of(tmp_path, fleet(tmp_path))
    rows = rows_of(results)
    assert set(rows.columns) >= CONTRACT
    low = rows[(rows.site == "M-0001") & (rows.rule == "voltage-week-95")].iloc[0]
    # 80 of 1,008 readings from 203.5 V on, below 207 V, where 5 % (50) may.
    assert (low.verdict, low.outside, low.allowed, low.valid, low.low, low.high) == ("fail", 80, 50, 1008, 207, 253)
    assert low.worst == pytest.approx(203.501)
    assert low.value < 207
    assert low.period_start == pandas.Timestamp("2031-03-03", tz="UTC")
    assert set(rows[rows.site == "M-0003"].transformer) == {"T0"}


def test_every_file_has_all_columns_itself(tmp_path: Path) -> None:
    rows = [*fleet(tmp_path), {"site": "gone", "recording": "nothing.csv", **FACTS}]
    schemas = {
        tuple((field.name, str(field.type)) for field in pyarrow.parquet.read_schema(path))
        for path in (results_of(tmp_path, rows) / "findings").iterdir()
    }
    assert len(schemas) == 1


def test_order_of_rows_number_of_processes_and_place_show_nowhere(tmp_path: Path) -> None:
    rows = fleet(tmp_path, 10)
    first = contents(results_of(tmp_path, rows))
    other = tmp_path / "elsewhere"
    other.mkdir()
    shutil.copytree(tmp_path / "data", other / "data")
    run_fleet(write_registry(other / "registry.csv", rows[::-1]), other / "results")
    assert contents(other / "results") == first


def test_a_parquet_registry_is_read_as_a_csv(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    first = contents(results_of(tmp_path, rows))
    table = pandas.DataFrame(rows).assign(nominal_voltage=230.0, frequency=50, valid_to=pandas.NaT)
    table.to_parquet(tmp_path / "registry.parquet")
    run_fleet(tmp_path / "registry.parquet", tmp_path / "second", engine=here)
    assert contents(tmp_path / "second") == first


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_other_delimiters_are_read(tmp_path: Path, delimiter: str) -> None:
    rows = fleet(tmp_path)
    first = contents(results_of(tmp_path, rows))
    path = tmp_path / "registry.csv"
    path.write_text("\ufeff" + path.read_text(encoding="utf-8").replace(",", delimiter), encoding="utf-8")
    run_fleet(path, tmp_path / "second", engine=here)
    assert contents(tmp_path / "second") == first


# A second run.


def test_a_second_run_judges_only_what_changed(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    path = write_registry(tmp_path / "registry.csv", rows)
    results = tmp_path / "results"
    assert run_fleet(path, results, engine=here).judged == 4
    before = {file: file.stat().st_mtime_ns for file in (results / "findings").iterdir()}
    again = run_fleet(path, results, engine=here)
    assert (again.judged, again.unchanged, dict(again.again), again.left) == (0, 4, {}, ())
    assert {file: file.stat().st_mtime_ns for file in (results / "findings").iterdir()} == before

    week(tmp_path / "data" / "m0.csv", 0, low=90)
    rows[2]["nominal_voltage"] = "240 V"
    write_registry(path, rows[:3])
    changed = run_fleet(path, results, engine=here)
    assert dict(changed.again) == {
        "M-0000 (data/m0.csv)": "the recording changed", "M-0002 (data/m2.csv)": "what is declared changed",
    }  # fmt: skip
    assert (changed.judged, changed.unchanged, changed.left) == (2, 1, ("M-0003 (data/m3.csv)",))
    fresh = tmp_path / "fresh"
    run_fleet(path, fresh, engine=here)
    assert contents(fresh) == contents(results)
    assert len(list((results / "left" / "findings").iterdir())) == 1


def test_a_file_of_the_same_length_and_time_is_noticed(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    results = results_of(tmp_path, rows)
    file = tmp_path / "data" / "m0.csv"
    stamp = file.stat().st_mtime_ns
    file.write_text(file.read_text(encoding="utf-8").replace(",230.1", ",270.1", 1), encoding="utf-8")
    os.utime(file, ns=(stamp, stamp))
    assert run_fleet(tmp_path / "registry.csv", results, engine=here).judged == 1


def test_late_data_are_judged_with_what_was_there_or_by_themselves(tmp_path: Path) -> None:
    rows = [{"site": "M", "recording": "data/*.csv", **FACTS}]
    (tmp_path / "data").mkdir()
    week(tmp_path / "data" / "w1.csv", 1)
    results_of(tmp_path, rows, "together")
    results_of(tmp_path, rows, "apart", each=True)
    week(tmp_path / "data" / "w2.csv", 2, start="2031-03-10", low=90)
    path = tmp_path / "registry.csv"
    together = run_fleet(path, tmp_path / "together", engine=here)
    assert dict(together.again) == {"M (data/*.csv)": "the recording changed"}
    apart = run_fleet(path, tmp_path / "apart", engine=here, each=True)
    assert (apart.judged, apart.unchanged, dict(apart.again)) == (1, 1, {})
    for name in ("together", "apart"):
        rows_found = rows_of(tmp_path / name)
        weeks = rows_found[rows_found.rule == "voltage-week-95"].sort_values("period_start")
        assert list(weeks.verdict) == ["pass", "fail"]


def test_an_unreadable_recording_is_tried_again_and_left_alone_if_nothing_changed(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    file = tmp_path / "data" / "m0.csv"
    whole = file.read_bytes()
    file.write_bytes(b"nothing to read\n")
    results = results_of(tmp_path, rows)
    assert reasons(results) == {"M-0000": "unreadable"}
    before = {path: path.stat().st_mtime_ns for path in (results / "findings").iterdir()}
    assert run_fleet(tmp_path / "registry.csv", results, engine=here).judged == 0
    assert {path: path.stat().st_mtime_ns for path in (results / "findings").iterdir()} == before
    file.write_bytes(whole)
    assert dict(run_fleet(tmp_path / "registry.csv", results, engine=here).again) == {
        "M-0000 (data/m0.csv)": "it can be judged now"
    }
    assert contents(results_of(tmp_path, rows, "fresh")) == contents(results)


# Faults of the registry and of recordings are findings of their sites.


def test_faults_are_findings_and_not_the_end(tmp_path: Path) -> None:
    rows = fleet(tmp_path, 6)
    (tmp_path / "data" / "empty.csv").touch()
    (tmp_path / "data" / "cut.parquet").write_bytes(b"PAR1 and no more")
    shutil.copy(tmp_path / "data" / "m4.csv", tmp_path / "data" / "copy.csv")

    def row(site: str, recording: str, **changes: str) -> dict[str, str]:
        return {"site": site, "recording": recording, **FACTS, **changes}

    week(tmp_path / "data" / "spare.csv", 77)
    rows += [
        row("missing", "data/no.csv"), row("no-match", "data/no*.csv"), row("no-name", ""),
        row("empty", "data/empty.csv"), row("cut", "data/cut.parquet"), row("folder", "data"),
        row("same-file", "data/m5.csv"), row("same-bytes", "data/copy.csv"),
        row("M-0000", "data/spare.csv"), row("", "data/spare.csv"),
        row("connection", "data/spare.csv", connection="tripple"), row("bare", "data/spare.csv", nominal_voltage=""),
        row("no-table", "data/spare.csv", limits="en50160-2010-lw"), row("no-zone", "data/spare.csv", time_zone="Mars"),
        row("both", "data/spare.csv", declared="M.toml"),
        row("elsewhen", "data/spare.csv", valid_from="2030-01-01", valid_to="2030-02-01"),
        row("backwards", "data/spare.csv", valid_from="2031-02-01", valid_to="2031-01-01"),
        row("sch://eme", "nowhere://bucket/a.csv"), row("../../up", "data/no.csv"), row("spare", "data/spare.csv"),
    ]  # fmt: skip
    results = results_of(tmp_path, rows)
    assert reasons(results) == {
        "missing": "no-recording", "no-match": "no-recording", "no-name": "no-recording", "empty": "unreadable",
        "cut": "unreadable", "folder": "unreadable", "same-file": "doubled", "M-0005": "doubled",
        "same-bytes": "doubled", "M-0004": "doubled", "M-0000": "doubled", "(row 17)": "unreadable",
        "connection": "unreadable", "bare": "unreadable", "no-table": "unreadable", "no-zone": "unreadable",
        "both": "unreadable", "elsewhen": "no-recording", "backwards": "unreadable", "sch://eme": "unreadable",
        "../../up": "no-recording",
    }  # fmt: skip
    found = rows_of(results)
    assert not found.reason_text.astype("string").str.contains(str(tmp_path), regex=False).any()
    assert set(found[found.rule == "voltage-week-95"].site) == {"M-0001", "M-0002", "M-0003", "spare"}
    # Nothing was written beside the results.
    assert sorted(path.name for path in tmp_path.iterdir()) == ["data", "registry.csv", "results"]


def test_a_double_that_is_put_right_leaves_both_judged(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    shutil.copy(tmp_path / "data" / "m1.csv", tmp_path / "data" / "m0.csv")
    results = results_of(tmp_path, rows)
    assert reasons(results) == {"M-0000": "doubled", "M-0001": "doubled"}
    assert run_fleet(tmp_path / "registry.csv", results, engine=here).judged == 0
    week(tmp_path / "data" / "m0.csv", 0)
    done = run_fleet(tmp_path / "registry.csv", results, engine=here)
    assert set(done.again.values()) == {"no other site has the same recording any more"}
    assert contents(results_of(tmp_path, rows, "fresh")) == contents(results)


def test_a_row_holds_for_its_span(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    week(tmp_path / "data" / "m.csv", 1, days=14)
    plain = {"site": "M", "recording": "data/m.csv", **FACTS}
    rows = [{**plain, "valid_to": "2031-03-10", "transformer": "old"},
            {**plain, "valid_from": "2031-03-10", "transformer": "new", "nominal_basis": "letter"}]  # fmt: skip
    found = rows_of(results_of(tmp_path, rows))
    weeks = found[found.rule == "voltage-week-95"].sort_values("period_start")
    assert list(weeks.transformer) == ["old", "new"]
    assert list(weeks.expected) == [1008, 1008]
    assert list(weeks.verdict) == ["pass", "pass"]


def test_a_row_cuts_every_time_base_and_the_events(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    week(tmp_path / "data" / "m.csv", 1, days=8)
    flicker = ["time,flicker_plt.an [1]"] + [f"2031-03-0{3 + slot // 12}T{slot % 12 * 2:02d}:00:00Z,0.4{slot % 7}"
                                             for slot in range(48)]  # fmt: skip
    (tmp_path / "data" / "plt.csv").write_text("\n".join(flicker) + "\n", encoding="utf-8")
    events = "time,phase,kind,duration [s],residual [%]\n2031-03-03T05:00:00Z,a,dip,0.2,60\n"
    (tmp_path / "data" / "events.csv").write_text(events, encoding="utf-8")
    row = {"site": "M", "recording": "data/*.csv", **FACTS}
    for start, flickers in (("2031-03-04", True), ("2031-03-09", False)):
        found = rows_of(results_of(tmp_path, [{**row, "valid_from": start}], f"from-{start}"))
        assert set(found[found.rule == "voltage-week-95"].period_start) == {pandas.Timestamp(start, tz="UTC")}
        plt = found[(found.quantity == "flicker_plt") & (found.kind == "limit")]
        assert ("not-recorded" not in set(plt.reason)) == flickers
    alone = {"site": "M", "recording": "data/events.csv", **FACTS}
    rows = [{**alone, "valid_to": "2031-03-03"}, {**alone, "valid_from": "2031-03-03", "valid_to": "2031-03-04"}]
    results = results_of(tmp_path, rows, "events")
    assert reasons(results) == {"M": "no-recording"}
    assert len(set(rows_of(results).id)) > 1


def test_polars_opens_the_findings(tmp_path: Path) -> None:
    polars = pytest.importorskip("polars")
    results = results_of(tmp_path, [*fleet(tmp_path), {"site": "gone", "recording": "nothing.csv", **FACTS}])
    frame = polars.read_parquet(results / "findings" / "*.parquet")
    assert frame.height == len(rows_of(results))
    assert frame.filter(polars.col("verdict") == "fail")["site"].unique().to_list() == ["M-0001"]


# What stops a run before it begins.


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("site,recording,nominal_voltage\n", "no rows"),
        ("site,file,nominal_voltage\nA,a.csv,230\n", "no column 'recording'"),
        ("site,recording\nA,a.csv\n", "neither a column 'declared'"),
        ("site,recording,declared,site\nA,a.csv,b,c\n", "two columns 'site'"),
        ("site,recording,nominal_voltage,transfomer\nA,a.csv,230,T\n", "did you mean 'transformer'"),
    ],
)
def test_a_registry_that_cannot_be_used_stops_the_run(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "registry.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=says):
        run_fleet(tmp_path / "registry.csv", tmp_path / "results", engine=here)
    assert not (tmp_path / "results").exists()


def test_registries_of_other_kinds_stop_the_run(tmp_path: Path) -> None:
    (tmp_path / "broken.parquet").write_bytes(b"PAR1 and no more")
    (tmp_path / "latin.csv").write_bytes("site,recording,declared\nCaf\xe9,a,b\n".encode("latin-1"))
    for name, says in (("broken.parquet", "no whole Parquet"), ("latin.csv", "not UTF-8"), ("none.csv", "no such file"),
                       ("", "is a directory|permission denied")):  # fmt: skip
        with pytest.raises(InputError, match=says):
            read_registry(tmp_path / name)


def test_cells_as_people_write_them(tmp_path: Path) -> None:
    fleet(tmp_path)
    (tmp_path / "M.toml").write_text(SITE.format(name="M"), encoding="utf-8")
    text = (
        "site , recording,declared,limits,\n"
        'A, data/m0.csv ,M.toml,"en50160-2010-lv, ansi-c84.1-2020",\n'
        "\n,,,,\n"
        '"B, ""the\nsecond""",data/m1.csv,M.toml,en50160-2010-lv,,\n'
        "C,data/m2.csv,M.toml\n"
        "D,data/m3.csv,M.toml,en50160-2010-lv,stray,more\n"
    )
    (tmp_path / "registry.csv").write_text(text, encoding="utf-8")
    run_fleet(tmp_path / "registry.csv", tmp_path / "results", engine=here)
    assert reasons(tmp_path / "results") == {"C": "unreadable", "D": "unreadable"}
    rows = rows_of(tmp_path / "results")
    assert set(rows[rows.verdict == "fail"].site) == {'B, "the second"'}
    assert set(rows[rows.site == "A"].table.dropna()) >= {"en50160-2010-lv", "ansi-c84.1-2020"}
    # Counted as a spreadsheet counts them.
    assert rows[rows.site == "C"].reason_text.iloc[0].startswith("Row 6 has 3 cells and the header 5")


def test_other_columns_are_named_and_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [{**row, "customer": "somebody"} for row in fleet(tmp_path)]
    path = write_registry(tmp_path / "registry.csv", rows)
    assert main(["fleet", str(path), "--out", str(tmp_path / "results")]) == ExitStatus.FAILED
    text = capsys.readouterr().out
    assert "4 sites: 0 comply, 1 fail, 3 could not be judged" in text
    assert "Columns left alone: customer" in text


def test_an_unknown_table_stops_the_run(tmp_path: Path) -> None:
    path = write_registry(tmp_path / "registry.csv", fleet(tmp_path))
    with pytest.raises(LimitTableError):
        run_fleet(path, tmp_path / "results", ["en50160"], engine=here)
    assert not (tmp_path / "results").exists()


def test_results_of_another_registry_are_left_alone(tmp_path: Path) -> None:
    rows = fleet(tmp_path)
    results = results_of(tmp_path, rows)
    before = contents(results)
    strangers = write_registry(tmp_path / "registry.csv", [{**row, "site": f"N{row['site']}"} for row in rows])
    other_district = write_registry(tmp_path / "other.csv", [{**row, "recording": f"x/{row['site']}"} for row in rows])
    for path in (strangers, other_district):
        with pytest.raises(OutputError, match="another registry"):
            run_fleet(path, results, engine=here)
    assert contents(results) == before
    renamed = write_registry(tmp_path / "week11.csv", rows)
    assert run_fleet(renamed, results, engine=here).judged == 0


def test_a_folder_of_something_else_or_another_version_is_left_alone(tmp_path: Path) -> None:
    path = write_registry(tmp_path / "registry.csv", fleet(tmp_path))
    with pytest.raises(OutputError, match="holds no results"):
        run_fleet(path, tmp_path / "data", engine=here)
    with pytest.raises(OutputError, match="holds no results"):
        run_fleet(path, path, engine=here)
    results = tmp_path / "results"
    run_fleet(path, results, engine=here)
    manifest = results / "fleet.json"
    manifest.write_text(manifest.read_text(encoding="utf-8").replace("fleet/1", "fleet/9"), encoding="utf-8")
    with pytest.raises(InputError, match="another version"):
        run_fleet(path, results, engine=here)
    manifest.write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="does not hold together"):
        run_fleet(path, results, engine=here)


def test_a_place_that_cannot_be_written_stops_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_registry(tmp_path / "registry.csv", fleet(tmp_path))
    with pytest.raises(OutputError, match="cannot write results"):
        run_fleet(path, path / "results", engine=here)

    def full(*arguments: object) -> None:
        raise OSError(28, "No space left on device")

    results = tmp_path / "results"
    run_fleet(path, results, engine=here)
    before = contents(results)
    week(tmp_path / "data" / "m0.csv", 0, low=90)
    monkeypatch.setattr("pqcheck.io.write_files.os.replace", full)
    with pytest.raises(OutputError, match="No space left"):
        run_fleet(path, results, engine=here)
    assert contents(results) == before


def test_damaged_results_are_made_again(tmp_path: Path) -> None:
    results = results_of(tmp_path, fleet(tmp_path))
    before = contents(results)
    rows, other, *_ = sorted((results / "findings").iterdir())
    rows.write_bytes(rows.read_bytes()[:-20])
    next(iter((results / "checks").glob(f"{other.stem}*"))).unlink()
    (results / "findings" / ".pqcheck-0123.part").write_bytes(b"half")
    run_fleet(tmp_path / "registry.csv", results, engine=here)
    assert contents(results) == before
    for name in ("findings", "checks"):
        shutil.rmtree(results / name)
        run_fleet(tmp_path / "registry.csv", results, engine=here)
        assert contents(results) == before


# Killed in the middle.


def test_a_killed_run_goes_on_to_the_same_bytes(tmp_path: Path) -> None:
    rows = fleet(tmp_path, 60)
    path = write_registry(tmp_path / "registry.csv", rows)
    run_fleet(path, tmp_path / "undisturbed")
    results = tmp_path / "results"
    command = [sys.executable, "-m", "pqcheck", "fleet", str(path), "--out", str(results), "--quiet"]
    for wanted in (1, 20):
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        while process.poll() is None and len(list(results.glob("findings/[!.]*"))) < wanted:
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
        # Ends only when its workers have let go of the pipes as well: none is left behind.
        process.communicate()
    held = contents(results)
    whole = contents(tmp_path / "undisturbed")
    assert len([name for name in held if ".pqcheck-" not in name]) < len(whole)
    assert all(whole[name] == data for name, data in held.items() if ".pqcheck-" not in name)
    assert run_fleet(path, results).unchanged > 0
    assert contents(results) == whole


def test_a_killed_worker_is_replaced(tmp_path: Path) -> None:
    rows = fleet(tmp_path, 40)
    path = write_registry(tmp_path / "registry.csv", rows)
    killed = []

    def engine(question: Question, asked: Sequence[Asked]) -> Iterator[Outcome]:
        import multiprocessing

        for number, outcome in enumerate(on_this_machine(question, asked, processes=2)):
            if number == 3:
                victim = multiprocessing.active_children()[0]
                killed.append(victim.pid)
                victim.kill()
            yield outcome

    run_fleet(path, tmp_path / "results", engine=engine)
    assert killed
    run_fleet(path, tmp_path / "undisturbed", engine=here)
    assert contents(tmp_path / "results") == contents(tmp_path / "undisturbed")


def test_processes_that_end_at_once_are_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from concurrent.futures.process import BrokenProcessPool

    def broken(*arguments: object) -> Iterator[Outcome]:
        raise BrokenProcessPool
        yield

    monkeypatch.setattr("pqcheck.workflows.processes.spread", broken)
    path = write_registry(tmp_path / "registry.csv", fleet(tmp_path))
    with pytest.raises(PqcheckError, match="again and again"):
        run_fleet(path, tmp_path / "results")
