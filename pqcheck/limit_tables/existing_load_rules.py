"""Rules about an existing load and what may be added to it.

Such a rule compares a maximum demand, multiplied and with the new load on top, with a rating. It says where the demand
may come from, under which conditions, and which choices its document leaves open; the site declares those choices and
nothing here has a default (docs/method/loads.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, Literal

from msgspec import Struct

from pqcheck.limit_tables.written import Placed, Problem, id_problems, number, seconds, weakest
from pqcheck.model.errors import nearest

Written = Mapping[str, Any]

CHOICES = {
    "seasonal_addition_treatment": ("before", "after"),
    "continuous_new_load": ("125 %", "100 %"),
    "demand_window": ("sliding", "block"),
}
"""What a document may leave open, with the values it can have; keys of ``[load_study]`` in the site file.

`seasonal_addition_treatment`: load that did not run is added before or after the demand is multiplied.
`continuous_new_load`: what a continuous new load counts. `demand_window`: windows that start at any recorded moment, or
on the clock.
"""

CONDITIONS = ("occupied", "renewable_source", "peak_shaving")
"""Facts that a person declares under ``[load_study]``."""


class LoadCondition(Struct, frozen=True):
    """A declared fact that must have this value. `excludes`: the rule (or source) does not govern otherwise; else the
    demand is not representative."""

    fact: str
    value: bool
    reason: str
    excludes: bool
    clause: str
    confidence: str


class DemandSource(Struct, frozen=True):
    """Where the maximum demand may come from.

    "declared": maximum demand of at least `months` months, declared by a person. "recorded": the highest mean over
    `interval_s` of a recording without gaps of at least `continuous_s`. `preferred` sources are used where they exist.
    """

    basis: Literal["declared", "recorded"]
    clause: str
    confidence: str
    months: int = 0
    interval_s: Decimal = Decimal(900)
    continuous_s: Decimal = Decimal(0)
    conditions: tuple[LoadCondition, ...] = ()


class LoadRule(Struct, frozen=True):
    """One determination: multiplier x maximum demand + new load <= rating, in amperes of the highest-loaded phase."""

    id: str
    title: str
    clause: str
    confidence: str
    rating: Literal["service", "feeder"]
    multiplier: Decimal
    sources: tuple[DemandSource, ...]
    """In order of preference."""
    choices: tuple[str, ...]
    """Keys of `CHOICES` that the document leaves open; the others do not arise in it."""
    conditions: tuple[LoadCondition, ...] = ()
    seasonal: bool = True
    """Whether load that did not run during the recording has to be added, so that the site must declare it."""
    note: str | None = None
    share_of_rating: Decimal = Decimal(1)
    """What of the rating may be used: all of it, unless a margin is asked for."""


def load_rule(written: Written) -> LoadRule:
    """The written load rule as a value."""
    mark = written["confidence"]
    multiplier = written["multiplier"]
    return LoadRule(
        id=written["id"],
        title=written["title"],
        clause=written["clause"],
        confidence=weakest(mark, multiplier["confidence"]),
        rating=written["rating"],
        multiplier=number(multiplier["value"]),
        sources=tuple(_source(item, mark) for item in written["demand"]),
        choices=tuple(written.get("open_choices", ())),
        conditions=tuple(_condition(item, written["clause"], mark) for item in written.get("conditions", ())),
        seasonal=written.get("seasonal_addition", True),
        note=written.get("note"),
    )


def _source(source: Written, mark: str) -> DemandSource:
    return DemandSource(
        basis=source["basis"],
        clause=source["clause"],
        confidence=weakest(source.get("confidence"), mark),
        months=int(source.get("months", 0)),
        interval_s=seconds(source.get("interval", "15 min")),
        continuous_s=seconds(source["continuous"]) if "continuous" in source else number(0),
        conditions=tuple(_condition(each, source["clause"], mark) for each in source.get("conditions", ())),
    )


def _condition(tested: Written, clause: str, mark: str) -> LoadCondition:
    return LoadCondition(
        tested["fact"],
        tested["is"],
        tested["reason"],
        tested.get("excludes", False),
        tested.get("clause", clause),
        weakest(tested.get("confidence"), mark),
    )


def check_load_rules(rules: Placed, seen: set[str]) -> Iterator[Problem]:
    """What does not hold together; `seen` are the ids already taken."""
    for path, rule in rules:
        yield from id_problems(rule["id"], seen, path)
        multiplier = rule["multiplier"]["value"]
        if number(multiplier) < 1:
            yield Problem(f"{path}.multiplier.value", f"{multiplier} would make the demand smaller than it is.")
        for name in rule.get("open_choices", ()):
            if name not in CHOICES:
                text = f"{name!r} is no choice that is known{nearest(name, CHOICES) or '.'}"
                yield Problem(f"{path}.open_choices", text)
        places = {path: rule, **{f"{path}.demand[{place}]": holder for place, holder in enumerate(rule["demand"])}}
        for where, holder in places.items():
            for place, tested in enumerate(holder.get("conditions", ())):
                fact = tested["fact"]
                if fact not in CONDITIONS:
                    known = nearest(fact, CONDITIONS) or "."
                    yield Problem(f"{where}.conditions[{place}].fact", f"{fact!r} is no fact known{known}")
        for place, source in enumerate(rule["demand"]):
            yield from _check_source(source, f"{path}.demand[{place}]")


def _check_source(source: Written, path: str) -> Iterator[Problem]:
    if source["basis"] == "recorded" and "continuous" not in source:
        yield Problem(path, "a recorded demand needs 'continuous', how long it must have been recorded.")
    if source["basis"] == "declared" and "months" not in source:
        yield Problem(path, "a declared demand needs 'months', over how many it is the maximum.")
    if "interval" in source and (seconds(source["interval"]) <= 0 or 3600 % seconds(source["interval"])):
        yield Problem(f"{path}.interval", f"{source['interval']} is no demand interval; it must divide the hour.")
