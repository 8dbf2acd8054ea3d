"""Findings about groups of channels, and stretches that were not measured."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from msgspec.structs import replace

from pqcheck.model.verdict import Verdict
from pqcheck.vet.channel_statistics import ChannelStatistics
from pqcheck.vet.check_definition import REGISTERS
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import TimeBase

RESTING = (*REGISTERS, "flag")
"""Quantities that stand still by nature."""
MOST_STRETCHES = 100
"""Doubted stretches of a channel that reach the verdicts."""
MOST_SUBJECTS = 200
"""The same of a group of orders."""


def by_group(base: TimeBase, examine: Callable[[ChannelStatistics], Outcome]) -> Iterator[Outcome]:
    """One outcome per group of channels that do not rest by nature."""
    for name, channels in base.groups.items():
        if channels[0].channel.quantity not in RESTING:
            yield _together([examine(statistics) for statistics in channels], name)


def _together(outcomes: Sequence[Outcome], name: str) -> Outcome:
    """The outcome with most to say, under the group's name, with all doubts."""
    if len(outcomes) == 1:
        return replace(outcomes[0], channel=name)
    refused = [outcome for outcome in outcomes if outcome.verdict is Verdict.REFUSED]
    if not refused:
        return replace(outcomes[0], channel=name, order=None)
    chosen = max(refused, key=lambda outcome: sum(span.intervals for span in outcome.spans))
    subjects = tuple(subject for outcome in refused for subject in outcome.subjects)[:MOST_SUBJECTS]
    text = chosen.text + (f" So do {len(refused) - 1} other orders." if len(refused) > 1 else "")
    return replace(chosen, channel=name, order=None, subjects=subjects, text=text)


def not_measured_in(passed: Outcome, code: str, spans: tuple[Extent, ...], text: str, advice: str) -> Outcome:
    """The outcome of a channel that holds in `spans` what was not measured."""
    phases = (passed.phase,) if passed.phase else ()
    orders = (passed.order,) if passed.order is not None else ()
    return replace(
        passed, verdict=Verdict.REFUSED, code=code, text=text, advice=advice, likelihood="shown", spans=spans,
        subjects=tuple(Subject(str(passed.quantity), phases, orders, span.start_us, span.end_us)
                       for span in spans[:MOST_STRETCHES]),
    )
