"""Events beside a ride-through curve: inside, outside, beyond its reach, or not to be placed."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.judge.event_columns import EventColumns, Places
from pqcheck.limit_tables.event_rules import CurveStep, EventRule, edge_at
from pqcheck.model.recording import Event

INSIDE, OUTSIDE, BEYOND, OPEN, ASIDE = range(5)
"""Outcomes. Open: no residual voltage, of an event or of one of its phases, or a duration written as zero that may be
longer than the curve allows. Beyond: a kind or duration that the curve does not reach. Aside: no dip, swell or
interruption."""
PLACED = (INSIDE, OUTSIDE)
_ALIKE = 1e-9


class Placement(Struct, frozen=True):
    """The outcome of every event, and the row that decides: the event, or a phase that lies outside by itself.

    `step` and `beyond` are of the rows: the number of the step of the curve, and how far beyond it the residual lies,
    in percent of the reference voltage (negative inside, NaN where the event is not placed).
    """

    rule: EventRule
    columns: EventColumns
    frequency: Decimal
    outcome: NDArray[np.int8]
    row: Places
    step: Places
    beyond: NDArray[np.float64]

    def count(self, outcome: int) -> int:
        """How many events have this outcome."""
        return int(np.count_nonzero(self.outcome == outcome))

    def events(self, *outcomes: int) -> list[Event]:
        """The events of these outcomes, or the phases that decide, in order; each names all rows of its event."""
        rows = self.columns.rows
        chosen = np.flatnonzero(np.isin(self.outcome, outcomes))
        pairs = zip(chosen.tolist(), self.row[chosen].tolist(), strict=True)
        return [rows[row] if row == number else replace(rows[row], rows=rows[number].rows) for number, row in pairs]

    def confidences(self, *outcomes: int) -> set[str]:
        """The marks of the steps that decided about events of these outcomes."""
        rows = self.row[np.isin(self.outcome, outcomes)]
        upper = self.columns.of_kind["swell"][rows]
        return {
            steps[number].confidence
            for steps, own in ((self.rule.upper, upper), (self.rule.lower, ~upper))
            for number in set(self.step[rows[own]].tolist())
        }

    def worst(self) -> tuple[Event, Decimal, Decimal] | None:
        """The placed event that lies farthest beyond the curve, the edge there and how far beyond, in percent."""
        beyond = np.where(np.isin(self.outcome, PLACED), self.beyond[self.row], np.nan)
        if np.isnan(beyond).all():
            return None
        # Numbers of floating point are equal or nearly so where the written ones are; those decide.
        near = np.flatnonzero(beyond >= np.nanmax(beyond) - _ALIKE).tolist()
        distances = [self._exactly(self.columns.rows[self.row[number]]) for number in near]
        return max(distances, key=lambda each: each[2])

    def _exactly(self, event: Event) -> tuple[Event, Decimal, Decimal]:
        return event, *_beyond(self.rule.upper if event.kind == "swell" else self.rule.lower, event, self.frequency)


def place_events(rule: EventRule, columns: EventColumns, frequency: Decimal) -> Placement:
    """Every event beside the curve of `rule`; `frequency` in hertz turns cycles into seconds.

    A swell is held against the upper edge, every other event against the lower one; a residual on the edge is inside. A
    phase that lies outside by itself stays outside, whatever joins it.
    """
    count, kinds = len(columns.rows), columns.of_kind
    outcome, step = np.full(count, BEYOND, np.int8), np.full(count, -1, np.intp)
    beyond = np.full(count, np.nan)
    residual = columns.residual.as_floats()
    for edge, left in ((rule.lower, kinds["dip"] | kinds["interruption"]), (rule.upper, kinds["swell"])):
        upper = edge is rule.upper
        for number, each in enumerate(edge):
            here = left
            if each.up_to is not None:
                here = left & columns.duration.below(each.up_to.seconds(frequency), closed=True)
            left = left & ~here
            step[here] = number
            if upper:
                inside = columns.residual.below(each.residual, closed=True)
            else:
                inside = ~columns.residual.below(each.residual, closed=False)
            outcome[here] = np.where(inside, INSIDE, OUTSIDE)[here]
            beyond[here] = (residual[here] - float(each.residual)) * (1 if upper else -1)
            if each.join == "log-time":
                for row in np.flatnonzero(here & columns.residual.known).tolist():
                    distance = _beyond(edge, columns.rows[row], frequency)[1]
                    outcome[row], beyond[row] = OUTSIDE if distance > 0 else INSIDE, distance
    outcome[kinds["rapid change"]] = ASIDE
    outcome[(outcome < BEYOND) & ~columns.residual.known] = OPEN
    for row in columns.open.tolist():
        if outcome[row] == INSIDE and _may_lie_outside(rule, columns.rows[row], frequency):
            outcome[row] = OPEN
    of_event, deciding = outcome[: columns.count].copy(), np.arange(columns.count)
    parts = np.arange(columns.count, count)
    open_parts = columns.owner[parts[outcome[parts] == OPEN]]
    of_event[open_parts] = np.where(of_event[open_parts] == INSIDE, OPEN, of_event[open_parts])
    outside, first = np.unique(columns.owner[parts[outcome[parts] == OUTSIDE]], return_index=True)
    alone = of_event[outside] != OUTSIDE
    deciding[outside[alone]] = parts[outcome[parts] == OUTSIDE][first[alone]]
    of_event[outside] = OUTSIDE
    return Placement(rule, columns, frequency, of_event, deciding, step, beyond)


def _beyond(edge: tuple[CurveStep, ...], event: Event, frequency: Decimal) -> tuple[Decimal, Decimal]:
    """The edge at the duration of an event that it reaches, and how far beyond it the residual lies."""
    at_duration = edge_at(edge, event.duration_s, frequency)
    assert at_duration is not None and event.residual_percent is not None
    distance = event.residual_percent - at_duration[0]
    return at_duration[0], distance if event.kind == "swell" else -distance


def _may_lie_outside(rule: EventRule, event: Event, frequency: Decimal) -> bool:
    """Whether an event that is inside as written may be outside as it was."""
    if any(part.residual_percent is None for part in event.parts):
        return True
    if event.up_to_s is None or event.residual_percent is None:
        return False
    if event.kind == "swell":
        return event.residual_percent > min(_residuals(rule.upper, event.up_to_s, frequency))
    return event.residual_percent < max(_residuals(rule.lower, event.up_to_s, frequency))


def _residuals(edge: tuple[CurveStep, ...], longest: Decimal, frequency: Decimal) -> Iterator[Decimal]:
    """The residuals of the steps that hold for any event no longer than that."""
    for step in edge:
        yield step.residual
        if step.up_to is None or longest <= step.up_to.seconds(frequency):
            return
