"""Lines and numbers of delimited text by the compiled module, where it was built; else numpy and the library do it.

The module takes only what is plainly a number or blank (`_numbers.c`); every other slab goes to the library, so that a
recording gives the same values with and without it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.compiled import compiled

_VERSION = 3
_LOWEST_POWER, _HIGHEST_POWER = -64, 64
_MOST_BLANKS = 32
_PAD = 16
"""Doubles between the rows, so that they do not share cache sets."""


def _compiled() -> Any:
    return compiled("pqcheck.readers._numbers", _VERSION)


@cache
def _fives() -> NDArray[np.uint64]:
    """High and low half of the powers of five, scaled to 128 bits; of negative powers the reciprocal, rounded up.

    Lemire, Software: Practice and Experience 51 (2021) 1700-1727, section 5.
    """
    words: list[int] = []
    for power in range(_LOWEST_POWER, _HIGHEST_POWER + 1):
        five: int = 5 ** abs(power)
        size = five.bit_length()
        if power >= 0:
            scaled = five << (128 - size) if size <= 128 else five >> (size - 128)
        else:
            # Up to here the reciprocal is exact enough to tell a value half way between two numbers.
            extra = 127 if power >= -27 else size + 128
            scaled = (1 << (size + extra)) // five + 1
            scaled >>= scaled.bit_length() - 128
        words += [scaled >> 64, scaled & (1 << 64) - 1]
    return np.array(words, np.uint64)


class Told(NamedTuple):
    """What is told of columns while they are parsed."""

    tops: NDArray[np.float64]
    """The largest value of each; -inf when all are blank."""
    bottoms: NDArray[np.float64]
    """The smallest."""
    blank: NDArray[np.bool_]
    """Whether any is blank."""


class Written(NamedTuple):
    """How the lines of a text are written."""

    width: int
    """Columns of the header."""
    delimiter: str
    decimal: str
    blanks: Collection[str]
    """Signs for "no value"."""


def parse_numbers(
    data: bytes | memoryview, rows: int, columns: Sequence[int], written: Written
) -> tuple[NDArray[np.float64], Told] | None:
    """Numbers of some columns of whole lines, shape (columns, rows), NaN for blanks; see `parse_into`."""
    out = np.empty((len(columns), rows + _PAD))
    told = parse_into(data, rows, columns, written, list(out), [(0, 0, rows)])
    return (out[:, :rows], told) if told is not None else None


def parse_into(
    data: bytes | memoryview, rows: int, columns: Sequence[int], written: Written,
    out: Sequence[NDArray[np.float64]], moves: Sequence[tuple[int, int, int]],
) -> Told | None:
    """Numbers of some columns of whole lines to their places, NaN for blanks.

    `out` are the rows of a buffer, one per column; `moves` say in the order of the text to which place how many rows go
    from which row of the text on. None when a cell asked for is anything but a number or a blank, a line has filled
    cells beyond the header, the lines are not `rows`, a cell is quoted, or there is no compiled module; then anything
    may stand in the places.
    """
    module = _compiled()
    width, delimiter, decimal, blanks = written
    if module is None or len(delimiter) != 1 or delimiter in " \r" or len(blanks) > _MOST_BLANKS:
        return None
    targets = np.full(width, -1, np.int32)
    targets[list(columns)] = np.arange(len(columns), dtype=np.int32)
    told = np.tile(np.array([-np.inf, np.inf, 0.0]), (len(columns), 1))
    signs = tuple(sign.encode() for sign in blanks)
    if data[-1:] != b"\n":
        data = bytes(data) + b"\n"
    taken = np.array(moves, np.int64)
    found = module.parse(
        data, rows, targets, list(out), taken, told, ord(delimiter), ord(decimal), _fives(), signs
    )
    return Told(told[:, 0], told[:, 1], told[:, 2] != 0) if found == rows else None


_LONG_LINE = 256
"""Above this length searching line by line beats comparing every byte."""


class Lines(Struct):
    """Cuts pieces of text into lines; remembers how long lines are."""

    usual: int = 1024
    """Lines of the last piece."""

    def of(
        self, piece: memoryview, first: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], int]:
        """Begin, end and number (0 = the first) of the lines from byte `first` on that are not empty, and all lines.

        Ends come without the return of a line that ends with one. An unfinished last line is a line.
        """
        module = _compiled()
        if module is None:
            return self._by_search(piece, first)
        room = self.usual + self.usual // 4
        while True:
            starts, ends, numbers = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room, np.int64)
            count, filled = module.lines(piece, first, starts, ends, numbers)
            if count >= 0:
                self.usual = max(1024, count)
                return starts[:filled], ends[:filled], numbers[:filled], count
            room *= 4

    def _by_search(
        self, piece: memoryview, first: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], int]:
        data = np.frombuffer(piece, np.uint8)
        if len(piece) > _LONG_LINE * self.usual:
            found: list[int] = []
            text: bytearray = piece.obj  # type: ignore[assignment]
            at = text.find(b"\n", first, len(piece))
            while at >= 0:
                found.append(at)
                at = text.find(b"\n", at + 1, len(piece))
            ends = np.array(found, np.int64)
        else:
            ends = np.flatnonzero(data[first:] == 10) + first
        if not ends.size or ends[-1] != len(piece) - 1:
            ends = np.append(ends, len(piece))
        self.usual = max(1, ends.size)
        starts = np.append(first, ends[:-1] + 1)
        lengths = ends - starts
        returns = (lengths > 0) & (data[np.maximum(ends - 1, 0)] == 13)
        numbers = np.flatnonzero(lengths - returns > 0)
        return starts[numbers], (ends - returns)[numbers], numbers, ends.size
