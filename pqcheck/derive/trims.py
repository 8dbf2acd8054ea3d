"""What trims keep of a recording, and what they cut off it."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.model.recording import Axis
from pqcheck.site.site_values import Correction

TRIMMED = "All or part of it lies in time that the trim in [[corrections]] leaves out of the judging."
"""What is said behind a danger sign in time that a trim cuts off."""


def kept_span(corrections: Sequence[Correction]) -> tuple[int | None, int | None]:
    """What trims keep, half-open UTC microseconds of the corrected clock; None is open to that side."""
    starts = [correction.settings.get("from_us") for correction in corrections if correction.kind == "trim"]
    ends = [correction.settings.get("to_us") for correction in corrections if correction.kind == "trim"]
    known_starts = [int(start) for start in starts if start is not None]
    known_ends = [int(end) for end in ends if end is not None]
    return max(known_starts, default=None), min(known_ends, default=None)


def cut(axis: Axis, keep_from: int | None, keep_to: int | None) -> Axis:
    """The whole intervals of an axis inside the kept span."""
    first, last = 0, axis.count
    if keep_from is not None:
        first = max(first, -(-(keep_from - axis.start_us) // axis.interval_us))
    if keep_to is not None:
        last = min(last, (keep_to - axis.start_us) // axis.interval_us)
    return Axis(axis.start_us + first * axis.interval_us, axis.interval_us, max(0, last - first))


def rests(axis: Axis, kept: Axis) -> list[Axis]:
    """What a cut takes off an axis before and behind what is kept."""
    head = (kept.start_us - axis.start_us) // axis.interval_us
    rests = (Axis(axis.start_us, axis.interval_us, head),
             Axis(kept.end_us, axis.interval_us, axis.count - head - kept.count))
    return [rest for rest in rests if rest.count]
