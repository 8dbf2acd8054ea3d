"""The verdicts of recorded events: beside a ride-through curve, and of how many there may be."""

from __future__ import annotations

from decimal import Decimal

from pqcheck.judge.decision import Decision, reason, shared_reason
from pqcheck.model.verdict import Verdict


def decide_events(
    outside: int, without_depth: int, placed: int, *, unlisted: str = "", beyond: str = "", complete: bool = False
) -> Decision:
    """The verdict of events beside a curve: `placed` ones lie inside or outside, the others cannot be placed.

    `unlisted` are the words for what the trend shows beside the list, `beyond` those for events that the curve does not
    reach; `complete` says that the list was declared to hold every event. Not for a curve that reaches none of them.
    """
    verdict, proven, why = Verdict.INCONCLUSIVE, False, None
    if outside:
        verdict, proven = Verdict.FAIL, True
    elif without_depth:
        why = reason("event-without-depth", missing=without_depth, placed=placed)
    elif unlisted:
        why = reason("events-incomplete", shown=unlisted, placed=placed)
    else:
        verdict, proven = Verdict.PASS, complete
        why = None if complete else reason("events-listed", placed=placed)
    if beyond:
        more = reason("events-beyond", beyond=beyond)
        why = more if why is None else shared_reason(why.code, f"{why.text} {more.text}", why.advice)
    return Decision(verdict, why, proven, 0)


def decide_event_count(
    value: float, at_most: Decimal, *, unlisted: str, complete: bool, too_short: str
) -> Decision:
    """The verdict of a count of events, or of their minutes, beside what there may be.

    `unlisted` and `complete` as for `decide_events`; `too_short` says why less than the span of the rule was monitored.
    """
    shown = f"{value:g} where {at_most.normalize():f} may be"
    if value > at_most:
        return Decision(Verdict.FAIL, None, True, 0)
    if too_short:
        why = shared_reason("period-longer-than-recording", f"{too_short}: {shown}.", "Monitor events for that long.")
        return Decision(Verdict.NOT_APPLICABLE, why, False, 0)
    if unlisted:
        return Decision(Verdict.INCONCLUSIVE, reason("events-incomplete", shown=unlisted, placed=shown), False, 0)
    if not complete:
        return Decision(Verdict.PASS, reason("events-listed", placed=f"{value:g}"), False, 0)
    return Decision(Verdict.PASS, None, True, 0)
