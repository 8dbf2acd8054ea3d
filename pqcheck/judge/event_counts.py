"""Events counted: by the classes of a table, and per span of time by rules that say how many there may be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from pqcheck.limit_tables.event_rules import EventClass, EventRule, classify
from pqcheck.model.clock import DAY
from pqcheck.model.findings import EventCell
from pqcheck.model.recording import Event

PER_US = {"week": 7 * DAY, "30 days": 30 * DAY, "year": 365 * DAY}
"""Lengths of the spans that a rule may count over; "recording" is as long as events were monitored."""

NO_RESIDUAL, NO_CLASS = "without a residual voltage", "without a class of this kind"


def class_of(rule: EventRule, event: Event, frequency: Decimal) -> EventClass | None:
    """The class of an event; a dip so deep that no class of dips holds it may be an interruption of one phase."""
    if event.residual_percent is None:
        if event.kind != "interruption":
            return None
        # Without its residual voltage an interruption has a class by its duration.
        spans = (cell for cell in rule.classes if cell.kind == event.kind)
        return next((cell for cell in spans if cell.durations(frequency).holds(event.duration_s)), None)
    kinds = (event.kind, "interruption") if event.kind == "dip" else (event.kind,)
    classes = (classify(rule, kind, event.duration_s, event.residual_percent, frequency) for kind in kinds)
    return next((cell for cell in classes if cell is not None), None)


class Classified(Struct, frozen=True):
    """The events of a rule's kinds by class: `names` counts them, also those without a class; `cells` has a place for
    every class."""

    names: Counter[str]
    cells: tuple[EventCell, ...]

    @property
    def total(self) -> int:
        """All events of these kinds."""
        return self.names.total()


def classified(rule: EventRule, events: Sequence[Event], frequency: Decimal, phases: int) -> Classified:
    """Events in the classes of a rule, by how many of the `phases` of the connection showed them."""
    kinds = {cell.kind for cell in rule.classes}
    names: Counter[str] = Counter()
    by_phases: Counter[tuple[str, int]] = Counter()
    for event in events:
        cell = class_of(rule, event, frequency)
        if cell is None and event.kind not in kinds:
            continue
        names[NO_RESIDUAL if cell is None and event.residual_percent is None else cell.name if cell else NO_CLASS] += 1
        if cell is not None:
            by_phases[cell.name, phases_of(event, phases)] += 1
    cells = tuple(
        EventCell(cell.name, cell.kind, *(by_phases[cell.name, number] for number in (1, 2, 3)))
        for cell in rule.classes
    )
    return Classified(names, cells)


def phases_of(event: Event, phases: int) -> int:
    """On how many phases an event was seen; `phases` of them where it concerns all."""
    seen = {part.phase for part in event.parts or (event,)}
    return phases if "" in seen else min(len(seen), 3)


def measured(rule: EventRule, events: Sequence[Event]) -> float:
    """What a rule about counts measures: a number of events, their minutes in all, the minutes of the longest."""
    if rule.measure == "number":
        return float(len(events))
    minutes = [event.duration_s / 60 for event in events]
    return float(sum(minutes) if rule.measure == "minutes" else max(minutes, default=Decimal(0)))


def worst_span(
    rule: EventRule, events: Sequence[Event], span: tuple[int, int]
) -> tuple[float, tuple[int, int], list[Event]]:
    """The span of the rule's length in which it measures most: the figure, the span, its events in order of time.

    Spans are back to back from the start of `span`, half-open UTC microseconds; the last may be cut short. Events whose
    time is uncertain count in every span.
    """
    length = PER_US.get(rule.per, max(span[1] - span[0], 1))
    open_ = [event for event in events if not event.certain]
    by_span: dict[int, list[Event]] = {}
    for event in events:
        if event.certain:
            by_span.setdefault((event.time_us - span[0]) // length, []).append(event)
    best = max(by_span, key=lambda number: measured(rule, by_span[number] + open_), default=0)
    held = sorted(by_span.get(best, []) + open_, key=lambda event: event.time_us)
    start = span[0] + best * length
    return measured(rule, held), (start, start + length), held
