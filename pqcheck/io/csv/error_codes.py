"""Numbers that are no readings: codes that instruments write in place of one, and signs that a quantity cannot have."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.io.csv.cells import NONE_REFUSED, OVER_WORDS, ReadCells, Refused
from pqcheck.io.decoder import FIRST_BAD_ROWS, BadCells, Chunk, Filled, Move, RowNumbers, move_values
from pqcheck.model.quantities import MAY_BE_NEGATIVE
from pqcheck.model.recording import Channel, Values

CODES = (9999.0, 99999.0, 999999.0, 9999.9, 999.9, 32767.0, 32768.0, 65535.0, 3276.7, 6553.5, 2147483647.0)
"""Of either sign; they count as codes only far away from the readings."""

_CODES = np.array(CODES)
_FAR = 5.0
_HUGE = 1e30


def may_be_codes(tops: NDArray[np.float64], bottoms: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a largest or smallest value could be an error code or an infinite number (see `without_codes`)."""
    suspect: NDArray[np.bool_] = np.zeros(tops.shape, np.bool_)
    for ends in (tops, bottoms):
        size = np.abs(ends)
        # numpy's own function for this loads its masked arrays, which takes longer than the check of a column.
        is_code = (size[..., np.newaxis] == _CODES).any(axis=-1)
        suspect |= np.isfinite(ends) & (is_code | (size >= _HUGE))
    return suspect


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


def needs_a_look(
    tops: NDArray[np.float64], bottoms: NDArray[np.float64], channels: Sequence[Channel | None]
) -> NDArray[np.bool_]:
    """Whether the largest or smallest value of columns could be no reading (see `write_cells`)."""
    signed = np.array([channel is None or channel.quantity in MAY_BE_NEGATIVE for channel in channels], np.bool_)
    frequency = np.array([channel is not None and channel.quantity == "frequency" for channel in channels], np.bool_)
    impossible: NDArray[np.bool_] = ((bottoms < 0) & ~signed) | ((bottoms == 0) & frequency)
    return may_be_codes(tops, bottoms) | impossible


def without_impossible(values: Values, channel: Channel | None) -> tuple[Values, Refused]:
    """Values without negative numbers (NaN instead) where the channel has no sign, and which they were.

    A frequency of zero is none either: the instrument writes it where there was no voltage to measure one from.
    """
    if channel is None or channel.quantity in MAY_BE_NEGATIVE:
        return values, NONE_REFUSED
    zero_too = channel.quantity == "frequency"
    impossible = values <= 0 if zero_too else values < 0
    places = np.flatnonzero(impossible)
    if not places.size:
        return values, NONE_REFUSED
    why = "zero or negative, which no frequency is" if zero_too else f"negative, which {channel.quantity} cannot be"
    return np.where(impossible, values.dtype.type(np.nan), values), Refused(
        places, f"{float(values[places[0]]):g}", why
    )


def write_cells(
    column: int, cells: ReadCells, row: Values, moves: Sequence[Move], chunk: Chunk, numbers: RowNumbers,
    channel: Channel | None, crowded: Refused = NONE_REFUSED,
) -> Filled:
    """Write a column of a chunk to its places without what is no reading, and tell which cells that are.

    No readings are error codes and numbers that a quantity cannot have (`without_impossible`). `crowded` are rows of
    too many cells.
    """
    values, codes, sample = without_codes(cells.values)
    empty = bool(np.isnan(values).all())
    values, impossible = without_impossible(values, channel)
    lower, upper = cells.lower_bounds, cells.upper_bounds
    move_values([values], [row], moves)
    bad = []
    words = NONE_REFUSED.places if lower is None or not empty else np.flatnonzero(lower & np.isnan(cells.values))
    unknown = Refused(words, OVER_WORDS[0], "above the range")
    for refused in (Refused(codes, sample), *cells.refused, crowded, impossible, unknown):
        if refused.places.size:
            first = numbers.of(refused.places[:FIRST_BAD_ROWS] + chunk.first_row)
            count = int(refused.places.size)
            bad.append(BadCells(column, count, tuple(first.tolist()), refused.text, empty, refused.why))
    # A word for "above the range" bounds the reading by no number, and is a mark without a value.
    marked = ~np.isnan(values) | np.isnan(cells.values)
    lower_bounds, upper_bounds = (
        {column: marks & marked} if marks is not None and (marks & marked).any() else {} for marks in (lower, upper)
    )
    return Filled(tuple(bad), lower_bounds, upper_bounds)
