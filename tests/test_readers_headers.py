"""Spellings of the trade, by quantity: what each is read as, and what is left alone."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from pqcheck.io import from_arrays, parse_header
from pqcheck.io.csv.csv_decoder import CsvDecoder
from pqcheck.io.decoder import Chunk, RowNumbers, values_of
from pqcheck.io.headers.evidence_of_numbers import Evidence
from pqcheck.io.headers.read_headers import read_headers
from pqcheck.io.read_files import read
from pqcheck.io.source_files import open_source
from pqcheck.model.errors import InputError
from pqcheck.site.load_site import site_from

WYE = site_from({"name": "x", "supply": {"nominal_voltage": "400 V", "connection": "wye"}})
SINGLE = site_from({"name": "x", "supply": {"nominal_voltage": "230 V", "connection": "single-phase"}})


def guess(header: str, value: float = 230.0, unit: str = "", site: object = WYE) -> str:
    """The header of the plain table that a column is read as; empty = left alone."""
    found = read_headers([header], [unit], [0], Evidence({0: np.full(10, value)}, site))[0]  # type: ignore[arg-type]
    if found.channel is None:
        assert found.why
        return ""
    reading = "" if found.channel.reading == "mean" else f".{found.channel.reading}"
    return f"{found.channel.base_name}{reading} [{found.channel.unit}]"


@pytest.mark.parametrize("header", ["V L1-N", "V1", "Va", "VAN", "U1", "U L1", "Vrms A", "V_LN_1", "Voltage A", "UL1",
                                    "U L1-N", "Spannung L1", "u_l1_n", "Volts A", "V AN", "U (L1)"])
def test_line_to_neutral_voltage(header: str) -> None:
    assert guess(header) == "voltage.an [V]"


@pytest.mark.parametrize("header", ["Vab", "Uab", "U12", "V12", "V L1-L2", "U L1/L2", "VAB", "U L1L2", "V_LL_1"])
def test_line_to_line_voltage(header: str) -> None:
    assert guess(header, 400) == "voltage.ab [V]"


@pytest.mark.parametrize(("header", "value", "wanted"), [
    ("VN-G (V)", 1, "voltage.ng [V]"), ("Un (V)", 1, "voltage.ng [V]"), ("V4 [V]", 1, "voltage.ng [V]"),
    ("I1", 10, "current.a [A]"), ("Ia", 10, "current.a [A]"), ("A1", 10, "current.a [A]"),
    ("Amps A", 10, "current.a [A]"), ("IL1", 10, "current.a [A]"), ("In", 10, "current.n [A]"),
    ("I4", 10, "current.n [A]"), ("I L2 A", 10, "current.b [A]"), ("I3 [kA]", 1, "current.c [kA]"),
    ("THD V1", 2, "voltage_thd.an [%]"), ("%THD Va", 2, "voltage_thd.an [%]"), ("THD U L2", 2, "voltage_thd.bn [%]"),
    ("THDi A", 20, "current_thd.a [%]"), ("THD-F I L1 (%)", 20, "current_thd.a [%]"),
    ("UTHD L3", 2, "voltage_thd.cn [%]"),
    ("Ih5 L1 (A)", 3, "current_harmonic.a.h5 [A]"), ("V H3 L1 (%)", 3, "voltage_harmonic.an.h3 [%]"),
    ("I1 H7 [A]", 3, "current_harmonic.a.h7 [A]"), ("Harmonic 11 Voltage L2 (%)", 1, "voltage_harmonic.bn.h11 [%]"),
    ("P tot (kW)", 7, "active_power.total [kW]"), ("kW Total", 7, "active_power.total [kW]"),
    ("W1", 700, "active_power.a [W]"), ("kVAr Total", 3, "reactive_power.total [kvar]"),
    ("kVA", 8, "apparent_power.total [kVA]"), ("PF", 0.9, "power_factor.total [1]"),
    ("cos \u03c6", 0.9, "displacement_power_factor.total [1]"), ("Hz", 50, "frequency [Hz]"),
    ("f", 50, "frequency [Hz]"), ("Freq", 49.9, "frequency [Hz]"), ("Pst L1", 0.4, "flicker_pst.an [1]"),
    ("Plt U2", 0.4, "flicker_plt.bn [1]"), ("u2 %", 0.6, "negative_sequence_unbalance [%]"),
    ("V L1-N min", 220, "voltage.an.min [V]"), ("U L3 max", 240, "voltage.cn.max [V]"),
    ("V1 lo", 220, "voltage.an.min [V]"), ("U L1-N", 0.23, "voltage.an [kV]"), ("L1 (V)", 230, "voltage.an [V]"),
    ("5th harmonic current B [A]", 4, "current_harmonic.b.h5 [A]"),
])
def test_other_quantities(header: str, value: float, wanted: str) -> None:
    assert parse_header(wanted) is not None
    assert guess(header, value) == wanted


@pytest.mark.parametrize("header", [
    "VLL", "Vll avg", "I rms", "THD", "THD L1", "H5", "unbalance", "kW dmd", "kWh", "Status", "Temp", "V1 peak",
    "V1 95%", "H5 angle", "A", "Cost centre", "U L1 foo", "P", "Q", "U L1 [A]", "",
])
def test_what_is_left_alone_with_a_reason(header: str) -> None:
    # "P" and "Q" name no unit: kilowatts and watts are a factor of a thousand apart.
    assert guess(header) == ""


def test_the_letter_b_is_the_third_phase_beside_r_and_y() -> None:
    evidence = Evidence({at: np.full(5, 230.0) for at in range(3)}, WYE)
    found = read_headers(["V R", "V Y", "V B"], ["V"] * 3, [0, 1, 2], evidence)
    assert [each.channel.phase for each in found if each.channel] == ["an", "bn", "cn"]


def test_a_single_phase_service_needs_no_phase() -> None:
    assert guess("Voltage", site=SINGLE) == "voltage.an [V]" and guess("I rms", 5, site=SINGLE) == "current.a [A]"


@pytest.mark.parametrize(("bare", "read"), [(400.0, "voltage.ab.mean"), (257.0, None), (230.0, None)])
def test_a_bare_name_beside_one_that_names_the_neutral(bare: float, read: str | None) -> None:
    """``U L1`` beside ``U L1-N`` is line to line at 1.73 of it; the one that says what it is stays read in any case."""
    both = read_headers(["U L1-N", "U L1"], ["V", "V"], [0, 1],
                        Evidence({0: np.full(10, 230.0), 1: np.full(10, bare)}, WYE))
    assert [guess.channel.name if guess.channel else None for guess in both] == ["voltage.an.mean", read]
    assert "line to line" in both[1].why


def test_columns_that_say_line_to_line_settle_the_others() -> None:
    evidence = Evidence({0: np.full(5, 480.0), 1: np.full(5, 277.0)}, None)
    found = read_headers(["Vab (V)", "V1 (V)"], [], [0, 1], evidence)
    assert "1.73 times" in found[1].why and not found[1].doubt


def test_any_decimal_text_is_parsed_like_float(tmp_path: object) -> None:
    from pathlib import Path

    chance = random.Random(7)
    texts = [f"{chance.uniform(-900, 900):.{chance.randint(0, 20)}f}" for _ in range(20_000)]
    texts += [f"{chance.uniform(1, 10):.{chance.randint(0, 17)}f}e{chance.randint(-300, 2)}" for _ in range(20_000)]
    texts += [f"{chance.randint(0, 10**6)}.{chance.randint(0, 10**25)}" for _ in range(5_000)]
    path = Path(str(tmp_path)) / "a.csv"
    path.write_text("\n".join(f"x,{text}" for text in texts))
    decoder = CsvDecoder(open_source(path), 2, ",", RowNumbers.plain(1))
    chunk = Chunk(0, len(texts), (0, path.stat().st_size), 1, len(texts))
    found = values_of(decoder, chunk, [1])[0][0]
    assert found.tobytes() == np.array([float(text) for text in texts]).tobytes()


def test_arrays_have_no_rows() -> None:
    recording = from_arrays([0, 60_000_000, 120_000_000], {"voltage.an [V]": [1.0, 2.0, 3.0]})
    stream = recording.streams[0]
    assert stream.index.rows(stream.channels[0], 0, 10**9) == ()


@pytest.mark.parametrize(("second", "refused"), [("204.3", True), ("231.1", False), ("", False)])
def test_two_columns_of_one_channel_that_hold_other_numbers_are_refused(
    tmp_path: Path, second: str, refused: bool
) -> None:
    rows = "".join(f"2031-03-03T{at // 6:02}:{at % 6}0:00Z,231.{at % 7},{second}\n" for at in range(144))
    path = tmp_path / "a.csv"
    path.write_text(f"time,voltage.an [V],U L1-N [V]\n{rows}", encoding="utf-8")
    place = site_from({"supply": {"nominal_voltage": "230 V", "connection": "single-phase"}, "time_zone": "UTC"})
    if refused:
        with pytest.raises(InputError, match=r"'voltage\.an \[V\]' and 'U L1-N \[V\]' both read as voltage\.an"):
            read([path], place)
    else:
        assert len(read([path], place).streams[0].channels) == 1


@pytest.mark.parametrize(("headers", "wanted"), [
    (["u_u", "u_v", "u_w"], ["voltage.an", "voltage.bn", "voltage.cn"]),
    (["U U", "U V", "U W", "I U", "I V", "I W"],
     ["voltage.an", "voltage.bn", "voltage.cn", "current.a", "current.b", "current.c"]),
    (["u_v"], [""]), (["U_V_avg", "i_a"], ["", "current.a"]), (["I V"], [""]), (["P W"], ["active_power.total"]),
])
def test_v_is_a_phase_beside_others_of_u_v_w_and_else_a_unit(headers: list[str], wanted: list[str]) -> None:
    numbers = {at: np.full(10, 230.0) for at in range(len(headers))}
    guesses = read_headers(headers, [""] * len(headers), list(numbers), Evidence(numbers, WYE))
    assert [each.channel.base_name if each.channel is not None else "" for each in guesses] == wanted
    assert guess("u_v") == "" and guess("u_v", site=SINGLE) == "voltage.an [V]"
