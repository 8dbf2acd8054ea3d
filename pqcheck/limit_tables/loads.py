"""Load rules of a limit table: from the written form to values, what may be wrong with them, and in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pqcheck.errors import nearest
from pqcheck.limit_tables.load_rules import CHOICES, CONDITIONS, DemandSource, LoadCondition, LoadRule
from pqcheck.limit_tables.values import duration_text, number, plain, seconds, weakest

Written = Mapping[str, Any]
Problem = tuple[str, str]


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
        sources=tuple(_source(one, mark) for one in written["demand"]),
        choices=tuple(written.get("open_choices", ())),
        conditions=tuple(_condition(one, written["clause"], mark) for one in written.get("conditions", ())),
        seasonal=written.get("seasonal_addition", True),
        note=written.get("note"),
    )


def _source(one: Written, mark: str) -> DemandSource:
    return DemandSource(
        basis=one["basis"],
        clause=one["clause"],
        confidence=weakest(one.get("confidence"), mark),
        months=int(one.get("months", 0)),
        interval_s=seconds(one.get("interval", "15 min")),
        continuous_s=seconds(one["continuous"]) if "continuous" in one else number(0),
        conditions=tuple(_condition(each, one["clause"], mark) for each in one.get("conditions", ())),
    )


def _condition(one: Written, clause: str, mark: str) -> LoadCondition:
    return LoadCondition(
        one["fact"],
        one["is"],
        one["reason"],
        one.get("excludes", False),
        one.get("clause", clause),
        weakest(one.get("confidence"), mark),
    )


def load_problems(rules: Sequence[Written], seen: set[str]) -> Iterator[Problem]:
    """What does not hold together in the load rules; `seen` are the ids already taken."""
    for index, rule in enumerate(rules):
        path = f"load_rules[{index}]"
        if rule["id"] in seen:
            yield f"{path}.id", f"the id {rule['id']!r} is there twice; every rule needs its own."
        seen.add(rule["id"])
        if number(rule["multiplier"]["value"]) < 1:
            yield f"{path}.multiplier.value", f"{rule['multiplier']['value']} would make the demand smaller than it is."
        for name in rule.get("open_choices", ()):
            if name not in CHOICES:
                yield f"{path}.open_choices", f"{name!r} is no choice that is known{nearest(name, CHOICES) or '.'}"
        for where, conditions in (
            (f"{path}.conditions", rule.get("conditions", ())),
            *((f"{path}.demand[{n}].conditions", one.get("conditions", ())) for n, one in enumerate(rule["demand"])),
        ):
            for number_, one in enumerate(conditions):
                if one["fact"] not in CONDITIONS:
                    fact = one["fact"]
                    yield f"{where}[{number_}].fact", f"{fact!r} is no fact known{nearest(fact, CONDITIONS) or '.'}"
        for number_, one in enumerate(rule["demand"]):
            yield from _source_problems(one, f"{path}.demand[{number_}]")


def _source_problems(one: Written, path: str) -> Iterator[Problem]:
    if one["basis"] == "recorded" and "continuous" not in one:
        yield path, "a recorded demand needs 'continuous', how long it must have been recorded."
    if one["basis"] == "declared" and "months" not in one:
        yield path, "a declared demand needs 'months', over how many it is the maximum."
    if "interval" in one and (seconds(one["interval"]) <= 0 or 3600 % seconds(one["interval"])):
        yield f"{path}.interval", f"{one['interval']} is no demand interval; it must divide the hour."


def in_words(rule: LoadRule) -> Iterator[str]:
    """The rule, one line each: what is compared, where the demand comes from, conditions, open choices."""
    multiplier = plain(rule.multiplier)
    yield f"{multiplier} x maximum demand + new load <= {rule.rating} rating, in amperes of the highest phase"
    for source in rule.sources:
        if source.basis == "declared":
            yield f"demand: declared maximum of {source.months} months ({source.clause}, {source.confidence})"
        else:
            yield (
                f"demand: highest {duration_text(source.interval_s)} mean of {duration_text(source.continuous_s)} "
                f"recorded without a gap ({source.clause}, {source.confidence})"
            )
        for condition in source.conditions:
            yield f"  {_condition_words(condition)}"
    for condition in rule.conditions:
        yield _condition_words(condition)
    for name in rule.choices:
        yield f"left open, declare [load_study] {name}: {' or '.join(CHOICES[name])}"


def _condition_words(condition: LoadCondition) -> str:
    effect = "does not govern otherwise" if condition.excludes else "needed"
    value = "true" if condition.value else "false"
    return f"{condition.fact} = {value} ({effect}; {condition.clause}, {condition.confidence})"
