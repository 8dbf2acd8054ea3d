"""Whether there is enough to look at: readings, and time that is not declared out of the count."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.model.clock import duration_text
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase

FEWEST_READINGS = Threshold(10, "1", CHOSEN, "With fewer intervals no check can tell anything.")
MOST_EXCLUDED = Threshold(0.5, "1", CHOSEN, "Share of the recording that may be excluded; rules ask the same.")

CHECK = Check(
    name="enough",
    question="Is there enough to look at?",
    looks_at="Intervals of the finest time base; the declared exclusions.",
    how="Fewer than ten intervals show nothing, and a recording of which more than half is declared out of the count "
        "shows little of what counts: the question stays open.",
    example="The recording holds 3 intervals of 10 min: too few to tell whether it is sound.",
    codes={"mostly-excluded": "Most of the recording is excluded"},
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome for the recording, seen from its time base of most intervals."""
    axis = base.stream.axis
    if axis.count < FEWEST_READINGS.value:
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, "time", code="too-short-to-tell", likelihood="shown",
            text=f"The recording holds {axis.count} interval{'s' if axis.count > 1 else ''} of "
                 f"{duration_text(axis.interval_us)}: too few to tell whether it is sound.",
            advice=f"Record at least {FEWEST_READINGS.value:g} intervals, and look again.",
        )
        return
    excluded_us, until = 0, axis.start_us
    for exclusion in sorted(base.site.exclusions, key=lambda exclusion: exclusion.from_us):
        first, end = max(exclusion.from_us, until), min(exclusion.to_us, axis.end_us)
        excluded_us += max(0, end - first)
        until = max(until, end)
    share = excluded_us / (axis.end_us - axis.start_us)
    if share > MOST_EXCLUDED.value:
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, "time", code="mostly-excluded", likelihood="shown",
            text=f"{'All' if share == 1 else f'{100 * share:.3g} %'} of the recording is declared out of the count by "
                 "[[exclusions]].",
            advice="Correct the times of the exclusions, or record again.", value=100 * share, unit="%",
        )
        return
    yield Outcome(CHECK, Verdict.PASS, "time")
