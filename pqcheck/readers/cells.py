"""Cells of one column to numbers: blanks, glued units, thousands marks, over-range marks, error codes."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.recording import Values

BLANKS = (
    "", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None", "-", "--", "---", "----", "*", "**", "***",
)
"""Cells that say "no value here"; they are blanks and not reported as bad."""

OVER_WORDS = ("OL", "O.L.", "OVL", "OVER", "OVERLOAD", "OVERRANGE")
"""Cells that say "above the range"; with no number of their own the largest reading of the column bounds them."""

CODES = (9999.0, 99999.0, 999999.0, 9999.9, 999.9, 32767.0, 32768.0, 65535.0, 3276.7, 6553.5, 2147483647.0)
"""Numbers that instruments write in place of a reading, of either sign; they count as codes only far away from it."""

_CODES = np.array(CODES)
_FAR = 5.0
_HUGE = 1e30
LEAST_CODE = float(min(CODES))
"""Numbers nearer to zero are never taken for codes."""
_NATIVE = frozenset(("", "NaN", "nan"))
_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?\Z")
_GROUPED = re.compile(r"\d{1,3}(?:[.,'\u00a0\u202f\u2009 ]\d{3})+(?:[.,]\d+)?\Z")
_CELL = re.compile(r"(?P<mark>[<>]?)\s*(?P<sign>[+-]?)(?P<number>[\d.,'\u00a0\u202f\u2009 ]*\d[.,]?(?:[eE][+-]?\d+)?)"
                   r"\s*(?P<unit>[^\d\s.,'<>+\-][^\d\s]{0,4})?\Z")


class Spelling(Struct, frozen=True):
    """How the numbers of a file are written: decimal mark, and the cells that stand for no value."""

    decimal: str = "."
    blanks: tuple[str, ...] = BLANKS


POINT = Spelling()


class Column(Struct, frozen=True):
    """A column read cell by cell, or one of plain numbers.

    `wrong` are the places that hold no number, `sample` the first such text. `blanks` are the signs for "no value" that
    occurred, `units` the units glued to numbers; `over` marks lower bounds.
    """

    values: Values
    wrong: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, np.intp))
    sample: str = ""
    blanks: frozenset[str] = frozenset()
    over: NDArray[np.bool_] | None = None
    units: frozenset[str] = frozenset()


def read_column(series: Any, spelling: Spelling) -> Column:
    """Numbers of a polars text column. A null is a blank."""
    import polars as pl

    dotted = series
    if spelling.decimal == ",":
        # A point in a file with decimal commas is a thousands mark: such a cell is looked at by itself.
        pointed = series.str.contains(".", literal=True).fill_null(False)
        dotted = series.str.replace(",", ".", literal=True).set(pointed, None)
    values: Values = dotted.cast(pl.Float64, strict=False).to_numpy().copy()
    over = np.zeros(values.size, np.bool_)
    units: set[str] = set()
    signs: set[str] = set()
    blank = series.is_null().to_numpy().copy()
    unclear = np.flatnonzero(~np.isfinite(values) & ~blank)
    known = frozenset(spelling.blanks)
    cells = [cell.strip() for cell in series.gather(unclear).to_list()]
    bounds = []
    for place, cell in zip(unclear.tolist(), cells, strict=True):
        if cell in known:
            blank[place] = True
            signs.add(cell)
            continue
        if cell.upper() in OVER_WORDS:
            bounds.append(place)
            continue
        found = read_cell(cell, spelling.decimal)
        if found is None:
            continue
        values[place], over[place], unit = found
        if unit:
            units.add(unit)
    if bounds:
        top = np.fmax.reduce(values, initial=-np.inf)
        if np.isfinite(top):
            values[bounds], over[bounds] = top, True
    values[~np.isfinite(values)] = np.nan
    wrong = np.flatnonzero(np.isnan(values) & ~blank)
    sample = str(series[int(wrong[0])]).strip() if wrong.size else ""
    marks = over if over.any() else None
    return Column(values, wrong, sample, frozenset(signs) - _NATIVE, marks, frozenset(units))


def read_cell(cell: str, decimal: str) -> tuple[float, bool, str] | None:
    """(value, is a lower bound, unit glued to it) of one cell; None when it is no number.

    A reading below the range (``<0.1``) is taken as the bound itself, the most it can be.
    """
    if decimal == "." and _PLAIN.match(cell):
        return float(cell), False, ""
    match = _CELL.match(cell)
    if match is None:
        return None
    number = match["number"].strip()
    other = "." if decimal == "," else ","
    if _GROUPED.match(number):
        number = re.sub(rf"[{re.escape(other)}'\u00a0\u202f\u2009 ]", "", number)
    if other in number:
        return None
    try:
        value = float(number.replace(decimal, "."))
    except ValueError:
        return None
    return (-value if match["sign"] == "-" else value), match["mark"] == ">", match["unit"] or ""


def may_be_codes(tops: NDArray[np.float64], bottoms: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a largest or smallest value could be an error code or an infinite number (see `without_codes`)."""
    found: NDArray[np.bool_] = np.zeros(tops.shape, np.bool_)
    for ends in (tops, bottoms):
        size = np.abs(ends)
        # numpy's own function for this loads its masked arrays, which takes longer than the check of a column.
        is_code = (size[..., np.newaxis] == _CODES).any(axis=-1)
        found |= np.isfinite(ends) & (is_code | (size >= _HUGE))
    return found


def without_codes(values: Values) -> tuple[Values, NDArray[np.intp], str]:
    """Values without infinite numbers and error codes (NaN instead), their places, and the first of them as text.

    A code counts as one when it lies at least five times as far out as the usual reading of the column, or when it
    is all the column holds.
    """
    if not values.size:
        return values, np.zeros(0, np.intp), ""
    top, bottom = float(values.max()), float(values.min())
    if top != top:
        # Only the slower reductions step over blanks.
        top, bottom = float(np.fmax.reduce(values)), float(np.fmin.reduce(values))
    ends = [end for end in (top, bottom) if abs(end) in CODES or abs(end) >= _HUGE]
    if not ends:
        return values, np.zeros(0, np.intp), ""
    wrong = np.zeros(values.size, np.bool_)
    for end in ends:
        same = np.abs(values) >= _HUGE if abs(end) >= _HUGE else values == end
        rest = values[~same & ~np.isnan(values)]
        usual = float(np.median(np.abs(rest.astype(np.float64)))) if rest.size else 0.0
        if abs(end) >= _FAR * usual:
            wrong |= same
    places = np.flatnonzero(wrong)
    if not places.size:
        return values, places, ""
    return np.where(wrong, values.dtype.type(np.nan), values), places, f"{float(values[places[0]]):g}"
