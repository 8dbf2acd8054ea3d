"""Counts in a band, the reading of rank k, the three-valued proof: integers and decimals only.

Nothing is interpolated: "95 % of the values of the week within the limit" is a count (docs/method/counting.md).
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Outcome = Literal["pass", "fail", "open"]

_SAMPLE_STEP = 61
_SMALLEST_SELECTION = 4096
_EQUALLY_FAR = 2.0**20
"""Distances to two limits that differ by less than this many last places are the same distance (6e-8 V at 230 V)."""


def allowed(count: int, percent: Decimal) -> int:
    """Number of intervals that may lie outside when at least `percent` of them must lie inside.

    Parameters
    ----------
    count : int
        Intervals in the count, N = expected - excluded [1].
    percent : Decimal
        Share that must lie inside [%].

    Returns
    -------
    int
        A = floor((100 - percent) / 100 x N) [1].

    Notes
    -----
    Integers and decimals: 0.95 x 1008 in floating point is a different question.

    References
    ----------
    Hyndman and Fan, The American Statistician 50 (1996) 361-365, type 1 (inverse empirical distribution).

    Examples
    --------
    >>> allowed(1008, Decimal(95)), allowed(28800, Decimal(99)), allowed(84, Decimal(95))
    (50, 288, 4)
    """
    return _allowed(count, percent)


@lru_cache(maxsize=1024)
def _allowed(count: int, percent: Decimal) -> int:
    return int(((Decimal(100) - percent) * count / 100).to_integral_value(ROUND_FLOOR))


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


def prove(outside: int, possibly_outside: int, allowed_exceedances: int) -> Outcome:
    """Decide a share rule from what is known and what is not.

    Parameters
    ----------
    outside : int
        Intervals proven outside [1].
    possibly_outside : int
        Intervals proven outside plus those not shown to be inside (missing, or only bounded) [1].
    allowed_exceedances : int
        A, the allowed number [1].

    Returns
    -------
    str
        "fail" if outside > A; "pass" if possibly_outside <= A; else "open" [-].

    Notes
    -----
    Both outcomes hold whatever length was recorded: 51 bad ten-minute values in five days fail the week.

    References
    ----------
    docs/method/proof.md; the bounds over all expected intervals follow from the definition of the share.

    Examples
    --------
    >>> prove(30, 50, 50), prove(30, 51, 50), prove(51, 51, 50)
    ('pass', 'open', 'fail')
    """
    if outside > allowed_exceedances:
        return "fail"
    if possibly_outside <= allowed_exceedances:
        return "pass"
    return "open"


class Band(Struct, frozen=True):
    """A limit in the unit and width of the values it is compared with.

    `low_cut`/`high_cut` are where "outside" begins; they differ from `low`/`high` by one unit in the last place for
    values that come out of arithmetic, so that such a value equal to the limit up to rounding counts as equal.
    """

    low: float | None
    high: float | None
    low_cut: float | None
    high_cut: float | None
    strict: bool

    def outside(self, low: NDArray[Any], high: NDArray[Any] | None = None) -> NDArray[np.bool_]:
        """Mask of the samples that lie outside wherever between `low` and `high` they are (None: the same as `low`).

        NaN is no bound, so that a missing value is not outside.
        """
        above: NDArray[np.bool_] | None = None
        if self.high_cut is not None:
            above = low >= self.high_cut if self.strict else low > self.high_cut
        if self.low_cut is not None:
            high = low if high is None else high
            below: NDArray[np.bool_] = high <= self.low_cut if self.strict else high < self.low_cut
            return below if above is None else above | below
        return np.zeros(len(low), dtype=bool) if above is None else above

    def inside(self, low: NDArray[Any], high: NDArray[Any] | None = None) -> NDArray[np.bool_]:
        """Mask of the samples that lie inside wherever between `low` and `high` they are; NaN is not inside either."""
        high = low if high is None else high
        under: NDArray[np.bool_] | None = None
        if self.high_cut is not None:
            under = high < self.high_cut if self.strict else high <= self.high_cut
        if self.low_cut is not None:
            over: NDArray[np.bool_] = low > self.low_cut if self.strict else low >= self.low_cut
            return over if under is None else over & under
        return ~np.isnan(low) if under is None else under

    def beyond(self, values: NDArray[Any]) -> NDArray[Any]:
        """Distance beyond the nearer limit, negative inside, in float64; NaN stays NaN."""
        wide: NDArray[np.float64] = np.asarray(values, dtype=np.float64)
        if self.high is None:
            return wide if self.low is None else self.low - wide
        above = wide - self.high
        if self.low is None:
            return above
        far = np.maximum(above, self.low - wide, out=above)
        # 27 V above and 27 V below are equally far, in kV too, where the two differences end in other digits.
        step = float(np.spacing(max(abs(self.low), abs(self.high)))) * _EQUALLY_FAR
        return np.rint(far / step) * step


def band(
    low: Decimal | Fraction | None,
    high: Decimal | Fraction | None,
    *,
    strict: bool,
    dtype: np.dtype[Any],
    arithmetic: bool,
) -> Band:
    """The band for values of `dtype`.

    Parameters
    ----------
    low : Decimal, Fraction or None
        Lower limit in the unit of the values [unit of the values].
    high : Decimal, Fraction or None
        Upper limit in the unit of the values [unit of the values].
    strict : bool
        True when a value equal to the limit is outside [-].
    dtype : numpy.dtype
        Type the values are stored in; for derived values that of their members [-].
    arithmetic : bool
        True for values that come out of arithmetic (aggregated, derived, converted) [-].

    Returns
    -------
    Band
        Limits rounded to `dtype` once [unit of the values].

    Notes
    -----
    A recorded value is compared as it is. A value out of arithmetic equals the limit when it lies within one unit in
    the last place of `dtype`: two hundred readings of 0.38 have an rms of 0.38000000000000006.

    References
    ----------
    docs/method/counting.md, section "On the limit".

    Examples
    --------
    >>> band(None, Decimal("253"), strict=False, dtype=np.dtype("f8"), arithmetic=False).high_cut
    253.0
    """

    def cut(limit: Decimal | Fraction | None, outward: int) -> tuple[float | None, float | None]:
        if limit is None:
            return None, None
        at = dtype.type(float(limit))
        slack = float(np.spacing(np.abs(at))) if arithmetic else 0.0
        return float(at), float(at) + outward * (-slack if strict else slack)

    low_at, low_cut = cut(low, -1)
    high_at, high_cut = cut(high, +1)
    return Band(low_at, high_at, low_cut, high_cut, strict)


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
