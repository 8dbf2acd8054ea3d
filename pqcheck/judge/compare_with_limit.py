"""A limit in the unit of the values it is compared with, and the comparison: which samples lie outside."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

_EQUALLY_FAR = 2.0**20
"""Distances to two limits that differ by less than this many last places are the same distance (6e-8 V at 230 V)."""


class LimitBand(Struct, frozen=True):
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
            below = self.below(low if high is None else high)
            return below if above is None else above | below
        return np.zeros(len(low), dtype=bool) if above is None else above

    def below(self, high: NDArray[Any]) -> NDArray[np.bool_]:
        """Mask of the samples, at most `high`, that lie below the lower limit."""
        if self.low_cut is None:
            return np.zeros(len(high), dtype=bool)
        below: NDArray[np.bool_] = high <= self.low_cut if self.strict else high < self.low_cut
        return below

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
) -> LimitBand:
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
    LimitBand
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
    return LimitBand(low_at, high_at, low_cut, high_cut, strict)
