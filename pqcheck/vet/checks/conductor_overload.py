"""Conductors beyond their declared rating."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.danger_signs import (
    ACT_CURRENT,
    RunsOutside,
    SafeRange,
    conductor_rating,
    doubted,
    lasting,
    neutral_rating,
    when_text,
)
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

SHORTEST_SECONDS = Threshold(60, "s", CHOSEN, "Above the declared rating for this long: starting currents are shorter.")

CHECK = Check(
    name="conductor-overload",
    question="Conductor beyond its rating",
    looks_at="Currents against declared ratings.",
    how="Above the declared rating for a minute or longer.",
    example="The current a lay above the declared service rating of 200 A for 40 min.",
    codes={"conductor-overload": "Above the rating"},
    thresholds=thresholds(globals()),
    danger=True,
)


class Overcurrents(RunsOutside):
    """Currents above the declared rating of their conductor."""

    def __init__(self, stream: Stream, site: Site) -> None:
        super().__init__(
            SafeRange(channel, None, rating[0] / canonical_factor("current", channel.unit))
            for channel in stream.channels
            if channel.quantity == "current" and channel.reading == "mean" and channel.phase is not None
            and (rating := _rating(site, channel.phase)) is not None
        )


def _rating(site: Site, phase: str) -> tuple[float, str] | None:
    return neutral_rating(site) if phase == "n" else conductor_rating(site, phase)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per overloaded conductor."""
    for channel, runs in base.of(Overcurrents).runs.items():
        rating = _rating(base.site, str(channel.phase))
        if rating is None or doubted(base, channel.phase) & {"scale", "handheld-mismatch"}:
            continue
        scale = canonical_factor("current", channel.unit)
        spans = tuple(lasting(base, runs, SHORTEST_SECONDS.value, scale).values())
        if not spans:
            continue
        worst = max(spans, key=lambda span: span.worst)
        total = sum(span.end_us - span.start_us for span in spans)
        yield Outcome(
            CHECK, Verdict.FAIL, channel.base_name, "current", channel.phase, code="conductor-overload",
            likelihood="shown",
            text=f"The current {channel.phase} lay above the declared {rating[1]} rating of {rating[0]:g} A for "
                 f"{duration_text(total)} in all, {when_text(spans, base.zone)}, up to {worst.worst:.5g} A. "
                 "An overloaded conductor or joint heats "
                 "up and can start a fire.",
            advice=ACT_CURRENT, spans=spans, value=worst.worst, unit="A", high=rating[0],
        )
