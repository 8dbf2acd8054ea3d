"""How many intervals may lie outside, and what the counts prove: integers and decimals only."""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal
from functools import lru_cache
from typing import Literal

Outcome = Literal["pass", "fail", "open"]


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
