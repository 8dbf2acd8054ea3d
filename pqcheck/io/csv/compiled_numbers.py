"""LineCutter and numbers of delimited text by the compiled module, where it was built; else numpy and Python do it.

The module takes only what is plainly a number or blank (`_numbers.c`); whatever it leaves is read cell by cell, so that
a recording gives the same values with and without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.io.csv.cells import BLANKS
from pqcheck.stats.compiled import compiled

_VERSION = 4
_LOWEST_POWER, _HIGHEST_POWER = -64, 64
_SIGNS = tuple(sign.encode() for sign in BLANKS if sign)
"""Signs for "no value"; the module takes 32 at most."""


def _compiled() -> Any:
    return compiled("pqcheck.io.csv._numbers", _VERSION)


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


class Extremes(NamedTuple):
    """The largest and the smallest value of each column, as they were parsed; -inf and inf when all are blank."""

    tops: NDArray[np.float64]
    bottoms: NDArray[np.float64]


class Written(NamedTuple):
    """How the lines of a text are written."""

    width: int
    """Columns of the header."""
    delimiter: str
    decimal: str


def parse_into(
    data: bytes | memoryview, rows: int, columns: Sequence[int], written: Written,
    out: Sequence[NDArray[np.floating[Any]]], moves: Sequence[tuple[int, int, int]],
) -> Extremes | None:
    """Numbers of some columns of whole lines to their places, NaN for blanks.

    `out` are the rows of a buffer, float64, one per column; `moves` say in the order of the text to which place how
    many rows go from which row of the text on. None when a cell asked for is anything but a number or a blank, a line
    has filled cells beyond the header, the lines are not `rows`, a cell is quoted, or there is no compiled module; then
    anything may stand in the places.
    """
    module = _compiled()
    width, delimiter, decimal = written
    if module is None or len(delimiter) != 1 or delimiter in " \r":
        return None
    targets = np.full(width, -1, np.int32)
    targets[list(columns)] = np.arange(len(columns), dtype=np.int32)
    extremes = np.tile(np.array([-np.inf, np.inf]), (len(columns), 1))
    if data[-1:] != b"\n":
        data = bytes(data) + b"\n"
    parsed_rows = module.parse(
        data, rows, targets, list(out), np.array(moves, np.int64), extremes, ord(delimiter), ord(decimal), _fives(),
        _SIGNS,
    )
    return Extremes(extremes[:, 0], extremes[:, 1]) if parsed_rows == rows else None


_LONG_LINE = 256
"""Above this length searching line by line beats comparing every byte."""


class LineCutter(Struct):
    """Cuts chunks of text into lines; remembers how long lines are."""

    usual: int = 1024
    """LineCutter of the last chunk."""

    def of(
        self, text: memoryview, first: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], int]:
        """Begin, end and number (0 = the first) of the lines from byte `first` on that are not empty, and all lines.

        Ends come without the return of a line that ends with one. An unfinished last line is a line.
        """
        module = _compiled()
        if module is None:
            return self._by_search(text, first)
        room = self.usual + self.usual // 4
        while True:
            starts, ends, numbers = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room, np.int64)
            count, filled = module.lines(text, first, starts, ends, numbers)
            if count >= 0:
                self.usual = max(1024, count)
                return starts[:filled], ends[:filled], numbers[:filled], count
            room *= 4

    def _by_search(
        self, text: memoryview, first: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], int]:
        data = np.frombuffer(text, np.uint8)
        if len(text) > _LONG_LINE * self.usual:
            line_ends: list[int] = []
            whole: bytearray = text.obj  # type: ignore[assignment]
            at = whole.find(b"\n", first, len(text))
            while at >= 0:
                line_ends.append(at)
                at = whole.find(b"\n", at + 1, len(text))
            ends = np.array(line_ends, np.int64)
        else:
            ends = np.flatnonzero(data[first:] == 10) + first
        if not ends.size or ends[-1] != len(text) - 1:
            ends = np.append(ends, len(text))
        self.usual = max(1, ends.size)
        starts = np.append(first, ends[:-1] + 1)
        lengths = ends - starts
        returns = (lengths > 0) & (data[np.maximum(ends - 1, 0)] == 13)
        numbers = np.flatnonzero(lengths - returns > 0)
        return starts[numbers], (ends - returns)[numbers], numbers, ends.size
