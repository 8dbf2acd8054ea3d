"""Distortion and flicker that read zero for a day or longer."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import not_measured_in
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, ITSELF, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.interruption import SupplyOut
from pqcheck.vet.kept_runs import Slots, starts_and_lengths
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.single_value import SingleValues, written_step
from pqcheck.vet.time_base import TimeBase

SHORTEST_HOURS = Threshold(24, "h", PRACTICE, "Zeros for this long while the supply stood; shorter if all is zero.")
ZERO_SHARE = Threshold(0.5, "1", CHOSEN, "Share of a day, or of all readings, above which zeros were not measured.")
QUIET_HOURS = Threshold(6, "h", CHOSEN, "Zeros of a flicker that may be the quiet between the starts of one load.")
EXPLAINED_STEPS = Threshold(
    2, "1", CHOSEN, "Last decimals of the smallest other reading, below which a zero is the resolution."
)

CHECK = Check(
    name="not-measured",
    question="Were distortion and flicker measured?",
    looks_at="Voltage distortion and flicker that read exactly zero.",
    how="No supply is without distortion or flicker for a day. Zeros for a day or longer, or in the whole of a shorter "
        "recording, were not measured; nor was a distortion whose zeros fill more than half of a day or of the "
        "recording beside readings far above the resolution. Flicker that does so for 6 h and longer leaves the "
        "question open, since some instruments write zero for what they cannot resolve. Hours without supply do not "
        "count.",
    example="flicker_pst.an reads zero in all 1008 readings.",
    codes={"not-measured": "Zero for a day, or most of one"},
    refuses={
        "not-measured": (
            Refusal(ITSELF, "same", "Nothing was measured in these stretches."),
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
        self.smallest = float("inf")

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        if self._active:
            zero = part.values == 0
            _, lengths = starts_and_lengths(zero)
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
    if not starts.size or total * base.interval_us < SHORTEST_HOURS.value * 3600e6 * ZERO_SHARE.value:
        return passed
    refused = not_measured_in(
        passed, "not-measured", base.spans(starts, lengths),
        f"{statistics.channel.name} reads zero in {total} of {int(lengths.sum())} intervals, and else nothing below "
        f"{zeros.smallest:.4g}: most of it was not measured, or was exported as zero.",
        "Switch the quantity on in the recorder and measure again, or leave its column out.",
    )
    distortion = statistics.channel.quantity == "voltage_thd"
    return refused if distortion else replace(refused, verdict=Verdict.INCONCLUSIVE, likelihood="likely")
