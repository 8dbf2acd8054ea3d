"""Whole series in one pass: the largest values, sums of squares; compiled where that was built, else numpy.

Both give the same to the last bit (`_passes.c`), so findings do not depend on whether there was a compiler.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.stats.compiled import compiled
from pqcheck.stats.percentile import largest

_VERSION = 12


def _compiled() -> Any:
    return compiled("pqcheck.stats._passes", _VERSION)


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
        farthest = largest(-good if smallest else good, keep)
        best[row, : len(farthest)] = farthest
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
