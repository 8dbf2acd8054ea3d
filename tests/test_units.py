"""Text to number. Expected values are the SI prefixes (SI Brochure, 9th edition, table 7) and plain arithmetic."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.units import UnitError, canonical, duration_us, factor, in_alias_table, quantity_of, symbol_of


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12 kA", "A", "12000"),
        ("12.47 kV", "V", "12470"),
        ("12.47kV", "V", "12470"),
        ("4.16 KV", "V", "4160"),
        ("0 %", "%", "0"),
        ("1.05 pu", "%", "105"),
        ("95 %", "1", "0.95"),
        ("300 kVAr", "var", "300000"),
        ("3 kV·A", "VA", "3000"),
        ("1.5 MW", "W", "1500000"),
        ("2 kW·h", "Wh", "2000"),
        ("-3.5 mHz", "Hz", "-0.0035"),
        ("5 \N{MICRO SIGN}s", "s", "0.000005"),
        ("5 \N{GREEK SMALL LETTER MU}s", "s", "0.000005"),
        ("4 \N{OHM SIGN}", "ohm", "4"),
    ],
)
def test_values_of_the_table(text: str, unit: str, value: str) -> None:
    assert quantity_of(text, unit) == Decimal(value)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("2 gigawatt", "W", "2000000000"),
        ("3 kilovar", "var", "3000"),
        ("3 kilovolt_ampere", "VA", "3000"),
        ("1 fortnight", "s", "1209600"),
        ("7200 joule", "Wh", "2"),
    ],
)
def test_texts_outside_the_table_are_read_by_pint(text: str, unit: str, value: str) -> None:
    assert not in_alias_table(text.split()[1])
    assert quantity_of(text, unit) == Decimal(value)


@pytest.mark.parametrize(
    ("text", "unit", "said"),
    [
        ("12,5 kA", "A", "has a comma, which can mean thousands or decimals"),
        ("1,000 A", "A", "has a comma"),
        ("many", "A", "does not start with a number; write a value such as '12 kA'"),
        ("5", "V", "has no unit; write it with one, for example '400 V'"),
        ("5 kA", "V", "'kA' cannot be turned into 'V'"),
        ("5 kvat", "var", "unknown unit 'kvat'; did you mean 'kvar'?"),
        # Not milliwatt and not megawatt: nobody can know.
        ("5 mw", "W", "unknown unit 'mw'"),
        # 100 revolutions per minute are 1.67 Hz; pint, which counts radians as 1, would say 10.5.
        ("100 rpm", "Hz", "unknown unit 'rpm'"),
        ("3 % of nominal", "%", "'% of nominal' cannot be turned into '%'"),
        ("20 degC", "deg", "unknown unit 'degC'"),
        ("5 __import__('os')", "V", "unknown unit"),
    ],
)
def test_what_is_not_a_value_is_refused_in_one_sentence(text: str, unit: str, said: str) -> None:
    with pytest.raises(UnitError) as caught:
        quantity_of(text, unit)
    message = str(caught.value)
    assert said in message
    assert "\n" not in message


def test_per_unit_is_a_ratio_and_not_a_mass() -> None:
    # Without a definition of its own, pint reads "pu" as pico-atomic-mass-unit.
    assert canonical("pu") == "%"
    assert canonical("p.u.") == "%"
    assert factor("pu", "1") == 1


def test_case_matters_only_where_it_changes_the_meaning() -> None:
    assert symbol_of("KVAR") == symbol_of("kVAr") == symbol_of("kvar") == "kvar"
    assert factor("MW", "W") == 1_000_000
    assert factor("milliwatt", "W") == Decimal("0.001")


@pytest.mark.parametrize(
    ("text", "microseconds"),
    [("200 ms", 200_000), ("3 s", 3_000_000), ("10 min", 600_000_000), ("2 h", 7_200_000_000),
     ("1 week", 604_800_000_000), ("1 us", 1)],
)
def test_durations(text: str, microseconds: int) -> None:
    assert duration_us(text) == microseconds


@pytest.mark.parametrize("text", ["0 s", "-3 min", "0.5 us", "10", "10 V"])
def test_what_is_not_a_duration(text: str) -> None:
    with pytest.raises(UnitError):
        duration_us(text)


def test_a_shift_may_go_back_in_time() -> None:
    assert duration_us("-3 min", signed=True) == -180_000_000


def test_every_unit_of_every_quantity_is_known() -> None:
    for quantity in QUANTITIES.values():
        for unit in quantity.units_read:
            if unit:
                assert symbol_of(unit) == unit
        assert canonical(quantity.unit) == quantity.unit


PREFIXES = {"mV": Fraction(1, 1000), "V": Fraction(1), "kV": Fraction(1000)}


@given(
    value=st.decimals(min_value=-(10**9), max_value=10**9, places=6),
    first=st.sampled_from(sorted(PREFIXES)),
    second=st.sampled_from(sorted(PREFIXES)),
)
def test_conversion_is_exact(value: Decimal, first: str, second: str) -> None:
    assert Fraction(quantity_of(f"{value} {first}", second)) == Fraction(value) * PREFIXES[first] / PREFIXES[second]


def test_the_table_alone_imports_no_pint() -> None:
    code = "import sys, pqcheck.model.units as units; units.quantity_of('12 kA', 'A'); sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
