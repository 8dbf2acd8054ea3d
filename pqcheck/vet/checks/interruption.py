"""Intervals in which every voltage was gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.stats.supply_away import interrupted, side_known
from pqcheck.vet.check_definition import PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array, KeptRuns
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

BELOW_PERCENT = Threshold(5, "% of nominal", PRACTICE, "All voltages below this: no supply.")

CHECK = Check(
    name="interruption",
    question="Was the supply out?",
    looks_at="All voltages to neutral and between lines together.",
    how="An interval in which all observed voltages lie below the interruption threshold, at least two of them or the "
        "only one recorded, has no value for any rule. It counts as missing until the site file excludes it with "
        "reason and author. Without a voltage interruptions cannot be seen.",
    example="All voltages lie below 5 % of nominal in 3 intervals (30 min).",
    codes={"interruption": "All voltages were gone"},
    thresholds=thresholds(globals()),
)


class SupplyOut:
    """Runs of intervals without supply."""

    def __init__(self, stream: Stream, site: Site) -> None:
        self.below: dict[Channel, float] = {}
        for channel in stream.channels:
            nominal = site.supply.nominal(channel.phase or "")
            if channel.quantity == "voltage" and channel.reading == "mean" and nominal is not None:
                volts = BELOW_PERCENT.value / 100 * float(nominal)
                self.below[channel] = volts / canonical_factor("voltage", channel.unit)
        self.runs = KeptRuns()

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        away = interrupted(
            (side_known(marks.read.get(channel, values[channel]), below, marks.lower.get(channel),
                        marks.upper.get(channel)), below)
            for channel, below in self.below.items() if channel in values
        )
        if away is not None:
            self.runs.add_mask(away, slot)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome for all voltages together."""
    away = base.of(SupplyOut)
    if not away.below:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "voltage", "voltage", code="no-input",
                      text="No voltage with a nominal was recorded: interruptions of the supply cannot be seen.",
                      advice="Record the voltages with the other quantities.")
        return
    starts, lengths, _ = away.runs.joined()
    if not starts.size:
        yield Outcome(CHECK, Verdict.PASS, "voltage", "voltage")
        return
    total, count = int(lengths.sum()), starts.size
    yield Outcome(
        CHECK, Verdict.INCONCLUSIVE, "voltage", "voltage", code="interruption", likelihood="shown",
        text=f"All voltages lie below {BELOW_PERCENT.value:g} % of nominal in {total} intervals "
             f"({duration_text(total * base.interval_us)}), in {count} stretch{'es' if count > 1 else ''}: the "
             "supply, or the measuring point, was dead.",
        advice="Declare the span in [[exclusions]] with reason and outage log; until then it counts as missing.",
        spans=base.spans(starts, lengths, 0.0),
    )
