"""Events of several phases as one (IEC 61000-4-30 5.4, EN 50160 on polyphase events)."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from msgspec.structs import replace

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Event

_SECOND = 1_000_000


def polyphase(events: Sequence[Event], phases: Sequence[str], within_us: int = 0) -> list[Event]:
    """Events in order of time, those that overlap or meet as one, of several phases or of one that was cut in pieces.

    Of dips and interruptions, and apart from them of swells and of rapid changes: the worst residual, the first start,
    the last end. An interruption is one that every phase of `phases` (the connection's, line to neutral or line to
    line) shows; on fewer it is a dip. `within_us` joins what begins so soon after the start of another (time
    aggregation; 0 = none). Events whose time is uncertain stay alone. A residual is left out only where no member has
    one.
    """
    merged: list[Event] = [event for event in events if not event.certain]
    in_order = sorted((event for event in events if event.certain), key=lambda event: event.time_us)
    for kinds in (("dip", "interruption"), ("swell",), ("rapid change",)):
        group: list[Event] = []
        end = 0
        for event in in_order:
            if event.kind not in kinds:
                continue
            if group and event.time_us > max(end, group[0].time_us + within_us):
                merged += _merged(group, phases, within_us)
                group = []
            end = max(end, event.end_us) if group else event.end_us
            group.append(event)
        if group:
            merged += _merged(group, phases, within_us)
    return sorted(merged, key=lambda event: (event.time_us, event.phase))


def _merged(group: Sequence[Event], phases: Sequence[str], within_us: int) -> list[Event]:
    """Overlapping events as one, unless all began at once on the same phases: those the recorder told apart."""
    if within_us or len({event.phase for event in group}) > 1 or len({event.time_us for event in group}) > 1:
        return [_one(group, phases)]
    return [_one([event], phases) for event in group]


def _one(group: Sequence[Event], phases: Sequence[str]) -> Event:
    """The event that overlapping events of one kind of deviation are."""
    first = group[0]
    kind = first.kind
    if kind in ("dip", "interruption"):
        kind = "interruption" if _everywhere(group, phases) else "dip"
    if len(group) == 1:
        return first if kind == first.kind else replace(first, kind=kind)
    known = [event.residual_percent for event in group if event.residual_percent is not None]
    worst = None if not known else max(known) if kind == "swell" else min(known)
    duration_s = Decimal(max(event.time_us + event.duration_s * _SECOND for event in group) - first.time_us) / _SECOND
    seen = {event.phase for event in group}
    rows = tuple(dict.fromkeys(row for event in group for row in event.rows))
    up_to = None if duration_s else max((event.up_to_s for event in group if event.up_to_s is not None), default=None)
    phase = seen.pop() if len(seen) == 1 else ""
    return Event(first.time_us, phase, kind, duration_s, worst, rows, parts=tuple(group), up_to_s=up_to)


def _everywhere(group: Sequence[Event], phases: Sequence[str]) -> bool:
    """Whether an interruption was seen on all phases, of one set of voltages."""
    out = {event.phase for event in group if event.kind == "interruption"}
    if "" in out:
        return True
    sets = [[phase for phase in phases if phase in kind] for kind in (LINE_TO_NEUTRAL, LINE_TO_LINE)]
    return any(phases_of_set and out >= set(phases_of_set) for phases_of_set in sets)
