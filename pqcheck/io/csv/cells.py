"""What the text of a cell means: a number, a bound, no value, or something odd. Every path asks here.

The compiled parser (`compiled_numbers`) takes what is plainly a number or a sign for "no value"; all else comes here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.io.decoder import BAD
from pqcheck.model.recording import Values
from pqcheck.model.units import UnitError, factor, in_alias_table

BLANKS = (
    "", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None", "-", "--", "---", "----", "*", "**", "***",
)
"""Cells that say "no value here"; they are blanks and not reported as bad."""

OVER_WORDS = ("OL", "O.L.", "OVL", "OFL", "OVER", "OVERLOAD", "OVERFLOW", "OVERRANGE")
"""Cells that say "above the range"; without a number of their own they leave the reading unknown, with a mark."""

_BLANKS = frozenset(BLANKS)
_NOT_A_NUMBER = re.compile(r"[+-]?1[.,]#(?:QNAN|SNAN|IND)0*\Z")
"""How C programs on Windows print "not a number". Their ``1.#INF`` is no value that anybody measured either, but a
fault to be named."""

_BOUND, _SIGN, _EXPONENT = r"(?P<mark>[<>]=?|[\u2264\u2265])?\s*", r"(?P<sign>[+-]?)", r"(?:[eE][+-]?\d+)?"
_UNIT = r"\s*(?P<unit>[^\d\s.,'<>+\-][^\d\s]{0,9})?\Z"
_NEAR = 5.0
_THOUSANDS = "'\u00a0\u202f\u2009 "
_LOOK = re.compile(r"[<>]?\s*[+-]?(?:\d[\d.,'\u00a0\u202f\u2009 ]*|[.,]\d+)(?:[eE][+-]?\d+)?\s*[^\d\s]{0,5}\Z")
_IN_PLACE = frozenset(
    (*OVER_WORDS, "ERR", "ERROR", "INF", "#N/A", "#DIV/0!", "#VALUE!", *map(str.upper, BLANKS))
)


@lru_cache
def _cell(decimal: str) -> re.Pattern[str]:
    """A number of this decimal mark: plain, or in groups of thousands, the first of which begins with 1 to 9."""
    mark, others = re.escape(decimal), re.escape(("." if decimal == "," else ",") + _THOUSANDS)
    plain = rf"\d+(?:{mark}\d*)?|{mark}\d+"
    grouped = rf"[1-9]\d{{0,2}}(?P<group>[{others}])\d{{3}}(?:(?P=group)\d{{3}})*(?:{mark}\d*)?"
    return re.compile(rf"{_BOUND}{_SIGN}(?P<number>(?:{grouped}|{plain}){_EXPONENT}){_UNIT}")


class Kind(Enum):
    """What a cell says."""

    NUMBER = "number"
    LOWER_BOUND = "lower bound"
    UPPER_BOUND = "upper bound"
    NO_VALUE = "no value"
    ODD = "odd"


class Cell(NamedTuple):
    """The meaning of a cell: its value (NaN where it gives none) and the unit glued to it, one that is known."""

    kind: Kind
    value: float
    unit: str = ""
    as_decimal: float = np.nan
    """What a single group of thousands (``230,260``) would be if its mark were that of decimals."""


NO_VALUE, _OVER, _ODD = (Cell(kind, np.nan) for kind in (Kind.NO_VALUE, Kind.LOWER_BOUND, Kind.ODD))


def cell_of(text: str, decimal: str) -> Cell:
    """The meaning of a cell in a file of this decimal mark; the value is in the unit of the cell.

    A word for "above the range" is a lower bound, with the number in front of it where there is one. Behind a number
    nothing but such a word or a unit is understood: ``2E`` and ``1.#INF`` are odd, as is ``4.5 x``.
    """
    text = text.strip()
    if text in _BLANKS or _NOT_A_NUMBER.match(text):
        return NO_VALUE
    if text.upper() in OVER_WORDS:
        return _OVER
    match = _cell(decimal).match(text)
    if match is None:
        return _ODD
    number, mark, unit = match["number"], match["mark"] or "", match["unit"] or ""
    if match["group"]:
        number = number.replace(match["group"], "")
    value = float(match["sign"] + number.replace(decimal, "."))
    above, below = mark[:1] in (">", "\u2265"), mark[:1] in ("<", "\u2264")
    over = unit.upper() in OVER_WORDS
    if not np.isfinite(value) or (over and below) or (unit and not over and not in_alias_table(unit)):
        return _ODD
    kind = Kind.LOWER_BOUND if over or above else Kind.UPPER_BOUND if below else Kind.NUMBER
    doubtful = match["group"] in (",", ".") and match["number"].count(match["group"]) == 1 and decimal not in number
    return Cell(kind, value, "" if over else unit, value / 1000 if doubtful else np.nan)


def is_value(cell: str) -> bool:
    """Whether a cell looks like a number or like a sign in place of one, as long as the decimal mark is not known."""
    return bool(_LOOK.match(cell)) or cell.upper() in _IN_PLACE


class Refused(NamedTuple):
    """Cells that are no readings: their places, the first such text, and what they are."""

    places: NDArray[np.intp]
    text: str = ""
    why: str = BAD


NONE_REFUSED = Refused(np.zeros(0, np.intp))


class ReadCells(Struct, frozen=True):
    """A column read cell by cell.

    `refused` are cells without a meaning or in a unit that does not fit; `units` those glued to numbers.
    `lower_bounds` and `upper_bounds` mark readings that are only that; a word for "above the range" has a mark and no
    value. `plain` says that all cells are numbers or blanks.
    """

    values: Values
    refused: tuple[Refused, ...] = ()
    lower_bounds: NDArray[np.bool_] | None = None
    upper_bounds: NDArray[np.bool_] | None = None
    units: frozenset[str] = frozenset()
    plain: bool = True


def read_cells(texts: Sequence[str], decimal: str, unit: str | None) -> ReadCells:
    """The numbers of the cells of a column in `unit`; None where nothing says it, then in the unit of the cells.

    A cell in another unit is converted; one whose unit does not fit is odd.
    """
    plain = _plain_numbers(texts, decimal)
    if plain is not None:
        return ReadCells(plain)
    cells = [cell_of(text, decimal) for text in texts]
    foreign = np.zeros(len(cells), np.bool_)
    if unit is not None:
        foreign = np.array([bool(cell.unit) and _ratio(cell.unit, unit) is None for cell in cells], np.bool_)
        cells = [_in_unit(cell, unit) for cell in cells]
    misread = _decimals_in_disguise(cells)
    for at in misread.tolist():
        cells[at] = _ODD
    values = np.array([cell.value for cell in cells], np.float64)
    kinds = {cell.kind for cell in cells}
    lower, upper, odd = (
        np.array([cell.kind is kind for cell in cells], np.bool_)
        for kind in (Kind.LOWER_BOUND, Kind.UPPER_BOUND, Kind.ODD)
    )
    return ReadCells(
        values,
        tuple(
            Refused(np.flatnonzero(marks), texts[int(np.argmax(marks))].strip(), why)
            for marks, why in ((odd & ~foreign, BAD), (foreign, f"no number in {unit or 'plain digits'}"))
            if marks.any()
        ),
        lower if lower.any() else None,
        upper if upper.any() else None,
        frozenset(cell.unit for cell in cells if cell.unit),
        plain=kinds <= {Kind.NUMBER, Kind.NO_VALUE} and not any(cell.unit for cell in cells),
    )


def _in_unit(cell: Cell, unit: str) -> Cell:
    """The cell in the unit of its column, rounded once as if written so; odd where the units do not fit."""
    ratio = _ratio(cell.unit, unit) if cell.unit else Decimal(1)
    if ratio is None:
        return _ODD
    if ratio == 1:
        return Cell(cell.kind, cell.value, as_decimal=cell.as_decimal)
    return Cell(cell.kind, float(Decimal(repr(cell.value)) * ratio), as_decimal=cell.as_decimal * float(ratio))


def _decimals_in_disguise(cells: Sequence[Cell]) -> NDArray[np.intp]:
    """Places of numbers like ``230,260`` that fit the others as decimals, and as thousands do not."""
    decimals = np.array([cell.as_decimal for cell in cells], np.float64)
    at = np.flatnonzero(~np.isnan(decimals))
    if not at.size:
        return at
    values = np.abs(np.array([cell.value for cell in cells], np.float64))
    others = values[np.isnan(decimals) & ~np.isnan(values)]
    usual = float(np.median(others)) if others.size else 0.0
    return at[(decimals[at] > usual / _NEAR) & (decimals[at] < usual * _NEAR)]


@lru_cache
def _ratio(of_cell: str, of_column: str) -> Decimal | None:
    """What a number in one unit is multiplied with to be in the other; None when it cannot be said."""
    if of_cell in (of_column, "%") and of_column.startswith("%"):
        # "%" behind a number does not say of what; the column does.
        return Decimal(1)
    try:
        return factor(of_cell, of_column) if of_column else None
    except (UnitError, InvalidOperation):
        return None


def _plain_numbers(texts: Sequence[str], decimal: str) -> Values | None:
    """The numbers where every cell is digits with this decimal mark, or empty; None otherwise."""
    if not frozenset(f"0123456789+-eE{decimal}").issuperset("".join(texts)):
        return None
    try:
        values = np.array([float(text.replace(decimal, ".")) if text else np.nan for text in texts], np.float64)
    except ValueError:
        return None
    return values if not np.isinf(values).any() else None
