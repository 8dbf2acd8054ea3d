"""Recorded events against the curves and classes of the limit tables.

One finding for each curve: it fails when a recorded event lies outside, passes when all events that the curve reaches
lie inside. A class names events and never judges. Trends cannot answer here: the minimum of an interval is a depth
without a duration.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from pqcheck.judge.decide import decide_events
from pqcheck.judge.decision import reason
from pqcheck.judge.scope import in_force
from pqcheck.judge.site_facts import ask, governs
from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.event_rules import EventRule, classify, edge_at, ride_through
from pqcheck.model.clock import duration_text, iso
from pqcheck.model.findings import Finding, Intervals, Limit, Margin, Period, Reason, Statistic, Window
from pqcheck.model.quantities import EVENTS
from pqcheck.model.recording import Event, Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

Outcome = Literal["inside", "outside", "beyond", "no depth"]
_MOST_NAMED = 5


class PlacedEvent(Struct, frozen=True):
    """One event beside one curve. `edge` is the residual of the curve at its duration, in percent.

    "no depth": the event table gives no residual voltage, so the event cannot be placed.
    """

    event: Event
    outcome: Outcome
    edge: Decimal | None = None
    confidence: str = ""


def place_events(rule: EventRule, events: Sequence[Event], frequency: Decimal) -> list[PlacedEvent]:
    """Every event beside the curve of `rule`; `frequency` in hertz turns cycles into seconds."""
    placed = []
    for event in events:
        found = edge_at(rule.upper if event.kind == "swell" else rule.lower, event.duration_s, frequency)
        if found is None:
            placed.append(PlacedEvent(event, "beyond"))
        elif event.residual_percent is None:
            placed.append(PlacedEvent(event, "no depth", found[0], found[1].confidence))
        else:
            outcome = ride_through(rule, event.kind, event.duration_s, event.residual_percent, frequency)
            placed.append(PlacedEvent(event, outcome, found[0], found[1].confidence))
    return placed


def judge_events(
    tables: Sequence[LimitTable], recording: Recording, site: Site, on: date | None = None
) -> list[Finding]:
    """The findings of every event rule: one for each curve, and one for each set of classes where there are events.

    Events that begin inside an exclusion of the site leave the count. `on` is the date that counts for tables with
    effective dates (None: they are not asked for).
    """
    findings = []
    for table in tables:
        scope = in_force(table, on)
        scope = governs(site, table) if scope.holds else scope
        for rule in table.event_rules:
            if rule.kind == "classes" and not recording.events:
                continue
            answer = scope if not scope.holds else ask(site, rule.applies_if)
            why = answer.missing if answer.holds is None else answer.text
            findings.append(_Judge(table, rule, recording, site).finding(answer.holds, answer.code, why))
    return findings


class _Judge:
    """One event rule of one table."""

    def __init__(self, table: LimitTable, rule: EventRule, recording: Recording, site: Site) -> None:
        self.table = table
        self.rule = rule
        self.recording = recording
        excluded = site.exclusions
        kept = [one for one in recording.events if not any(x.from_us <= one.time_us < x.to_us for x in excluded)]
        self.events = kept
        self.excluded = len(recording.events) - len(kept)
        self.frequency = site.supply.frequency

    def finding(self, holds: bool | None, code: str, text: str) -> Finding:
        """The finding, given whether the rule governs the site."""
        if holds is False:
            return self._unjudged(Verdict.NOT_APPLICABLE, "outside-scope", why=text.rstrip("."))
        if holds is None:
            return self._unjudged(Verdict.INCONCLUSIVE, code, missing=text)
        if self.frequency is None and self._in_cycles():
            return self._unjudged(Verdict.INCONCLUSIVE, "fact-not-declared", missing="[supply] frequency")
        if self.rule.kind == "classes":
            return self._classes()
        if not self.recording.events:
            detail = ", and the minimum of a trend interval is a depth without a duration, which no curve can place"
            quantity = "dips, swells and interruptions with their duration and residual voltage"
            return self._unjudged(Verdict.INCONCLUSIVE, "not-recorded", quantity=quantity, detail=detail)
        return self._curve()

    def _in_cycles(self) -> bool:
        rule = self.rule
        ends = [step.up_to for step in (*rule.lower, *rule.upper)]
        ends += [end for one in rule.classes for end in (one.shortest, one.longest)]
        return any(end is not None and end.in_cycles for end in ends)

    def _curve(self) -> Finding:
        placed = place_events(self.rule, self.events, self.frequency or Decimal(50))
        by = Counter(one.outcome for one in placed)
        outside = [one for one in placed if one.outcome == "outside"]
        known = [one for one in placed if one.outcome in ("inside", "outside")]
        # In this finding an "interval" is an event; one that the curve does not reach is none of its business.
        asked = len(placed) - by["beyond"] + self.excluded
        counts = Intervals(asked, len(known), by["no depth"], self.excluded, len(outside), 0)
        if not known and not by["no depth"]:
            why = f"none of the {len(self.events)} events is of a kind and duration that the curve reaches"
            return self._unjudged(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
        decision = decide_events(len(outside), by["no depth"], len(known))
        worst = max(known, key=_beyond, default=None)
        memory = any(one.confidence == "memory" for one in (outside or known))
        made = self._base(decision.verdict, decision.reason).replaced(
            intervals=counts,
            proven=decision.proven,
            windows=tuple(self._window(one) for one in outside),
            modifiers=("unverified_limit",) if memory else (),
            title=f"{self.rule.title} ({self._counted(by)})",
        )
        if worst is None or worst.edge is None:
            return made
        swell = worst.event.kind == "swell"
        edge = float(worst.edge)
        distance = -_beyond(worst)
        percent = None if edge == 0 else float(round(100 * distance / worst.edge, 6))
        return made.replaced(
            statistic=Statistic("all_within", 100.0, None, float(worst.event.residual_percent or 0), "%"),
            limit=Limit(None, edge, "%") if swell else Limit(edge, None, "%"),
            margin=Margin(float(round(distance, 12)), "%", percent),
        )

    def _counted(self, by: Mapping[Outcome, int]) -> str:
        parts = [f"{by['inside'] + by['outside']} events placed, {by['outside']} outside"]
        if by["beyond"]:
            parts.append(f"{by['beyond']} of a kind or duration that the curve does not reach")
        if by["no depth"]:
            parts.append(f"{by['no depth']} without a residual voltage")
        return ", ".join(parts)

    def _classes(self) -> Finding:
        names: Counter[str] = Counter()
        for event in self.events:
            if event.residual_percent is None:
                names["without a residual voltage"] += 1
                continue
            residual, hertz = event.residual_percent, self.frequency or Decimal(50)
            found = classify(self.rule, event.kind, event.duration_s, residual, hertz)
            names[found.name if found is not None else "without a class of this kind"] += 1
        words = ", ".join(f"{count} {name}" for name, count in sorted(names.items())) or "no events"
        why = reason("no-limit", why=f"Classes name events and set no limit: {words}")
        made = self._base(Verdict.NOT_APPLICABLE, why)
        statistic = Statistic("report_only", 100.0, None, float(len(self.events)), "1")
        return made.replaced(statistic=statistic, title=f"{self.rule.title}: {words}")

    def _window(self, placed: PlacedEvent) -> Window:
        event, zone = placed.event, self.recording.zone
        end_us = event.time_us + max(1, int(event.duration_s * 1_000_000))
        start = iso(event.time_us, zone)
        return Window(start, iso(end_us, zone), 1, float(event.residual_percent or 0), start, event.rows)

    def _period(self) -> Period:
        zone = self.recording.zone
        starts = [stream.axis.start_us for stream in self.recording.streams]
        ends = [stream.axis.end_us for stream in self.recording.streams]
        starts += [event.time_us for event in self.recording.events]
        ends += [event.time_us + max(1, int(event.duration_s * 1_000_000)) for event in self.recording.events]
        return Period("recording", iso(min(starts), zone), iso(max(ends), zone))

    def _base(self, verdict: Verdict, why: Reason | None) -> Finding:
        rule = self.rule
        return Finding(
            kind="limit",
            table=self.table.id,
            rule=rule.id,
            clause=rule.clause,
            title=rule.title,
            quantity=None,
            phase=None,
            order=None,
            verdict=verdict,
            period=self._period(),
            channel=EVENTS,
            reason=why,
        )

    def _unjudged(self, verdict: Verdict, code: str, **fields: object) -> Finding:
        made = self._base(verdict, reason(code, **fields)).replaced(period=None)
        return made.replaced(statistic=Statistic("all_within", 100.0, None, None, "%"))


def _beyond(placed: PlacedEvent) -> Decimal:
    """How far an event lies beyond the edge, in percent of the reference voltage; negative inside."""
    assert placed.edge is not None and placed.event.residual_percent is not None
    distance = placed.event.residual_percent - placed.edge
    return distance if placed.event.kind == "swell" else -distance


def event_lines(placed: Sequence[PlacedEvent], zone: str) -> list[str]:
    """The events outside a curve in words, at most a handful, then how many more."""
    outside = [one for one in placed if one.outcome == "outside"]
    lines = [
        f"{iso(one.event.time_us, zone)}: {one.event.kind}, {one.event.residual_percent} % for "
        f"{duration_text(int(one.event.duration_s * 1_000_000))}, the curve is at {one.edge} %"
        for one in outside[:_MOST_NAMED]
    ]
    more = len(outside) - len(lines)
    return [*lines, f"and {more} more"] if more > 0 else lines
