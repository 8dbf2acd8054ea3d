"""What the text of a cell means: a number, a bound, no value, or something odd. Every path asks here.

The compiled parser (`compiled_numbers`) takes what is plainly a number or a sign for "no value"; all else comes here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.model.recording import Values

BLANKS = (
    "", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None", "-", "--", "---", "----", "*", "**", "***",
)
"""Cells that say "no value here"; they are blanks and not reported as bad."""

OVER_WORDS = ("OL", "O.L.", "OVL", "OVER", "OVERLOAD", "OVERRANGE")
"""Cells that say "above the range"; with no number of their own the largest reading of the chunk bounds them."""

_BLANKS = frozenset(BLANKS)
_GROUPED = re.compile(r"\d{1,3}(?:[.,'\u00a0\u202f\u2009 ]\d{3})+(?:[.,]\d+)?\Z")
_CELL = re.compile(r"(?P<mark>[<>]?)\s*(?P<sign>[+-]?)(?P<number>[\d.,'\u00a0\u202f\u2009 ]*\d[.,]?(?:[eE][+-]?\d+)?)"
                   r"\s*(?P<unit>[^\d\s.,'<>+\-][^\d\s]{0,4})?\Z")


_LOOK = re.compile(r"[<>]?\s*[+-]?(?:\d[\d.,'\u00a0\u202f\u2009 ]*|[.,]\d+)(?:[eE][+-]?\d+)?\s*[^\d\s]{0,5}\Z")
_IN_PLACE = frozenset(
    ("OL", "OVER", "ERR", "ERROR", "OVL", "INF", "#N/A", "#DIV/0!", "#VALUE!", *map(str.upper, BLANKS))
)


class Kind(Enum):
    """What a cell says."""

    NUMBER = "number"
    LOWER_BOUND = "lower bound"
    UPPER_BOUND = "upper bound"
    NO_VALUE = "no value"
    ODD = "odd"


class Cell(NamedTuple):
    """The meaning of a cell: its value (NaN where it gives none) and the unit glued to it."""

    kind: Kind
    value: float
    unit: str = ""


NO_VALUE, _OVER, _ODD = (Cell(kind, np.nan) for kind in (Kind.NO_VALUE, Kind.LOWER_BOUND, Kind.ODD))


def cell_of(text: str, decimal: str) -> Cell:
    """The meaning of a cell in a file of this decimal mark.

    A word for "above the range" is a lower bound without a value.
    """
    text = text.strip()
    if text in _BLANKS:
        return NO_VALUE
    if text.upper() in OVER_WORDS:
        return _OVER
    match = _CELL.match(text)
    if match is None:
        return _ODD
    number = match["number"].strip()
    other = "." if decimal == "," else ","
    if _GROUPED.match(number):
        number = re.sub(rf"[{re.escape(other)}'\u00a0\u202f\u2009 ]", "", number)
    if other in number:
        return _ODD
    try:
        value = float(number.replace(decimal, "."))
    except ValueError:
        return _ODD
    if not np.isfinite(value):
        return _ODD
    kind = {"<": Kind.UPPER_BOUND, ">": Kind.LOWER_BOUND}.get(match["mark"], Kind.NUMBER)
    return Cell(kind, -value if match["sign"] == "-" else value, match["unit"] or "")


def is_value(cell: str) -> bool:
    """Whether a cell looks like a number or like a sign in place of one, as long as the decimal mark is not known."""
    return bool(_LOOK.match(cell)) or cell.upper() in _IN_PLACE


class Column(Struct, frozen=True):
    """A column read cell by cell.

    `odd` are the places whose cell has no meaning, `sample` the first such text; `units` those glued to numbers,
    `lower_bounds` marks readings that are only that. `plain` says that all cells are numbers or blanks.
    """

    values: Values
    odd: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, np.intp))
    sample: str = ""
    lower_bounds: NDArray[np.bool_] | None = None
    units: frozenset[str] = frozenset()
    plain: bool = True


def read_column(texts: Sequence[str], decimal: str) -> Column:
    """The numbers of the cells of a column; an upper bound is taken as the bound, the most it can be."""
    plain = _plain_numbers(texts, decimal)
    if plain is not None:
        return Column(plain)
    cells = [cell_of(text, decimal) for text in texts]
    values = np.array([cell.value for cell in cells], np.float64)
    kinds = {cell.kind for cell in cells}
    lower: NDArray[np.bool_] | None = None
    odd = [at for at, cell in enumerate(cells) if cell.kind is Kind.ODD]
    if Kind.LOWER_BOUND in kinds:
        lower = np.array([cell.kind is Kind.LOWER_BOUND for cell in cells])
        without = lower & np.isnan(values)
        top = np.fmax.reduce(values, initial=-np.inf)
        if np.isfinite(top):
            values[without] = top
        else:
            lower &= ~without
            odd = sorted({*odd, *np.flatnonzero(without).tolist()})
        lower = lower if lower.any() else None
    units = frozenset(cell.unit for cell in cells if cell.unit)
    usual = not units and kinds <= {Kind.NUMBER, Kind.NO_VALUE}
    return Column(values, np.array(odd, np.intp), texts[odd[0]].strip() if odd else "", lower, units, usual)


def _plain_numbers(texts: Sequence[str], decimal: str) -> Values | None:
    """The numbers where every cell is digits with this decimal mark, or empty; None otherwise."""
    if not frozenset(f"0123456789+-eE{decimal}").issuperset("".join(texts)):
        return None
    try:
        values = np.array([float(text.replace(decimal, ".")) if text else np.nan for text in texts], np.float64)
    except ValueError:
        return None
    return values if not np.isinf(values).any() else None
