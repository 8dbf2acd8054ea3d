"""Distortion and flicker that read zero for a day or longer."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.clock import duration_text
from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import not_measured_in
from pqcheck.vet.channel_statistics import ChannelStatistics
from pqcheck.vet.check_definition import ITSELF, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.interruption import SupplyOut
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.single_value import SingleValues
from pqcheck.vet.time_base import TimeBase

SHORTEST_HOURS = Threshold(24, "h", PRACTICE, "Zeros for this long while the supply stood; shorter if all is zero.")

CHECK = Check(
    name="not-measured",
    question="Were distortion and flicker measured?",
    looks_at="Voltage distortion and flicker that read exactly zero.",
    how="No supply is without distortion or flicker for a day. Zeros for a day or longer, or in the whole of a shorter "
        "recording, were not measured; hours without supply do not count.",
    example="flicker_pst.an reads zero in all 1008 readings.",
    codes={"not-measured": "Zero for a day or longer"},
    refuses={
        "not-measured": (
            Refusal(ITSELF, "same", "Nothing was measured in these stretches."),
        ),
    },
    thresholds=thresholds(globals()),
)

NEVER_ZERO = ("voltage_thd", "flicker_pst", "flicker_plt")


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
        return passed
    starts, ends = (np.array([getattr(stretch, edge) for stretch in kept]) for edge in ("first", "end"))
    longest = int((ends - starts).max())
    at = f"in all {kept[0].readings} readings" if whole else \
        f"for {duration_text(longest * base.interval_us)} at a stretch"
    return not_measured_in(
        passed, "not-measured", base.spans(starts, ends - starts),
        f"{channel.name} reads zero {at}: it was not measured, or was exported as zero.",
        "Switch the quantity on in the recorder and measure again, or leave its column out.",
    )
