"""Values that repeat where they should not: stuck channels, copied days, interpolated stretches, equal columns."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import duration_text
from pqcheck.findings import Verdict
from pqcheck.recording import Channel
from pqcheck.vetting.outcome import Outcome, Span, Subject
from pqcheck.vetting.runs import Slots
from pqcheck.vetting.tally import Lines, Tally
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]

RESTING = ("active_energy_import", "active_energy_export", "reactive_energy", "flag")
"""Quantities that stand still by nature."""

Moved = Callable[[Channel, int, int], bool]
"""Whether another channel moved between two slots of the stream."""


def expected_run(share: float, pairs: int) -> float:
    """Longest run of repeats [pairs] that chance gives among `pairs` when each repeats with probability `share`."""
    share = min(max(share, 1e-9), 1 - 1e-9)
    return math.log(max(pairs, 2)) / -math.log(share)


def stuck_runs(tally: Tally, fewest: int) -> tuple[Slots, Slots, Array, float]:
    """First sample, length [pairs] and value of runs that the channel's own habit of repeating does not explain.

    Fourth: the share of repeats outside those runs. `fewest` is the shortest run looked at [pairs]. The longest run
    that chance explains is formed from the repeats outside the runs found, until nothing changes any more.
    """
    starts, lengths, values = tally.equal_runs.joined(add=False)
    keep = lengths >= fewest
    starts, lengths, values = starts[keep], lengths[keep], values[keep]
    while True:
        held = int(lengths.sum())
        share = (tally.repeats - held + 0.5) / (tally.pairs - held + 1)
        if not starts.size:
            return starts, lengths, values, share
        least = threshold("stuck", "times_expected") * expected_run(share, tally.pairs)
        good = lengths >= max(fewest, least)
        if good.all():
            return starts, lengths, values, share
        starts, lengths, values = starts[good], lengths[good], values[good]


def busiest_share(tally: Tally, starts: Slots, lengths: Slots) -> float:
    """Highest share of repeats in any bin that holds none of the runs: the quiet nights of the same channel."""
    width, best = tally.bin_pairs, 0.0
    for base, held, amount in tally.bins:
        edges = (np.arange(held.size) + base) * width
        touched = np.zeros(held.size, np.bool_)
        for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
            touched |= (edges < start + length) & (edges + width > start)
        usable = ~touched & (amount >= width // 2)
        if usable.any():
            best = max(best, float((held[usable] / (amount[usable] + 1)).max()))
    return best


def stuck_outcome(
    tally: Tally, name: str, start_us: int, interval_us: int, moved: Moved, ceiling: float | None = None
) -> Outcome:
    """Design principle 11: longer than the channel's own resolution explains, and another channel moved meanwhile or
    the channel itself hardly ever repeats elsewhere. Values at the `ceiling` are clipped, which is another doubt."""
    channel = tally.channel
    subject = Outcome("stuck", Verdict.PASS, name, channel.quantity, channel.phase, channel.order)
    whole = interval_us * tally.stride
    least_us = min(threshold("stuck", "shortest_minutes") * 60e6, tally.expected * interval_us / 2)
    fewest = max(int(threshold("stuck", "fewest_intervals")), math.ceil(least_us / whole)) - 1
    if 0 < tally.steps < threshold("stuck", "fewest_steps"):
        # So coarse that its own resolution explains any run.
        return subject
    starts, lengths, values, share = stuck_runs(tally, max(fewest, 1))
    if starts.size >= threshold("stuck", "habit_runs") and \
            int(lengths.sum()) > threshold("stuck", "habit_share") * tally.pairs:
        # A two-hour value in ten-minute rows: to stand still is the habit of this channel.
        return subject
    if ceiling is not None:
        below = values != ceiling
        starts, lengths, values = starts[below], lengths[below], values[below]
    if not starts.size:
        return subject
    # A steady load of few steps stays inside one step, night after night.
    fine = np.abs(values) > threshold("stuck", "explained_steps") * tally.resolution
    starts, lengths = starts[fine], lengths[fine]
    rare = share < threshold("stuck", "rare_share")
    if not rare and starts.size:
        quiet = busiest_share(tally, starts, lengths)
        least = threshold("stuck", "times_quiet") * expected_run(quiet, tally.pairs)
        keep = np.array([
            length >= least and moved(channel, start * tally.stride, (start + length) * tally.stride + 1)
            for start, length in zip(starts.tolist(), lengths.tolist(), strict=True)
        ], np.bool_)
        starts, lengths = starts[keep], lengths[keep]
    if not starts.size:
        return subject
    spans = _spans(starts * tally.stride, lengths * tally.stride + 1, start_us, interval_us)
    longest = int(lengths.max()) * tally.stride + 1
    at = "every value" if longest >= tally.valid else f"{longest} intervals ({duration_text(longest * interval_us)})"
    why = "elsewhere it hardly ever repeats" if rare else "other channels moved meanwhile"
    return _doubted(subject, "stuck", spans,
                    f"{name} holds one value for {at} at the longest, in {len(spans)} stretch"
                    f"{'es' if len(spans) > 1 else ''}; {why}.",
                    "Check the channel; the values in these stretches were not measured.")


def copied_outcome(tally: Tally, name: str, start_us: int, interval_us: int) -> Outcome:
    """Values equal to those exactly 24 h earlier, over at least 60 intervals in which they move (principle 11)."""
    channel = tally.channel
    subject = Outcome("copied", Verdict.PASS, name, channel.quantity, channel.phase, channel.order)
    if not tally.copy_pairs:
        return Outcome("copied", Verdict.NOT_APPLICABLE, name, channel.quantity, channel.phase, channel.order,
                       code="too-short-to-tell", text=f"{name} covers no more than one day.", advice="Nothing to do.")
    if not tally.copies.kept:
        return subject
    stride = 1 if tally.full else tally.stride
    starts, lengths, moves = tally.copies.joined()
    keep = lengths * stride >= threshold("copied", "fewest_intervals")
    keep &= moves >= threshold("copied", "fewest_moves")
    starts, lengths, moves = starts[keep], lengths[keep], moves[keep]
    if starts.size:
        held = int(lengths.sum())
        share = (tally.copy_equal - held + 0.5) / (tally.copy_pairs - held + 1)
        # Chance that all moves of a stretch agree, over every place where it could begin.
        surprise = math.log(tally.copy_pairs) + threshold("copied", "surprise")
        unlikely = moves * -math.log(min(share, 1 - 1e-9)) > surprise
        starts, lengths = starts[unlikely], lengths[unlikely]
    if not starts.size:
        return subject
    spans = _spans(starts * stride, lengths * stride, start_us, interval_us)
    total = int(lengths.sum()) * stride
    return _doubted(subject, "copied", spans,
                    f"{name} equals its values of exactly 24 h earlier over {total} intervals "
                    f"({duration_text(total * interval_us)}) in which they move: copied, not measured.",
                    "Get the file as the recorder wrote it; a hole was filled at export.")


def interpolated_outcome(tally: Tally, name: str, start_us: int, interval_us: int) -> Outcome:
    """Stretches that lie on straight lines while the rest of the channel does not."""
    channel = tally.channel
    subject = Outcome("interpolated", Verdict.PASS, name, channel.quantity, channel.phase, channel.order)
    starts, lengths = straight_runs(tally.lines, tally.resolution, threshold("interpolated", "exact_share_elsewhere"))
    if not starts.size:
        starts, lengths = straight_runs(tally.rounded_lines, tally.resolution,
                                        threshold("interpolated", "rounded_share_elsewhere"))
    if not starts.size:
        return subject
    spans = _spans(starts, lengths, start_us, interval_us)
    total = int(lengths.sum())
    return _doubted(subject, "interpolated", spans,
                    f"{name} runs along straight lines over {total} intervals in {len(spans)} stretch"
                    f"{'es' if len(spans) > 1 else ''}: interpolated, not measured.",
                    "Get the file as the recorder wrote it, with its holes.")


def straight_runs(lines: Lines, resolution: float, most_elsewhere: float) -> tuple[Slots, Slots]:
    """Straight stretches of a channel that is not straight elsewhere; none when straightness is its habit.

    A slow change of a rounded value climbs step by step, so a line of one or two steps a time must be long.
    """
    starts, lengths, sizes = lines.runs.joined(add=False)
    steep = sizes >= 3 * resolution
    keep = lengths >= np.where(steep, threshold("interpolated", "fewest_intervals"),
                               threshold("interpolated", "fewest_flat_intervals"))
    starts, lengths = starts[keep], lengths[keep]
    held = int((lengths - 2).sum())
    if (lines.straight - held) / max(1, lines.moving - held) > most_elsewhere:
        return starts[:0], lengths[:0]
    return starts, lengths


def alike_outcomes(tallies: Mapping[Channel, Tally]) -> Iterator[Outcome]:
    """Columns of one quantity and reading that agree in every value looked at while they move."""
    groups: dict[tuple[Any, ...], list[Channel]] = {}
    for channel, tally in tallies.items():
        if tally.moves >= threshold("alike", "fewest_moves") and channel.phase not in (None, "total"):
            key = (channel.quantity, channel.order, channel.hertz, channel.reading, tally.mark)
            groups.setdefault(key, []).append(channel)
    found: dict[tuple[str, tuple[str, ...]], list[Channel]] = {}
    for channels in groups.values():
        if len(channels) > 1:
            phases = tuple(str(channel.phase) for channel in channels)
            found.setdefault((channels[0].quantity, phases), []).append(channels[0])
    for (quantity, phases), channels in found.items():
        listed = " and ".join(phases)
        orders = tuple(sorted(channel.order for channel in channels if channel.order is not None))
        yield Outcome(
            "alike", Verdict.REFUSED, f"{quantity}.{phases[0]}", quantity, phases[0], code="columns-alike",
            likelihood="shown",
            text=f"{quantity} of {listed} " + (f"(orders {', '.join(map(str, orders))}) " if orders else "")
                 + "is the same in every value: one column was written twice.",
            advice="Map the columns again, or export the missing phase.",
            subjects=(Subject(quantity, phases, orders=orders),),
        )
    if not found:
        yield Outcome("alike", Verdict.PASS)


def _spans(starts: Slots, lengths: Slots, start_us: int, interval_us: int) -> tuple[Span, ...]:
    return tuple(
        Span(start_us + first * interval_us, start_us + (first + size) * interval_us, size, float(size),
             start_us + first * interval_us)
        for first, size in zip(starts.tolist(), lengths.tolist(), strict=True)
    )


def _doubted(outcome: Outcome, code: str, spans: tuple[Span, ...], text: str, advice: str) -> Outcome:
    phases = (outcome.phase,) if outcome.phase else ()
    orders = (outcome.order,) if outcome.order is not None else ()
    return Outcome(
        outcome.check, Verdict.REFUSED, outcome.channel, outcome.quantity, outcome.phase, outcome.order, code=code,
        text=text, advice=advice, likelihood="shown", spans=spans,
        subjects=tuple(Subject(str(outcome.quantity), phases, orders, span.start_us, span.end_us)
                       for span in spans[:100]),
    )
