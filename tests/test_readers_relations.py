"""Headers that leave something open, decided by the numbers of other columns, or left with both readings named.

The relations are definitions: the sum of squares of the orders gives THD (IEC 61000-4-7),
I_rms^2 = I_1^2 (1 + THD-F^2), THD-R = THD-F / sqrt(1 + THD-F^2), S = U I, and min <= mean <= max.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from pqcheck import check
from pqcheck.io import parse_header
from pqcheck.io.headers.evidence_of_numbers import Evidence
from pqcheck.io.headers.read_headers import read_headers
from pqcheck.io.headers.settled_columns import Guess
from pqcheck.model.errors import InputError
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site

WYE = site_from({"name": "x", "supply": {"nominal_voltage": "400 V", "connection": "wye"}})
SINGLE = site_from({"name": "x", "supply": {"nominal_voltage": "230 V", "connection": "single-phase"}})

ROWS = np.arange(40)
FIRST = 80.0 + 2 * (ROWS % 7)  # fundamental, A
FIFTH, SEVENTH = 30.0 + ROWS % 5, 12.0 + ROWS % 3  # percent of the fundamental
THD_F = np.hypot(FIFTH, SEVENTH)
GROWTH = np.sqrt(1 + (THD_F / 100) ** 2)
RMS = FIRST * GROWTH
THD_R = THD_F / GROWTH


def guesses(columns: Mapping[str, object], site: Site = WYE) -> dict[str, Guess]:
    headers = list(columns)
    samples = {at: np.round(np.asarray(columns[header], float) * np.ones(ROWS.size), 2)
               for at, header in enumerate(headers)}
    found = read_headers(headers, [""] * len(headers), list(range(len(headers))), Evidence(samples, site))
    return {header: guess for header, guess in zip(headers, found, strict=True)}


def named(guess: Guess) -> str:
    channel = guess.channel
    if channel is None:
        return ""
    reading = "" if channel.reading == "mean" else f".{channel.reading}"
    return f"{channel.base_name}{reading} [{channel.unit}]"


@pytest.mark.parametrize(("size", "unit", "words"), [
    (1.0, "%", "percent of the fundamental"),
    (1 / GROWTH, "% of rms", "percent of the true rms value"),
    (FIRST / 100, "A", "amperes"),
])
def test_the_sum_of_squares_settles_the_unit_of_harmonics(size: object, unit: str, words: str) -> None:
    columns = {"I L1 (A)": RMS, "THD-F I L1 (%)": THD_F, "I L1 H5": FIFTH * size, "I L1 H7": SEVENTH * size}
    found = guesses(columns)
    assert named(found["I L1 H5"]) == f"current_harmonic.a.h5 [{unit}]" and found["I L1 H5"].confidence == "clear"
    assert named(found["I L1 H7"]) == f"current_harmonic.a.h7 [{unit}]"
    assert "root of the sum of squares, beside a THD of 34.54 % of the fundamental" in found["I L1 H5"].why
    assert found["I L1 H5"].why.endswith(f"so {words}")
    assert parse_header(named(found["I L1 H5"])) == found["I L1 H5"].channel


@pytest.mark.parametrize(("size", "unit"), [(1.0, "%"), (1 / GROWTH, "% of rms")])
def test_percent_without_a_base_is_settled_too(size: object, unit: str) -> None:
    found = guesses({"THD-F I L1 (%)": THD_F, "I L1 H5 (%)": FIFTH * size, "I L1 H7 (%)": SEVENTH * size})
    assert named(found["I L1 H5 (%)"]) == f"current_harmonic.a.h5 [{unit}]"
    assert found["I L1 H5 (%)"].confidence == "clear"


def test_a_thd_column_that_names_no_base_leaves_a_doubt_that_is_said() -> None:
    # Orders and THD both relative to rms agree as well: only that they share their base is shown.
    found = guesses({"THD I L1 (%)": THD_R, "I L1 H5 (%)": FIFTH / GROWTH, "I L1 H7 (%)": SEVENTH / GROWTH})
    assert found["THD I L1 (%)"].why.endswith("its base is not written, the fundamental assumed")
    assert found["I L1 H5 (%)"].confidence == "likely"
    assert "if the THD column is" in found["I L1 H5 (%)"].why


def test_a_base_that_hardly_matters_is_said() -> None:
    found = guesses({"THD-F U L1 (%)": THD_F / 10, "U L1 H5 (%)": FIFTH / 10, "U L1 H7 (%)": SEVENTH / 10})
    assert named(found["U L1 H5 (%)"]) == "voltage_harmonic.an.h5 [%]" and found["U L1 H5 (%)"].confidence == "likely"
    assert "too little to matter" in found["U L1 H5 (%)"].why


def test_missing_orders_do_not_show_the_base() -> None:
    found = guesses({"THD-F I L1 (%)": THD_F, "I L1 H7 (%)": SEVENTH})
    assert named(found["I L1 H7 (%)"]) == "current_harmonic.a.h7 [%]"
    assert "orders are missing" in found["I L1 H7 (%)"].why and found["I L1 H7 (%)"].confidence == "likely"


def test_orders_that_contradict_the_distortion_are_read_so_that_vetting_can_refuse_both() -> None:
    found = guesses({"THD-F I L1 (%)": THD_F, "I L1 H5 (%)": 2 * FIFTH, "I L1 H7 (%)": 2 * SEVENTH})
    assert named(found["I L1 H5 (%)"]) == "current_harmonic.a.h5 [%]" and found["I L1 H5 (%)"].confidence == "likely"
    assert "the two contradict each other" in found["I L1 H5 (%)"].why


def test_undecided_harmonics_name_both_readings() -> None:
    found = guesses({"I L1 H5": FIFTH})
    assert '"I L1 H5" = "current_harmonic.a.h5 [A]" (amperes) or ' in found["I L1 H5"].why
    # A fundamental of 100 A makes amperes and percent one number.
    found = guesses({"I L1 (A)": 100 * GROWTH, "THD-F I L1 (%)": THD_F, "I L1 H5": FIFTH, "I L1 H7": SEVENTH})
    assert named(found["I L1 H5"]) == "" and "fits" in found["I L1 H5"].why and "alike" in found["I L1 H5"].why


def test_an_order_one_of_a_hundred_is_percent() -> None:
    found = guesses({"I L1 (A)": RMS, "I L1 H1": 100.0, "I L1 H5": FIFTH})
    assert named(found["I L1 H5"]) == "current_harmonic.a.h5 [%]" and named(found["I L1 H1"]) == ""
    found = guesses({"I L1 (A)": RMS, "THD-F I L1 (%)": THD_F, "I L1 H1": FIRST, "I L1 H5": FIFTH, "I L1 H7": SEVENTH})
    assert named(found["I L1 H1"]) == "current_harmonic.a.h1 [A]"
    # That order 1 is in amperes does not make the others so.
    assert named(found["I L1 H5"]) == "current_harmonic.a.h5 [%]"


@pytest.mark.parametrize(("values", "scale", "words"), [
    (THD_F, None, "relative to the fundamental"), (THD_R, "thd-r", "relative to the true rms value, converted"),
])
def test_the_base_of_a_thd_column_shows_in_rms_and_fundamental(values: object, scale: object, words: str) -> None:
    found = guesses({"I L1 (A)": RMS, "I L1 H1 (A)": FIRST, "THD I L1": values})
    assert found["THD I L1"].scale == scale and words in found["THD I L1"].why
    assert "rms over fundamental is 1.058 in the middle" in found["THD I L1"].why


def test_a_thd_that_fits_neither_base_is_left_alone_and_one_that_is_labelled_is_believed() -> None:
    found = guesses({"I L1 (A)": RMS, "I L1 H1 (A)": FIRST, "THD I L1": THD_F / 2, "THD-F I L2": THD_R})
    assert named(found["THD I L1"]) == "" and '"THD I L1" = "current_thd.a [% of rms]"' in found["THD I L1"].why
    assert named(found["THD-F I L2"]) == "current_thd.b [%]"


def test_a_digit_beside_a_phase_is_the_order() -> None:
    columns = {f"I rms L{at} (A)": RMS + at for at in (1, 2, 3)}
    columns |= {f"I1 L{at} (A)": (RMS + at) / GROWTH for at in (1, 2, 3)}
    found = guesses(columns)
    for at, phase in enumerate("abc", start=1):
        assert named(found[f"I1 L{at} (A)"]) == f"current_harmonic.{phase}.h1 [A]"
        assert named(found[f"I rms L{at} (A)"]) == f"current.{phase} [A]"
        assert "never above the true rms value" in found[f"I1 L{at} (A)"].why
    above = guesses({"I rms L1 (A)": RMS, "I1 L1 (A)": RMS * 1.1})
    assert named(above["I1 L1 (A)"]) == "" and "1.1 times above the rms value" in above["I1 L1 (A)"].why
    alone = guesses({"I1 L1 (A)": RMS})["I1 L1 (A)"]
    assert named(alone) == ""
    assert '"I1 L1 (A)" = "current.a [A]" or "I1 L1 (A)" = "current_harmonic.a.h1 [A]"' in alone.why


def test_a_bare_i1_beside_the_rms_current() -> None:
    found = guesses({"I rms (A)": RMS, "I1 (A)": FIRST, "THDi (%)": THD_F}, SINGLE)
    assert named(found["I1 (A)"]) == "current_harmonic.a.h1 [A]" and named(found["I rms (A)"]) == "current.a [A]"
    assert "the THD asks for 0.9452" in found["I1 (A)"].why
    found = guesses({"I rms (A)": RMS, "I1 (A)": FIRST})
    assert named(found["I1 (A)"]) == ""
    assert '"I1 (A)" = "current_harmonic.a.h1 [A]" or "I1 (A)" = "current.a [A]"' in found["I1 (A)"].why
    # With its sisters it is a phase, whatever stands beside it.
    found = guesses({"I rms (A)": RMS, "I1 (A)": FIRST, "I2 (A)": FIRST, "I3 (A)": FIRST})
    assert named(found["I1 (A)"]) == "current.a [A]"


def test_two_voltages_one_of_them_small_may_be_sequence_components() -> None:
    found = guesses({"V1 (V)": 230.0, "V2 (V)": 1.2})
    assert named(found["V1 (V)"]) == named(found["V2 (V)"]) == ""
    assert "positive and negative sequence" in found["V2 (V)"].why and '= "voltage.bn [V]"' in found["V2 (V)"].why
    assert named(guesses({"V1 (V)": 230.0, "V2 (V)": 231.0})["V2 (V)"]) == "voltage.bn [V]"


@pytest.mark.parametrize(("size", "unit"), [(1.0, "A"), (1e-3, "kA"), (1e3, "mA")])
def test_apparent_power_settles_the_unit_of_a_current(size: float, unit: str) -> None:
    current = 5000.0 + 100 * ROWS
    found = guesses({"U L1-N (V)": 230.0, "I L1": current * size, "S L1 (kVA)": 230 * current / 1000})
    assert named(found["I L1"]) == f"current.a [{unit}]" and found["I L1"].confidence == "clear"
    assert "apparent power is" in found["I L1"].why and f"so {unit}" in found["I L1"].why


def test_secondary_amperes_show_in_the_apparent_power() -> None:
    found = guesses({"U L1-N (V)": 230.0, "I L1": RMS / 80, "S L1 (kVA)": 0.23 * RMS})["I L1"]
    assert named(found) == "" and "apparent power is 80" in found.why and '"I L1" = "current.a [A]"' in found.why


@pytest.mark.parametrize("total", [False, True])
@pytest.mark.parametrize(("phases", "size"), [(("an", "bn", "cn"), 1.0), (("ab", "bc", "ca"), 3**-0.5)])
def test_apparent_power_settles_line_to_line(total: bool, phases: tuple[str, ...], size: float) -> None:
    columns: dict[str, object] = {f"V{at} (V)": 400.0 + at for at in (1, 2, 3)}
    columns |= {f"I L{at} (A)": RMS for at in (1, 2, 3)}
    powers = [(400.0 + at) * RMS * size / 1000 for at in (1, 2, 3)]
    if total:
        columns["S total (kVA)"] = np.sum(powers, axis=0)
    else:
        columns |= {f"S L{at} (kVA)": power for at, power in zip((1, 2, 3), powers, strict=True)}
    found = guesses(columns)
    for at, phase in zip((1, 2, 3), phases, strict=True):
        assert named(found[f"V{at} (V)"]) == f"voltage.{phase} [V]" and not found[f"V{at} (V)"].doubt
    # A current without a unit decides nothing.
    unsure = guesses({header.replace(" (A)", ""): values for header, values in columns.items()})
    assert unsure["V1 (V)"].doubt == "ab"


def test_three_columns_without_a_statistic_are_told_by_their_order() -> None:
    found = guesses({"U L1": 230.0 + ROWS % 4, "UL1": 228.0 + ROWS % 3, "V L1": 236.0 + ROWS % 2})
    assert [named(found[header]) for header in ("UL1", "U L1", "V L1")] == [
        "voltage.an.min [V]", "voltage.an [V]", "voltage.an.max [V]"]
    assert "the middle of three columns in every row looked at (medians 229, 231.5, 236.5), so the mean" in (
        found["U L1"].why)
    # One row out of order and nothing is decided.
    high = np.where(ROWS == 7, 100.0, 236.0 + ROWS % 2)
    crossed = guesses({"U L1": 230.0 + ROWS % 4, "UL1": 228.0 + ROWS % 3, "V L1": high})
    assert {named(guess) for guess in crossed.values()} == {""}


def test_three_columns_of_one_name_are_refused_with_what_they_are() -> None:
    samples = {0: 231.0 + ROWS % 2, 1: 228.0 + ROWS % 3, 2: 236.0 + ROWS % 2}
    with pytest.raises(InputError, match=r"medians 231\.5, 229, 236\.5.* they are mean, min and max: add these words"):
        read_headers(["U L1"] * 3, [""] * 3, [0, 1, 2], Evidence(samples, WYE))


def test_a_distortion_below_its_own_orders_passes_no_rule(tmp_path: Path) -> None:
    """Headers as instruments write them: 4 % beside orders of which two alone give 8 %."""
    rng = np.random.default_rng(15)
    rows = ["time,THD U L1 [%],U L1 h3 [%],U L1 h5 [%],U L1 h7 [%]"]
    for row in range(1008):
        stamp = f"2031-03-{3 + row // 144:02d} {row % 144 // 6:02d}:{row % 6}0:00"
        values = np.round(rng.normal([4, 0.4, 6, 5.5], 0.05), 2)
        rows.append(",".join([stamp, *map(str, values)]))
    (tmp_path / "week.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    supply = {"nominal_voltage": "230 V", "connection": "single-phase", "frequency": "50 Hz", "measured_at": "service"}
    site = {"name": "Flat 3", "time_zone": "UTC", "supply": supply}
    result = check(tmp_path / "week.csv", site, ["en50160-2010-lv"], quantities=["voltage_thd"])
    assert {finding.verdict.value for finding in result.findings if finding.kind == "limit"} == {"refused"}
