"""Numbers that instruments write in place of a reading: found by how far they lie from the others of their column."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.io.csv.cells import Column
from pqcheck.io.decoder import FIRST_BAD_ROWS, BadCells, Chunk, Filled, Move, RowNumbers, move_values
from pqcheck.model.recording import Values

CODES = (9999.0, 99999.0, 999999.0, 9999.9, 999.9, 32767.0, 32768.0, 65535.0, 3276.7, 6553.5, 2147483647.0)
"""Of either sign; they count as codes only far away from the readings."""

_CODES = np.array(CODES)
_FAR = 5.0
_HUGE = 1e30


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


def write_column(
    column: int, found: Column, row: Values, moves: Sequence[Move], chunk: Chunk, numbers: RowNumbers,
    crowded: tuple[NDArray[np.intp], str] = (np.zeros(0, np.intp), ""),
) -> Filled:
    """Write a column of a chunk to its places without error codes, and tell which cells hold no number.

    `crowded` are rows of too many cells, and what to say of them.
    """
    values, codes, sample = without_codes(found.values)
    move_values([values], [row], moves)
    empty = bool(np.isnan(values).all())
    bad = []
    for places, text in ((codes, sample), (found.odd, found.sample), crowded):
        if places.size:
            first = numbers.of(places[:FIRST_BAD_ROWS] + chunk.first_row)
            bad.append(BadCells(column, int(places.size), tuple(first.tolist()), text, empty))
    return Filled(tuple(bad), {} if found.lower_bounds is None else {column: found.lower_bounds})
