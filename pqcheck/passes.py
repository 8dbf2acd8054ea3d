"""Whole series in one pass: the largest values, sums of squares; compiled where that was built, else numpy.

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

_VERSION = 12


def _compiled() -> Any:
    return compiled("pqcheck._passes", _VERSION)


class Product(NamedTuple):
    """Values of a series as `members` times `factor`, so that a product need not be stored to be counted.

    `members` is contiguous float64 or float32, shape (n,), NaN where a value is missing; `factor` is float64, shape
    (n,), or None where the members are the values.
    """

    members: NDArray[Any]
    factor: NDArray[np.float64] | None = None

    def values(self) -> NDArray[Any]:
        """The values as one array, in the width of the members where there is no factor. Not to be written to."""
        if self.factor is None:
            return self.members
        result: NDArray[Any] = np.multiply(self.members, self.factor, dtype=np.float64)
        return result

    def cut(self, start: int, end: int) -> Product:
        """Some of the values, as a view."""
        return Product(self.members[start:end], None if self.factor is None else self.factor[start:end])

    def masked(self, mask: NDArray[np.bool_]) -> Product:
        """The values with NaN where `mask` is set, copied."""
        return Product(np.where(mask, self.members.dtype.type(np.nan), self.members), self.factor)


def largest_of(
    series: Sequence[Product], keep: int, *, smallest: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """How many values each series has, and the largest of them, in one call that leaves the interpreter to others.

    Parameters
    ----------
    series : sequence of Product
        Series of one length [any].
    keep : int
        How many of the largest are wanted, at least one [1].
    smallest : bool
        True to negate the values, so that the largest are the smallest [-].

    Returns
    -------
    valid, best : arrays, shape (series,) and (series, keep)
        Numbers of values; the largest in no order, filled up with minus infinity.
    """
    sign = -1.0 if smallest else 1.0
    valid = np.empty(len(series), np.int64)
    module = _compiled()
    if module is not None:
        best = np.empty((len(series), keep))
        module.largest(list(series), sign, best, valid)
        return valid, best
    best = np.full((len(series), keep), -np.inf)
    for row, product in enumerate(series):
        values = product.values()
        good = values[~np.isnan(values)]
        valid[row] = len(good)
        found = largest(-good if smallest else good, keep)
        best[row, : len(found)] = found
    return valid, best


def squares_of(series: Sequence[Product], size: int) -> NDArray[np.float64]:
    """Sums of the squares of groups of `size` values of series of one length, for as many groups as are full.

    The result has the shape (series, groups); NaN where a value of the group is missing.
    """
    groups = len(series[0].members) // size
    sums = np.empty((len(series), groups))
    module = _compiled()
    if module is not None:
        module.squares(list(series), size, sums)
        return sums
    for row, product in enumerate(series):
        values = product.cut(0, groups * size).values().astype(np.float64).reshape(groups, size)
        np.add.reduce(np.square(values), axis=1, out=sums[row])
    return sums


def same_holes(values: NDArray[Any], mask: NDArray[np.bool_]) -> bool:
    """Whether values (shape (n,)) are missing just where `mask` is set."""
    return np.array_equal(np.isnan(values), mask)


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
    count = rows.shape[1] - 1
    numbers = np.arange(first // width, (first + count - 1) // width + 2) * width
    edges = np.clip(numbers, first, first + count) - first
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
    bits = rows.view(np.uint64)
    mixed = bits >> np.uint64(32)
    mixed ^= bits
    mixed *= _weights(rows.shape[1])
    found: NDArray[np.uint64] = mixed.sum(axis=1, dtype=np.uint64)
    return found


@lru_cache(maxsize=4)
def _weights(count: int) -> NDArray[np.uint64]:
    """Odd numbers without a pattern (Steele, Lea and Flood, splitmix, OOPSLA 2014)."""
    mixed = np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    for shift, by in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(by)
    odd: NDArray[np.uint64] = mixed ^ (mixed >> np.uint64(31)) | np.uint64(1)
    return odd
