"""Runs of one value that are longer than the channel's own resolution and habits explain."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import by_group, not_measured_in
from pqcheck.vet.channel_statistics import MAIN, ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks import clipped
from pqcheck.vet.kept_runs import Array, KeptRuns, Mask, Slots, starts_and_lengths
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.single_value import SingleValues, written_step
from pqcheck.vet.time_base import TimeBase

FEWEST_INTERVALS = Threshold(10, "1", CHOSEN, "Shortest run looked at.")
SHORTEST_MINUTES = Threshold(10, "min", CHOSEN, "Shortest run looked at where intervals are short.")
TIMES_EXPECTED = Threshold(4, "1", CHOSEN, "Times the longest run that the channel's own repeats explain.")
RARE_SHARE = Threshold(0.02, "1", EVIDENCE, "Share of repeats elsewhere below which the channel hardly ever repeats.")
TIMES_QUIET = Threshold(3, "1", CHOSEN, "Times the longest run explained by the quietest hours of the same channel.")
EXPLAINED_STEPS = Threshold(100, "1", CHOSEN, "A value of so few steps of the instrument can stand still by itself.")
MOVED_POINTS = Threshold(3, "1", CHOSEN, "Changes of another channel that show that time went on.")
FEWEST_STEPS = Threshold(
    10, "1", "our own choice, set on series of two values",
    "Steps of the instrument between the lowest and the highest reading; with fewer any run is explained."
)
FINE_PERCENT = Threshold(
    0.5, "% of the reading", EVIDENCE,
    "Resolution from which one single value for a day, or in the whole channel, is not the habit of the instrument."
)
FEWEST_SINGLE = Threshold(60, "1", EVIDENCE, "Readings of one single value.")
HABIT_RUNS = Threshold(3, "1", CHOSEN, "Runs from which standing still may be the habit of the channel.")
HABIT_SHARE = Threshold(0.5, "1", CHOSEN, "Share of the channel that such runs then cover.")

CHECK = Check(
    name="stuck",
    question="Is a channel stuck?",
    looks_at="Runs of one value in every channel.",
    how="A run is stuck only if it is longer than the channel's own habit of repeating explains (the longest run that "
        "chance gives, and the quietest hours of the same channel), and either another channel moved meanwhile or the "
        "channel hardly ever repeats elsewhere. Zero is no stuck value. A voltage, its distortion or its flicker that "
        "holds one single value for a day or longer, or always, in at least 60 readings, is stuck; where the "
        "resolution is coarser than 0.5 % of the reading the question stays open, and no verdict rests on a channel "
        "that never moves at all.",
    example="voltage.bn holds one value for 54 intervals (9 h).",
    codes={"stuck": "One value for too long", "never-moves": "One value of a coarse channel for a day or longer"},
    refuses={
        "stuck": (
            Refusal(ITSELF, "same", "Nothing was measured in these stretches."),
        ),
        "never-moves": (
            Refusal(ITSELF, "same", "Whether these stretches were measured is not known."),
        ),
    },
    thresholds=thresholds(globals()),
)

SHORTEST_RUN = 10
"""Equal values in a row below which a run is not even kept; FEWEST_INTERVALS may ask for more."""
SHORTEST_BIN = 24
"""Pairs of neighbours in a bin, or those of an hour."""


class Repeats:
    """Pairs of neighbours and those of equal value, in all and by bins of pairs; runs of equal values.

    Zero beside zero is no pair: nothing flows at night, and that is no sign of a stuck channel, nor of a coarse one.
    """

    def __init__(self, of: ChannelStatistics) -> None:
        self._stride = of.stride
        self.pairs = self.repeats = 0
        self.runs = KeptRuns()
        self.bin_pairs = max(SHORTEST_BIN, of.hour_slots if of.every_value else SHORTEST_BIN)
        bins = of.slots // of.stride // self.bin_pairs + 2
        # Of a year of a thousand channels: the smallest type that holds the counts.
        self.repeats_by_bin = np.zeros(bins, np.min_scalar_type(self.bin_pairs))
        self._looked_at: list[tuple[int, int]] = []

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        steps, first, width = part.steps, part.first, self.bin_pairs
        if not steps.size:
            return
        equal = steps == 0
        known = steps.size - int(np.count_nonzero(np.isnan(steps)))
        if equal.any():
            zero = equal & (part.chain[1:] == 0)
            known -= int(np.count_nonzero(zero))
            equal &= ~zero
        at = np.flatnonzero(equal)
        self.pairs += known
        self.repeats += at.size
        if self._looked_at and self._looked_at[-1][1] == first:
            first = self._looked_at.pop()[0]
        self._looked_at.append((first, part.first + steps.size))
        if at.size:
            base = part.first // width
            held = np.bincount((at + part.first) // width - base)
            self.repeats_by_bin[base : base + held.size] += held.astype(self.repeats_by_bin.dtype)
            self._keep_runs(part, equal, at)

    @property
    def pairs_by_bin(self) -> Slots:
        """Pairs of neighbours in each bin, known or not."""
        edges = np.arange(self.repeats_by_bin.size + 1) * self.bin_pairs
        pairs = np.zeros(self.repeats_by_bin.size, np.int64)
        for first, end in self._looked_at:
            inside: Slots = np.clip(edges, first, end)
            pairs += inside[1:] - inside[:-1]
        return pairs

    def _keep_runs(self, part: ChannelBlock, equal: Mask, at: Slots) -> None:
        """Keep runs that are long, or that may go on in the next block."""
        if at.size < SHORTEST_RUN - 1 and not equal[0] and not equal[-1]:
            return
        if self._stride > 1:
            shift = part.chain.size - part.samples.size
            for number in at.tolist():
                # Samples that are equal are a run only where the values in between are.
                begin = max(0, number - shift) * self._stride
                piece = part.values[begin : (number - shift + 1) * self._stride + 1]
                equal[number] = bool((piece == piece[:1]).all()) if piece.size else False
        starts, lengths = starts_and_lengths(equal)
        keep = (lengths >= SHORTEST_RUN - 1) | (starts == 0) | (starts + lengths == equal.size)
        starts, lengths = starts[keep], lengths[keep]
        self.runs.add(starts + part.first, lengths, part.chain[starts])


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per group of channels."""
    movement = Movement(base)
    yield from by_group(base, lambda statistics: _of_channel(base, statistics, movement))


