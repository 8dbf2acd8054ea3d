"""Counts, ranks, proof and bands against published numbers and against numpy's inverse empirical distribution."""

import itertools
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pqcheck.judge.compare_with_limit import band
from pqcheck.judge.proof import allowed, prove
from pqcheck.stats.percentile import largest, rank
from pqcheck.stats.runs import find_runs, join_runs

# Number of intervals and share -> rank and allowed exceedances. Derived; the definition is Hyndman and Fan (1996),
# type 1, and the count rule "at least 95 % of the values" of EN 50160.
PUBLISHED = [
    (1008, "95", 958, 50),
    (1008, "99", 998, 10),
    (1008, "99.9", 1007, 1),
    (84, "95", 80, 4),
    (28_800, "99", 28_512, 288),
    (60_480, "99.5", 60_178, 302),
    (60_480, "95", 57_456, 3_024),
    (3_153_600, "99.5", 3_137_832, 15_768),
    (3_162_240, "99.5", 3_146_429, 15_811),
    (10_080, "95", 9_576, 504),
    (1002, "95", 952, 50),  # a local week with the spring clock change
    (1014, "95", 964, 50),  # and with the autumn one
    # UK SI 1997/3043, Schedule paragraph 8(1) (air quality, rank rule with rounding to nearest): it gives the same k
    # for the hours of a year, 35 005 and 35 101.
    (35_040, "99.9", 35_005, 35),
    (35_136, "99.9", 35_101, 35),
]


@pytest.mark.parametrize(("count", "percent", "place", "outside"), PUBLISHED)
def test_rank_and_allowed(count: int, percent: str, place: int, outside: int) -> None:
    assert rank(count, Decimal(percent)) == place
    assert allowed(count, Decimal(percent)) == outside
    assert place + outside == count


@given(st.integers(1, 10_000), st.sampled_from(["50", "90", "95", "99", "99.5", "99.9", "100"]))
def test_rank_is_numpys_inverted_cdf(count: int, percent: str) -> None:
    values = np.arange(1, count + 1, dtype=float)
    assert np.quantile(values, float(Fraction(percent) / 100), method="inverted_cdf") in (
        float(rank(count, Decimal(percent))),
        # numpy multiplies in floating point; one rank off only where p x n is whole and the product is not exact.
        float(rank(count, Decimal(percent)) + 1) if Fraction(percent) * count % 100 == 0 else -1.0,
    )


# EN 50160 week of 1008 values, 95 %: outside, missing -> outcome. Derived, bounds over all expected intervals.
@pytest.mark.parametrize(
    ("outside", "missing", "outcome"),
    [(30, 20, "pass"), (30, 21, "open"), (51, 0, "fail"), (50, 0, "pass"), (51, 288, "fail"), (0, 288, "open")],
)
def test_proof(outside: int, missing: int, outcome: str) -> None:
    assert prove(outside, outside + missing, 50) == outcome


@given(
    arrays(np.float64, st.integers(1, 9000), elements=st.floats(-1e6, 1e6, width=32)),
    st.integers(0, 400),
)
def test_largest_is_sorting(values: np.ndarray, count: int) -> None:
    expected = np.sort(values)[len(values) - min(count, len(values)) :]
    assert np.array_equal(np.sort(largest(values, count)), expected)


def test_a_limit_is_met_or_missed_by_the_sign_of_the_rule() -> None:
    double = np.dtype("f8")
    values = np.array([252.9999, 253.0, 253.0001, np.nan])
    closed = band(Decimal(207), Decimal(253), strict=False, dtype=double, arithmetic=False)
    strict = band(Decimal(207), Decimal(253), strict=True, dtype=double, arithmetic=False)
    assert closed.outside(values).tolist() == [False, False, True, False]
    assert strict.outside(values).tolist() == [False, True, True, False]


def test_a_value_out_of_arithmetic_equals_the_limit_within_one_last_place() -> None:
    # Two hundred readings of 0.38 have a root mean square of 0.38000000000000006.
    value = np.sqrt(np.mean(np.full(200, 0.38) ** 2, keepdims=True))
    limit = Decimal("0.38")
    exact = band(None, limit, strict=False, dtype=np.dtype("f8"), arithmetic=False)
    computed = band(None, limit, strict=False, dtype=np.dtype("f8"), arithmetic=True)
    assert value[0] != 0.38
    assert exact.outside(value).tolist() == [True]
    assert computed.outside(value).tolist() == [False]
    assert band(None, limit, strict=True, dtype=np.dtype("f8"), arithmetic=True).outside(value).tolist() == [True]


@given(st.decimals("0.01", "9999", places=2))
def test_a_single_precision_reading_printed_as_the_limit_equals_it(limit: Decimal) -> None:
    stored = np.array([str(limit)], dtype=np.float32)
    low_high = band(limit, limit, strict=False, dtype=np.dtype("f4"), arithmetic=False)
    assert not low_high.outside(stored).any()


@given(arrays(np.float64, st.integers(0, 200), elements=st.sampled_from([0.0, 7.0, 8.0, 9.0, np.nan])), st.data())
def test_runs_do_not_depend_on_where_an_array_is_cut(values: np.ndarray, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(values)), max_size=4)))
    edges = [0, *cuts, len(values)]
    whole = find_runs(values > 6, values, values - 6, 0)
    parts = [
        find_runs(values[a:b] > 6, values[a:b], values[a:b] - 6, a) for a, b in itertools.pairwise(edges)
    ]
    joined = join_runs(parts)
    for name in ("first", "count", "worst", "worst_slot", "beyond"):
        assert np.array_equal(getattr(whole, name), getattr(joined, name)), name
