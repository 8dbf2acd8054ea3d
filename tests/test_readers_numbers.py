"""The compiled reading of numbers: bit for bit Python's float(), and the library's answer wherever both read."""

from __future__ import annotations

import os
import random
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pqcheck import check
from pqcheck.io.csv import compiled_numbers as csv_compiled
from pqcheck.io.csv.compiled_numbers import Extremes, LineCutter, Written, parse_into
from pqcheck.io.csv.csv_decoder import CsvDecoder
from pqcheck.io.csv.scan import Layout, scan
from pqcheck.io.decoder import Filled, values_of
from pqcheck.io.source_files import open_source
from pqcheck.model.recording import Channel
from tests.recordings import same_without

SITE = """
[supply]
nominal_voltage = "400 V"
connection = "wye"
[limits]
apply = ["en50160-2010-lv"]
"""


@pytest.fixture(scope="module", autouse=True)
def compiled() -> None:
    """Needs the compiled module; CI demands it wherever there is a compiler."""
    if csv_compiled._compiled() is None:
        if os.environ.get("PQCHECK_COMPILED") == "required":
            pytest.fail("the compiled module was not built, or is of another version")
        pytest.skip("no compiled module here: no C compiler at installation")


def parsed(data: bytes, rows: int, columns: list[int], written: Written) -> tuple[np.ndarray, Extremes] | None:
    """The numbers of some columns of whole lines, and their extremes."""
    out = np.empty((len(columns), rows))
    extremes = parse_into(data, rows, columns, written, list(out), [(0, 0, rows)])
    return None if extremes is None else (out, extremes)


def column(texts: list[str], decimal: str = ".", delimiter: str = ",") -> np.ndarray:
    """The numbers of a second column written with these texts; None is not expected."""
    data = "".join(f"x{delimiter}{text}\n" for text in texts).encode()
    found = parsed(data, len(texts), [1], Written(2, delimiter, decimal))
    assert found is not None
    return found[0][0]


def same_bits(texts: list[str]) -> None:
    """What is read is what Python's float() reads."""
    assert column(texts).tobytes() == np.array([float(text) for text in texts]).tobytes()


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False, min_value=1e-40, max_value=1e40), min_size=1))
def test_any_number_as_it_is_written_shortest(values: list[float]) -> None:
    same_bits([repr(value) for value in values] + [repr(-value) for value in values])


@given(st.lists(st.tuples(st.integers(0, 10**19 - 1), st.integers(-40, 40)), min_size=1))
def test_up_to_nineteen_digits_with_a_power_of_ten(parts: list[tuple[int, int]]) -> None:
    same_bits([f"{digits}e{power}" for digits, power in parts])


def test_values_half_way_between_two_numbers_go_to_the_even_one() -> None:
    # IEEE 754-2019 clause 4.3.1, roundTiesToEven: an odd 54-bit integer times a power of two lies just half way.
    chance = random.Random(3)
    odd = [2 * (chance.getrandbits(52) | 1 << 52) + 1 for _ in range(3000)]
    texts = [f"{number * 5**power}e-{power}" for number in odd for power in (0, 1, 2, 3) if number * 5**power < 10**19]
    texts += [f"{number * 2}" for number in odd]
    assert len(texts) > 9000
    same_bits(texts)


def test_one_neighbour_of_half_way_goes_its_own_way() -> None:
    # 2^53 + 1 lies half way between 2^53 and 2^53 + 2 (by the width of the mantissa, IEEE 754-2019 table 3.5).
    same_bits(["9007199254740993", "9007199254740993.001", "9007199254740992.999", "9007199254740993e0"])


@pytest.mark.parametrize("text", ["5.", ".5", "+5", "-0", "-0.0", "0", "00012.50", "1e5", "1E-3", "0.0000000000000001"])
def test_ways_to_write_a_number(text: str) -> None:
    same_bits([text])


def test_blanks_around_a_number_and_blank_cells() -> None:
    found = column([" 229.5", "229.5 ", "", "   ", "-", "n/a", "nan "])
    assert found.tolist()[:2] == [229.5, 229.5]
    assert np.isnan(found[2:]).all()


def test_a_decimal_comma() -> None:
    assert column(["229,25", "-0,5", "7"], decimal=",", delimiter=";").tolist() == [229.25, -0.5, 7.0]


def test_short_lines_are_blank_at_their_end_and_blank_cells_may_follow_the_last_column() -> None:
    found = parsed(b"x,1\nx,1,2,3\nx,4,5,6,,\r\nx,7,8,9\r\n", 4, [3, 1], Written(4, ",", "."))
    assert found is not None
    values, extremes = found
    assert np.isnan(values[0, 0]) and values[0, 1:].tolist() == [3, 6, 9]
    assert values[1].tolist() == [1, 1, 4, 7]
    assert extremes.tops.tolist() == [9, 7] and extremes.bottoms.tolist() == [3, 1]


