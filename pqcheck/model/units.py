"""Text to number: a value with its unit becomes a `Decimal` in one canonical unit.

An alias table decides. Texts outside it go to pint, in a registry of our own that knows `var` and `pu` (without
which pint reads "pu" as a mass), created the first time it is needed. Letter case matters only where it changes the
meaning: "MW" is not "mW", while "KV" and "kVAr" can be only one thing.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from decimal import Decimal, localcontext
from typing import TYPE_CHECKING

from msgspec import Struct

from pqcheck.model.errors import PqcheckError, nearest

if TYPE_CHECKING:
    import pint


class UnitError(PqcheckError):
    """A text that should be a value with a unit is not one, or its unit does not fit."""


class _Unit(Struct, frozen=True):
    """A unit: its own symbol, the canonical unit of its dimension, and how many canonical units it holds."""

    symbol: str
    canonical: str
    size: Decimal


_TABLE = (
    # symbol, canonical unit, size in canonical units, other spellings
    ("V", "V", "1", "v volt volts"),
    ("kV", "V", "1e3", "KV kv kilovolt kilovolts"),
    ("mV", "V", "1e-3", "millivolt millivolts"),
    ("A", "A", "1", "a amp amps ampere amperes"),
    ("kA", "A", "1e3", "KA ka"),
    ("mA", "A", "1e-3", ""),
    ("Hz", "Hz", "1", "hz HZ hertz"),
    ("mHz", "Hz", "1e-3", ""),
    ("kHz", "Hz", "1e3", "KHz khz"),
    ("%", "%", "1", "percent pct"),
    ("pu", "%", "100", "p.u. p.u PU"),
    ("1", "1", "1", "- pf"),
    ("% of nominal", "% of nominal", "1", ""),
    ("% of rms", "% of rms", "1", ""),
    ("W", "W", "1", "w watt watts"),
    ("kW", "W", "1e3", "KW kw"),
    ("MW", "W", "1e6", ""),
    ("var", "var", "1", "VAR Var VAr vars"),
    ("kvar", "var", "1e3", "kVAr kVAR kVar KVAR KVAr"),
    ("Mvar", "var", "1e6", "MVAr MVAR MVar"),
    ("VA", "VA", "1", "va"),
    ("kVA", "VA", "1e3", "KVA kva"),
    ("MVA", "VA", "1e6", ""),
    ("Wh", "Wh", "1", "wh"),
    ("kWh", "Wh", "1e3", "KWH KWh kwh"),
    ("MWh", "Wh", "1e6", "MWH"),
    ("varh", "varh", "1", "VARh VArh"),
    ("kvarh", "varh", "1e3", "kVArh kVARh KVARH"),
    ("Mvarh", "varh", "1e6", "MVArh MVARh"),
    ("ohm", "ohm", "1", "Ohm ohms \u03a9"),
    ("deg", "deg", "1", "\u00b0 degree degrees"),
    ("us", "s", "1e-6", "\u03bcs"),
    ("ms", "s", "1e-3", "millisecond milliseconds"),
    ("s", "s", "1", "sec second seconds"),
    ("min", "s", "60", "minute minutes"),
    ("h", "s", "3600", "hr hour hours"),
    ("d", "s", "86400", "day days"),
    ("week", "s", "604800", "weeks"),
)

_UNITS = {symbol: _Unit(symbol, canonical, Decimal(size)) for symbol, canonical, size, _ in _TABLE}
_ALIASES = {alias: _UNITS[symbol] for symbol, _, _, others in _TABLE for alias in (symbol, *others.split())}

_RATIOS = {"%": Decimal(1), "1": Decimal(100)}
"""Percent and plain ratios convert into each other; in percent."""

_PINT_NAMES = {
    "V": "volt", "A": "ampere", "Hz": "hertz", "W": "watt", "var": "var", "Wh": "watt_hour", "varh": "var * hour",
    "ohm": "ohm", "s": "second", "1": "dimensionless",
}
"""The canonical units that a text outside the table may turn out to be."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d")

_EXAMPLES = {"V": "400 V", "A": "12 kA", "Hz": "50 Hz", "%": "5 %", "s": "10 min", "VA": "630 kVA", "W": "25 kW"}


def quantity_of(text: str, unit: str) -> Decimal:
    """The value of a text such as ``"12 kA"`` in `unit` (``"A"``): ``Decimal("12000")``.

    Raises `UnitError` when the text holds no number, no unit, an unknown unit, or one of another dimension.
    """
    number, unit_text = _split(text, unit)
    if not unit_text:
        raise UnitError(f"{text!r} has no unit; write it with one, for example {_EXAMPLES.get(unit, '1 ' + unit)!r}")
    try:
        return _plain(number * factor(unit_text, unit))
    except UnitError as error:
        raise UnitError(f"{text!r}: {error}") from None


