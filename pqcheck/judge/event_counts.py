"""Events counted: by the classes of a table, and per span of time by rules that say how many there may be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from msgspec import Struct

from pqcheck.judge.event_columns import EventColumns, Places
from pqcheck.limit_tables.event_rules import EventRule
from pqcheck.model.clock import DAY
from pqcheck.model.findings import EventCell
from pqcheck.model.recording import Event

PER_US = {"hour": DAY // 24, "day": DAY, "week": 7 * DAY, "30 days": 30 * DAY, "year": 365 * DAY}
"""Lengths of the spans that a rule may count over; "recording" is as long as events were monitored."""

NO_RESIDUAL, NO_CLASS = "without a residual voltage", "without a class of this kind"
_BY_DURATION = ("interruption", "rapid change")
"""Kinds that have a class by their duration where no residual voltage is known."""


def class_numbers(rule: EventRule, columns: EventColumns, frequency: Decimal) -> Places:
    """For each event the number of its class, -1 where it has none.

    A dip so deep that no class of dips holds it may be an interruption of one phase.
    """
    number = np.full(len(columns.rows), -1, np.intp)
    cells = list(enumerate(rule.classes))
    held = {at: columns.duration.held(cell.durations(frequency)) for at, cell in cells}
    for deep_dips in (True, False):
        for at, cell in reversed(cells):
            own = columns.of_kind["dip" if deep_dips else cell.kind]
            if deep_dips and cell.kind != "interruption":
                continue
            in_depth = columns.residual.held(cell.residual)
            if not deep_dips and cell.kind in _BY_DURATION:
                in_depth |= ~columns.residual.known
            number[own & held[at] & in_depth] = at
    return number[: columns.count]


class Countable(Struct, frozen=True):
    """The events that a rule counts, and those of which the event table does not say whether they belong."""

    events: list[Event]
    open: list[Event]


def countable(rule: EventRule, columns: EventColumns, frequency: Decimal) -> Countable:
    """The events in the classes of a rule; open are those that may be in one: without a residual voltage of an event or
    of one of its phases, or with a duration of zero."""
    counts = class_numbers(rule, columns, frequency) >= 0
    open_ = []
    for row in columns.open[columns.open < columns.count].tolist():
        event = columns.rows[row]
        may, must = _belongs(rule, event, frequency)
        counts[row] = must
        open_ += [event] if may and not must else []
    return Countable([columns.rows[row] for row in np.flatnonzero(counts).tolist()], open_)


def _belongs(rule: EventRule, event: Event, frequency: Decimal) -> tuple[bool, bool]:
    """Whether an event may be, and whether it must be, in one of the classes, whatever the event table leaves open."""
    kinds = (event.kind, "interruption") if event.kind == "dip" else (event.kind,)
    residuals = {event.residual_percent, *(part.residual_percent for part in event.parts)}
    open_depth = None in residuals and event.kind not in _BY_DURATION
    shortest, longest = event.duration_s, event.up_to_s or event.duration_s
    may, ends = False, set()
    for cell in rule.classes:
        depth = event.residual_percent
        if cell.kind not in kinds or not (open_depth or depth is None or cell.residual.holds(depth)):
            continue
        span = cell.durations(frequency)
        ends |= {end for end in (shortest, longest) if span.holds(end)}
        may |= bool(ends) or (span.low is not None and shortest < span.low < longest)
    return may, not open_depth and ends == {shortest, longest}


class Classified(Struct, frozen=True):
    """The events of a rule's kinds by class: `names` counts them, also those without a class; `cells` has a place for
    every class."""

    names: Counter[str]
    cells: tuple[EventCell, ...]

    @property
    def total(self) -> int:
        """All events of these kinds."""
        return self.names.total()


def classified(rule: EventRule, columns: EventColumns, frequency: Decimal, phases: int) -> Classified:
    """Events in the classes of a rule, by how many of the `phases` of the connection showed them."""
    numbers = class_numbers(rule, columns, frequency)
    events, by_kind = columns.rows[: columns.count], {cell.kind for cell in rule.classes}
    names: Counter[str] = Counter()
    by_phases: Counter[tuple[int, int]] = Counter()
    for number, event in zip(numbers.tolist(), events, strict=True):
        if number >= 0:
            names[rule.classes[number].name] += 1
            by_phases[number, phases_of(event, phases)] += 1
        elif event.kind in by_kind:
            names[NO_RESIDUAL if event.residual_percent is None else NO_CLASS] += 1
    cells = tuple(
        EventCell(cell.name, cell.kind, *(by_phases[number, times] for times in (1, 2, 3)))
        for number, cell in enumerate(rule.classes)
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

    Spans are back to back from the start of `span`, half-open UTC microseconds. One that is cut short, or lies outside,
    is chosen only where it measures more than there may be. Events whose time is uncertain count in every span.
    """
    length = PER_US.get(rule.per, max(span[1] - span[0], 1))
    open_ = [event for event in events if not event.certain]
    by_span: dict[int, list[Event]] = {}
    for event in events:
        if event.certain:
            by_span.setdefault((event.time_us - span[0]) // length, []).append(event)
    whole = range(max((span[1] - span[0]) // length, 1))
    figures = {number: measured(rule, held + open_) for number, held in by_span.items()}
    chosen = [number for number, figure in figures.items()
              if number in whole or (rule.at_most is not None and figure > rule.at_most)]  # fmt: skip
    best = max(chosen, key=figures.__getitem__, default=0)
    held = sorted(by_span.get(best, []) + open_, key=lambda event: event.time_us)
    start = span[0] + best * length
    return measured(rule, held), (start, start + length), held
