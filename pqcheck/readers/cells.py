"""Cells of one text column to numbers: blanks, over-range marks, and what is no number at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.recording import Values

BLANKS = (
    "", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None", "-", "--", "---", "----", "*", "**", "***",
)
"""Cells that say "no value here"; they are blanks and not reported as bad."""

_NATIVE = frozenset(("", "NaN", "nan"))
"""Blanks that the library knows by itself."""

DECIMAL = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"


@dataclass(frozen=True)
class Spelling:
    """How the numbers of a file are written: decimal mark, and the cells that stand for no value."""

    decimal: str = "."
    blanks: tuple[str, ...] = BLANKS


POINT = Spelling()


@dataclass(frozen=True)
class Column:
    """A text column read cell by cell. `wrong` are the places that hold no number, `sample` the first such text.

    `blanks` are the signs for "no value" that occurred; `over` marks lower bounds.
    """

    values: Values
    wrong: NDArray[np.intp]
    sample: str
    blanks: frozenset[str]
    over: NDArray[np.bool_] | None = None


def read_column(series: Any, spelling: Spelling) -> Column:
    """Numbers of a polars text column. A null is a blank."""
    import polars as pl

    text = series.str.strip_chars()
    signs = text.is_in(list(spelling.blanks)).fill_null(False)
    blank = (text.is_null() | signs).to_numpy()
    dotted = text.str.replace(",", ".", literal=True) if spelling.decimal == "," else text
    # A point in a file with decimal commas would be a thousands mark: such a cell is no plain number.
    shape = (text.str.contains(".", literal=True) if spelling.decimal == "," else text.is_null()).fill_null(False)
    fits = dotted.str.contains(rf"^{DECIMAL}$").fill_null(False) & ~shape
    numbers = dotted.set(~fits, None).cast(pl.Float64, strict=False)
    values: Values = numbers.to_numpy().copy()
    values[~np.isfinite(values)] = np.nan
    wrong = np.flatnonzero(np.isnan(values) & ~blank)
    sample = str(text[int(wrong[0])]) if wrong.size else ""
    found = frozenset(series.filter(signs).unique().to_list()) - _NATIVE
    return Column(values, wrong, sample, found)
