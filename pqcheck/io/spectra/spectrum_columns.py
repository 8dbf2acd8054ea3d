"""Headers of a spectrum table: which column holds orders, phases, operating points and amplitudes, and in what."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from pqcheck.io.spectra.spectrum_head import HEADER, ORDER_NAMES
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import CURRENT_PHASES, LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.units import in_alias_table, symbol_of

Role = Literal["order", "point", "phase", "angle", "fundamental", "value", "aside"]
Kind = Literal["rms", "peak"]

_KIND = re.compile(r"\A(?P<unit>.*?)[\s,]*\b(?P<kind>rms|peak|pk)\Z", re.IGNORECASE)
_POINT = ("operating_point", "operating point", "point")
_FUNDAMENTAL = ("fundamental", "fundamental_current")
_QUANTITIES = {
    "current_harmonic": "current_harmonic", "current": "current_harmonic", "i": "current_harmonic",
    "voltage_harmonic": "voltage_harmonic", "voltage": "voltage_harmonic", "u": "voltage_harmonic",
    "v": "voltage_harmonic",
}  # fmt: skip
_LEGS = {
    "a": "a", "b": "b", "c": "c", "n": "n", "l1": "a", "l2": "b", "l3": "c", "r": "a", "s": "b", "t": "c",
}  # fmt: skip
_PERCENT = {"%": "%", "% of fundamental": "%", "% of the fundamental": "%", "% of nominal": "% of nominal"}
_SIZES = {"A": Decimal(1), "kA": Decimal(1000), "mA": Decimal("0.001"), "V": Decimal(1), "kV": Decimal(1000)}
_HOW = (
    "write for example current_harmonic.a [A rms], current_harmonic.a [% of fundamental] or voltage_harmonic.an "
    "[V rms], or map the column so under [recording.columns]"
)


class SpectrumColumn(Struct, frozen=True):
    """One column. `unit` is A, V, "%" (of the fundamental) or "% of nominal"; `size` turns a cell into it.

    `phase` is None where the rows name the phase or the column stands for all. `kind` is None where nothing says
    whether amplitudes are rms or peak.
    """

    number: int
    header: str
    role: Role
    quantity: str = ""
    phase: str | None = None
    unit: str = ""
    size: Decimal = Decimal(1)
    kind: Kind | None = None
    why: str = ""


def columns_of(
    headers: Sequence[str], mapping: Mapping[str, str], amplitudes: Kind | None, name: str
) -> tuple[SpectrumColumn, ...]:
    """Every column of the table. `mapping` is ``[recording.columns]``, `amplitudes` what the scenario declares.

    Raises `InputError` for a column whose unit or quantity would have to be guessed, and for two that are the same.
    """
    columns = []
    for number, header in enumerate(headers):
        text = mapping.get(header, header)
        columns.append(_column(number, header, text, amplitudes, name))
    for role in ("order", "point", "phase"):
        same_role = [column for column in columns if column.role == role]
        if len(same_role) > 1:
            raise InputError(
                f"{name}: columns {same_role[0].header!r} and {same_role[1].header!r} both hold the {role}; remove one"
            )
    seen: dict[tuple[str, str, str | None, str], SpectrumColumn] = {}
    for column in columns:
        if column.role not in ("value", "fundamental"):
            continue
        key = (column.role, column.quantity, column.phase, column.unit)
        if key in seen:
            raise InputError(
                f"{name}: columns {seen[key].header!r} and {column.header!r} hold the same amplitudes; remove one"
            )
        seen[key] = column
    if not any(column.role == "value" for column in columns):
        raise InputError(f"{name} has a column of orders and none of amplitudes; {_HOW}")
    return tuple(columns)


def phase_of(text: str, quantity: str) -> str | None:
    """The phase that a token names for a quantity: ``L2`` is b for a current, bn for a voltage."""
    token = text.strip().lower().replace("-", "")
    token = {"l1n": "an", "l2n": "bn", "l3n": "cn", "l1l2": "ab", "l2l3": "bc", "l3l1": "ca"}.get(token, token)
    if quantity == "voltage_harmonic":
        if token in (*LINE_TO_NEUTRAL, *LINE_TO_LINE):
            return token
        leg = _LEGS.get(token)
        return f"{leg}n" if leg in ("a", "b", "c") else None
    leg = _LEGS.get(token)
    return leg if leg in CURRENT_PHASES else None


def _column(number: int, header: str, text: str, amplitudes: Kind | None, table: str) -> SpectrumColumn:
    match = HEADER.match(text)
    name, written = (match["name"].strip(), (match["unit"] or "").strip()) if match else (text.strip(), "")
    low = name.lower()
    if low in ORDER_NAMES:
        return SpectrumColumn(number, header, "order")
    if low in _POINT:
        return SpectrumColumn(number, header, "point")
    if low == "phase":
        return SpectrumColumn(number, header, "phase")
    if low == "angle" or low.endswith((".angle", " angle")):
        return SpectrumColumn(number, header, "angle")
    quantity, _, token = low.partition(".")
    known = _QUANTITIES.get(quantity)
    if low in _FUNDAMENTAL:
        unit, size, kind = _unit(header, written, amplitudes, table)
        if unit != "A":
            raise InputError(f"{table}: column {header!r} must be in amperes, [A rms]")
        if kind is None:
            raise InputError(f"{table}: column {header!r} does not say whether it is rms or peak; write [A rms]")
        return SpectrumColumn(number, header, "fundamental", "current_harmonic", None, unit, size, kind)
    if known is None and low == "amplitude":
        known, token = "", ""
    if known is None and low in _LEGS:
        known, token = "", low
    if known is None:
        return SpectrumColumn(number, header, "aside", why=f"{name!r} is no quantity of a spectrum")
    unit, size, kind = _unit(header, written, amplitudes, table)
    known = known or {"A": "current_harmonic", "V": "voltage_harmonic"}.get(unit, "")
    if not known:
        raise InputError(f"{table}: column {header!r} says neither current nor voltage; {_HOW}")
    if unit in ("A", "V") and (unit == "A") != (known == "current_harmonic"):
        raise InputError(f"{table}: column {header!r}: {unit} is not a unit of {known}; {_HOW}")
    if unit == "% of nominal" and known != "voltage_harmonic":
        raise InputError(f"{table}: column {header!r}: a current has no nominal to be a percentage of; {_HOW}")
    phase = None
    if token:
        phase = phase_of(token, known)
        if phase is None:
            raise InputError(f"{table}: column {header!r}: {token!r} is not a phase of {known}; {_HOW}")
    return SpectrumColumn(number, header, "value", known, phase, unit, size, kind)


def _unit(header: str, written: str, amplitudes: Kind | None, table: str) -> tuple[str, Decimal, Kind | None]:
    """Unit, size in A or V, and rms or peak."""
    if not written:
        raise InputError(
            f"{table}: column {header!r} has no unit, so its numbers may be amperes or percent, rms or peak; {_HOW}"
        )
    match = _KIND.match(written)
    unit = (match["unit"] if match else written).strip()
    kind: Kind | None = amplitudes
    if match:
        kind = "rms" if match["kind"].lower() == "rms" else "peak"
    # "% of rms" ends in a word that elsewhere says how amplitudes are meant.
    if written.lower() in ("% of rms", "% of the rms"):
        raise InputError(
            f"{table}: column {header!r} is in percent of the rms value, which a spectrum does not hold; give percent "
            "of the fundamental"
        )
    if unit.lower() in _PERCENT:
        return _PERCENT[unit.lower()], Decimal(1), None
    symbol = symbol_of(unit) if in_alias_table(unit) else unit
    if symbol not in _SIZES:
        raise InputError(f"{table}: column {header!r}: {written!r} is not a unit of a spectrum; {_HOW}")
    return symbol[-1], _SIZES[symbol], kind
