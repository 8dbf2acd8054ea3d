"""Readings so small that the steps of the instrument show."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase

FEWEST_STEPS = Threshold(10, "1", PRACTICE, "Steps of the instrument of which a typical reading should consist.")

CHECK = Check(
    name="under-range",
    question="Is the range far too large?",
    looks_at="Typical current in steps of the instrument.",
    how="A note when the typical reading is fewer than ten steps.",
    example="current.b is typically 4 steps of 0.5 A.",
    codes={"under-range": "Few steps"},
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Currents whose typical value is a few steps of the instrument: a note, never a doubt."""
    for channel, statistics in base.channels.items():
        if channel.quantity != "current" or channel.reading != "mean" or channel.phase == "n":
            continue
        resolution = statistics.resolution
        steps = statistics.level / resolution if resolution > 0 else 0.0
        # The smallest step of unrounded values is noise of arithmetic and says nothing.
        if statistics.valid and 0 < steps < FEWEST_STEPS.value:
            yield Outcome(
                CHECK, Verdict.PASS, channel.name, "current", channel.phase, code="under-range",
                text=f"{channel.name} is typically {steps:.0f} steps of {resolution:.3g} {channel.unit}: a smaller "
                     "range would show more.",
                advice="Use a smaller clamp or range next time.", value=steps, unit="1",
            )
        else:
            yield Outcome(CHECK, Verdict.PASS, channel.name, "current", channel.phase)
