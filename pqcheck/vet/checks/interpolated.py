"""Stretches on straight lines: what an interpolation at export leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import not_measured_in
from pqcheck.vet.channel_statistics import MAIN, ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, ITSELF, REGISTERS, Check, Refusal, Threshold, thresholds
from pqcheck.vet.kept_runs import Array, KeptRuns, Mask, Slots, starts_and_lengths
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase

FEWEST_INTERVALS = Threshold(8, "1", CHOSEN, "Shortest straight stretch.")
FEWEST_FLAT_INTERVALS = Threshold(24, "1", CHOSEN, "The same where a step is no more than two steps of the resolution.")
EXACT_SHARE_ELSEWHERE = Threshold(
    0.05, "1", CHOSEN,
    "Share of points elsewhere that are straight to the last digit beyond which that is the channel's habit."
)
ROUNDED_SHARE_ELSEWHERE = Threshold(0.3, "1", CHOSEN, "The same within the rounding of values with few digits.")

CHECK = Check(
    name="interpolated",
    question="Were holes filled with straight lines?",
    looks_at="Second differences.",
    how="A stretch on a straight line, to the last digit or within the rounding, while the channel elsewhere is not "
        "straight.",
    example="active_power.total runs along straight lines over 67 intervals.",
    codes={"interpolated": "Straight lines"},
    refuses={
        "interpolated": (
            Refusal(ITSELF, "same", "Nothing was measured in these stretches."),
        ),
    },
    thresholds=thresholds(globals()),
)

SHORTEST_LINE = 6
"""Bends of zero below which a straight stretch is not kept."""
ROUNDED_LINE = 12
"""The same for values rounded to few digits, where a short straight stretch is chance."""


class StraightRuns:
    """Straight stretches with the size of their steps; the channel is straight at `straight` of `moving` points."""

    def __init__(self) -> None:
        self.runs = KeptRuns()
        self.moving = self.straight = 0

    def take(
        self, slot: int, moving: int, line: Mask, shortest: int, sizes: Array, values: Array | None = None,
        step: float = 0.0,
    ) -> None:
        """Keep runs of `line` (bends of zero) of at least `shortest`; of rounded `values` only those on one chord."""
        count = int(np.count_nonzero(line))
        self.moving += moving
        self.straight += count
        if count < shortest:
            return
        starts, lengths = starts_and_lengths(line)
        keep = lengths >= shortest
        if values is not None:
            for number in np.flatnonzero(keep).tolist():
                piece = values[starts[number] : starts[number] + lengths[number] + 2]
                chord = np.linspace(float(piece[0]), float(piece[-1]), piece.size)
                keep[number] = float(np.abs(piece - chord).max()) <= 0.75 * step
        starts, lengths = starts[keep], lengths[keep]
        self.runs.add(starts + slot, lengths + 2, sizes[starts])


class StraightLines:
    """Straight to the last digit where the file holds all digits; within the rounding where the values are rounded,
    and then only over a longer stretch that moves by several steps."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._of = of
        self.exact, self.rounded = StraightRuns(), StraightRuns()

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        values = part.values
        if values.size < SHORTEST_LINE + 2:
            return
        steps = np.diff(values)
        bend, size = np.abs(np.diff(steps)), np.abs(steps[1:])
        scale = max(abs(self._of.highest), abs(self._of.lowest))
        # Ten units in the last place of what the file can hold: single precision if it was stored so.
        ulp = scale * (1.2e-7 if values.dtype == np.float32 else 2.3e-16)
        # A channel at rest is straight by nature; only where it moves is straightness worth counting.
        moving = int(np.count_nonzero(size > 100 * ulp))
        line = (bend <= 10 * ulp) & (size > 100 * ulp)
        self.exact.take(part.slot, moving, line, SHORTEST_LINE, size)
        step = self._of.resolution
        if np.isfinite(step) and step > 1e4 * ulp:
            line = (bend <= 1.01 * step) & (size >= 3 * step)
            self.rounded.take(part.slot, moving, line, ROUNDED_LINE, size, values, step)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per main quantity: straight stretches while the rest of the channel is not straight."""
    for name, (statistics, *_) in base.groups.items():
        channel = statistics.channel
        if channel.quantity not in MAIN or channel.quantity in REGISTERS:
            continue
        passed = Outcome(CHECK, Verdict.PASS, name, channel.quantity, channel.phase, channel.order)
        lines, resolution = statistics.of(StraightLines), statistics.resolution
        starts, lengths = straight_runs(lines.exact, resolution, EXACT_SHARE_ELSEWHERE.value)
        if not starts.size:
            starts, lengths = straight_runs(lines.rounded, resolution, ROUNDED_SHARE_ELSEWHERE.value)
        if not starts.size:
            yield passed
            continue
        total, count = int(lengths.sum()), starts.size
        yield not_measured_in(
            passed, "interpolated", base.spans(starts, lengths),
            f"{name} runs along straight lines over {total} intervals in {count} stretch{'es' if count > 1 else ''}: "
            "interpolated, not measured.",
            "Get the file as the recorder wrote it, with its holes.",
        )


def straight_runs(lines: StraightRuns, resolution: float, most_elsewhere: float) -> tuple[Slots, Slots]:
    """Straight stretches of a channel that is not straight elsewhere; none when straightness is its habit.

    A slow change of a rounded value climbs step by step, so a line of one or two steps a time must be long.
    """
    starts, lengths, sizes = lines.runs.joined(add=False)
    steep = sizes >= 3 * resolution
    keep = lengths >= np.where(steep, FEWEST_INTERVALS.value,
                               FEWEST_FLAT_INTERVALS.value)
    starts, lengths = starts[keep], lengths[keep]
    held = int((lengths - 2).sum())
    if (lines.straight - held) / max(1, lines.moving - held) > most_elsewhere:
        return starts[:0], lengths[:0]
    return starts, lengths
