"""Classes of `pqcheck.records` behave as the standard library's dataclasses do."""

from __future__ import annotations

import copy
import dataclasses
import importlib
import inspect
import pickle
import pkgutil
from typing import Any

import pytest

import pqcheck
from pqcheck.records import dataclass

MADE: list[int] = []


def _body(name: str) -> type[Any]:
    """A class with every kind of field that the package uses, not yet decorated."""

    class Body:
        number: int
        text: str = "plain"
        parts: list[int] = dataclasses.field(default_factory=list)
        hidden: float = dataclasses.field(default=1.0, repr=False, compare=False)
        inner: list[int] = dataclasses.field(default_factory=list, init=False)

        def __post_init__(self) -> None:
            MADE.append(self.number)

    Body.__qualname__ = name
    return Body


@dataclass(frozen=True)
class Frozen:
    """A class that can be found by its name, as pickling asks."""

    number: int
    text: str = "plain"


@dataclass(frozen=True, slots=True)
class Slotted:
    """With slots, some of them with a default or not given at all."""

    number: int
    parts: list[int] = dataclasses.field(default_factory=list)
    hidden: float = dataclasses.field(default=1.0, init=False, compare=False)


@dataclass
class Single:
    """One field, not frozen."""

    value: float


@pytest.mark.parametrize("frozen", [False, True])
def test_the_same_as_the_standard_decorator(frozen: bool) -> None:
    ours, theirs = dataclass(frozen=frozen)(_body("Same")), dataclasses.dataclass(frozen=frozen)(_body("Same"))
    assert list(inspect.signature(ours).parameters) == list(inspect.signature(theirs).parameters)
    assert [field.name for field in dataclasses.fields(ours)] == [field.name for field in dataclasses.fields(theirs)]
    assert ours.__match_args__ == theirs.__match_args__
    for values in ({"number": 1}, {"number": 2, "text": "a", "parts": [3], "hidden": 4.0}):
        one, other = ours(**values), theirs(**values)
        assert repr(one) == repr(other)
        assert dataclasses.asdict(one) == dataclasses.asdict(other)
        assert one == ours(**values) and one != other and one != ours(number=9)
        assert dataclasses.replace(one, number=7).number == 7
        assert one == dataclasses.replace(one, hidden=8.0)
    assert ours(1).parts is not ours(1).parts
    assert (ours.__hash__ is None) == (theirs.__hash__ is None) == (not frozen)


def test_post_init_is_called() -> None:
    MADE.clear()
    dataclass(frozen=True)(_body("Posted"))(5)
    assert MADE == [5]


def test_a_frozen_one_refuses_and_hashes() -> None:
    one = Frozen(1)
    with pytest.raises(dataclasses.FrozenInstanceError, match="number"):
        one.number = 2  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError, match="text"):
        del one.text
    assert hash(one) == hash(Frozen(1, "plain")) and len({one, Frozen(1), Frozen(2)}) == 2
    assert copy.deepcopy(one) == one == pickle.loads(pickle.dumps(one))
    assert Frozen.__doc__ == "A class that can be found by its name, as pickling asks."


def test_a_hash_is_worked_out_once_and_never_carried_to_another_process() -> None:
    class Counted(str):
        asked = 0

        def __hash__(self) -> int:
            Counted.asked += 1
            return super().__hash__()

    one = Frozen(1, Counted("text"))
    assert hash(one) == hash(one) == hash(Frozen(1, "text")) and Counted.asked == 1
    one = Frozen(1)
    hash(one)
    assert b"_hashed" not in pickle.dumps(one) and "_hashed" not in repr(one)
    assert not hasattr(copy.copy(one), "_hashed") and dataclasses.replace(one, number=2) == Frozen(2)
    assert hash(dataclasses.replace(one, number=2)) == hash(Frozen(2)) != hash(one)


def test_one_field_and_not_a_number() -> None:
    not_a_number = float("nan")
    assert Single(not_a_number) == Single(not_a_number), "compared as tuples are: the same object is equal to itself"
    assert Single(1.0) != Single(2.0)
    single = Single(1.0)
    single.value = 3.0
    assert single == Single(3.0)
    with pytest.raises(TypeError):
        hash(single)
    with pytest.raises(TypeError, match="value"):
        Single()  # type: ignore[call-arg]


def test_a_frozen_one_with_slots() -> None:
    one = Slotted(1)
    assert (one.number, one.parts, one.hidden) == (1, [], 1.0) and not hasattr(one, "__dict__")
    assert one.parts is not Slotted(1).parts
    assert Slotted(number=2, parts=[3]) == dataclasses.replace(one, number=2, parts=[3]) != one
    assert copy.deepcopy(one) == one == pickle.loads(pickle.dumps(one))
    with pytest.raises(dataclasses.FrozenInstanceError, match="number"):
        one.number = 2  # type: ignore[misc]
    with pytest.raises(TypeError, match="number"):
        Slotted()  # type: ignore[call-arg]
    assert list(inspect.signature(Slotted).parameters) == ["number", "parts"]


def test_order_is_that_of_the_fields_that_are_compared() -> None:
    ours = dataclass(frozen=True, order=True)(_body("Ordered"))
    theirs = dataclasses.dataclass(frozen=True, order=True)(_body("Ordered"))
    values = [{"number": 2, "text": "a"}, {"number": 1, "text": "b", "hidden": 9.0}, {"number": 1, "text": "b"},
              {"number": 1, "text": "a", "parts": [2]}]
    for one in values:
        for other in values:
            mine, your = (ours(**one), ours(**other)), (theirs(**one), theirs(**other))
            assert (mine[0] < mine[1]) == (your[0] < your[1])
            assert (mine[0] <= mine[1]) == (your[0] <= your[1])
            assert (mine[0] > mine[1]) == (your[0] > your[1])
            assert (mine[0] >= mine[1]) == (your[0] >= your[1])
    with pytest.raises(TypeError, match="not supported between"):
        _ = ours(1) < theirs(1)


def test_own_methods_are_kept() -> None:
    class Own:
        number: int

        def __eq__(self, other: object) -> bool:
            return True

        def __repr__(self) -> str:
            return "own"

    made = dataclass(frozen=True)(Own)
    assert repr(made(1)) == "own" and made(1) == made(2) and hash(made(1)) == hash(made(1))


def _of_the_package() -> list[type[Any]]:
    found = {}
    for module in pkgutil.walk_packages(pqcheck.__path__, "pqcheck."):
        if module.name.endswith("__main__"):
            continue
        for thing in vars(importlib.import_module(module.name)).values():
            if inspect.isclass(thing) and dataclasses.is_dataclass(thing) and thing.__module__.startswith("pqcheck"):
                found[f"{thing.__module__}.{thing.__qualname__}"] = thing
    return list(found.values())


def test_every_class_of_the_package_has_the_standard_signature() -> None:
    classes = _of_the_package()
    assert len(classes) > 150
    for ours in classes:
        asked = {name: value for name, value in inspect.signature(ours).parameters.items() if name != "self"}
        fields = [field for field in dataclasses.fields(ours) if field.init]
        assert list(asked) == [field.name for field in fields], ours
        for field in fields:
            given = asked[field.name].default is not inspect.Parameter.empty
            wanted = field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING
            assert given == wanted, (ours, field.name)
