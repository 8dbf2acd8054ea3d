"""Stretches of series, rows of samples, and what one pass over them tells; compiled where that was built, else numpy.

Both give the same to the last bit (`_passes.c`), so findings do not depend on whether there was a compiler.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.compiled import compiled
from pqcheck.counting import largest

_VERSION = 11

Values = NDArray[Any]
Largest = tuple[int, float, Values, float]
"""Number of values, the largest, the largest ones, the smallest of these (NaN where there is none)."""


def _compiled() -> Any:
    return compiled("pqcheck._passes", _VERSION)


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

    __slots__ = ("_largest", "_parts", "_single", "_squares", "_whole", "factor", "mask", "members", "size")

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
        self._largest: dict[tuple[int, bool], Largest] = {}
        self._parts: dict[tuple[int, int], Stretch] = {}
        self._squares: tuple[int, NDArray[np.float64]] | None = None

    def cut(self, start: int, end: int) -> Stretch:
        """Some of the values, as a view; the same object whenever it is asked for."""
        if start == 0 and end == self.size:
            return self
        found = self._parts.get((start, end))
        if found is None:
            found = self._parts[start, end] = Stretch(
                self.members[start:end],
                None if self.factor is None else self.factor[start:end],
                None if self.mask is None else self.mask[start:end],
            )
        return found

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
        """How many values there are, the largest, the `keep` largest in no order, the least of these; NaN is no value.

        With `smallest` all of this is about the negative values: the largest of them and so on.
        """
        key = keep, smallest
        if key not in self._largest:
            look_at([(self, keep, smallest)], [])
        if key in self._largest:
            return self._largest[key]
        values = self.whole()
        holes = np.isnan(values)
        good = values[~holes] if holes.any() else values
        if smallest:
            good = -good
        if not len(good):
            return 0, float("-inf"), good, float("nan")
        best = largest(good, keep)
        return len(good), float(good.max()), best.copy() if best is good else best, float(best.min())

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


def add_squares(totals: NDArray[np.float64], stretches: Sequence[Stretch], by: Sequence[float]) -> None:
    """Add the squares of the values of stretches, each times a number, to `totals` (shape (n,)), in their order."""
    module = _compiled()
    if module is not None:
        items = [(one.members, one.factor, one.mask) for one in stretches]
        module.add_squares(items, totals.size, np.array(by, np.float64), totals)
        return
    for one, scale in zip(stretches, by, strict=True):
        squares = one.whole().astype(np.float64)
        squares *= scale
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
        sign, best = -1.0 if smallest else 1.0, np.empty(min(keep, stretch.size))
        passes.append((stretch.members, stretch._single, stretch.factor, stretch.mask, sign, keep, 0, best))
    for stretch, size in squares_of:
        sums = np.empty(stretch.size // size)
        passes.append((stretch.members, stretch._single, stretch.factor, stretch.mask, 1.0, 0, size, sums))
    answers = module.look(passes)
    for (stretch, keep, smallest), one, (valid, top, found, least) in zip(largest_of, passes, answers, strict=False):
        if found >= 0:
            best = one[-1][:found]
            if stretch._single and stretch.factor is None:
                best = best.astype(np.float32)
            stretch._largest[keep, smallest] = valid, top, best, least
    for (stretch, size), one in zip(squares_of, passes[len(largest_of) :], strict=True):
        stretch._squares = size, one[-1]


def same_holes(values: Values, mask: NDArray[np.bool_]) -> bool:
    """Whether values (float64 or float32, shape (n,)) are missing just where `mask` is set."""
    module = _compiled()
    if module is not None:
        return bool(module.same_holes(values, values.dtype == np.float32, mask))
    return np.array_equal(np.isnan(values), mask)


def largest_at(
    values: NDArray[np.float64], first: NDArray[np.int64], end: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Where the largest of the contiguous `values` from `first` to `end` first stands, for each of several stretches.

    NaN counts as no value; -1 where there is none.
    """
    out = np.empty(len(first), np.int64)
    module = _compiled()
    if module is not None:
        module.largest_at(values, first, end, out)
        return out
    known = np.where(np.isnan(values), -np.inf, values)
    for number, (one, last) in enumerate(zip(first.tolist(), end.tolist(), strict=True)):
        at = one + int(known[one:last].argmax()) if last > one else -1
        out[number] = -1 if at < 0 or np.isnan(values[at]) else at
    return out