def _of_channel(base: TimeBase, statistics: ChannelStatistics, movement: Movement) -> Outcome:
    single = _of_single_value(base, statistics)
    runs = _of_runs(base, statistics, movement)
    if single is None or (single.verdict is Verdict.INCONCLUSIVE and runs.verdict is Verdict.REFUSED):
        return runs
    # The stretches of both, each once.
    held = [(span.start_us, span.end_us) for span in single.spans]
    more = [subject for subject, span in zip(runs.subjects, runs.spans, strict=False)
            if not any(start <= span.start_us and span.end_us <= end for start, end in held)]
    return replace(single, subjects=(*single.subjects, *more)) if single.verdict is Verdict.REFUSED else single


def _of_single_value(base: TimeBase, statistics: ChannelStatistics) -> Outcome | None:
    """One single value for a day or longer, or always; None where there is none."""
    channel = statistics.channel
    stretches = [stretch for stretch in statistics.of(SingleValues).stretches
                 if stretch.value and stretch.readings >= FEWEST_SINGLE.value]
    if not stretches:
        return None
    resolution = min(other.resolution for other in base.channels.values()
                     if (other.channel.quantity, other.channel.unit) == (channel.quantity, channel.unit))
    never = stretches[0].readings == statistics.valid
    if never:
        resolution = min(resolution, written_step(stretches[0].value, narrow=statistics.of(SingleValues).narrow))
    fine = [stretch for stretch in stretches if resolution < FINE_PERCENT.value / 100 * abs(stretch.value)]
    shown = fine or stretches
    longest = max(shown, key=lambda stretch: stretch.end - stretch.first)
    at = f"in all {longest.readings} readings" if never else \
        f"for {duration_text((longest.end - longest.first) * base.interval_us)} at a stretch"
    text = f"{channel.name} holds the single value {longest.value:.6g} {channel.unit}".rstrip() + f" {at}"
    passed = Outcome(CHECK, Verdict.PASS, channel.name, channel.quantity, channel.phase, channel.order)
    starts, ends = (np.array([getattr(stretch, edge) for stretch in shown]) for edge in ("first", "end"))
    spans = base.spans(starts, ends - starts)
    if fine:
        return not_measured_in(
            passed, "stuck", spans, f"{text}; no supply stands so still.",
            "Check the channel; the values in these stretches were not measured.",
        )
    open_question = not_measured_in(
        passed, "never-moves", spans, f"{text}; its resolution is too coarse to tell whether it was measured.",
        "Check the channel, or record it with more digits.",
    )
    # What moves elsewhere may stand still within one coarse step: a question, which takes no verdict back.
    return replace(open_question, verdict=Verdict.INCONCLUSIVE, likelihood="likely",
                   subjects=open_question.subjects if never else ())


