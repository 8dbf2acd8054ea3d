"""The verdicts of recorded events: beside a ride-through curve, and of how many there may be."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from pqcheck.judge.decision import Decision, reason, shared_reason
from pqcheck.model.findings import Reason
from pqcheck.model.recording import Event
from pqcheck.model.verdict import Verdict


def decide_events(
    outside: int, open_: Sequence[Event], placed: int, *, unlisted: str = "", complete: bool = False, gap: str = "",
    beside: Sequence[Reason] = (),
) -> Decision:
    """The verdict of events beside a curve: `placed` ones lie inside or outside, `open_` ones cannot be placed.

    `unlisted` are the words for what the trend shows beside the list, `gap` those for when it shows nothing;
    `complete` says that the list was declared to hold every event. `beside` is said whatever the verdict. Not for a
    curve that reaches none of the events.
    """
    verdict, proven, why = Verdict.INCONCLUSIVE, False, None
    if outside:
        verdict, proven = Verdict.FAIL, True
    elif open_:
        why = _open(open_, f"the {placed} others lie inside")
    elif unlisted:
        why = reason("events-incomplete", shown=unlisted, placed=placed)
    else:
        verdict, proven, why = Verdict.PASS, *_met(placed, complete, gap)
    for more in beside:
        why = more if why is None else shared_reason(why.code, f"{why.text} {more.text}", why.advice)
    return Decision(verdict, why, proven, 0)


def _met(count: float, complete: bool, gap: str) -> tuple[bool, Reason | None]:
    """Whether what is met is proven, and else why not."""
    listed = f"{count:g} event{'' if count == 1 else 's'}"
    if not complete:
        return False, reason("events-listed", placed=listed)
    return not gap, reason("events-gap", placed=listed, shown=gap) if gap else None


def _open(events: Sequence[Event], others: str) -> Reason:
    deep = sum(event.up_to_s is None for event in events)
    code, missing = ("event-without-depth", deep) if deep else ("event-without-duration", len(events))
    return reason(code, missing=missing, others=others)


def decide_event_count(
    value: float, most: float, at_most: Decimal, *, unlisted: str, complete: bool, gap: str,
    open_: Sequence[Event], too_short: str,
) -> Decision:
    """The verdict of a count of events, or of their minutes, beside what there may be.

    `most` is the figure with the events `open_`, of which the table does not say whether they count. `unlisted`,
    `complete` and `gap` as for `decide_events`; `too_short` says why less than the span of the rule was monitored.
    """
    shown = f"{value:g} where {at_most.normalize():f} may be"
    if value > at_most:
        return Decision(Verdict.FAIL, None, True, 0)
    if too_short:
        why = shared_reason("period-longer-than-recording", f"{too_short}: {shown}.", "Monitor events for that long.")
        return Decision(Verdict.NOT_APPLICABLE, why, False, 0)
    if most > at_most:
        return Decision(Verdict.INCONCLUSIVE, _open(open_, f"without them there are {shown}"), False, 0)
    if unlisted:
        return Decision(Verdict.INCONCLUSIVE, reason("events-incomplete", shown=unlisted, placed=shown), False, 0)
    proven, met = _met(value, complete, gap)
    return Decision(Verdict.PASS, met, proven, 0)
