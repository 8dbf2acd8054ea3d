"""Distortion and flicker that read zero for a day or longer."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import MOST_STRETCHES, not_measured_in
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, ITSELF, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.distortion_scale import signed_for_scale
from pqcheck.vet.checks.interruption import SupplyOut
from pqcheck.vet.kept_runs import KeptRuns, Slots, starts_and_lengths
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.single_value import SingleValues, written_step
from pqcheck.vet.time_base import TimeBase

SHORTEST_HOURS = Threshold(24, "h", PRACTICE, "Zeros for this long while the supply stood; shorter if all is zero.")
ZERO_SHARE = Threshold(0.5, "1", CHOSEN, "Share of a day, or of all readings, above which zeros were not measured.")
QUIET_HOURS = Threshold(6, "h", CHOSEN, "Zeros of a flicker that may be the quiet between the starts of one load.")
SHORTEST_ZEROS_HOURS = Threshold(1, "h", CHOSEN, "Zeros of a distortion in all, from which they are refused.")
FLICKER_FLOOR = Threshold(
    0.05, "1", PRACTICE, "Flickermeters show 0.05 to 0.1 of their own; no supply stays below for a day."
)
FEWEST_READINGS = Threshold(60, "1", CHOSEN, "Readings of a flicker that never reaches that floor.")
EXPLAINED_STEPS = Threshold(
    2, "1", CHOSEN, "Last decimals of the smallest other reading, below which a zero is the resolution."
)

CHECK = Check(
    name="not-measured",
    question="Were distortion and flicker measured?",
    looks_at="Voltage distortion and flicker that read exactly zero.",
    how="No supply is without distortion or flicker for a day. Zeros for a day or longer, or in the whole of a shorter "
        "recording, were not measured; nor was a distortion whose zeros fill more than half of a day or of the "
        "recording beside readings far above the resolution; where they fill less, the zeros themselves were not. "
        "Flicker that does so for 6 h and longer leaves the question open, since some instruments write zero for what "
        "they cannot resolve; so does a flicker that never exceeds 0.05 in a day or longer, unless a scale correction "
        "is declared. Hours without supply do not count.",
    example="flicker_pst.an reads zero in all 1008 readings.",
    codes={"not-measured": "Zero for a day, or most of one", "unit-doubtful": "Below what flickermeters show"},
    refuses={
        "not-measured": (
            Refusal(ITSELF, "same", "Nothing was measured in these stretches."),
        ),
        "unit-doubtful": (
            Refusal(ITSELF, "same", "The numbers may be on another scale."),
        ),
    },
    thresholds=thresholds(globals()),
)

NEVER_ZERO = ("voltage_thd", "flicker_pst", "flicker_plt")


class ZerosByDay:
    """Zeros of each day [slots] of a mean that is never zero by nature, and its smallest reading that is not zero."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._active = of.channel.quantity in NEVER_ZERO and of.channel.reading == "mean"
        # Flicker may read zero for hours between the starts of one load, distortion may not.
        self._shortest = 1 if of.channel.quantity == "voltage_thd" else \
            math.ceil(QUIET_HOURS.value * 3600e6 / of.interval_us)
        self.day_slots = of.day_slots or of.slots
        self.by_day = np.zeros(of.slots // self.day_slots + 1 if self._active else 0, np.int64)
        self.runs = KeptRuns()
        self._of_distortion = of.channel.quantity == "voltage_thd"
        self.smallest = float("inf")

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        if self._active:
            zero = part.values == 0
            starts, lengths = starts_and_lengths(zero)
            if self._of_distortion:
                self.runs.add(starts + part.slot, lengths)
            zeros = np.flatnonzero(zero)[np.repeat(lengths >= self._shortest, lengths)]
            if zeros.size:
                self.by_day += np.bincount((zeros + part.slot) // self.day_slots, minlength=self.by_day.size)
            other = part.values[part.values > 0]
            self.smallest = min(self.smallest, float(other.min(initial=self.smallest)))


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per distortion or flicker of a voltage."""
    for statistics in base.channels.values():
        if statistics.channel.quantity in NEVER_ZERO and statistics.channel.reading == "mean":
            yield _of_channel(base, statistics)


def _of_channel(base: TimeBase, statistics: ChannelStatistics) -> Outcome:
    channel = statistics.channel
    passed = Outcome(CHECK, Verdict.PASS, channel.name, channel.quantity, channel.phase)
    zeros = [stretch for stretch in statistics.of(SingleValues).stretches if not stretch.value]
    whole = len(zeros) == 1 and zeros[0].readings == statistics.valid
    away_first, away_count, _ = base.of(SupplyOut).runs.joined()
    kept = []
    for stretch in zeros:
        away = np.minimum(away_first + away_count, stretch.end) - np.maximum(away_first, stretch.first)
        standing = stretch.end - stretch.first - int(np.clip(away, 0, None).sum())
        if standing * base.interval_us >= SHORTEST_HOURS.value * 3600e6 or (whole and standing):
            kept.append(stretch)
    if not kept and 0 < statistics.highest < FLICKER_FLOOR.value and channel.quantity != "voltage_thd":
        return _below_floor(base, statistics, passed)
    if not kept:
        return _of_a_share(base, statistics, passed, away_first, away_count)
    starts, ends = (np.array([getattr(stretch, edge) for stretch in kept]) for edge in ("first", "end"))
    longest = int((ends - starts).max())
    at = f"in all {kept[0].readings} readings" if whole else \
        f"for {duration_text(longest * base.interval_us)} at a stretch"
    return not_measured_in(
        passed, "not-measured", base.spans(starts, ends - starts),
        f"{channel.name} reads zero {at}: it was not measured, or was exported as zero.",
        "Switch the quantity on in the recorder and measure again, or leave its column out.",
    )


def _below_floor(base: TimeBase, statistics: ChannelStatistics, passed: Outcome) -> Outcome:
    """Flicker that never reaches what a flickermeter shows by itself."""
    channel = statistics.channel
    enough = statistics.valid >= FEWEST_READINGS.value and statistics.valid * base.interval_us >= DAY
    if not enough or signed_for_scale(base, channel.quantity, channel.phase):
        return passed
    return replace(
        passed, verdict=Verdict.INCONCLUSIVE, code="unit-doubtful", likelihood="likely",
        text=f"{channel.name} never exceeds {statistics.highest:.2g}: flickermeters show more than that by themselves; "
             "the column may be on another scale, or hold something else.",
        advice="Compare with the instrument. Declare a scale correction of the quantity with the factor that was lost, "
               "or with factor = 1 where the supply is that quiet.",
        subjects=(Subject(channel.quantity, (channel.phase,) if channel.phase else ()),),
    )


def _of_a_share(
    base: TimeBase, statistics: ChannelStatistics, passed: Outcome, away_first: Slots, away_count: Slots
) -> Outcome:
    """Zeros that fill most of a day or of the recording, broken by a few readings."""
    zeros = statistics.of(ZerosByDay)
    if not zeros.by_day.any() or not np.isfinite(zeros.smallest):
        return passed
    narrow = statistics.of(SingleValues).narrow
    if zeros.smallest < EXPLAINED_STEPS.value * written_step(zeros.smallest, narrow=narrow):
        return passed
    edges = np.arange(zeros.by_day.size + 1) * zeros.day_slots
    away = np.zeros(zeros.by_day.size, np.int64)
    for first, count in zip(away_first.tolist(), away_count.tolist(), strict=True):
        within: NDArray[np.int64] = np.clip(edges, first, first + count)
        away += within[1:] - within[:-1]
    standing = np.clip(zeros.by_day - away, 0, None)
    total = int(standing.sum())
    if total > ZERO_SHARE.value * statistics.valid:
        starts, lengths = np.array([0]), np.array([statistics.slots])
    else:
        starts, lengths = starts_and_lengths(standing > ZERO_SHARE.value * zeros.day_slots)
        total = int(sum(standing[first : first + days].sum() for first, days in zip(starts, lengths, strict=True)))
        starts, lengths = starts * zeros.day_slots, lengths * zeros.day_slots
        lengths = np.minimum(lengths, statistics.slots - starts)
    most = "most of it was"
    if not starts.size or total * base.interval_us < SHORTEST_HOURS.value * 3600e6 * ZERO_SHARE.value:
        # Fewer zeros are refused by themselves: no supply is without distortion while it stands.
        starts, lengths, _ = zeros.runs.joined()
        total, most = int(standing.sum()), "these were"
        if not total or total * base.interval_us < SHORTEST_ZEROS_HOURS.value * 3600e6 or not starts.size:
            return passed
        if starts.size > MOST_STRETCHES:
            starts, lengths = starts[:1], starts[-1:] + lengths[-1:] - starts[0]
    refused = not_measured_in(
        passed, "not-measured", base.spans(starts, lengths),
        f"{statistics.channel.name} reads zero in {total} of {statistics.valid} intervals, and else nothing below "
        f"{zeros.smallest:.4g}: {most} not measured, or exported as zero.",
        "Switch the quantity on in the recorder and measure again, or leave its column out.",
    )
    distortion = statistics.channel.quantity == "voltage_thd"
    return refused if distortion else replace(refused, verdict=Verdict.INCONCLUSIVE, likelihood="likely")
