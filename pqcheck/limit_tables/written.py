"""The small texts of a limit table turned into values: numbers, durations, spans, orders, marks of confidence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

from pqcheck.limit_tables.rules import CONFIDENCE, Condition, ValueRange
from pqcheck.model.errors import LimitTableError
from pqcheck.model.small_files import parse_json
from pqcheck.model.units import quantity_of


class Problem(NamedTuple):
    """A place in the file of a table (``rules[2].limit.low``) and what is wrong there, a sentence."""

    path: str
    text: str


Placed = Sequence[tuple[str, Mapping[str, Any]]]
"""Rules with the place where each stands in the file."""


def id_problems(rule_id: str, seen: set[str], path: str) -> Iterator[Problem]:
    """Whether an id was seen before; it is seen from now on."""
    if rule_id in seen:
        yield Problem(f"{path}.id", f"the id {rule_id!r} is there twice; every rule needs its own.")
    seen.add(rule_id)


def read_json(text: str | bytes, where: str) -> Any:
    """Parse JSON with every number as an exact `Decimal` or `int`; NaN and Infinity come back as these words.

    Raises `LimitTableError` for text that is not JSON, and for a key written twice.
    """

    def refuse_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        unique: dict[str, Any] = {}
        for key, value in pairs:
            if key in unique:
                raise LimitTableError(f"{where}: the key {key!r} is written twice in one object; keep one of them.")
            unique[key] = value
        return unique

    try:
        return parse_json(text, parse_float=Decimal, parse_constant=str, object_pairs_hook=refuse_twice)
    except ValueError as error:
        raise LimitTableError(f"{where}: this is not a JSON file ({error}); correct the file.") from error


def number(value: Any) -> Decimal:
    """A JSON string (of a percentage with or without its sign) or number as `Decimal`."""
    if isinstance(value, str):
        value = value.removesuffix("%").rstrip()
    return value if isinstance(value, Decimal) else Decimal(value)


def seconds(text: str) -> Decimal:
    """``"10 min"`` in seconds."""
    return quantity_of(text, "s")


def plain(value: Decimal) -> str:
    """A decimal without exponent and without trailing zeros."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


_SPAN = re.compile(r"([\[(])(\S+), (\S+)([\])])")


def span(text: str) -> ValueRange:
    """``"(1000, 69000]"`` as a `ValueRange`: square brackets are closed edges, ``inf`` is no edge."""
    match = _SPAN.fullmatch(text)
    if match is None:
        raise LimitTableError(f"{text!r} is not a span; write for example '[20, 50)' or '(161000, inf)'.")
    left, low, high, right = match.groups()
    return ValueRange(
        low=None if low == "-inf" else Decimal(low),
        low_closed=left == "[",
        high=None if high == "inf" else Decimal(high),
        high_closed=right == "]",
    )


def span_text(value: ValueRange) -> str:
    """The span as it is written in a table."""
    low = "(-inf" if value.low is None else ("[" if value.low_closed else "(") + plain(value.low)
    high = "inf)" if value.high is None else plain(value.high) + ("]" if value.high_closed else ")")
    return f"{low}, {high}"


def condition(written: Mapping[str, Any], options: Mapping[str, tuple[str, ...]]) -> Condition:
    """A written condition as a `Condition` with the value that stands where the site declares nothing, if any."""
    fact = written["fact"]
    declared = options.get(fact.removeprefix("option:")) if fact.startswith("option:") else None
    return Condition(
        fact=fact,
        values=tuple(written.get("is", ())),
        span=span(written["in"]) if "in" in written else None,
        reason=written.get("reason", ""),
        default=declared[0] if declared else written.get("default"),
    )


_ONLY = {
    "odd": lambda h: h % 2 == 1,
    "even": lambda h: h % 2 == 0,
    "odd multiples of 3": lambda h: h % 2 == 1 and h % 3 == 0,
    "odd except multiples of 3": lambda h: h % 2 == 1 and h % 3 != 0,
}


def orders(written: Sequence[int] | Mapping[str, Any]) -> tuple[int, ...]:
    """The harmonic orders a table names: a list, or ``{"from": 17, "to": 49, "only": "odd"}`` (both ends belong)."""
    if not isinstance(written, Mapping):
        return tuple(written)
    every = range(written["from"], written["to"] + 1)
    only = written.get("only")
    return tuple(every) if only is None else tuple(h for h in every if _ONLY[only](h))


def weakest(*marks: str | None) -> str:
    """The weakest of the marks given; absent marks do not count."""
    return max((mark for mark in marks if mark is not None), key=CONFIDENCE.index, default=CONFIDENCE[0])
