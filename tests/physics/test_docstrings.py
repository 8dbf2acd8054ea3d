"""The docstring contract of the calculations: every promise in it is compared with the function itself."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from typing import Annotated, Any, NamedTuple, get_args, get_origin, get_type_hints

import numpy as np
import pytest

import pqcheck.physics

HEADINGS = ("Parameters", "Returns", "Notes", "References", "Example")
MODULES = [
    importlib.import_module(f"pqcheck.physics.{module.name}")
    for module in pkgutil.iter_modules(pqcheck.physics.__path__)
    if module.name != "kinds"
]


def functions() -> Iterator[Callable[..., Any]]:
    for module in MODULES:
        for name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not name.startswith("_"):
                yield function


FUNCTIONS = list(functions())


class Entry(NamedTuple):
    """One argument or result as documented."""

    name: str
    kind: str
    text: str
    shape: str
    unit: str


class Contract(NamedTuple):
    """A docstring taken apart."""

    summary: str
    parameters: list[Entry]
    results: list[Entry]
    sections: dict[str, str]


def entries(text: str, *, named: bool) -> list[Entry]:
    found = []
    for block in re.split(r"\n(?=\S)", text.strip()):
        head, _, rest = block.partition("\n")
        name, _, kind = head.partition(" : ") if named else ("", "", head)
        words = " ".join(rest.split())
        bracket = re.search(r"\[([^\];]+); ([^\]]+)\]\.$", words)
        assert bracket, f"no [shape; unit]. at the end of: {words!r}"
        found.append(Entry(name, kind, words, bracket[1], bracket[2]))
    return found


def contract(function: Callable[..., Any]) -> Contract:
    text = inspect.getdoc(function) or ""
    summary, _, rest = text.partition("\n\n")
    parts = re.split(r"^(\w+)\n-+\n", rest, flags=re.MULTILINE)
    assert tuple(parts[1::2]) == HEADINGS
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    return Contract(
        summary, entries(sections["Parameters"], named=True), entries(sections["Returns"], named=False), sections
    )


def unit_of(hint: Any) -> str:
    assert get_origin(hint) is Annotated, hint
    return str(get_args(hint)[1])


def check_summary_is_one_sentence(function: Callable[..., Any]) -> None:
    summary = contract(function).summary
    assert "\n" not in summary
    assert summary.endswith(".")


def check_names_and_order_are_those_of_the_signature(function: Callable[..., Any]) -> None:
    names = [entry.name for entry in contract(function).parameters]
    assert names == list(inspect.signature(function).parameters)


def check_units_are_those_of_the_annotations(function: Callable[..., Any]) -> None:
    hints = get_type_hints(function, include_extras=True)
    documented = contract(function)
    assert {entry.name: entry.unit for entry in documented.parameters} == {
        name: unit_of(hint) for name, hint in hints.items() if name != "return"
    }
    assert [entry.unit for entry in documented.results] == [unit_of(hints["return"])]


def check_missing_values_are_spoken_of(function: Callable[..., Any]) -> None:
    assert "NaN" in contract(function).sections["Notes"]


def check_a_document_is_named(function: Callable[..., Any]) -> None:
    assert contract(function).sections["References"].strip().endswith(".")


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_examples_are_true(module: Any) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


SIZES = {"n": 8, "k": 5, "g": 3, "m": 12, "p": 4, "w": 7, "15": 15, "3": 3, "2": 2, "1": 1}
COUNTS = {"size": 2, "skip": 0, "lamp": 230}


def sample(entry: Entry) -> Any:
    """A plausible argument of the documented shape."""
    if entry.unit == "count":
        return COUNTS[entry.name]
    if entry.unit == "order":
        return {"k": np.array([1, 5, 7, 11, 13]), "n": np.arange(2, 10), "1": 5}[entry.shape]
    if entry.name == "points":
        return np.array([0.5, 2.0, 3.0, 99.0])
    if entry.shape == "1":
        return 4.0 if entry.unit == "%" else 0.9 if entry.unit == "1" else 250.0
    shape = tuple(SIZES[letter] for letter in entry.shape.split(" x "))
    if entry.unit == "1" and entry.name in ("power_factor", "factor"):
        return np.full(shape, 0.9)
    # Deterministic, positive, all different, close enough together to form triangles.
    return 10.0 + np.arange(np.prod(shape), dtype=float).reshape(shape) / 100


def documented_size(entry: Entry, arguments: dict[str, Any]) -> tuple[int, ...] | None:
    """The documented result shape, None where it depends on more than the letters."""
    if entry.shape == "1":
        return ()
    letters = entry.shape.split(" x ")
    known = {letter for value in arguments.values() for letter in value[0].split(" x ")} | {"2", "3"}
    return tuple(SIZES[letter] for letter in letters) if set(letters) <= known else None


def check_shapes_and_missing_values(function: Callable[..., Any]) -> None:
    documented = contract(function)
    arguments = {entry.name: (entry.shape, sample(entry)) for entry in documented.parameters}
    plain = {name: value for name, (_, value) in arguments.items()}
    (result,) = documented.results
    clean = np.asarray(function(**plain))
    assert clean.dtype in (np.float64, np.complex128)
    expected = documented_size(result, arguments)
    if expected is not None:
        assert clean.shape == expected
    assert not np.isnan(clean).any()
    for entry in documented.parameters:
        if entry.unit == "count" or entry.name in ("points", "factors", "orders"):
            continue
        holed = np.array(plain[entry.name], dtype=float)
        if holed.ndim == 0:
            assert np.isnan(function(**{**plain, entry.name: np.nan})).all()
            continue
        holed[(0,) * holed.ndim] = np.nan
        spoiled = np.asarray(function(**{**plain, entry.name: holed}))
        first = spoiled.reshape(spoiled.shape[0], -1)[0, 0] if spoiled.ndim else spoiled
        assert np.isnan(first)
        if spoiled.ndim and result.shape in ("n", "g"):
            # Only what the missing value belongs to is missing; the rest is untouched.
            assert np.array_equal(spoiled[1:], clean[1:], equal_nan=True)


CLAUSES = (
    check_summary_is_one_sentence,
    check_names_and_order_are_those_of_the_signature,
    check_units_are_those_of_the_annotations,
    check_missing_values_are_spoken_of,
    check_a_document_is_named,
    check_shapes_and_missing_values,
)


@pytest.mark.parametrize("clause", CLAUSES, ids=lambda clause: clause.__name__.removeprefix("check_"))
def test_every_docstring_keeps_the_contract(
    clause: Callable[[Callable[..., Any]], None], subtests: pytest.Subtests
) -> None:
    for function in FUNCTIONS:
        with subtests.test(function.__name__):
            clause(function)
