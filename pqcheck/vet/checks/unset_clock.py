"""Whether the recorder's clock was set at all."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from pqcheck.model.clock import iso
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import TimeBase

EARLIEST_YEAR = Threshold(1990, "year", PRACTICE, "Files of trends begin later; clocks without power restart earlier.")

CHECK = Check(
    name="unset-clock",
    question="Was the recorder's clock set?",
    looks_at="The first stamp of the recording.",
    how="A recording that begins before 1990 comes from a clock that lost its power: every count stands, but not the "
        "dates, the weekdays and the hours.",
    example="The recording begins at 1970-01-01T00:00:00+00:00: the clock was not set.",
    codes={"clock-unset": "The clock was not set"},
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome for the recording."""
    axis = base.stream.axis
    if axis.start_us >= datetime(EARLIEST_YEAR.value, 1, 1, tzinfo=UTC).timestamp() * 1e6:
        yield Outcome(CHECK, Verdict.PASS, "time")
        return
    yield Outcome(
        CHECK, Verdict.INCONCLUSIVE, "time", code="clock-unset", likelihood="likely",
        text=f"The recording begins at {iso(axis.start_us, base.zone)}: the clock of the recorder was not set, and no "
             "date, weekday or hour of the recording is known.",
        advice="Set the clock and compare it with a known one; where the true time is known declare a shift-time "
               "correction.",
        spans=(Extent(axis.start_us, axis.end_us, axis.count, 0.0, axis.start_us),),
    )
