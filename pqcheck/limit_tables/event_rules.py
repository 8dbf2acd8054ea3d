"""Rules about events (dips, swells, interruptions): ride-through curves and classes of depth against duration.

A ride-through curve says which events equipment built to it survives; a class gives an event a name and never judges.
Both need a duration and a residual voltage for each event: interval minima of a trend give a depth without a duration
and cannot be placed. Residuals are in percent of the reference voltage, durations in seconds or in cycles of the
nominal frequency.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import combinations
from typing import Any, Literal

from msgspec import Struct

from pqcheck.limit_tables.conditions import representatives
from pqcheck.limit_tables.rules import Condition, ValueRange
from pqcheck.limit_tables.written import Placed, Problem, condition, id_problems, number, seconds, span, weakest

Written = Mapping[str, Any]

_FREQUENCIES = (Decimal(50), Decimal(60))


class EventDuration(Struct, frozen=True):
    """A duration in seconds, or in cycles of the nominal frequency."""

    value: Decimal
    in_cycles: bool = False

    def seconds(self, frequency: Decimal) -> Decimal:
        """The duration in seconds at `frequency` in hertz."""
        return self.value / frequency if self.in_cycles else self.value


class CurveStep(Struct, frozen=True):
    """One step of an edge: it holds for events up to `up_to` (None: of any duration) that the steps before do not hold.

    `join` "log-time": the edge runs straight over the logarithm of time from the step before to this one.
    """

    residual: Decimal
    up_to: EventDuration | None = None
    join: Literal["step", "log-time"] = "step"
    clause: str = ""
    confidence: str = "memory"


class EventClass(Struct, frozen=True):
    """A named cell of depth and duration; a missing edge of the duration is open to that side."""

    name: str
    kind: Literal["dip", "swell", "interruption", "rapid change"]
    residual: ValueRange
    shortest: EventDuration | None
    shortest_closed: bool
    longest: EventDuration | None
    longest_closed: bool
    confidence: str = "memory"

    def durations(self, frequency: Decimal) -> ValueRange:
        """The durations in seconds, at `frequency` in hertz."""
        edges = (None if edge is None else edge.seconds(frequency) for edge in (self.shortest, self.longest))
        low, high = edges
        return ValueRange(low, self.shortest_closed, high, self.longest_closed)


class EventRule(Struct, frozen=True):
    """A ride-through curve (`lower`, `upper`), a set of classes, or a count of the events in some classes.

    A count holds events against `at_most` in any span `per` (None: it is reported, scaled to that span): their number,
    their minutes in all, or the minutes of the longest (`measure`).
    """

    id: str
    title: str
    clause: str
    confidence: str
    kind: Literal["ride_through", "classes", "events_at_most"]
    lower: tuple[CurveStep, ...] = ()
    upper: tuple[CurveStep, ...] = ()
    classes: tuple[EventClass, ...] = ()
    applies_if: tuple[Condition, ...] = ()
    note: str | None = None
    at_most: Decimal | None = None
    per: Literal["hour", "day", "week", "30 days", "year", "recording"] = "recording"
    measure: Literal["number", "minutes", "longest"] = "number"
    sources: tuple[str, ...] = ()
    """Ids of the sources of the table that state what the rule says."""


def edge_at(steps: tuple[CurveStep, ...], duration_s: Decimal, frequency: Decimal) -> tuple[Decimal, CurveStep] | None:
    """The residual of an edge in percent for an event of this duration, and the step it comes from.

    None where the curve asks nothing of so long an event. Steps are in order of duration, which the loader checks.
    """
    before: CurveStep | None = None
    for step in steps:
        if step.up_to is None or duration_s <= step.up_to.seconds(frequency):
            return _along(before, step, duration_s, frequency), step
        before = step
    return None


def _along(before: CurveStep | None, step: CurveStep, duration_s: Decimal, frequency: Decimal) -> Decimal:
    if step.join == "step" or before is None or before.up_to is None or step.up_to is None:
        return step.residual
    start, end = before.up_to.seconds(frequency), step.up_to.seconds(frequency)
    share = Decimal(math.log(duration_s / start) / math.log(end / start))
    return before.residual + (step.residual - before.residual) * share


def event_duration(text: str) -> EventDuration:
    """``"200 ms"`` or ``"30 cycles"``."""
    value, unit = text.split(" ")
    if unit == "cycles":
        return EventDuration(Decimal(value), in_cycles=True)
    return EventDuration(seconds(text))


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
        classes=tuple(_class(item, mark) for item in written.get("classes", ())),
        applies_if=tuple(condition(item, options) for item in written.get("applies_if", ())),
        note=written.get("note"),
        at_most=number(written["at_most"]) if "at_most" in written else None,
        per=written.get("per", "recording"),
        measure=written.get("measure", "number"),
        sources=tuple(written.get("sources", ())),
    )


def _step(step: Written, rule: Written) -> CurveStep:
    return CurveStep(
        residual=number(step["residual"]),
        up_to=event_duration(step["up_to"]) if "up_to" in step else None,
        join=step.get("join", "step"),
        clause=step.get("clause", rule["clause"]),
        confidence=weakest(step.get("confidence"), rule["confidence"]),
    )


def _class(item: Written, mark: str) -> EventClass:
    duration = item["duration"]
    shortest = duration.get("from", duration.get("above"))
    longest = duration.get("up_to", duration.get("below"))
    return EventClass(
        name=item["name"],
        kind=item["kind"],
        residual=span(item["residual"]),
        shortest=None if shortest is None else event_duration(shortest),
        shortest_closed="above" not in duration,
        longest=None if longest is None else event_duration(longest),
        longest_closed="below" not in duration,
        confidence=weakest(item.get("confidence"), mark),
    )


def check_event_rules(rules: Placed, seen: set[str]) -> Iterator[Problem]:
    """What does not hold together; `seen` are the ids already taken."""
    for path, rule in rules:
        yield from id_problems(rule["id"], seen, path)
        for edge in ("lower", "upper"):
            yield from _check_edge(rule.get(edge, ()), f"{path}.{edge}")
        yield from _check_classes(event_rule(rule, {}), f"{path}.classes")


def _check_edge(steps: Sequence[Written], path: str) -> Iterator[Problem]:
    for index, step in enumerate(steps):
        if number(step["residual"]) < 0:
            yield Problem(f"{path}[{index}].residual", f"{step['residual']} is below 0 %.")
        if "up_to" not in step:
            if index + 1 < len(steps):
                yield Problem(f"{path}[{index}]", "a step without 'up_to' holds for any duration and must be the last.")
            continue
        if index == 0:
            if event_duration(step["up_to"]).value <= 0:
                yield Problem(f"{path}[0].up_to", f"no event is as short as {step['up_to']}.")
            if step.get("join") == "log-time":
                yield Problem(f"{path}[0].join", "the first step has no step before it to be joined to.")
            continue
        before = steps[index - 1].get("up_to")
        if before is None:
            continue
        ends, starts = event_duration(step["up_to"]), event_duration(before)
        if any(ends.seconds(hertz) <= starts.seconds(hertz) for hertz in _FREQUENCIES):
            yield Problem(f"{path}[{index}].up_to", f"{step['up_to']} is not longer than the step before, {before}.")


def _check_classes(rule: EventRule, path: str) -> Iterator[Problem]:
    """No event may fall into two classes, at 50 Hz or at 60 Hz."""
    for (i, first), (j, second) in combinations(enumerate(rule.classes), 2):
        if first.kind != second.kind or not _overlap(first.residual, second.residual):
            continue
        if any(_overlap(first.durations(hertz), second.durations(hertz)) for hertz in _FREQUENCIES):
            text = f"{second.name!r} overlaps {first.name!r} ({path}[{i}]); let one event fit one class."
            yield Problem(f"{path}[{j}]", text)


def _overlap(first: ValueRange, second: ValueRange) -> bool:
    return any(second.holds(value) for value in representatives(first, [second]))