class Neighbours(NamedTuple):
    """Steps from each sample of a row to the next, row by row; zero beside zero is neither known nor equal."""

    equal: NDArray[np.bool_]
    """Which steps lead to an equal value, shape (rows, steps)."""
    known: NDArray[np.int64]
    """Steps with a value on both sides."""
    repeats: NDArray[np.int64]
    """Steps that lead to an equal value."""
    moves: NDArray[np.int64]
    """Steps that do not."""
    smallest: NDArray[np.float64]
    """The smallest step that moves, infinity where there is none."""
    held: NDArray[np.int64]
    """Repeats in bins of so many steps, shape (rows, bins)."""
    edges: NDArray[np.int64]
    """Where the bins begin, and where the last one ends, counted from the first step, shape (bins + 1,)."""


def neighbours(rows: NDArray[np.float64], first: int, width: int) -> Neighbours:
    """How the samples of rows (contiguous, at least two columns) follow each other, in bins of `width` steps.

    The first step has the number `first`; bins begin at multiples of their width.
    """
    count, steps = len(rows), rows.shape[1] - 1
    numbers = np.arange(first // width, (first + steps - 1) // width + 2) * width
    edges = np.clip(numbers, first, first + steps) - first
    module = _compiled()
    if module is None or first < 0:
        return _neighbours(rows, edges)
    equal = np.empty((count, steps), np.bool_)
    counts = np.empty((count, 3), np.int64)
    smallest, held = np.empty(count), np.empty((count, len(edges) - 1), np.int64)
    module.neighbours(rows, count, first, width, equal, counts, smallest, held)
    return Neighbours(equal, counts[:, 0], counts[:, 1], counts[:, 2], smallest, held, edges)


def _neighbours(rows: NDArray[np.float64], edges: NDArray[np.int64]) -> Neighbours:
    with np.errstate(invalid="ignore"):
        steps = rows[:, 1:] - rows[:, :-1]
    still = steps == 0
    equal = still & (rows[:, 1:] != 0)
    rest = (still & ~equal).sum(axis=1)
    sizes = np.abs(steps)
    sums = np.column_stack((np.zeros(len(rows), np.int64), np.cumsum(equal, axis=1)))
    return Neighbours(
        equal,
        (~np.isnan(steps)).sum(axis=1) - rest,
        equal.sum(axis=1),
        (sizes > 0).sum(axis=1),
        np.where(sizes > 0, sizes, np.inf).min(axis=1),
        sums[:, edges[1:]] - sums[:, edges[:-1]],
        edges,
    )


def marks(rows: NDArray[np.float64]) -> NDArray[np.uint64]:
    """A number for each row (contiguous, shape (rows, n)), the same for rows that agree to the last bit.

    A multilinear hash: rows that differ share one by a chance of 1 to 2^35 (float32 values) or less (Carter and Wegman,
    Journal of Computer and System Sciences 18 (1979) 143-154).
    """
    module = _compiled()
    weights = _weights(rows.shape[1])
    if module is None:
        bits = rows.view(np.uint64)
        found: NDArray[np.uint64] = ((bits ^ (bits >> np.uint64(32))) * weights).sum(axis=1, dtype=np.uint64)
        return found
    out = np.empty(len(rows), np.uint64)
    module.marks(rows, len(rows), weights, out)
    return out


@lru_cache(maxsize=4)
def _weights(count: int) -> NDArray[np.uint64]:
    """Odd numbers without a pattern (Steele, Lea and Flood, splitmix, OOPSLA 2014)."""
    mixed = np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    for shift, by in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(by)
    odd: NDArray[np.uint64] = mixed ^ (mixed >> np.uint64(31)) | np.uint64(1)
    return odd
