"""The reading that a percentile rule shows: its rank among the valid readings, and the selection of the largest ones.

Nothing is interpolated: "95 % of the values of the week within the limit" is a count (docs/method/counting.md).
"""

from __future__ import annotations

from decimal import ROUND_CEILING, Decimal
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

_SAMPLE_STEP = 61
_SMALLEST_SELECTION = 4096


def rank(count: int, percent: Decimal) -> int:
    """Rank of the displayed reading among `count` valid readings sorted by distance beyond the nearer limit.

    Parameters
    ----------
    count : int
        Valid readings, at least one [1].
    percent : Decimal
        Share of the rule [%].

    Returns
    -------
    int
        ceil(percent / 100 x count), at least 1 [1].

    Notes
    -----
    rank + allowed(count, percent) = count, so the displayed reading lies inside exactly when the count passes.

    References
    ----------
    Hyndman and Fan, The American Statistician 50 (1996) 361-365, type 1.

    Examples
    --------
    >>> rank(1008, Decimal(95)), rank(1008, Decimal(99)), rank(84, Decimal(95))
    (958, 998, 80)
    """
    return _rank(count, percent)


@lru_cache(maxsize=1024)
def _rank(count: int, percent: Decimal) -> int:
    return max(1, int((percent * count / 100).to_integral_value(ROUND_CEILING)))


def largest(values: NDArray[Any], count: int) -> NDArray[Any]:
    """The `count` largest values (all of them when there are fewer), in no order; NaN must not be present.

    Parameters
    ----------
    values : array, shape (n,)
        Values without NaN [any].
    count : int
        How many are wanted [1].

    Returns
    -------
    array, shape (min(n, count),)
        The largest values [any].

    Notes
    -----
    A threshold guessed from every 61st value leaves a few per cent of the array to be partitioned exactly; measured
    three times faster than partitioning all of it. The result does not depend on the guess.

    References
    ----------
    Selection by sampling: Floyd and Rivest, Communications of the ACM 18 (1975) 165-172.

    Examples
    --------
    >>> sorted(largest(np.array([3.0, 1.0, 2.0]), 2).tolist())
    [2.0, 3.0]
    """
    if count >= len(values):
        return values
    if count <= 0:
        return values[:0]
    if len(values) >= _SMALLEST_SELECTION and count * 8 < len(values):
        sample = np.sort(values[::_SAMPLE_STEP])
        wanted = int(len(sample) * 1.5 * count / len(values)) + 4
        if wanted < len(sample):
            chosen = values[values >= sample[-wanted]]
            if count <= len(chosen) < len(values):
                values = chosen
                if count == len(values):
                    return values
    part: NDArray[Any] = np.partition(values, len(values) - count)[len(values) - count :]
    return part
