"""In which intervals the supply was away: one definition for vetting and judging."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

FEWEST_OBSERVED = 2
"""Voltages that must be observed in an interval where more than one was recorded: one alone may be a lost lead."""


def interrupted(
    voltages: Iterable[tuple[NDArray[Any], float]], *, closed: bool = False
) -> NDArray[np.bool_] | None:
    """Intervals in which all observed voltages lie below their thresholds; None where there are none.

    `voltages` are the readings of every recorded voltage with its threshold in the same unit, NaN where nothing was
    observed (see `side_known` for bounds). At least two must be observed, or the only one recorded; a blank cell says
    neither way. `closed`: a reading equal to its threshold lies below it too.
    """
    given = list(voltages)
    standing: NDArray[np.bool_] | None = None
    for values, threshold in given:
        above = values > threshold if closed else values >= threshold
        standing = above if standing is None else standing | above
        if standing.all():
            return None
    if standing is None:
        return None
    observed = np.zeros(standing.size, np.int64)
    for values, _ in given:
        observed += ~np.isnan(values)
    away = ~standing & (observed >= min(FEWEST_OBSERVED, len(given)))
    return away if away.any() else None


def side_known(
    values: NDArray[Any],
    threshold: float,
    lower: NDArray[np.bool_] | None,
    upper: NDArray[np.bool_] | None = None,
    *,
    closed: bool = False,
) -> NDArray[Any]:
    """The values, NaN where one that is a bound does not tell on which side of the threshold the truth lies.

    `lower` marks values that may truly be more, `upper` those that may be less.
    """
    if lower is None and upper is None:
        return values
    below = values <= threshold if closed else values < threshold
    unknown = np.zeros(values.size, np.bool_)
    if lower is not None:
        unknown |= lower & below
    if upper is not None:
        unknown |= upper & ~below
    return np.where(unknown, np.nan, values)
