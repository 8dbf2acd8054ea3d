"""Event rules of a limit table: from the written form to values, and what may be wrong with them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import combinations
from typing import Any

from pqcheck.limit_tables import Span
from pqcheck.limit_tables.curves import CurveStep, EventClass, EventDuration, EventRule
from pqcheck.limit_tables.selectors import representatives
from pqcheck.limit_tables.values import condition, number, seconds, span, weakest

Written = Mapping[str, Any]
Problem = tuple[str, str]

_FREQUENCIES = (Decimal(50), Decimal(60))


def event_duration(text: str) -> EventDuration:
    """``"200 ms"`` or ``"30 cycles"``."""
    value, unit = text.split(" ")
    if unit == "cycles":
        return EventDuration(Decimal(value), in_cycles=True)
    return EventDuration(Decimal(value) / 1_000_000 if unit == "us" else seconds(text))


def event_rule(written: Written, options: Mapping[str, tuple[str, ...]]) -> EventRule:
    """The written event rule as a value."""
    mark = written["confidence"]
    return EventRule(
        id=written["id"],
        title=written["title"],
        clause=written["clause"],
        confidence=mark,
        kind=written["kind"],
        lower=tuple(_step(step, written) for step in written.get("lower", ())),
        upper=tuple(_step(step, written) for step in written.get("upper", ())),
        classes=tuple(_class(one, mark) for one in written.get("classes", ())),
        applies_if=tuple(condition(one, options) for one in written.get("applies_if", ())),
        note=written.get("note"),
    )


def _step(step: Written, rule: Written) -> CurveStep:
    return CurveStep(
        residual=number(step["residual"]),
        up_to=event_duration(step["up_to"]) if "up_to" in step else None,
        join=step.get("join", "step"),
        clause=step.get("clause", rule["clause"]),
        confidence=weakest(step.get("confidence"), rule["confidence"]),
    )


def _class(one: Written, mark: str) -> EventClass:
    duration = one["duration"]
    shortest = duration.get("from", duration.get("above"))
    longest = duration.get("up_to", duration.get("below"))
    return EventClass(
        name=one["name"],
        kind=one["kind"],
        residual=span(one["residual"]),
        shortest=None if shortest is None else event_duration(shortest),
        shortest_closed="above" not in duration,
        longest=None if longest is None else event_duration(longest),
        longest_closed="below" not in duration,
        confidence=weakest(one.get("confidence"), mark),
    )


def event_problems(rules: Sequence[Written], seen: set[str]) -> Iterator[Problem]:
    """What does not hold together in the event rules; `seen` are the ids already taken."""
    for index, rule in enumerate(rules):
        path = f"event_rules[{index}]"
        if rule["id"] in seen:
            yield f"{path}.id", f"the id {rule['id']!r} is there twice; every rule needs its own."
        seen.add(rule["id"])
        for edge in ("lower", "upper"):
            yield from _edge(rule.get(edge, ()), f"{path}.{edge}")
        yield from _classes(event_rule(rule, {}), f"{path}.classes")


def _edge(steps: Sequence[Written], path: str) -> Iterator[Problem]:
    for index, step in enumerate(steps):
        if number(step["residual"]) < 0:
            yield f"{path}[{index}].residual", f"{step['residual']} is below 0 %."
        if "up_to" not in step:
            if index + 1 < len(steps):
                yield f"{path}[{index}]", "a step without 'up_to' holds for any duration and must be the last."
            continue
        if index == 0:
            if step.get("join") == "log-time":
                yield f"{path}[0].join", "the first step has no step before it to be joined to."
            continue
        before = steps[index - 1]
        if "up_to" in before and any(
            event_duration(step["up_to"]).seconds(hertz) <= event_duration(before["up_to"]).seconds(hertz)
            for hertz in _FREQUENCIES
        ):
            yield f"{path}[{index}].up_to", f"{step['up_to']} is not longer than the step before, {before['up_to']}."


def _classes(rule: EventRule, path: str) -> Iterator[Problem]:
    """No event may fall into two classes, at 50 Hz or at 60 Hz."""
    for (i, one), (j, other) in combinations(enumerate(rule.classes), 2):
        if one.kind != other.kind or not _overlap(one.residual, other.residual):
            continue
        if any(_overlap(_time(one, hertz), _time(other, hertz)) for hertz in _FREQUENCIES):
            yield f"{path}[{j}]", f"{other.name!r} overlaps {one.name!r} ({path}[{i}]); let one event fit one class."


def _time(one: EventClass, frequency: Decimal) -> Span:
    return Span(
        None if one.shortest is None else one.shortest.seconds(frequency),
        one.shortest_closed,
        None if one.longest is None else one.longest.seconds(frequency),
        one.longest_closed,
    )


def _overlap(one: Span, other: Span) -> bool:
    return any(other.holds(value) for value in representatives(one, [other]))
