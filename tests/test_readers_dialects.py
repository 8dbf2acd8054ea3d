"""One recording in many dialects: it reads back equal, or is refused by name, and never reads back different."""

from __future__ import annotations

import codecs
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pqcheck import check
from pqcheck.cli import main
from pqcheck.io import parse_header, read
from pqcheck.model.clock import MINUTE, SECOND
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Recording
from pqcheck.site.load_site import site_from

START = datetime(2031, 3, 14, tzinfo=UTC)
SITE = {
    "name": "Heron Wharf", "time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "wye"},
    "limits": {"apply": ["en50160-2010-lv"]},
}
CONTRACT = ("voltage.an [V]", "voltage.bn [V]", "voltage.cn [V]", "current.a [A]")
TRADE = ("U L1-N", "U L2-N", "U L3-N", "I L1")
UNITS = ("V", "V", "V", "A")


@dataclass(frozen=True)
class Writing:
    """The choices of one export."""

    delimiter: str = ","
    decimal: str = "."
    time: str = "iso"
    head: str = "contract"
    preamble: int = 0
    blank: str = ""
    encoding: str = "utf-8"
    quoted: bool = False
    ending: str = "\n"
    repeat: bool = False
    trailing: bool = False
    footer: bool = False
    sep_line: bool = False


def stamp(at: datetime, kind: str) -> list[str]:
    if kind == "iso":
        return [at.strftime("%Y-%m-%dT%H:%M:%S+00:00")]
    if kind == "plain":
        return [at.strftime("%Y-%m-%d %H:%M")]
    if kind == "dots":
        return [at.strftime("%d.%m.%Y %H:%M:%S")]
    if kind == "american":
        return [at.strftime("%m/%d/%Y %I:%M %p")]
    if kind == "two":
        return [at.strftime("%d.%m.%Y"), at.strftime("%H:%M:%S")]
    if kind == "epoch":
        return [str(int(at.timestamp()))]
    days = (at - datetime(1899, 12, 30, tzinfo=UTC)) / timedelta(days=1)
    return [f"{days:.10f}"]


def write(rows: list[list[float | None]], how: Writing, minutes: int = 10) -> bytes:
    def number(value: float | None) -> str:
        return how.blank if value is None else repr(value).replace(".", how.decimal)

    def line(cells: list[str]) -> str:
        quoted = [f'"{cell}"' for cell in cells] if how.quoted else cells
        return how.delimiter.join(quoted) + (how.delimiter if how.trailing else "")

    width = len(rows[0])
    names = {"contract": ["time"], "trade": ["Time"], "units": ["Time"]}[how.head]
    if how.time == "two":
        names = ["Date", "Time"]
    time_cells = len(names)
    heads = [names + list((CONTRACT if how.head == "contract" else TRADE)[:width])]
    if how.head == "trade":
        heads = [names + [f"{name} ({unit})" for name, unit in zip(TRADE[:width], UNITS, strict=False)]]
    elif how.head == "units":
        heads.append([""] * time_cells + list(UNITS[:width]))
    lines = [f"sep={how.delimiter}"] if how.sep_line else []
    lines += [f"Note {number}: invented" for number in range(how.preamble)]
    lines += [line(head) for head in heads]
    for at, row in enumerate(rows):
        if how.repeat and at == len(rows) // 2:
            lines += [line(head) for head in heads]
        cells = stamp(START + timedelta(minutes=minutes * at), how.time)
        if how.time == "serial":
            cells = [cells[0].replace(".", how.decimal)]
        lines.append(line(cells + [number(value) for value in row]))
    if how.footer:
        lines += ["", line(["Average"] + [""] * (time_cells - 1) + [number(1.5)] * width)]
    data = how.ending.join(lines) + how.ending
    if how.encoding == "utf-8-mark":
        return codecs.BOM_UTF8 + data.encode()
    return data.encode(how.encoding)


def values(recording: Recording) -> dict[str, list[str]]:
    assert len(recording.streams) == 1
    stream = recording.streams[0]
    found: dict[str, list[np.ndarray]] = {}
    for block in stream.blocks(None):
        for channel, array in block.values.items():
            found.setdefault(f"{channel.name} [{channel.unit}]", []).append(array.copy())
    assert stream.axis.start_us == int(START.timestamp()) * SECOND
    return {name: [repr(value) for value in np.concatenate(pieces).tolist()] for name, pieces in found.items()}


