"""What is asked of many stretches of one length, answered in one call that leaves the interpreter to other threads.

A series costs a row of numbers here, not a call. Without the compiled module the answers are the same (passes.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck import passes
from pqcheck.passes import Stretch

Item = tuple[NDArray[Any], NDArray[np.float64] | None, NDArray[np.bool_] | None]
"""Members, factor and mask of a stretch."""
Indices = NDArray[np.int64]

_LARGEST, _SMALLEST, _SUMS = range(3)
_COLUMNS = 8
_MOST = 2**31


def fits(share: Fraction) -> bool:
    """Whether the rank of a share can be worked out in whole numbers of 64 bits."""
    return 0 < share <= 1 and share.denominator < _MOST


class Sweep:
    """Stretches of `size` values, and what is asked of them.

    Add the stretches, ask, `run` once, then read the `answers`.
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self._items: list[Item] = []
        self._asked: list[Indices] = []
        self._room = 0
        self._out: NDArray[np.float64] = np.empty(0)

    def add(self, items: Iterable[Item]) -> int:
        """Add stretches (contiguous members, shape (size,), float64 or float32); the index of the first of them."""
        first = len(self._items)
        self._items += items
        return first

    def stretch(self, index: int) -> Stretch:
        """A stretch that was added."""
        return Stretch(*self._items[index])

    def ranks(self, items: Indices, start: int, end: int, keep: int, share: Fraction, *, smallest: bool) -> int:
        """Ask for the number of values from `start` to `end`, the largest, and the one of rank ceil(share x number).

        `keep` is how many of the largest that can be the nearest of. With `smallest` the values are counted from the
        other side, and the largest is that of the negative values. Where the answer will stand: (items, 3) numbers, the
        last of them NaN where there is no value.
        """
        kind = _SMALLEST if smallest else _LARGEST
        return self._ask(items, kind, start, end, (keep, share.numerator, share.denominator), 3)

    def squares(self, items: Indices, start: int, groups: int, size: int) -> int:
        """Ask for the sums of squares of groups of `size` values from `start` on; the answer is (items, groups)."""
        return self._ask(items, _SUMS, start, start + groups * size, (size, 0, 0), groups)

    def _ask(self, items: Indices, kind: int, start: int, end: int, by: tuple[int, int, int], each: int) -> int:
        at, self._room = self._room, self._room + len(items) * each
        rows = np.empty((len(items), _COLUMNS), np.int64)
        rows[:, 0] = items
        rows[:, 1:7] = kind, start, end, *by
        rows[:, 7] = np.arange(at, self._room, each) if each else at
        self._asked.append(rows)
        return at

    def run(self) -> None:
        """Answer all that was asked."""
        if not self._asked:
            return
        asked = np.concatenate(self._asked)
        # One stretch after the other, so that its values are still near when the next thing is asked of it.
        asked = asked[np.argsort(asked[:, 0], kind="stable")]
        self._out = np.empty(self._room)
        module = passes._compiled()
        if module is not None:
            module.sweep(self._items, self.size, asked, self._out)
            return
        for item, kind, start, end, first, over, under, at in asked.tolist():
            part = self.stretch(item).cut(start, end)
            if kind == _SUMS:
                self._out[at : at + (end - start) // first] = part.squares(first)
            else:
                self._out[at : at + 3] = _ranked(part, first, Fraction(over, under), smallest=kind == _SMALLEST)

    def answers(self, at: int, rows: int, columns: int) -> NDArray[np.float64]:
        """What was asked for."""
        return self._out[at : at + rows * columns].reshape(rows, columns)


def _ranked(part: Stretch, keep: int, share: Fraction, *, smallest: bool) -> Sequence[float]:
    valid, top, best, _ = part.largest(keep, smallest=smallest)
    if not valid:
        return 0, top, float("nan")
    place = valid - max(1, -(-share.numerator * valid // share.denominator)) + 1
    reading = float(np.sort(best)[len(best) - place])
    return valid, top, -reading if smallest else reading