@pytest.mark.parametrize("line", [
    "x,ERR\n", "x,1.2.3\n", "x,1 2\n", 'x,"1"\n', "x,1V\n", "x,>600\n", "x,OL\n", "x,1,2\n", "x,1e\n", "x,e5\n",
    "x,.\n", "x,-.\n", "x,+-1\n", "x,inf\n", "x,Nan\n", "x,1e400\n", "x,12345678901234567890\n", "x,1,000.5\n",
    "x,1_000\n", "x,0x10\n", "x,1\n\n", "x,1\nx,2\n",
])
def test_anything_else_is_read_cell_by_cell(line: str) -> None:
    assert parsed(line.encode(), 1, [1], Written(2, ",", ".")) is None


def test_columns_that_are_not_asked_for_may_hold_anything() -> None:
    found = parsed("x,text \u00e9,1\ny,,2\n".encode(), 2, [2], Written(3, ",", "."))
    assert found is not None and found[0][0].tolist() == [1, 2]


@given(st.lists(st.floats(-1e6, 1e6), min_size=1), st.integers(0, 12))
def test_both_forms_of_the_compiled_loop_give_the_same(values: list[float], digits: int) -> None:
    texts = [f"{value:.{digits}f}" for value in values]
    module = csv_compiled._compiled()
    found = []
    for choice in (False, True):
        before = module.use_wide(choice)
        found.append(column(texts).tobytes())
        module.use_wide(before)
    assert found[0] == found[1] == np.array([float(text) for text in texts]).tobytes()


TEXTS = st.sampled_from(["1.5", "-2", "", " ", "n/a", "12345.678"])


@given(st.data(), st.lists(st.lists(TEXTS, max_size=3), min_size=1))
def test_rows_go_to_their_places(data: st.DataObject, rows: list[list[str]]) -> None:
    text = "".join("x" + "".join(f",{cell}" for cell in cells) + "\n" for cells in rows).encode()
    cuts = sorted(data.draw(st.sets(st.integers(0, len(rows)), min_size=2, max_size=6)))
    moves, place = [], 0
    for low, high in pairwise(cuts):
        if data.draw(st.booleans()):
            place += data.draw(st.integers(0, 3))
            moves.append((place, low, high - low))
            place += high - low
    out = [np.full(place + 2, -1.0) for _ in range(3)]
    extremes = parse_into(text, len(rows), [3, 1, 2], Written(4, ",", "."), out, moves)
    assert extremes is not None
    for row, column in zip(out, (3, 1, 2), strict=True):
        cells = [cells[column - 1] if column <= len(cells) else "" for cells in rows]
        values = np.array([np.nan if cell in ("", " ", "n/a") else float(cell) for cell in cells])
        wanted = np.full(place + 2, -1.0)
        for to, of, count in moves:
            wanted[to : to + count] = values[of : of + count]
        assert np.array_equal(row, wanted, equal_nan=True)


def test_buffers_that_do_not_fit_are_refused() -> None:
    module, out, ends = csv_compiled._compiled(), [np.zeros(2)], np.zeros((1, 2))
    targets, fives, fine = np.array([-1, 0], np.int32), csv_compiled._fives(), np.array([[0, 0, 1]])
    wrong = [
        (b"x,1", 1, targets, out, fine, ends), (b"", 1, targets, out, fine, ends),
        (b"x,1\n", -1, targets, out, fine, ends), (b"x,1\n", 1, np.array([-1, 1], np.int32), out, fine, ends),
        (b"x,1\n", 1, targets, [], fine, ends), (b"x,1\n", 1, targets, out, fine, np.zeros((1, 3))),
        *((b"x,1\n", 1, targets, out, np.array(moves), ends) for moves in (
            [[0, 0, 3]], [[2, 0, 1]], [[-1, 0, 1]], [[0, -1, 1]], [[0, 0, -1]], [[0, 1, 1], [1, 0, 1]],
            [[0, 2**63 - 1, 1]],
        )),
    ]  # fmt: skip
    for arguments in wrong:
        with pytest.raises(ValueError, match="do not fit"):
            module.parse(*arguments, ord(","), ord("."), fives, ())
    with pytest.raises((ValueError, BufferError)):
        module.parse(b"x,1\n", 1, targets, [b"read only"], fine, ends, ord(","), ord("."), fives, ())
    with pytest.raises(ValueError, match="do not fit"):
        module.parse(b"x,1\n", 1, targets, out, fine, ends, ord(","), ord("."), fives[:4], ())


