"""What a cell says: a number, a bound, no value, or something odd; what is no plain number never becomes one."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zipfile import ZipFile

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pqcheck.io import from_arrays, read
from pqcheck.io.csv.cells import Kind, cell_of, read_cells
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Block, Note, Recording
from pqcheck.site.load_site import site_from

SITE = site_from(
    {"name": "Mill", "time_zone": "UTC", "supply": {"nominal_voltage": "400 V", "connection": "wye"}}
)


def blocks(recording: Recording) -> Block:
    [stream] = recording.streams
    [block] = stream.blocks(None)
    return block


def recorded(tmp_path: Path, header: str, cells: list[str]) -> tuple[np.ndarray, Block, tuple[Note, ...]]:
    """The values, the block and the notes of a column of cells, ten minutes apart."""
    lines = [f"2031-03-03T{at // 6:02}:{at % 6 * 10:02}:00Z,{cell}" for at, cell in enumerate(cells)]
    path = tmp_path / "a.csv"
    path.write_text("\n".join([f"time,{header}", *lines]) + "\n")
    recording = read([path])
    block = blocks(recording)
    [values] = block.values.values()
    return values.copy(), block, recording.all_notes()


@pytest.mark.parametrize(("text", "decimal", "kind", "value"), [
    ("230.1", ".", Kind.NUMBER, 230.1), ("230,1", ",", Kind.NUMBER, 230.1), ("1 234.5", ".", Kind.NUMBER, 1234.5),
    ("1,234", ".", Kind.NUMBER, 1234), ("1.234.567", ",", Kind.NUMBER, 1234567), ("-3", ".", Kind.NUMBER, -3),
    ("1,234,56", ".", Kind.ODD, None), ("0,274", ".", Kind.ODD, None), ("0.274", ",", Kind.ODD, None),
    ("1,234.567,8", ".", Kind.ODD, None), ("1e", ".", Kind.ODD, None), ("2E", ".", Kind.ODD, None),
    ("1.#QNAN", ".", Kind.NO_VALUE, None), ("-1.#IND00", ".", Kind.NO_VALUE, None), ("1.#INF", ".", Kind.ODD, None),
    ("1e400", ".", Kind.ODD, None), ("12 x", ".", Kind.ODD, None), ("230 V AC", ".", Kind.ODD, None),
    (">7", ".", Kind.LOWER_BOUND, 7), ("\u22657", ".", Kind.LOWER_BOUND, 7), ("4.5 OL", ".", Kind.LOWER_BOUND, 4.5),
    ("OVL", ".", Kind.LOWER_BOUND, None), ("< 220", ".", Kind.UPPER_BOUND, 220), ("<=1,5", ",", Kind.UPPER_BOUND, 1.5),
    ("<4 OL", ".", Kind.ODD, None), ("-OL", ".", Kind.ODD, None), ("", ".", Kind.NO_VALUE, None),
])
def test_what_a_cell_says(text: str, decimal: str, kind: Kind, value: float | None) -> None:
    cell = cell_of(text, decimal)
    assert cell.kind is kind
    assert np.isnan(cell.value) if value is None else cell.value == value


@pytest.mark.parametrize(("text", "unit", "value"), [
    ("0.95 kA", "A", 950), ("950 mA", "A", 0.95), ("4.5 %", "%", 4.5), ("0.045 pu", "%", 4.5), ("230.1V", "V", 230.1),
    ("0.1 %", "% of nominal", 0.1), ("95 %", "1", 0.95), ("4.5 kV", "%", None), ("1 V", "A", None), ("1 %", "", None),
    ("5 A", "pu", None), ("1 h", "V", None),
])
def test_a_unit_behind_a_number_is_converted_or_does_not_fit(text: str, unit: str, value: float | None) -> None:
    cells = read_cells([text, "1"], ".", unit)
    assert np.isnan(cells.values[0]) if value is None else cells.values[0] == value
    assert bool(cells.refused) == (value is None) and cells.values[1] == 1


@pytest.mark.parametrize(("cells", "value"), [
    (["230,260", "230.4", "229.8"], None), (["<230,260", "230.4", "229.8"], None), (["850", "900", "1,250"], 1250),
    (["12,345", "9,870", "15,100", "8,020"], 12345), (["1,230,260", "230.4"], 1230260), (["1,250.5", "2.1"], 1250.5),
    (["0.230,260", "230.4"], None),
])
def test_a_comma_that_may_be_of_decimals_is_odd_where_thousands_would_not_fit(
    cells: list[str], value: float | None
) -> None:
    read = read_cells(cells, ".", "V")
    at = cells.index(max(cells, key=lambda cell: cell.count(",")))
    assert np.isnan(read.values[at]) if value is None else read.values[at] == value
    assert bool(read.refused) == (value is None)


# Beginnings and ends that instruments, spreadsheets and cut files leave around a number.
AROUND = st.sampled_from([
    "", " ", "E", "e", "e+", "#", "#INF", "#QNAN", "OL", " OL", "x", "?", "!", "*", "kV", " %", " mA", "<", ">", "~",
    "=", "--", "'", ",", ".", ",5", ".5", " 5", "/", "(", ")", " V AC", "-", "+",
])


@given(AROUND, st.decimals(0, 2000, places=2).map(str), AROUND, st.sampled_from([".", ","]))
def test_what_is_not_plainly_a_number_never_becomes_a_plain_number(
    before: str, number: str, behind: str, decimal: str
) -> None:
    text = before + number.replace(".", decimal) + behind
    cell = cell_of(text, decimal)
    if cell.kind is not Kind.NUMBER:
        return
    # An independent reading: what remains without blanks, thousands marks and a unit is a number for Python, and equal.
    left = text.strip()
    if cell.unit:
        assert left.endswith(cell.unit)
        left = left.removesuffix(cell.unit).strip()
    assert all(letter in "0123456789+-., '" for letter in left)
    groups = left.lstrip("+-").replace(" ", "'").replace("." if decimal == "," else ",", "'").split("'")
    assert all(len(group.partition(decimal)[0]) == 3 for group in groups[1:])
    assert len(groups) == 1 or (1 <= len(groups[0]) <= 3 and groups[0][0] != "0")
    value = Decimal("".join(groups).replace(decimal, "."))
    assert cell.value == float(-value if left.startswith("-") else value)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([
    "230.1", "231.5", "<220", ">300", "OL", "4.5 OL", "0.95 kV", "5 %", "1.#QNAN", "1.#INF", "2E", "1e", "", "-", "ERR",
    "-230", "0.23kV", "1 234.5", "~230", "9999",
]), min_size=3, max_size=20))
def test_every_kept_value_of_a_column_is_a_number_a_bound_or_named(tmp_path: Path, cells: list[str]) -> None:
    cells = ["230.5", *cells]
    values, block, notes = recorded(tmp_path, "voltage.an [V]", cells)
    lower = next(iter(block.lower_bounds.values()), np.zeros(len(cells), bool))
    upper = next(iter(block.upper_bounds.values()), np.zeros(len(cells), bool))
    plain = {"230.1": 230.1, "231.5": 231.5, "0.95 kV": 950.0, "0.23kV": 230.0, "1 234.5": 1234.5, "230.5": 230.5}
    bounds = {">300": 300.0, "4.5 OL": 4.5, "<220": 220.0}
    odd = {"5 %", "1.#INF", "2E", "1e", "ERR", "-230", "~230", "9999"}
    for cell, value, low, high in zip(cells, values, lower, upper, strict=True):
        if cell in plain:
            assert value == plain[cell] and not low and not high
        elif cell in bounds:
            assert value == bounds[cell] and (low, high) == (cell != "<220", cell == "<220")
        elif cell == "OL":
            assert np.isnan(value) and low and not high
        else:
            assert np.isnan(value) and not low and not high
    named = {rows.first for note in notes if note.code == "not-a-number" for rows in note.rows}
    counted = sum(int(note.text.split(": ")[1].split()[0]) for note in notes if note.code == "not-a-number")
    assert counted == sum(cell in odd for cell in cells) and bool(named) == bool(counted)


def test_a_frequency_of_zero_is_no_reading(tmp_path: Path) -> None:
    """Instruments write it where no voltage was there to measure a frequency from: no proof that the limit was left."""
    values, _, notes = recorded(tmp_path, "frequency [Hz]", ["50.01", "0", "-50", "49.99"])
    assert np.isnan(values[1:3]).all() and values[[0, 3]].tolist() == [50.01, 49.99]
    [note] = [note for note in notes if note.code == "not-a-number"]
    assert "2 cells are zero or negative, which no frequency is" in note.text and note.rows[0].first == 3


@pytest.mark.parametrize("header", [
    "voltage.an [V]", "current.a [A]", "voltage_thd.an [%]", "current_harmonic.a.h5 [A]", "flicker_pst.an",
    "negative_sequence_unbalance [%]",
])
def test_what_has_no_sign_is_no_reading_when_it_is_negative(tmp_path: Path, header: str) -> None:
    values, _, notes = recorded(tmp_path, header, ["1.5", "-1.5", "-0.0", "1.5"])
    assert np.isnan(values[1]) and values[[0, 2, 3]].tolist() == [1.5, 0, 1.5]
    [note] = [note for note in notes if note.code == "not-a-number"]
    assert "negative" in note.text and note.rows[0].first == 3
    memory = from_arrays(np.arange(4) * 600_000_000, {header: [1.5, -1.5, -0.0, 1.5]})
    [again] = blocks(memory).values.values()
    assert np.array_equal(again, values, equal_nan=True) and "negative" in memory.notes[0].text


def test_powers_may_be_negative(tmp_path: Path) -> None:
    values, _, notes = recorded(tmp_path, "active_power.total [W]", ["1.5", "-1.5", "1.5"])
    assert values.tolist() == [1.5, -1.5, 1.5] and not notes


def test_bounds_and_odd_cells_of_a_table_of_one_reading_per_row(tmp_path: Path) -> None:
    rows = [("voltage.an [V]", "230.1"), ("current.a [A]", ">60"), ("voltage.an [V]", "<220"), ("current.a [A]", "ERR"),
            ("voltage.an [V]", "-5"), ("current.a [A]", "1.5")]
    path = tmp_path / "long.csv"
    path.write_text("time,channel,value\n" + "".join(
        f"2031-03-03T00:{at // 2 * 10:02}:00Z,{name},{cell}\n" for at, (name, cell) in enumerate(rows)))
    recording = read([path])
    block = blocks(recording)
    marks = {channel.quantity: (block.lower_bounds.get(channel), block.upper_bounds.get(channel))
             for channel in block.values}
    assert [marks["current"][0].tolist(), marks["voltage"][1].tolist()] == [[True, False, False], [False, True, False]]
    values = {channel.quantity: values.tolist() for channel, values in block.values.items()}
    assert values["current"][::2] == [60, 1.5] and np.isnan(values["current"][1])
    assert values["voltage"][:2] == [230.1, 220] and np.isnan(values["voltage"][2])
    texts = [note.text for note in recording.all_notes() if note.code == "not-a-number"]
    assert any("'ERR'" in text for text in texts) and any("negative" in text for text in texts)


@pytest.mark.parametrize(("header", "cells"), [
    ("time,channel,value,unit", ["10.5,A", "0.95 kA,A", "10.5,A"]),
    ("time,channel,value", ["10.5", "0.95 kA", "10.5"]),
])
def test_a_unit_behind_one_number_of_a_long_table_is_never_passed_over(
    tmp_path: Path, header: str, cells: list[str]
) -> None:
    path = tmp_path / "long.csv"
    rows = [f"2031-03-03T00:{at}0:00Z,current.a [A],{cell}" for at, cell in enumerate(cells)]
    path.write_text("\n".join([header, *rows]) + "\n")
    with pytest.raises(InputError, match="some numbers carry the unit 'kA'"):
        read([path])


def test_two_units_of_one_channel_in_a_column_of_units_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    rows = [f"2031-03-03T00:{at}0:00Z,current.a,{cell}" for at, cell in enumerate(["10.5,A", "0.95,kA", "10.5,A"])]
    path.write_text("\n".join(["time,channel,value,unit", *rows]) + "\n")
    with pytest.raises(InputError, match=r"'current.a' are in 'A' and in 'kA'"):
        read([path])


def test_one_unit_among_plain_numbers_is_not_the_unit_of_the_column(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Time,I L1,U L1-N\n" + "".join(
        f"2031-03-03 00:{at * 10:02},{'0.95 kA' if at == 1 else '10.5'},230.{at}\n" for at in range(6)))
    block = blocks(read([path], SITE))
    currents = next(values for channel, values in block.values.items() if channel.quantity == "current")
    assert currents.tolist() == [10.5, 950, 10.5, 10.5, 10.5, 10.5]


def test_percent_cells_of_a_workbook_are_read_as_they_are_shown_and_a_stale_size_hides_no_row(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["time", "voltage_thd.an [%]", "voltage.an [V]", "voltage.bn [V]"])
    for at in range(6):
        sheet.append([datetime(2031, 3, 3) + timedelta(minutes=10 * at), 0.09, 230.5, 231.5])
        sheet.cell(at + 2, 2).number_format = "0.0%"
        sheet.cell(at + 2, 3).number_format = '0.0"%"'
    plain = tmp_path / "plain.xlsx"
    book.save(plain)
    stale = tmp_path / "stale.xlsx"
    with ZipFile(plain) as old, ZipFile(stale, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                assert b'ref="A1:D7"' in data
                data = data.replace(b'ref="A1:D7"', b'ref="A1:C4"')
            new.writestr(name, data)
    for path in (plain, stale):
        block = blocks(read([path], SITE))
        values = {channel.name: values.tolist() for channel, values in block.values.items()}
        wanted = {"voltage_thd.an.mean": 9.0, "voltage.an.mean": 230.5, "voltage.bn.mean": 231.5}
        assert values == {name: [value] * 6 for name, value in wanted.items()}


def test_a_column_of_odd_cells_only_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds no number in any of 3 cells"):
        recorded(tmp_path, "voltage.an [V]", ["2E", "1.#INF", "4 %"])
