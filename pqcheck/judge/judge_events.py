"""Recorded events against the curves and classes of the limit tables.

One finding for each curve: it fails when a recorded event lies outside, passes when all events that the curve reaches
lie inside. A class names events and never judges. Trends cannot answer here: the minimum of an interval is a depth
without a duration.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal
from heapq import nlargest

from msgspec.structs import replace

from pqcheck.derive.polyphase_events import polyphase
from pqcheck.judge.decide_events import decide_event_count, decide_events
from pqcheck.judge.decision import reason
from pqcheck.judge.event_columns import EventColumns
from pqcheck.judge.event_counts import PER_US, classified, countable, measured, worst_span
from pqcheck.judge.event_coverage import DIP_BELOW, SWELL_ABOVE, TrendExcursions, monitored
from pqcheck.judge.events_unseen import UnseenEvents
from pqcheck.judge.phases_asked import line_sets
from pqcheck.judge.place_events import BEYOND, INSIDE, OPEN, OUTSIDE, PLACED, place_events
from pqcheck.judge.scope import in_force
from pqcheck.judge.site_facts import ask, governs
from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.event_rules import EventRule
from pqcheck.model.clock import DAY, duration_text, iso
from pqcheck.model.findings import Finding, Intervals, Limit, Margin, Period, Reason, Statistic, Window
from pqcheck.model.quantities import EVENTS
from pqcheck.model.recording import Event, Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

_MOST_NAMED = 3


def judge_events(
    tables: Sequence[LimitTable], recording: Recording, site: Site, on: date | None = None,
    trend: TrendExcursions | None = None,
) -> list[Finding]:
    """The findings of every event rule: one for each curve, and one for each set of classes where there are events.

    Events of several phases count as one; one that lies wholly inside an exclusion of the site leaves the count.
    `trend` is what the trend of the same recording shows: where it shows more than the list, a curve is not met. `on`
    is the date that counts for tables with effective dates (None: they are not asked for).
    """
    findings = []
    counted = _Counted(recording, site, trend)
    for table in tables:
        scope = in_force(table, on)
        scope = governs(site, table) if scope.holds else scope
        for rule in table.event_rules:
            reported = rule.kind == "classes" or (rule.kind == "events_at_most" and rule.at_most is None)
            if reported and not recording.events and (counted.monitored is None or not recording.event_tables):
                continue
            answer = scope if not scope.holds else ask(site, rule.applies_if)
            why = answer.missing if answer.holds is None else answer.text
            findings.append(_Judge(table, rule, counted).finding(answer.holds, answer.code, why))
    return findings


class _Counted:
    """The events that count at a site, and what is known of those that are not listed."""

    def __init__(self, recording: Recording, site: Site, trend: TrendExcursions | None) -> None:
        neutral, lines = line_sets(site.supply)
        self.phases = len(neutral or lines)
        listed = polyphase(recording.events, (*neutral, *lines), site.events.get("aggregate_us", 0))
        self.events = [event for event in listed if not _excluded(event, site)]
        self.columns = EventColumns(self.events)
        self.excluded = len(listed) - len(self.events)
        self.frequency = site.supply.frequency
        self.recording = recording
        self.monitored = monitored(recording, site)
        self.span = self.monitored or _span_of(recording)
        """The time in which events were monitored as declared, else that of trend and events, UTC microseconds."""
        self._windows: dict[int, tuple[Event, Window]] = {}
        # Raw rows, so that what an exclusion took out of the count still stands beside the trend.
        self.low, self.high = ([], []) if trend is None else trend.unlisted(recording.events)
        self.holes = [] if trend is None or self.monitored is None else trend.holes(recording.events, self.monitored)
        self.unseen = UnseenEvents(site, ()) if trend is None else trend.unseen

    def window(self, event: Event) -> Window:
        """The event as a window of a finding; the curves share them."""
        known = self._windows.get(id(event))
        if known is None:
            start, zone = iso(event.time_us, self.recording.zone), self.recording.zone
            made = Window(start, iso(event.end_us, zone), 1, float(event.residual_percent or 0), start, event.rows)
            known = self._windows[id(event)] = event, made
        return known[1]


def _span_of(recording: Recording) -> tuple[int, int] | None:
    spans = [(stream.axis.start_us, stream.axis.end_us) for stream in recording.streams]
    certain = [event for event in recording.events if event.certain]
    spans += [(event.time_us, event.end_us) for event in certain or recording.events]
    return (min(start for start, _ in spans), max(end for _, end in spans)) if spans else None


def _excluded(event: Event, site: Site) -> bool:
    """Whether an event lies wholly inside an exclusion; one whose time is uncertain never does."""
    spans = ((exclusion.from_us, exclusion.to_us) for exclusion in site.exclusions)
    return event.certain and any(start <= event.time_us and event.end_us <= end for start, end in spans)


class _Judge:
    """One event rule of one table."""

    def __init__(self, table: LimitTable, rule: EventRule, counted: _Counted) -> None:
        self.table = table
        self.rule = rule
        self.counted = counted
        self.events = counted.events
        self.columns = counted.columns
        self.frequency = counted.frequency

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
        tables = self.counted.recording.event_tables
        if not self.events and not self.counted.excluded and (self.counted.monitored is None or not tables):
            if tables:
                return self._unjudged(Verdict.INCONCLUSIVE, "events-empty")
            detail = ", and the minimum of a trend interval is a depth without a duration, which no curve can place"
            quantity = "dips, swells and interruptions with their duration and residual voltage"
            return self._unjudged(Verdict.INCONCLUSIVE, "not-recorded", quantity=quantity, detail=detail)
        return self._count() if self.rule.kind == "events_at_most" else self._curve()

    def _in_cycles(self) -> bool:
        rule = self.rule
        ends = [step.up_to for step in (*rule.lower, *rule.upper)]
        ends += [end for one in rule.classes for end in (one.shortest, one.longest)]
        return any(end is not None and end.in_cycles for end in ends)

    def _curve(self) -> Finding:
        placed = place_events(self.rule, self.columns, self.frequency or Decimal(50))
        outside, open_, beyond = placed.count(OUTSIDE), placed.count(OPEN), placed.count(BEYOND)
        known = placed.count(INSIDE) + outside
        # In this finding an "interval" is an event; one that the curve does not reach is none of its business.
        excluded = self.counted.excluded
        counts = Intervals(known + open_ + excluded, known, open_, excluded, outside, 0)
        unlisted = self._unlisted()
        if not known and not open_ and not unlisted and (self.events or self.counted.monitored is None):
            why = f"none of the {len(self.events)} events is of a kind and duration that the curve reaches"
            return self._unjudged(Verdict.NOT_APPLICABLE, "outside-scope", why=why)
        shown_outside = placed.events(OUTSIDE)
        decision = decide_events(
            outside, placed.events(OPEN), known, unlisted=unlisted, complete=self.counted.monitored is not None,
            gap=self._spans(self.counted.holes),
            beside=(*self._beyond_words(placed.events(BEYOND)), *self._unseen_words(shown_outside)),
        )  # fmt: skip
        memory = "memory" in placed.confidences(*([OUTSIDE] if outside else PLACED))
        title = f"{_events(known)} placed, {outside} outside"
        title += f", {beyond} of a kind or duration that the curve does not reach" if beyond else ""
        title += f", {open_} without a residual voltage or a duration" if open_ else ""
        made = self._base(decision.verdict, decision.reason).replaced(
            intervals=counts,
            proven=decision.proven,
            windows=tuple(map(self.counted.window, shown_outside)),
            modifiers=("unverified_limit",) if memory else (),
            title=f"{self.rule.title} ({title})",
        )
        worst = placed.worst()
        if worst is None:
            return made
        event, edge, distance = worst
        limit = float(edge)
        percent = None if limit == 0 else float(round(-100 * distance / edge, 6))
        return made.replaced(
            statistic=Statistic("all_within", 100.0, None, float(event.residual_percent or 0), "%"),
            limit=Limit(None, limit, "%") if event.kind == "swell" else Limit(limit, None, "%"),
            margin=Margin(float(round(-distance, 12)), "%", percent),
        )

    def _unlisted(self) -> str:
        """What the trend shows on the sides that the curve limits and no event stands beside, in words."""
        kinds = {cell.kind for cell in self.rule.classes}
        spans = (self.counted.low if self.rule.lower or kinds & {"dip", "interruption"} else []) + (
            self.counted.high if self.rule.upper or "swell" in kinds else [])
        beyond = f"voltages below {DIP_BELOW:.0%} or above {SWELL_ABOVE:.0%} of nominal "
        return beyond + self._spans(spans) if spans else ""

    def _spans(self, spans: Sequence[tuple[int, int]]) -> str:
        zone = self.counted.recording.zone
        first = ", ".join(f"from {iso(start, zone)} to {iso(end, zone)}" for start, end in sorted(spans)[:_MOST_NAMED])
        return first + (f" and {len(spans) - _MOST_NAMED} more times" if len(spans) > _MOST_NAMED else "")

    def _beyond_words(self, beyond: Sequence[Event]) -> Iterator[Reason]:
        """The events that the curve does not reach, the longest first."""
        if beyond:
            many = f"{_events(len(beyond))} {'is' if len(beyond) == 1 else 'are'}"
            shown = self._shown(nlargest(_MOST_NAMED, beyond, key=lambda event: event.duration_s), len(beyond))
            yield reason("events-beyond", beyond=f"{many} of a kind or duration that the curve does not reach and were "
                                                 f"not judged by it ({shown})")  # fmt: skip

    def _unseen_words(self, outside: Sequence[Event]) -> Iterator[Reason]:
        """The events outside that the trend of the same time does not show."""
        unseen = self.counted.unseen.among(outside)
        if unseen:
            yield reason("events-unseen", shown=self._shown(unseen[:_MOST_NAMED], len(unseen)))

    def _shown(self, events: Sequence[Event], count: int) -> str:
        zone = self.counted.recording.zone
        shown = ", ".join(
            f"{event.kind} of {duration_text(event.end_us - event.time_us)}"
            + (f" at {iso(event.time_us, zone)}" if event.certain else "") for event in events
        )
        return shown + (f" and {count - len(events)} more" if count > len(events) else "")

    def _classes(self) -> Finding:
        counted = classified(self.rule, self.columns, self.frequency or Decimal(50), self.counted.phases)
        words = ", ".join(f"{count} {name}" for name, count in sorted(counted.names.items())) or "no events"
        why = reason("no-limit", why=f"Classes name events and set no limit: {words}")
        made = self._base(Verdict.NOT_APPLICABLE, why)
        statistic = Statistic("report_only", 100.0, None, float(counted.total), "1")
        return made.replaced(statistic=statistic, title=f"{self.rule.title}: {words}", cells=counted.cells)

    def _count(self) -> Finding:
        """How many events there may be, or how many there were."""
        rule, span = self.rule, self.counted.span
        counted = countable(rule, self.columns, self.frequency or Decimal(50))
        if span is None:
            return self._unjudged(Verdict.INCONCLUSIVE, "events-empty")
        days = (span[1] - span[0]) / DAY
        unit = "1" if rule.measure == "number" else "min"
        statistic = Statistic("events_at_most", 100.0, None, None, unit)
        if rule.at_most is None:
            return self._reported(counted.events, span, statistic)
        value, worst, held = worst_span(rule, counted.events, span)
        most = worst_span(rule, [*counted.events, *counted.open], span)[0]
        enough = rule.per == "recording" or PER_US[rule.per] <= span[1] - span[0]
        decision = decide_event_count(
            value, most, rule.at_most, unlisted=self._unlisted(), complete=self.counted.monitored is not None,
            gap=self._spans(self.counted.holes), open_=counted.open, too_short=(
                "" if enough else f"The rule counts over a {rule.per}; {days:.4g} days were monitored"),
        )  # fmt: skip
        failed = decision.verdict is Verdict.FAIL
        zone, limit = self.counted.recording.zone, float(rule.at_most)
        return self._base(decision.verdict, decision.reason).replaced(
            period=Period(rule.per, iso(worst[0], zone), iso(worst[1], zone)), proven=decision.proven,
            statistic=replace(statistic, value=value), limit=Limit(None, limit, unit),
            margin=Margin(limit - value, unit, 100 * (limit - value) / limit if limit else None),
            intervals=Intervals(len(self.events) + self.counted.excluded, len(held), 0, self.counted.excluded,
                                len(held) if failed else 0, int(rule.at_most) if rule.measure == "number" else 0),
            windows=tuple(self.counted.window(event) for event in held) if failed else (),
            modifiers=("unverified_limit",) if rule.confidence == "memory" else (),
        )  # fmt: skip

    def _reported(self, events: Sequence[Event], span: tuple[int, int], statistic: Statistic) -> Finding:
        """A figure without a limit, scaled from the time monitored to the span of the rule."""
        rule, (start, end) = self.rule, span
        length = end - start
        inside = [event for event in events if not event.certain or (event.time_us < end and event.end_us > start)]
        words = f"{_events(len(inside))} in {length / DAY:.4g} days"
        value: float | None = measured(rule, inside)
        # Between the first and the last event of a list alone nobody knows how long was monitored.
        known = self.counted.monitored is not None or bool(self.counted.recording.streams)
        if rule.per in PER_US and rule.measure != "longest":
            value = measured(rule, inside) * PER_US[rule.per] / max(length, 1) if known else None
        if {cell.kind for cell in rule.classes} == {"rapid change"} and not events:
            # Recorders list them only where they are told to.
            value, words = None, "The list holds no rapid voltage changes, and does not say that it would"
        elif self.counted.monitored is None:
            words += "; over which time all events were recorded is not declared"
        elif len(inside) < len(events):
            words += f", and {len(events) - len(inside)} outside the time declared"
        made = self._base(Verdict.NOT_APPLICABLE, reason("no-limit", why=words))
        return made.replaced(statistic=replace(statistic, value=None if value is None else float(f"{value:.12g}")))

    def _period(self) -> Period | None:
        span, zone = self.counted.span, self.counted.recording.zone
        return None if span is None else Period("recording", iso(span[0], zone), iso(span[1], zone))

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


def _events(count: int) -> str:
    return f"{count} event{'' if count == 1 else 's'}"