def test_blocks_are_the_same_without_the_compiled_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Days with holes, a code, blanks, and chunks that lie in two days."""
    chance = np.random.default_rng(8)
    monkeypatch.setattr("pqcheck.io.timeline.blocks.BLOCK_VALUES", 1)
    monkeypatch.setattr("pqcheck.io.source_files.CHUNK", 10_000)
    monkeypatch.setattr("pqcheck.io.numbers_in_memory.KEPT_BYTES", 0)
    lines = ["time,voltage.an [V],voltage.bn [V],current.a [A]"]
    for slot in np.flatnonzero(chance.random(4 * 1440) > 0.001).tolist():
        odd = "65535" if slot == 600 else f"{chance.normal(230, 2):.2f}"
        blank = "" if chance.random() < 0.001 else f"{chance.normal(5, 1):.3f}"
        day, minute = divmod(slot, 1440)
        stamp = f"2031-03-{3 + day:02}T{minute // 60:02}:{minute % 60:02}:00Z"
        lines.append(f"{stamp},{odd},{chance.normal(230):.7f},{blank}")
    path = tmp_path / "a.csv"
    path.write_text("\n".join(lines) + "\n")
    same_without([path], ("pqcheck.io.csv.compiled_numbers._compiled", lambda: None), monkeypatch)


CELLS = st.one_of(
    st.floats(-1e6, 1e6, allow_nan=False).map(repr),
    st.decimals(-1000, 1000, places=3, allow_nan=False).map(str),
    st.integers(-10**6, 10**6).map(str),
    st.sampled_from(["", " ", "-", "NaN", "ERR", "OL", ">600", "9999", "-9999", "230 V", "1e30", " 1.5", "1.5 ", "+2",
                     '"3.5"', '"1,250.5"', "<220", "4.5 OL", "0.95 kV", "0.5 %", "1.#QNAN", "-1.#IND", "1.#INF", "2E",
                     "1e", "0 .5", '"0,274"', "-0.0", "-3"]),
)


def written(path: Path, rows: list[list[str]], end: str) -> Path:
    """A text of a time and three columns."""
    lines = [f"2031-03-03T00:{at // 60:02}:{at % 60:02}Z,{','.join(cells)}" for at, cells in enumerate(rows)]
    path.write_bytes(("time,a,b,c" + end + end.join(lines) + end).encode())
    return path


CHANNELS = {
    1: Channel("voltage", "an", unit="V"), 2: Channel("voltage_thd", "an", unit="%"),
    3: Channel("active_power", "total", unit="W"),
}


def decoded(path: Path) -> tuple[list[list[float]], Filled]:
    """All rows of a text."""
    source = open_source(path)
    begin = path.read_bytes().index(b"\n") + 1
    found = scan(source, Layout(",", (0,), begin, 2, 4))
    decoder = CsvDecoder(source, 4, ",", found.row_numbers, ".", CHANNELS)
    values, filled = values_of(decoder, found.chunks[0], [3, 1, 2])
    return [each.tolist() for each in values], filled


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(CELLS, min_size=0, max_size=4), min_size=1, max_size=30), end=st.sampled_from(["\n", "\r\n"])
)
def test_a_text_reads_the_same_without_the_compiled_module(
    rows: list[list[str]], end: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = written(tmp_path_factory.mktemp("text") / "a.csv", rows, end)
    values, result = decoded(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_compiled, "_compiled", lambda: None)
        other, plain = decoded(path)
    assert np.array_equal(np.array(values), np.array(other), equal_nan=True)
    assert result.bad == plain.bad
    for one, another in (
        (result.lower_bounds, plain.lower_bounds), (result.upper_bounds, plain.upper_bounds),
    ):
        assert {column: marks.tolist() for column, marks in one.items()} == {
            column: marks.tolist() for column, marks in another.items()
        }


@given(st.text("a,\r\n", max_size=60).map(str.encode), st.integers(0, 5), st.sampled_from([1, 1024]))
def test_lines_are_the_same_without_the_compiled_module(text: bytes, first: int, usual: int) -> None:
    piece = memoryview(bytearray(text or b"a"))
    first = min(first, len(piece) - 1)
    one = LineCutter(usual).of(piece, first)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_compiled, "_compiled", lambda: None)
        other = LineCutter(usual).of(piece, first)
    assert [part.tolist() for part in one[:3]] == [part.tolist() for part in other[:3]]
    assert one[3] == other[3]


def test_more_lines_than_expected_are_all_found() -> None:
    piece = memoryview(bytearray(b"a\n" * 5000))
    starts, _, numbered, count = LineCutter(1024).of(piece, 0)
    assert count == 5000 and starts.tolist() == list(range(0, 10000, 2)) and numbered[-1] == 4999


def test_a_module_of_another_version_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    assert csv_compiled._compiled() is not None
    monkeypatch.setattr(csv_compiled, "_VERSION", 0)
    assert csv_compiled._compiled() is None


def test_a_whole_check_is_the_same_without_the_compiled_module(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(SITE)
    rows = ["time,voltage.an [V],voltage.bn [V],voltage.cn [V]"]
    for slot in range(1008):
        stamp = f"2031-03-{3 + slot // 144:02}T{slot % 144 // 6:02}:{slot % 6 * 10:02}:00Z"
        rows.append(f"{stamp},{229.5 + slot % 31},{231.0 - slot % 7 / 3},{'' if slot % 500 == 3 else 230.1}")
    data = tmp_path / "week.csv"
    data.write_text("\n".join(rows) + "\n")
    one = check([data], site).to_json()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_compiled, "_compiled", lambda: None)
        assert check([data], site).to_json() == one
