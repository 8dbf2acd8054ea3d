"""Curves and classes for events (dips, swells, interruptions): depth against duration. Frozen values, pure functions.

A ride-through curve says which events equipment built to it survives; a class gives an event a name and never judges.
Both need a duration and a residual voltage for each event: interval minima of a trend give a depth without a duration
and cannot be placed. Residuals are in percent of the reference voltage, durations in seconds or in cycles of the
nominal frequency.
"""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from pqcheck.limit_tables import Condition, Span


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
    kind: Literal["dip", "swell", "interruption"]
    residual: Span
    shortest: EventDuration | None
    shortest_closed: bool
    longest: EventDuration | None
    longest_closed: bool
    confidence: str = "memory"


class EventRule(Struct, frozen=True):
    """A ride-through curve (`lower`, `upper`) or a set of classes."""

    id: str
    title: str
    clause: str
    confidence: str
    kind: Literal["ride_through", "classes"]
    lower: tuple[CurveStep, ...] = ()
    upper: tuple[CurveStep, ...] = ()
    classes: tuple[EventClass, ...] = ()
    applies_if: tuple[Condition, ...] = ()
    note: str | None = None


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


def ride_through(
    rule: EventRule, kind: str, duration_s: Decimal, residual: Decimal, frequency: Decimal
) -> Literal["inside", "outside", "beyond"]:
    """Whether an event lies inside a ride-through curve.

    `residual` in percent, `duration_s` in seconds, `frequency` in hertz. A swell is held against the upper edge, every
    other event against the lower one. A residual on the edge is inside. "beyond": the curve has no such edge, or asks
    nothing for so long an event.
    """
    found = edge_at(rule.upper if kind == "swell" else rule.lower, duration_s, frequency)
    if found is None:
        return "beyond"
    edge, _ = found
    inside = residual <= edge if kind == "swell" else residual >= edge
    return "inside" if inside else "outside"


def classify(
    rule: EventRule, kind: str, duration_s: Decimal, residual: Decimal, frequency: Decimal
) -> EventClass | None:
    """The class an event belongs to, or None when the document names none for this depth and duration."""
    for one in rule.classes:
        if one.kind == kind and one.residual.holds(residual) and _lasts(one, duration_s, frequency):
            return one
    return None


def _lasts(one: EventClass, duration_s: Decimal, frequency: Decimal) -> bool:
    span = Span(
        None if one.shortest is None else one.shortest.seconds(frequency),
        one.shortest_closed,
        None if one.longest is None else one.longest.seconds(frequency),
        one.longest_closed,
    )
    return span.holds(duration_s)
