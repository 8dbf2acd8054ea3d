"""A stretch of a series and what one pass over it tells; by a compiled module where it was built, else by numpy.

Both give the same to the last bit (`_passes.c`), so findings do not depend on whether there was a compiler.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.counting import largest

_VERSION = 4
_ROOM = 64

Values = NDArray[Any]
Largest = tuple[int, float, Values]
"""Number of values, the largest, the largest ones."""


@cache
def _compiled() -> Any:
    """The compiled module; None where there is none, or one of another version of this file."""
    try:
        from pqcheck import _passes
    except ImportError:
        return None
    return _passes if _passes.VERSION == _VERSION else None


class Stretch:
    """Consecutive values of a series: `members`, times `factor` where there is one, NaN where `mask` is set.

    Products are formed while a pass runs and are stored only when `whole` is asked for.

    Parameters
    ----------
    members : array, shape (n,)
        Contiguous float64 or float32 [any].
    factor : array, shape (n,), optional
        float64; the values are the float64 products [any].
    mask : array of bool, shape (n,), optional
        Values that do not count [-].
    """

    __slots__ = ("_largest", "_single", "_squares", "_whole", "factor", "mask", "members", "size")

    def __init__(
        self, members: Values, factor: NDArray[np.float64] | None = None, mask: NDArray[np.bool_] | None = None
    ) -> None:
        """Nothing is copied."""
        self.members = members
        self.factor = factor
        self.mask = mask
        self.size = len(members)
        self._single = members.dtype == np.float32
        self._whole: Values | None = None
        self._largest: tuple[int, bool, Largest] | None = None
        self._squares: tuple[int, NDArray[np.float64]] | None = None

    def cut(self, start: int, end: int) -> Stretch:
        """Some of the values, as a view."""
        if start == 0 and end == self.size:
            return self
        part = slice(start, end)
        return Stretch(
            self.members[part],
            None if self.factor is None else self.factor[part],
            None if self.mask is None else self.mask[part],
        )

    def whole(self) -> Values:
        """The values as one array, in the width of the members where there is no factor. Not to be written to."""
        if self._whole is None:
            values = self.members
            if self.factor is not None:
                values = np.multiply(values, self.factor, dtype=np.float64)
            if self.mask is not None:
                values = np.where(self.mask, values.dtype.type(np.nan), values)
            self._whole = values
        return self._whole

    def largest(self, keep: int, *, smallest: bool = False) -> Largest:
        """How many values there are, the largest, and the `keep` largest in no order; NaN counts as no value.

        With `smallest` all of this is about the negative values: the largest of them and so on.
        """
        if self._largest is None or self._largest[:2] != (keep, smallest):
            look_at([(self, keep, smallest)], [])
        if self._largest is not None and self._largest[:2] == (keep, smallest):
            return self._largest[2]
        values = self.whole()
        holes = np.isnan(values)
        good = values[~holes] if holes.any() else values
        if smallest:
            good = -good
        if not len(good):
            return 0, float("-inf"), good
        best = largest(good, keep)
        return len(good), float(good.max()), best.copy() if best is good else best

    def squares(self, size: int) -> NDArray[np.float64]:
        """Sums of the squares of groups of `size` values, for as many groups as are full; NaN where one is missing."""
        if self._squares is None or self._squares[0] != size:
            look_at([], [(self, size)])
        if self._squares is not None and self._squares[0] == size:
            return self._squares[1]
        groups = self.size // size
        values = self.whole()[: groups * size].astype(np.float64).reshape(groups, size)
        found: NDArray[np.float64] = np.add.reduce(np.square(values), axis=1)
        return found

    def add_squares(self, totals: NDArray[np.float64], by: float) -> None:
        """Add the squares of the values times `by` to `totals` (shape (n,)), in place."""
        module = _compiled()
        if module is not None:
            module.add_squares(self.members, self._single, self.factor, self.mask, by, totals)
            return
        squares = self.whole().astype(np.float64)
        squares *= by
        np.square(squares, out=squares)
        totals += squares


def look_at(largest_of: Sequence[tuple[Stretch, int, bool]], squares_of: Sequence[tuple[Stretch, int]]) -> None:
    """Work out what will be asked of many stretches, in one call that leaves the interpreter to other threads.

    `largest_of` and `squares_of` are stretches with what `Stretch.largest` and `Stretch.squares` take. Without the
    compiled module nothing happens, and each is worked out when it is asked for.
    """
    module = _compiled()
    if module is None:
        return
    passes: list[Any] = []
    for stretch, keep, smallest in largest_of:
        room = stretch.size if keep * 8 >= stretch.size else 4 * keep + _ROOM
        sign = -1.0 if smallest else 1.0
        passes.append((stretch.members, stretch._single, stretch.factor, stretch.mask, sign, keep, 0, np.empty(room)))
    for stretch, size in squares_of:
        sums = np.empty(stretch.size // size)
        passes.append((stretch.members, stretch._single, stretch.factor, stretch.mask, 1.0, 0, size, sums))
    answers = module.look(passes)
    for (stretch, keep, smallest), one, (valid, top, found) in zip(largest_of, passes, answers, strict=False):
        if found >= 0:
            best = one[-1][:found]
            if stretch._single and stretch.factor is None:
                best = best.astype(np.float32)
            stretch._largest = keep, smallest, (valid, top, best)
    for (stretch, size), one in zip(squares_of, passes[len(largest_of) :], strict=True):
        stretch._squares = size, one[-1]


def same_holes(values: Values, mask: NDArray[np.bool_]) -> bool:
    """Whether values (float64 or float32, shape (n,)) are missing just where `mask` is set."""
    module = _compiled()
    if module is not None:
        return bool(module.same_holes(values, values.dtype == np.float32, mask))
    return np.array_equal(np.isnan(values), mask)
