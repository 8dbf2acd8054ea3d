"""One pass over a stretch: the compiled module and numpy give the same to the last bit, and what a plain sort gives."""

from __future__ import annotations

import itertools
import os
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy.linalg import norm

from pqcheck import passes
from pqcheck.counting import rank
from pqcheck.passes import Stretch, same_holes
from pqcheck.sweep import Sweep


@pytest.fixture(scope="module", autouse=True)
def compiled() -> None:
    """Needs the compiled module; CI demands it wherever there is a compiler."""
    if passes._compiled() is None:
        if os.environ.get("PQCHECK_COMPILED") == "required":
            pytest.fail("the compiled module was not built, or is of another version")
        pytest.skip("no compiled module here: no C compiler at installation")


NUMBERS = st.floats(-1e6, 1e6, width=32) | st.just(float("nan")) | st.sampled_from([0.0, -0.0, 8.0])


@st.composite
def stretches(draw: st.DrawFn) -> Stretch:
    """Any stretch: either width, with and without factor and mask, with holes and ties."""
    size = draw(st.integers(0, 700))
    dtype = draw(st.sampled_from([np.float32, np.float64]))
    members = draw(arrays.arrays(dtype, size, elements=NUMBERS, fill=NUMBERS))
    factor = draw(st.none() | arrays.arrays(np.float64, size, elements=st.floats(0.5, 2), fill=st.floats(0.5, 2)))
    mask = draw(st.none() | arrays.arrays(np.bool_, size))
    return Stretch(members, factor, mask)


@given(stretches(), st.integers(1, 400), st.booleans())
def test_the_largest_are_those_of_a_sort(stretch: Stretch, keep: int, smallest: bool) -> None:
    valid, top, best, least = stretch.largest(keep, smallest=smallest)
    values = stretch.whole()
    good = np.sort(values[~np.isnan(values)] * (-1 if smallest else 1))
    assert valid == len(good)
    assert best.dtype == values.dtype
    assert np.sort(best).tolist() == good[max(0, len(good) - keep):].tolist()
    if valid:
        assert (top, least) == (good[-1], best.min())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        other = stretch.largest(keep, smallest=smallest)
    assert (valid, np.sort(best).tolist()) == (other[0], np.sort(other[2]).tolist())
    assert top == other[1] and (least == other[3] or not valid)


@pytest.mark.parametrize("spread", ["normal", "steps", "constant", "rising", "falling"])
@pytest.mark.parametrize("keep", [1, 289, 1441, 5000])
def test_the_largest_of_a_day(spread: str, keep: int) -> None:
    # The guessed threshold must not matter: ties, ramps, and a day on which nearly all values are equal.
    chance = np.random.default_rng(5)
    values = {
        "normal": chance.normal(5, 1, 28_800),
        "steps": chance.integers(0, 3, 28_800).astype(float),
        "constant": np.full(28_800, 7.0),
        "rising": np.arange(28_800.0),
        "falling": -np.arange(28_800.0),
    }[spread].astype(np.float32)
    values[100:4000] = np.nan
    valid, top, best, _ = Stretch(values).largest(keep)
    good = np.sort(values[~np.isnan(values)])
    assert (valid, top) == (24_900, good[-1])
    assert np.array_equal(np.sort(best), good[len(good) - keep:])


@given(stretches(), st.integers(1, 300))
def test_squares_are_the_same_to_the_last_bit(stretch: Stretch, size: int) -> None:
    found = stretch.squares(size)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        other = stretch.squares(size)
    assert found.tobytes() == other.tobytes() or np.array_equal(found, other, equal_nan=True)
    assert found.size == stretch.size // size


@given(stretches(), st.floats(0.01, 100), st.integers(1, 4))
def test_added_squares_are_the_same_to_the_last_bit(stretch: Stretch, by: float, times: int) -> None:
    several = [stretch, Stretch(np.linspace(1, 2, stretch.size)), stretch][:times]
    found, other = np.ones(stretch.size), np.ones(stretch.size)
    passes.add_squares(found, several, [by, 3.0, 0.1][:times])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        passes.add_squares(other, several, [by, 3.0, 0.1][:times])
    assert np.array_equal(found, other, equal_nan=True)


