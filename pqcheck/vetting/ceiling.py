"""Readings at the ceiling of the instrument, and readings so small that its steps show."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.findings import Verdict
from pqcheck.vetting.outcome import Outcome, Span, Subject
from pqcheck.vetting.tally import Tally
from pqcheck.vetting.thresholds import threshold

LIMITED = ("voltage", "current", "active_power", "reactive_power", "apparent_power")
"""Quantities whose values can run into the range of the instrument."""


def clipping_outcome(tally: Tally, name: str, start_us: int, interval_us: int) -> Outcome:
    """Marked over-range readings, or a highest value that comes back in runs with hardly anything just below."""
    channel = tally.channel
    subject = Outcome("clipping", Verdict.PASS, name, channel.quantity, channel.phase)
    starts, lengths, _ = tally.over.joined()
    if starts.size:
        total = int(lengths.sum())
        text = f"{name} is marked as over range in {total} interval{'s' if total > 1 else ''}"
    else:
        starts, lengths, _ = tally.peak.runs.joined()
        if not starts.size or not is_ceiling(tally.peak.count, tally.peak.near, int(lengths.max()), tally.valid):
            return subject
        # What takes only a few values reaches its highest often, and in runs, without any range being exceeded.
        if tally.steps < threshold("clipping", "fewest_steps"):
            return subject
        if channel.quantity not in LIMITED or tally.peak.value <= 0:
            return subject
        total = tally.peak.count
        text = f"{name} stops at {tally.peak.value:.6g} {channel.unit} in {total} of {tally.valid} intervals, in " \
               "runs of " \
               f"up to {int(lengths.max())}, with hardly any reading just below"
    spans = tuple(
        Span(start_us + first * interval_us, start_us + (first + size) * interval_us, size,
             tally.peak.value if tally.peak.value > float("-inf") else 0.0, start_us + first * interval_us)
        for first, size in zip(starts.tolist(), lengths.tolist(), strict=True)
    )
    return Outcome(
        "clipping", Verdict.REFUSED, name, channel.quantity, channel.phase, code="clipped", likelihood="shown",
        text=text + ": the range was exceeded and these readings are lower bounds. A fail they show stands, a pass "
                    "does not.",
        advice="Measure again with a larger range or ratio. Do not drop these rows: they are the highest values.",
        spans=spans, subjects=(Subject(channel.quantity, (channel.phase,) if channel.phase else ()),),
        value=tally.peak.value if tally.peak.value > float("-inf") else None, unit=channel.unit,
    )


def is_ceiling(count: int, near: int, longest: int, valid: int) -> bool:
    """Whether the highest value is a ceiling: reached often, in runs, and a spike above the readings just below it.

    `near` are readings within half a percent (or one step) below. All values equal is a stuck channel, not a ceiling.
    """
    return (
        count >= threshold("clipping", "fewest_readings")
        and longest >= threshold("clipping", "longest_run")
        and count >= threshold("clipping", "spike") * near
        and count < valid
    )


def under_range_outcomes(tallies: Iterator[Tally]) -> Iterator[Outcome]:
    """Currents whose typical value is a few steps of the instrument: a note, never a doubt."""
    for tally in tallies:
        channel = tally.channel
        if channel.quantity != "current" or channel.reading != "mean" or channel.phase == "n":
            continue
        name = f"{channel.base_name}.{channel.reading}"
        steps = tally.level / tally.resolution if tally.resolution > 0 else 0.0
        # The smallest step of unrounded values is noise of arithmetic and says nothing.
        if tally.valid and 0 < steps < threshold("under-range", "fewest_steps"):
            yield Outcome(
                "under-range", Verdict.PASS, name, "current", channel.phase, code="under-range",
                text=f"{name} is typically {steps:.0f} steps of {tally.resolution:.3g} {channel.unit}: a smaller range "
                     "would show more.", advice="Use a smaller clamp or range next time.", value=steps, unit="1",
            )
        else:
            yield Outcome("under-range", Verdict.PASS, name, "current", channel.phase)
