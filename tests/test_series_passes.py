"""One pass over series: the compiled module and numpy give the same to the last bit, and what a plain sort gives."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy.linalg import norm

from pqcheck.stats import series_passes as passes
from pqcheck.stats.series_passes import Product, largest_of, squares_of


@pytest.fixture(scope="module", autouse=True)
def compiled() -> None:
    """Needs the compiled module; CI demands it wherever there is a compiler."""
    if passes._compiled() is None:
        if os.environ.get("PQCHECK_COMPILED") == "required":
            pytest.fail("the compiled module was not built, or is of another version")
        pytest.skip("no compiled module here: no C compiler at installation")


NUMBERS = st.floats(-1e6, 1e6, width=32) | st.just(float("nan")) | st.sampled_from([0.0, -0.0, 8.0])


@st.composite
def series(draw: st.DrawFn) -> list[Product]:
    """A few series of one length: either width, with and without factor, with holes and ties."""
    size = draw(st.integers(0, 700))
    some = []
    for _ in range(draw(st.integers(1, 3))):
        dtype = draw(st.sampled_from([np.float32, np.float64]))
        members = draw(arrays.arrays(dtype, size, elements=NUMBERS, fill=NUMBERS))
        factor = draw(st.none() | arrays.arrays(np.float64, size, elements=st.floats(0.5, 2), fill=st.floats(0.5, 2)))
        some.append(Product(members, factor))
    return some


@given(series(), st.integers(1, 400), st.booleans())
def test_the_largest_are_those_of_a_sort(some: list[Product], keep: int, smallest: bool) -> None:
    valid, best = largest_of(some, keep, smallest=smallest)
    for row, product in enumerate(some):
        values = product.values().astype(float)
        good = np.sort(values[~np.isnan(values)] * (-1 if smallest else 1))
        kept = good[max(0, len(good) - keep):].tolist()
        assert valid[row] == len(good)
        assert np.sort(best[row]).tolist() == [-np.inf] * (keep - len(kept)) + kept
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        other = largest_of(some, keep, smallest=smallest)
    assert np.array_equal(valid, other[0]) and np.array_equal(np.sort(best), np.sort(other[1]))


@pytest.mark.parametrize("spread", ["normal", "steps", "constant", "rising", "falling", "up and down", "late"])
@pytest.mark.parametrize("keep", [1, 289, 1441, 5000, 24_900])
def test_the_largest_of_a_day(spread: str, keep: int) -> None:
    # The guessed threshold must not matter: ties, ramps, and a day on which nearly all values are equal; nor may pivots
    # from fixed places look at every value for every value on a day that rises and falls.
    chance = np.random.default_rng(5)
    late = np.zeros(28_800)
    late[::61] = np.arange(len(late[::61]))
    values = {
        "normal": chance.normal(5, 1, 28_800),
        "steps": chance.integers(0, 3, 28_800).astype(float),
        "constant": np.full(28_800, 7.0),
        "rising": np.arange(28_800.0),
        "falling": -np.arange(28_800.0),
        "up and down": 1 - np.abs(np.arange(28_800) - 14e3) / 14e3,
        "late": late,
    }[spread].astype(np.float32)
    values[100:4000] = np.nan
    valid, best = largest_of([Product(values)], keep)
    good = np.sort(values[~np.isnan(values)])
    assert valid.tolist() == [24_900]
    assert np.array_equal(np.sort(best[0]), good[len(good) - keep:])


@given(series(), st.integers(1, 300))
def test_squares_are_the_same_to_the_last_bit(some: list[Product], size: int) -> None:
    sums = squares_of(some, size)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        other = squares_of(some, size)
    assert sums.tobytes() == other.tobytes() or np.array_equal(sums, other, equal_nan=True)
    assert sums.shape == (len(some), len(some[0].members) // size)


def test_squares_against_a_library_norm() -> None:
    # The root of the sum of squares is the 2-norm (scipy.linalg, BLAS nrm2).
    chance = np.random.default_rng(6)
    members, factor = chance.normal(230, 5, 4000).astype(np.float32), chance.normal(1, 0.01, 4000)
    sums = squares_of([Product(members, factor)], 200)[0]
    expected = [norm(part) for part in (members.astype(float) * factor).reshape(-1, 200)]
    assert np.sqrt(sums) == pytest.approx(expected, rel=1e-14)


@given(series(), st.data())
def test_a_cut_holds_the_same_values(some: list[Product], data: st.DataObject) -> None:
    whole = some[0].values()
    start = data.draw(st.integers(0, len(whole)))
    end = data.draw(st.integers(start, len(whole)))
    assert np.array_equal(some[0].cut(start, end).values(), whole[start:end], equal_nan=True)


def test_what_does_not_fit_is_refused_and_no_buffer_is_held() -> None:
    module = passes._compiled()
    members, four = bytearray(32), np.zeros(4)
    for items, best, valid in (
        ([(members, np.zeros(3))], 2, 1), ([(members, None), (np.zeros(3), None)], 4, 2), ([(members, None)], 2, 2),
        ([(members, None)], 0, 1), ([(members, None), (four, None)], 3, 2),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="do not fit"):
            module.largest(items, 1.0, np.empty(best), np.empty(valid, np.int64))
    for group, sums in ((0, 0), (-1, 0), (3, 2), (2, 1)):
        with pytest.raises(ValueError, match="do not fit"):
            module.squares([(members, None)], group, np.empty(sums))
    for wrong in ([(members,)], [3], [(members, None), (members, "two")]):
        with pytest.raises(TypeError):
            module.squares(wrong, 2, np.empty(2))
    members.append(0)