def test_squares_of_a_whole_day_are_added_in_order() -> None:
    rows = np.random.default_rng(2).normal(size=(5, 3000))
    found, wanted = np.zeros(3000), np.zeros(3000)
    passes.add_squares(found, [Stretch(row) for row in rows], [1.0] * 5)
    for row in rows:
        wanted += row * row
    assert np.array_equal(found, wanted) and np.allclose(found, norm(rows, axis=0) ** 2)


def test_squares_against_a_library_norm() -> None:
    # The root of the sum of squares is the 2-norm (scipy.linalg, BLAS nrm2).
    chance = np.random.default_rng(6)
    members, factor = chance.normal(230, 5, 4000).astype(np.float32), chance.normal(1, 0.01, 4000)
    sums = Stretch(members, factor).squares(200)
    expected = [norm(part) for part in (members.astype(float) * factor).reshape(-1, 200)]
    assert np.sqrt(sums) == pytest.approx(expected, rel=1e-14)


@given(stretches(), st.data())
def test_a_cut_holds_the_same_values(stretch: Stretch, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, stretch.size))
    end = data.draw(st.integers(start, stretch.size))
    assert np.array_equal(stretch.cut(start, end).whole(), stretch.whole()[start:end], equal_nan=True)


@given(stretches(), st.data())
def test_a_sweep_answers_as_a_sort_and_as_numpy(stretch: Stretch, data: st.DataObject) -> None:
    size = stretch.size
    start = data.draw(st.integers(0, size))
    end = data.draw(st.integers(start, size))
    percent = data.draw(st.sampled_from(["0.1", "50", "95", "99", "99.9", "100"]))
    smallest, group = data.draw(st.booleans()), data.draw(st.integers(1, 300))
    expected, share = max(end - start, 1), Fraction(percent) / 100
    keep = expected - rank(expected, Decimal(percent)) + 1

    def answered() -> tuple[list[float], list[float]]:
        sweep = Sweep(size)
        other = np.zeros(size, np.float32)
        item = sweep.add([(other, None, None), (stretch.members, stretch.factor, stretch.mask)]) + 1
        items, groups = np.array([item]), (size - start) // group
        at = sweep.ranks(items, start, end, keep, share, smallest=smallest)
        sums = sweep.squares(items, start, groups, group)
        sweep.run()
        return sweep.answers(at, 1, 3)[0].tolist(), sweep.answers(sums, 1, groups)[0].tolist()

    (valid, top, reading), sums = answered()
    part = stretch.whole()[start:end]
    good = np.sort(part[~np.isnan(part)])[:: -1 if smallest else 1]
    assert valid == len(good)
    if valid:
        assert reading == good[rank(len(good), Decimal(percent)) - 1] and abs(top) == abs(good[-1])
    assert np.array_equal(sums, Stretch(stretch.whole()[start:].copy()).squares(group), equal_nan=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        (_, _, again), others = answered()
    assert np.array_equal([reading, *sums], [again, *others], equal_nan=True)


def test_a_sweep_over_a_day_that_rises() -> None:
    """A threshold guessed from few values lets too many through: then all of them are looked at."""
    values = np.concatenate((np.zeros(4000), np.ones(96)))
    values[::7] = np.arange(len(values[::7]))
    sweep = Sweep(len(values))
    at = sweep.ranks(np.array([sweep.add([(values, None, None)])]), 0, 4096, 41, Fraction(99, 100), smallest=False)
    sweep.run()
    assert sweep.answers(at, 1, 3)[0].tolist() == [4096, 585, np.sort(values)[4056 - 1]]


@pytest.mark.parametrize("percent", [50, 99])
def test_a_sweep_over_what_rises_and_falls(percent: int) -> None:
    """The shape of a day: pivots from fixed places would look at every value for every value."""
    values = 1 - np.abs(np.arange(200_001) - 1e5) / 1e5
    sweep = Sweep(len(values))
    item, keep = np.array([sweep.add([(values, None, None)])]), len(values) - rank(len(values), Decimal(percent)) + 1
    at = sweep.ranks(item, 0, len(values), keep, Fraction(percent, 100), smallest=False)
    sweep.run()
    assert sweep.answers(at, 1, 3)[0, 2] == np.sort(values)[rank(len(values), Decimal(percent)) - 1]


def test_a_sweep_refuses_what_does_not_fit() -> None:
    module = passes._compiled()
    items, out = [(np.zeros(8), None, None)], np.empty(3)
    for row in (
        (1, 0, 0, 8, 1, 1, 1, 0), (-1, 0, 0, 8, 1, 1, 1, 0), (0, 3, 0, 8, 1, 1, 1, 0), (0, 0, -1, 8, 1, 1, 1, 0),
        (0, 0, 4, 2, 1, 1, 1, 0), (0, 0, 0, 9, 1, 1, 1, 0), (0, 0, 0, 8, 0, 1, 1, 0), (0, 0, 0, 8, 1, 2, 1, 0),
        (0, 0, 0, 8, 1, 1, 1, 1), (0, 2, 0, 8, 2, 0, 0, 0), (0, 2, 0, 8, 0, 0, 0, 0), (0, 2, 0, 8, 4, 0, 0, 2),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="do not fit"):
            module.sweep(items, 8, np.array([row]), out)
    for wrong in ([(np.zeros(7), None, None)], [(np.zeros(8), np.zeros(7), None)], [(np.zeros(8),)], [3]):
        with pytest.raises((ValueError, TypeError)):
            module.sweep(wrong, 8, np.array([(0, 0, 0, 8, 1, 1, 1, 0)]), out)


def test_masked_values_do_not_count() -> None:
    stretch = Stretch(np.array([1.0, 9.0, 3.0]), None, np.array([False, True, False]))
    valid, top, best, least = stretch.largest(2)
    assert (valid, top, sorted(best.tolist()), least) == (2, 3.0, [1.0, 3.0], 1.0)
    assert np.isnan(stretch.squares(3)).all()


@given(stretches(), st.data())
def test_the_same_holes_or_not(stretch: Stretch, data: st.DataObject) -> None:
    values = stretch.members
    mask = np.isnan(values)
    assert same_holes(values, mask)
    if values.size:
        other = mask.copy()
        other[data.draw(st.integers(0, values.size - 1))] ^= True
        assert not same_holes(values, other)


def test_buffers_that_do_not_fit_are_refused() -> None:
    module = passes._compiled()
    with pytest.raises(ValueError, match="sizes of the buffers"):
        module.look([(np.zeros(4), False, np.zeros(3), None, 1.0, 1, 0, np.zeros(4))])
    with pytest.raises(ValueError, match="more groups"):
        module.look([(np.zeros(4), False, None, None, 1.0, 0, 3, np.zeros(2))])
    with pytest.raises(ValueError, match="more groups"):
        module.look([(np.zeros(4), False, None, None, 1.0, 0, -1, np.zeros(2))])
    with pytest.raises(ValueError, match="sizes of the buffers"):
        module.same_holes(np.zeros(4), False, np.zeros(3, np.bool_))
    for items, size, by, totals in (
        ([(np.zeros(4), None, None)], 4, 1, 3), ([(np.zeros(4), None, None)], 4, 2, 4), ([], 4, 0, 3), ([], -1, 0, 0),
        ([(np.zeros(4), None, None), (np.zeros(3), None, None)], 4, 2, 4),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=r"fit|length"):
            module.add_squares(items, size, np.ones(by), np.zeros(totals))


def test_several_looks_in_one_call_and_no_buffer_is_held_after_an_error() -> None:
    chance = np.random.default_rng(7)
    one, other = Stretch(chance.normal(size=6000)), Stretch(chance.normal(size=400).astype(np.float32))
    passes.look_at([(one, 60, False), (other, 3, True)], [(other, 200)])
    assert np.sort(one.largest(60)[2]).tolist() == np.sort(one.members)[-60:].tolist()
    assert np.sort(other.largest(3, smallest=True)[2]).tolist() == np.sort(-other.members)[-3:].tolist()
    assert other.squares(200) == pytest.approx(np.square(other.members.astype(float)).reshape(2, 200).sum(axis=1))
    members = bytearray(32)
    with pytest.raises(ValueError, match="more groups"):
        passes._compiled().look([
            (members, False, None, None, 1.0, 1, 0, np.zeros(4)), (members, False, None, None, 1.0, 0, 3, np.zeros(2)),
        ])
    with pytest.raises(TypeError):
        passes._compiled().look([(members, False, None, None, 1.0, 1, 0, np.zeros(4)), (members,)])
    members.append(0)


SAMPLE = st.sampled_from([0.0, -0.0, 1.0, 1.25, 3.0, np.nan, np.inf])
ROWS = st.tuples(st.integers(1, 4), st.integers(2, 120)).flatmap(
    lambda shape: arrays.arrays(np.float64, shape, elements=SAMPLE)
)


@given(ROWS, st.integers(-3, 500), st.integers(1, 60))
def test_neighbours_one_by_one(rows: np.ndarray, first: int, width: int) -> None:
    found = passes.neighbours(rows, first, width)
    with pytest.MonkeyPatch.context() as patch, np.errstate(invalid="ignore"):
        patch.setattr(passes, "_compiled", lambda: None)
        other = passes.neighbours(rows, first, width)
    for one, same in zip(found, other, strict=True):
        assert one.dtype == same.dtype and np.array_equal(one, same)
    for row, values in enumerate(rows.tolist()):
        steps = [b - a for a, b in itertools.pairwise(values)]
        equal = [step == 0 and b != 0 for step, b in zip(steps, values[1:], strict=True)]
        moves = [abs(step) for step in steps if abs(step) > 0]
        assert found.equal[row].tolist() == equal
        assert (found.repeats[row], found.moves[row]) == (sum(equal), len(moves))
        assert found.known[row] == sum(equal) + len(moves), "zero beside zero says nothing"
        assert found.smallest[row] == min(moves, default=np.inf)
        numbers = [(first + step) // width - first // width for step, same in enumerate(equal) if same]
        assert found.held[row].tolist() == [numbers.count(number) for number in range(len(found.edges) - 1)]


@given(ROWS, st.lists(st.tuples(st.integers(0, 130), st.integers(0, 130)), max_size=6))
def test_where_the_largest_of_stretches_stands(rows: np.ndarray, spans: list[tuple[int, int]]) -> None:
    values = rows.reshape(-1)
    first, end = (np.array([min(one[part], values.size) for one in spans], np.int64) for part in (0, 1))
    found = passes.largest_at(values, first, end)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        assert passes.largest_at(values, first, end).tolist() == found.tolist()
    for one, last, at in zip(first, end, found, strict=True):
        held = [(-value, place) for place, value in enumerate(values) if one <= place < last and value == value]
        assert at == (min(held)[1] if held else -1)


@given(ROWS)
def test_marks_tell_rows_apart(rows: np.ndarray) -> None:
    found = passes.marks(rows)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passes, "_compiled", lambda: None)
        assert found.tolist() == passes.marks(rows).tolist()
    texts = [row.tobytes() for row in rows]
    for mark, text in zip(found, texts, strict=True):
        assert [one == mark for one in found] == [other == text for other in texts]
    changed = rows.copy()
    changed[0, -1] += 0.5
    if not np.array_equal(changed, rows, equal_nan=True):
        assert passes.marks(changed)[0] != found[0]


def test_rows_that_do_not_fit_are_refused() -> None:
    module = passes._compiled()
    rows = np.zeros((2, 5))
    with pytest.raises(ValueError, match="fit"):
        module.marks(rows, 2, np.ones(4, np.uint64), np.empty(2, np.uint64))
    room = np.empty((2, 4), np.bool_), np.empty((2, 3), np.int64), np.empty(2), np.empty((2, 1), np.int64)
    for spans in (([-1], [2]), ([0], [11]), ([0, 1], [2])):
        first, end = (np.array(span, np.int64) for span in spans)
        with pytest.raises(ValueError, match="fit"):
            module.largest_at(rows, first, end, np.empty(1, np.int64))
    for count, first, width in ((2, 0, 2), (0, 0, 4), (2, -1, 4), (2, 0, 0), (3, 0, 4)):
        with pytest.raises(ValueError, match="fit"):
            module.neighbours(rows, count, first, width, *room)
