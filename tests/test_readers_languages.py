"""Column names in other languages: they say what the same name in English says, no more, and no word is a unit.

The words are those of IEC 60050 (parts 131, 151, 161 and 601) and of the trade, from memory.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.io import read as read_files
from pqcheck.io.headers.evidence_of_numbers import Evidence
from pqcheck.io.headers.read_headers import read_headers
from pqcheck.io.headers.settled_columns import Guess
from pqcheck.io.headers.tokens import UNITS, tokens_of, unit_of
from pqcheck.io.headers.trade_words import LANGUAGES, folded, in_english

WORDS = sorted({
    (language, english, word)
    for language, meanings in LANGUAGES.items() for english, words in meanings.items() for word in words.split()
})


def guess_of(header: str, median: float = 231.0) -> Guess:
    return read_headers([header], [""], [0], Evidence({0: np.full(20, median)}))[0]


def read(header: str, median: float = 231.0) -> str:
    """The contract name and unit that a header is read as; empty when it is left alone."""
    channel = guess_of(header, median).channel
    return f"{channel.name} [{channel.unit}]" if channel is not None else ""


def test_no_word_means_two_things() -> None:
    meanings: dict[str, set[str]] = {}
    for _, english, word in WORDS:
        meanings.setdefault(word, set()).add(english)
    assert {word: sorted(each) for word, each in meanings.items() if len(each) > 1} == {}


def test_no_word_is_a_unit_a_phase_or_a_letter() -> None:
    for language, english, word in WORDS:
        assert not unit_of(word) and tokens_of(word).unit == "", (language, word)
        assert len(word) > 2 or folded(word) != word, (language, word)
        assert not tokens_of(word).phase or english in ("total", "neutral"), (language, word)


@given(st.sampled_from(WORDS), st.sampled_from(["", *sorted(UNITS)]), st.sampled_from(["L1", "A", "L2-N", ""]),
       st.sampled_from(["", "max", "min"]))
def test_a_word_says_what_its_english_word_says(
    entry: tuple[str, str, str], unit: str, phase: str, reading: str
) -> None:
    """Whatever unit, phase and statistic stand beside it, and whatever the numbers: no more is read than in English."""
    _, english, word = entry
    tail = " ".join(filter(None, (phase, reading, f"[{unit}]" if unit else "")))
    for median in (0.4, 50.0, 231.0, 50_000.0):
        ours, other = guess_of(f"{word} {tail}", median), guess_of(f"{english} {tail}", median)
        assert (ours.channel, ours.confidence, ours.scale, ours.open) == (
            other.channel, other.confidence, other.scale, other.open), (word, english, tail)


@pytest.mark.parametrize(("header", "wanted"), [
    ("Tension L1 moyenne (V)", "voltage.an.mean [V]"), ("Tension simple L2 [V]", "voltage.bn.mean [V]"),
    ("Tension composée U12 [V]", "voltage.ab.mean [V]"), ("Courant L1 maximal (A)", "current.a.max [A]"),
    ("Puissance réactive totale (kvar)", "reactive_power.total.mean [kvar]"),
    ("Facteur de puissance L1", "power_factor.a.mean [1]"), ("Fréquence (Hz)", "frequency.mean [Hz]"),
    ("Distorsion harmonique totale tension L1 (%)", "voltage_thd.an.mean [%]"),
    ("Harmonique rang 5 courant L1 (A)", "current_harmonic.a.h5.mean [A]"),
    ("Tensión L1 media [V]", "voltage.an.mean [V]"), ("Corriente fase B máxima [A]", "current.b.max [A]"),
    ("Potencia activa total [kW]", "active_power.total.mean [kW]"),
    ("Factor de potencia", "power_factor.total.mean [1]"),
    ("Tensão fase A mínima (V)", "voltage.an.min [V]"), ("Corrente fase C (A)", "current.c.mean [A]"),
    ("Potência aparente L1 (kVA)", "apparent_power.a.mean [kVA]"), ("Frequência [Hz]", "frequency.mean [Hz]"),
    ("Tensione L1 minima [V]", "voltage.an.min [V]"), ("Corrente L2 massima [A]", "current.b.max [A]"),
    ("Tensione concatenata L1-L2 [V]", "voltage.ab.mean [V]"),
    ("Potenza reattiva L3 [kvar]", "reactive_power.c.mean [kvar]"),
    ("Spanning L1 gem. (V)", "voltage.an.mean [V]"), ("Stroom L2 max [A]", "current.b.max [A]"),
    ("Laagste spanning L3 [V]", "voltage.cn.min [V]"), ("Blindvermogen L1 [kvar]", "reactive_power.a.mean [kvar]"),
    ("Napięcie L1 śr. [V]", "voltage.an.mean [V]"), ("Prąd L3 maks. [A]", "current.c.max [A]"),
    ("NAPIĘCIE L2 MIN [V]", "voltage.bn.min [V]"), ("Moc czynna L1 [kW]", "active_power.a.mean [kW]"),
    ("Moc bierna L2 [kvar]", "reactive_power.b.mean [kvar]"), ("Częstotliwość [Hz]", "frequency.mean [Hz]"),
    ("Spänning L1-N medelvärde (V)", "voltage.an.mean [V]"), ("Ström L1 högsta (A)", "current.a.max [A]"),
    ("Huvudspänning L1-L2 [V]", "voltage.ab.mean [V]"), ("Aktiv effekt L1 [kW]", "active_power.a.mean [kW]"),
    ("Spenning L1 gjennomsnitt [V]", "voltage.an.mean [V]"), ("Strøm L2 maks [A]", "current.b.max [A]"),
    ("Reaktiv effekt total [kvar]", "reactive_power.total.mean [kvar]"), ("Effektfaktor L1", "power_factor.a.mean [1]"),
    ("Spannung L1 Mittelwert [V]", "voltage.an.mean [V]"), ("Wirkleistung gesamt [kW]", "active_power.total.mean [kW]"),
])
def test_headers_that_people_have(header: str, wanted: str) -> None:
    assert read(header, 0.9 if wanted.endswith("[1]") else 231.0) == wanted


@pytest.mark.parametrize("header", [
    "Fase 1", "Fase A", "Faza L1", "Moc", "Moc L1", "Effekt L1", "Potenza L1", "Media L1", "Min L1", "Medel L1",
    "Napięcie", "Tensione media", "Spenning maks", "Corrente", "Energia czynna [kWh]", "Asymmetri [%]",
    "Demande L1 [kW]", "Tensión entre fases L1 [V]", "Intensidad luminosa L1", "DI 1 [V]", "Du 1 [V]", "La 1 [V]",
])
def test_what_a_word_alone_does_not_say(header: str) -> None:
    """A word of a phase, a power of no kind, a statistic of nothing: left alone, with the reason."""
    guess = guess_of(header)
    assert guess.channel is None and guess.why


@pytest.mark.parametrize(("header", "unit"), [
    ("Moc czynna L1", ""), ("Puissance active L1", ""), ("Potencia reactiva total", ""),
    ("Napięcie harmoniczna 5 L1", ""),
    ("Tensión L1 [A]", "A"), ("Ström L1 [V]", "V"), ("Moc bierna L1 [kW]", "kW"), ("Frequenza [V]", "V"),
])
def test_no_word_decides_a_unit(header: str, unit: str) -> None:
    """Without a unit a power is left alone; a unit that contradicts the word is no slip to be mended."""
    assert tokens_of(header).unit == unit
    channel = guess_of(header).channel
    assert channel is None or not channel.unit


@pytest.mark.parametrize(("header", "quantity", "reading"), [
    ("Effektivverdi spenning L1 [V]", "voltage", "rms"), ("Effektivvärde ström L1 [A]", "current", "rms"),
    ("Valeur efficace tension L1 [V]", "voltage", "rms"), ("Fase 1 corrente [A]", "current", ""),
    ("Moyenne tension L1 [kV]", "voltage", "mean"), ("Strom L1 [A]", "current", ""), ("Stroom L1 [A]", "current", ""),
    ("Courant de neutre (A)", "current", ""), ("Effekt L1 [kvar]", "reactive_power", ""),
])
def test_words_that_look_like_another(header: str, quantity: str, reading: str) -> None:
    """An rms value is no power ("effekt"), a phase is no frequency, a current is no stream."""
    words = tokens_of(header)
    assert (words.quantity, words.reading) == (quantity, reading)


@given(st.lists(st.sampled_from(["Voltage", "L1", "A", "max", "VA", "THDi", "kW", "of", "la", "di", "du", "x", "Ph"])))
def test_an_english_name_stays_as_it_is(words: list[str]) -> None:
    assert in_english(words) == words


def test_a_long_table_in_another_language(tmp_path: Path) -> None:
    """One row per reading: the columns of names, values and units are found by their words too."""
    rows = [
        f"2031-03-03T{hour:02d}:{minute:02d}:00Z;Napięcie L1;{230 + minute % 7};V"
        for hour in range(4) for minute in range(0, 60, 10)
    ]
    (tmp_path / "long.csv").write_text("time;Wielkość;Wartość;Jednostka\n" + "\n".join(rows) + "\n", encoding="utf-8")
    [stream] = read_files([tmp_path / "long.csv"]).streams
    assert [channel.name for channel in stream.channels] == ["voltage.an.mean"]