def _of_runs(base: TimeBase, statistics: ChannelStatistics, movement: Movement) -> Outcome:
    """Longer than the channel's own resolution explains, and another channel moved meanwhile or the channel itself
    hardly ever repeats elsewhere. Values at a ceiling are clipped, which is another doubt."""
    channel, stride = statistics.channel, statistics.stride
    name, interval_us = channel.name, base.interval_us
    passed = Outcome(CHECK, Verdict.PASS, name, channel.quantity, channel.phase, channel.order)
    if 0 < statistics.steps < FEWEST_STEPS.value:
        # So coarse that its own resolution explains any run.
        return passed
    repeats = statistics.of(Repeats)
    least_us = min(SHORTEST_MINUTES.value * 60e6, statistics.expected * interval_us / 2)
    fewest = max(int(FEWEST_INTERVALS.value), math.ceil(least_us / (interval_us * stride))) - 1
    starts, lengths, values, share = unexplained_runs(repeats, max(fewest, 1))
    if starts.size >= HABIT_RUNS.value and int(lengths.sum()) > HABIT_SHARE.value * repeats.pairs:
        # A two-hour value in ten-minute rows: to stand still is the habit of this channel.
        return passed
    if channel.quantity in MAIN and clipped.at_ceiling(statistics) is not None:
        below = values != statistics.of(clipped.Ceiling).value
        starts, lengths, values = starts[below], lengths[below], values[below]
    # A steady load of few steps stays inside one step, night after night.
    fine = np.abs(values) > EXPLAINED_STEPS.value * statistics.resolution
    starts, lengths = starts[fine], lengths[fine]
    rare = share < RARE_SHARE.value
    if not rare and starts.size:
        quiet = busiest_share(repeats, starts, lengths)
        least = TIMES_QUIET.value * expected_run(quiet, repeats.pairs)
        keep = np.array([
            length >= least and movement.moved(channel, start * stride, (start + length) * stride + 1)
            for start, length in zip(starts.tolist(), lengths.tolist(), strict=True)
        ], np.bool_)
        starts, lengths = starts[keep], lengths[keep]
    if not starts.size:
        return passed
    spans = base.spans(starts * stride, lengths * stride + 1)
    longest = int(lengths.max()) * stride + 1
    at = "every value" if longest >= statistics.valid else \
        f"{longest} intervals ({duration_text(longest * interval_us)})"
    why = "elsewhere it hardly ever repeats" if rare else "other channels moved meanwhile"
    return not_measured_in(
        passed, "stuck", spans,
        f"{name} holds one value for {at} at the longest, in {len(spans)} stretch{'es' if len(spans) > 1 else ''}; "
        f"{why}.",
        "Check the channel; the values in these stretches were not measured.",
    )


def expected_run(share: float, pairs: int) -> float:
    """Longest run of repeats [pairs] that chance gives among `pairs` when each repeats with probability `share`."""
    share = min(max(share, 1e-9), 1 - 1e-9)
    return math.log(max(pairs, 2)) / -math.log(share)


def unexplained_runs(repeats: Repeats, fewest: int) -> tuple[Slots, Slots, Array, float]:
    """First sample, length [pairs] and value of runs that the channel's own habit of repeating does not explain.

    Fourth: the share of repeats outside those runs. `fewest` is the shortest run looked at [pairs]. The longest run
    that chance explains is formed from the repeats outside the runs found, until nothing changes any more.
    """
    starts, lengths, values = repeats.runs.joined(add=False)
    good = lengths >= fewest
    while True:
        starts, lengths, values = starts[good], lengths[good], values[good]
        held = int(lengths.sum())
        share = (repeats.repeats - held + 0.5) / (repeats.pairs - held + 1)
        good = lengths >= max(fewest, TIMES_EXPECTED.value * expected_run(share, repeats.pairs))
        if good.all():
            return starts, lengths, values, share


def busiest_share(repeats: Repeats, starts: Slots, lengths: Slots) -> float:
    """Highest share of repeats in any bin that holds none of the runs: the quiet nights of the same channel."""
    width = repeats.bin_pairs
    held, amount = repeats.repeats_by_bin, repeats.pairs_by_bin
    edges = np.arange(held.size) * width
    usable = amount >= width // 2
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        usable &= (edges >= start + length) | (edges + width <= start)
    return float((held[usable] / (amount[usable] + 1)).max(initial=0.0))


class Movement:
    """Tells whether any other channel of the same time base moved between two slots."""

    def __init__(self, base: TimeBase) -> None:
        self._base = base
        self._group = base.coarse_us // base.interval_us

    def moved(self, channel: Channel, first: int, last: int) -> bool:
        """Another main channel changed at several of the coarse points; without any, another channel of the stream."""
        begin, end = -(-first // self._group), max(last // self._group, -(-first // self._group) + 2)
        others = [series for other, series in self._base.coarse.items() if other.key[:2] != channel.key[:2]]
        for series in others:
            part = series[begin:end]
            part = part[~np.isnan(part)]
            changes = int(np.count_nonzero(np.diff(part)))
            if changes >= min(MOVED_POINTS.value, max(1, part.size // 3)) and changes > 0:
                return True
        if others:
            return False
        return any(
            _moved_in_bins(statistics, first, last)
            for other, statistics in self._base.channels.items() if other.key[:2] != channel.key[:2]
        )


def _moved_in_bins(statistics: ChannelStatistics, first: int, last: int) -> bool:
    repeats = statistics.of(Repeats)
    width, amount = repeats.bin_pairs * statistics.stride, repeats.pairs_by_bin
    edges = np.arange(amount.size) * width
    inside = (edges >= first) & (edges + width <= last) & (amount > 0)
    return bool((repeats.repeats_by_bin[inside] < 0.7 * amount[inside]).any())