writings = st.builds(
    Writing,
    delimiter=st.sampled_from([",", ";", "\t", "|"]), decimal=st.sampled_from([".", ","]),
    time=st.sampled_from(["iso", "plain", "dots", "american", "two", "epoch", "serial"]),
    head=st.sampled_from(["contract", "trade", "units"]), preamble=st.integers(0, 5),
    blank=st.sampled_from(["", "---", "NaN", "n/a"]),
    encoding=st.sampled_from(["utf-8", "utf-8-mark", "utf-16", "cp1252"]), quoted=st.booleans(),
    ending=st.sampled_from(["\n", "\r\n"]), repeat=st.booleans(), trailing=st.booleans(), footer=st.booleans(),
    sep_line=st.booleans(),
)
readings = st.one_of(
    st.none(), st.floats(min_value=207, max_value=253), st.integers(207, 253).map(float),
    st.decimals(min_value=207, max_value=253, places=2).map(float),
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.data(), writings, st.integers(min_value=2, max_value=4), st.integers(min_value=4, max_value=12))
def test_any_dialect_reads_back_equal_or_is_refused(
    tmp_path: Path, data: st.DataObject, how: Writing, width: int, count: int
) -> None:
    rows = [[data.draw(readings) for _ in range(width)] for _ in range(count)]
    # The first row is whole: a table that begins with blanks only shows nothing of its numbers.
    rows[0] = [230.5 + column for column in range(width)]
    if how.delimiter == how.decimal and not how.quoted:
        how = Writing(**{**how.__dict__, "quoted": True})
    path = tmp_path / "a.csv"
    path.write_bytes(write(rows, how))
    wanted: dict[str, list[str]] = {}
    for column in range(width):
        channel = parse_header(CONTRACT[column])
        assert channel is not None
        column_values = [row[column] for row in rows]
        texts = ["nan" if value is None else repr(value) for value in column_values]
        wanted[f"{channel.name} [{channel.unit}]"] = texts
    try:
        recording = read([path], site_from(SITE))
    except InputError as error:
        assert " add " in str(error) and "[recording]" in str(error), str(error)
        return
    assert values(recording) == wanted


@pytest.mark.parametrize("time", ["epoch", "serial"])
@pytest.mark.parametrize("head", ["contract", "units"])
def test_rows_without_readings_below_the_first_row_do_not_hide_it(tmp_path: Path, time: str, head: str) -> None:
    how = Writing(time=time, head=head, preamble=1, footer=True)
    path = tmp_path / "a.csv"
    path.write_bytes(write([[230.5, 231.5], [None, None], [None, None], [None, None], [229.0, 228.0]], how))
    found = values(read([path], site_from(SITE)))
    assert sorted(found.values()) == [["230.5", *["nan"] * 3, "229.0"], ["231.5", *["nan"] * 3, "228.0"]]


TEN = {
    "plain": Writing(),
    "semicolons": Writing(delimiter=";", decimal=",", time="dots", head="trade"),
    "tabs": Writing(delimiter="\t", time="plain", head="units", preamble=4),
    "american": Writing(time="american", head="trade", blank="---"),
    "two columns": Writing(delimiter=";", decimal=",", time="two", head="units", repeat=True, footer=True),
    "utf-16": Writing(delimiter="\t", decimal=",", time="dots", head="trade", encoding="utf-16"),
    "quoted": Writing(decimal=",", quoted=True, time="plain", head="trade", ending="\r\n"),
    "epoch": Writing(delimiter="|", time="epoch", head="trade", blank="n/a"),
    "serial": Writing(delimiter=";", decimal=",", time="serial", head="trade", trailing=True),
    "sep line": Writing(delimiter=";", time="plain", head="contract", sep_line=True, encoding="utf-8-mark"),
}


def week() -> list[list[float | None]]:
    chance = np.random.default_rng(4)
    rows: list[list[float | None]] = []
    for at in range(1008):
        row: list[float | None] = [round(float(value), 2) for value in 231 + chance.normal(0, 2, 3)]
        if at % 97 == 5:
            row[0] = 254.25
        if at % 211 == 7:
            row[1] = None
        rows.append([*row, round(100 + 20 * float(np.sin(at / 23)), 1)])
    return rows


def judged(folder: Path, how: Writing) -> tuple[str, dict[str, int], str]:
    path = folder / "week.csv"
    path.write_bytes(write(week(), how))
    findings = check([path], site_from(SITE))
    document = json.loads(findings.to_json())
    for finding in document["findings"]:
        for window in finding["windows"]:
            window.pop("rows")
    kept = [finding for finding in document["findings"] if finding["kind"] == "limit"]
    return str(findings.verdict), dict(document["counts"]), json.dumps(kept, sort_keys=True)


def test_ten_dialects_give_the_same_verdict_counts_and_findings(tmp_path: Path) -> None:
    plain = judged(tmp_path, TEN["plain"])
    assert len(TEN) == 10 and plain[0].endswith(("fail", "FAIL"))
    for name, how in TEN.items():
        assert judged(tmp_path, how) == plain, name