def duration_us(text: str, *, signed: bool = False) -> int:
    """Microseconds of a duration such as ``"10 min"``.

    Raises `UnitError` for what is not a duration, for one finer than a microsecond, and (unless `signed`) for one
    that is zero or negative.
    """
    value = quantity_of(text, "s") * 1_000_000
    if value != value.to_integral_value():
        raise UnitError(f"{text!r} is finer than a microsecond; write a whole number of microseconds")
    if value <= 0 and not signed:
        raise UnitError(f"{text!r} is not a duration longer than zero; write one such as '10 min'")
    return int(value)


def factor(unit_from: str, unit_to: str) -> Decimal:
    """What a number in `unit_from` is multiplied with to be in `unit_to`.

    Percent, per unit and plain ratios convert into each other; percent of different things ("% of nominal") do not.
    Raises `UnitError` for an unknown unit and for units of different dimensions.
    """
    first, second = _find(unit_from), _find(unit_to)
    if first.canonical == second.canonical:
        return _plain(_quotient(first.size, second.size))
    if first.canonical in _RATIOS and second.canonical in _RATIOS:
        return _plain(
            _quotient(first.size * _RATIOS[first.canonical], second.size * _RATIOS[second.canonical])
        )
    raise UnitError(f"{unit_from!r} cannot be turned into {second.symbol!r}; give a value in {second.symbol!r}")


def canonical(unit: str) -> str:
    """The canonical unit of reports for `unit`: ``"kV"`` gives ``"V"``, ``"pu"`` gives ``"%"``.

    Raises `UnitError` for an unknown unit.
    """
    return _find(unit).canonical


def symbol_of(text: str) -> str:
    """The usual spelling of a unit text: ``"KVAR"`` gives ``"kvar"``.

    Raises `UnitError` for an unknown unit.
    """
    return _find(text).symbol


def in_alias_table(text: str) -> bool:
    """Whether the table knows the unit text (pint is not asked)."""
    return _normal(text) in _ALIASES


def _split(text: str, unit: str) -> tuple[Decimal, str]:
    """Number and unit text of a value such as ``"12.47 kV"``."""
    stripped = unicodedata.normalize("NFKC", text).strip()
    if _COMMA.match(stripped):
        raise UnitError(f"{text!r} has a comma, which can mean thousands or decimals; write '12000' or '12.5'")
    number = _NUMBER.match(stripped)
    if not number:
        raise UnitError(f"{text!r} does not start with a number; write a value such as "
                        f"{_EXAMPLES.get(unit, '1 ' + unit)!r}")
    return Decimal(number.group()), stripped[number.end():].strip()


def _normal(text: str) -> str:
    """One spelling for composed and compatibility characters; "kV·A" and "kW*h" without their sign."""
    joined = " ".join(unicodedata.normalize("NFKC", text).split())
    return re.sub(r"(?<=\w) ?[\u00b7\u22c5*] ?(?=\w)", "", joined)


def _find(text: str) -> _Unit:
    known = _ALIASES.get(_normal(text))
    return known if known else _foreign(_normal(text))


@functools.cache
def _foreign(text: str) -> _Unit:
    """A unit outside the table, read by pint; only dimensions of the table are taken."""
    import pint

    unknown = UnitError(f"unknown unit {text!r}{nearest(text, _UNITS)}")
    if not re.fullmatch(r"[^\W\d_][\w ]*", text):
        raise unknown
    registry = _registry()
    try:
        quantity = registry(text)
        # Angles count as pure numbers there: revolutions per minute would come out as 2 pi too many hertz.
        if "radian" in str(quantity.to_root_units().units):
            raise unknown
        for symbol, name in _PINT_NAMES.items():
            if quantity.is_compatible_with(name):
                apparent = symbol == "W" and "volt_ampere" in str(quantity.units)
                return _Unit(text, "VA" if apparent else symbol, _plain(Decimal(quantity.to(name).magnitude)))
    except (pint.PintError, AttributeError, TypeError, ValueError, ArithmeticError, SyntaxError):
        raise unknown from None
    raise unknown


@functools.cache
def _registry() -> pint.UnitRegistry[Decimal]:
    """A registry of our own: `var` is kept apart from watts, `pu` is a ratio, numbers are `Decimal`."""
    import pint

    registry: pint.UnitRegistry[Decimal] = pint.UnitRegistry(non_int_type=Decimal, on_redefinition="ignore")
    registry.define("var = [reactive_power]")
    registry.define("per_unit = 1 = pu")
    return registry


def _quotient(first: Decimal, second: Decimal) -> Decimal:
    """`first / second` with a precision that no unit needs."""
    with localcontext() as context:
        context.prec = 34
        return first / second


def _plain(value: Decimal) -> Decimal:
    """Without exponent or trailing zeros: ``Decimal("12000")``, never ``Decimal("1.2E+4")``."""
    normal = value.normalize()
    return normal.quantize(Decimal(1)) if normal == normal.to_integral_value() and normal.adjusted() < 28 else normal