def test_rows_point_into_the_file_through_a_dialect(tmp_path: Path) -> None:
    path = tmp_path / "week.csv"
    path.write_bytes(write(week(), TEN["two columns"]))
    lines = path.read_text().splitlines()
    recording = read([path], site_from(SITE))
    channel = parse_header("voltage.an [V]")
    assert channel is not None
    stream = recording.streams[0]
    for slot in (0, 5, 500, 600, 1007):
        start = stream.axis.start_us + slot * 10 * MINUTE
        (span,) = stream.index.rows(channel, start, start + 10 * MINUTE)
        assert span.first == span.last
        value = next(iter(stream.blocks([channel]))).values[channel][slot]
        assert lines[span.first - 1].split(";")[2] == repr(float(value)).replace(".", ",")


def run_columns(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["columns", *arguments]) == 0
    return capsys.readouterr().out


def test_columns_says_how_a_file_is_read_and_writes_it_down(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(write([[230.1, 231.2], [230.4, 231.3]], TEN["semicolons"]))
    out = run_columns([str(path), "--write", str(tmp_path / "recording.toml")], capsys)
    assert "semicolons between cells, decimal comma" in out and "day first" in out
    assert "voltage.an [V]" in out and "time_zone" in out
    section = (tmp_path / "recording.toml").read_text()
    assert '"U L1-N (V)" = "voltage.an [V]"' in section and 'decimal = ","' in section


def test_columns_describes_a_doubt_and_still_ends_with_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Time,V1 (V)\n2031-03-03 00:00,400\n2031-03-03 00:10,401\n")
    (tmp_path / "site.toml").write_text(
        'name = "x"\ntime_zone = "UTC"\n[supply]\nnominal_voltage = "400 V"\nconnection = "wye"\n')
    out = run_columns([str(path), "--site", str(tmp_path / "site.toml"), "--write", str(tmp_path / "r.toml")], capsys)
    assert "line to line" in out and "not judged" in out
    assert "# decide:" in (tmp_path / "r.toml").read_text()


def test_a_sidecar_is_written_and_honoured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Stamp,K1\n2031-03-03T00:10:00Z,230.5\n2031-03-03T00:20:00Z,231.5\n")
    beside = tmp_path / "a.csv.columns.json"
    beside.write_text(json.dumps({"fields": [
        {"name": "Stamp", "type": "datetime", "stamp": "end"},
        {"name": "K1", "type": "number", "quantity": "voltage", "phase": "an", "statistic": "max", "unit": "V"}]}))
    recording = read([path])
    assert [channel.name for channel in recording.streams[0].channels] == ["voltage.an.max"]
    assert recording.streams[0].axis.start_us == int(datetime(2031, 3, 3, tzinfo=UTC).timestamp()) * SECOND
    beside.unlink()
    trade = tmp_path / "b.csv"
    trade.write_bytes(write([[230.1], [230.4]], Writing(head="trade")))
    run_columns([str(trade), "--sidecar"], capsys)
    document = json.loads((tmp_path / "b.csv.columns.json").read_text())
    assert document["fields"][1]["quantity"] == "voltage" and document["fields"][1]["phase"] == "an"
    assert [channel.name for channel in read([trade]).streams[0].channels] == ["voltage.an.mean"]
    (tmp_path / "b.csv.columns.json").write_text("{")
    with pytest.raises(InputError, match="cannot be read as JSON"):
        read([trade])


@pytest.mark.parametrize("spoil", [
    lambda data: data[: len(data) // 2], lambda data: data[:-40], lambda data: b"PK\x03\x04" + data,
    lambda data: data.replace(b"2031", b"20x1"), lambda data: b"\x1f\x8b" + data, lambda data: data.replace(b";", b""),
    lambda data: data[:200] + bytes(range(256)) + data[200:],
])
def test_spoiled_files_are_refused_or_read_without_a_crash(
    tmp_path: Path, spoil: Callable[[bytes], bytes]
) -> None:
    rows: list[list[float | None]] = [[230.0 + at, 231.0] for at in range(20)]
    path = tmp_path / "a.csv"
    path.write_bytes(spoil(write(rows, TEN["semicolons"])))
    try:
        recording = read([path], site_from(SITE))
    except InputError as error:
        assert "\n" not in str(error)
        return
    for block in recording.streams[0].blocks(None):
        for array in block.values.values():
            whole = array[~np.isnan(array)]
            assert set(whole.tolist()) <= {230.0 + at for at in range(20)} | {231.0}


def test_percent_of_the_nominal_gives_the_product_as_on_paper(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Time,U L1-N [% of nominal]\n2031-03-14 00:00,100\n2031-03-14 00:10,110\n")
    found = values(read([path], site_from(SITE)))["voltage.an.mean [V]"]
    assert [Decimal(value) for value in found] == [Decimal(230), Decimal(253)]
