"""One column written under two names."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from itertools import combinations
from typing import Any

import numpy as np

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, CURRENTS, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.loose_neutral import NeutralWatch
from pqcheck.vet.kept_runs import Mask, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import TimeBase

FEWEST_MOVES = Threshold(20, "1", CHOSEN, "Moves of a column before it can be called the copy of another.")
FEWEST_EQUAL = Threshold(60, "1", EVIDENCE, "Points in a row in which two columns are the same.")
SURPRISE = Threshold(14, "natural logarithm", CHOSEN,
                     "How improbable the agreement must be by chance (one in a million).")
MOVED_STEPS = Threshold(10, "steps of the instrument", CHOSEN,
                        "Middle move of a voltage from which a fixed distance to another one is no accident.")
FEWEST_STEPS = Threshold(10, "1", CHOSEN, "Steps of the instrument between the lowest and the highest reading.")

SAME_PHASE = Threshold(0.017, "% of the level", CHOSEN,
                       "Scatter of a voltage about a straight line through another one: two phases of a supply have "
                       "more, two leads on one phase a few hundredths of a volt.")
SAME_MOVES = Threshold(0.05, "of its own scatter", CHOSEN, "And how little that is of what it moves.")

CHECK = Check(
    name="alike",
    question="Is a column there twice?",
    looks_at="Columns of one quantity and reading.",
    how="Every sampled value agrees while the columns move; or two voltages, currents or frequencies, of whatever "
        "quantity, are the same for at least 60 points in a row; or two voltages that move by many "
        "steps differ by the same amount, to one step, for as long. Two that keep to a straight line to a few "
        "hundredths of a volt are one phase seen by two leads, most likely: a question.",
    example="current of b and c is the same in every value.",
    codes={"columns-alike": "Two columns are one"},
    refuses={
        "columns-alike": (
            Refusal(ITSELF, "same", "One of the columns is not what its header says."),
        ),
    },
    thresholds=thresholds(globals()),
)

SAMPLES_PER_BLOCK = 256

COMPARED = ("voltage", "current", "frequency")
"""Quantities that never equal each other; powers may."""


class Fingerprint:
    """Moves among the values looked at, and a digest that is the same for channels that agree in all of them."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._every_value = of.every_value
        self.moves = 0
        self.digest = hashlib.blake2b(digest_size=16)

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        sample = part.samples
        if self._every_value:
            sample = np.ascontiguousarray(sample[:: max(1, sample.size // SAMPLES_PER_BLOCK)], np.float64)
            self.moves += int(np.count_nonzero(sample[1:] != sample[:-1]))
        else:
            self.moves += int(np.count_nonzero(np.abs(part.steps) > 0))
        self.digest.update(sample.tobytes())


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Columns of one quantity and reading that agree in every value looked at while they move."""
    groups: dict[tuple[Any, ...], list[Channel]] = {}
    for channel, statistics in base.channels.items():
        fingerprint = statistics.of(Fingerprint)
        if fingerprint.moves >= FEWEST_MOVES.value and channel.phase not in (None, "total"):
            key = (channel.quantity, channel.order, channel.hertz, channel.reading, fingerprint.digest.digest())
            groups.setdefault(key, []).append(channel)
    alike: dict[tuple[str, tuple[str, ...]], list[Channel]] = {}
    for channels in groups.values():
        if len(channels) > 1:
            phases = tuple(str(channel.phase) for channel in channels)
            alike.setdefault((channels[0].quantity, phases), []).append(channels[0])
    alike = {key: channels for key, channels in alike.items() if not _in_series(base, *key)}
    for (quantity, phases), channels in alike.items():
        orders = tuple(sorted(channel.order for channel in channels if channel.order is not None))
        yield Outcome(
            CHECK, Verdict.REFUSED, f"{quantity}.{phases[0]}", quantity, phases[0], code="columns-alike",
            likelihood="shown",
            text=f"{quantity} of {' and '.join(phases)} "
                 + (f"(orders {', '.join(map(str, orders))}) " if orders else "")
                 + "is the same in every value: one column was written twice.",
            advice="Map the columns again, or export the missing phase.",
            subjects=(Subject(quantity, phases, orders=orders),),
        )
    stretches = list(_stretches(base)) if not alike else []
    yield from stretches
    if not alike and not stretches:
        yield Outcome(CHECK, Verdict.PASS)


def _in_series(base: TimeBase, quantity: str, phases: tuple[str, ...]) -> bool:
    """Whether these are the currents of two legs behind an open neutral: in series they are one current by right."""
    watch = base.of(NeutralWatch)
    return quantity in CURRENTS and "split" in watch.seen and any(
        test.kind == "split" and {str(leg.phase)[0] for leg in test.legs} == set(phases) for test in watch.tests
    )


def _stretches(base: TimeBase) -> Iterator[Outcome]:
    """Stretches in which a column equals another one, of whatever quantity, while they move."""
    rows = {channel: series for channel, series in base.coarse.items()
            if channel.quantity in COMPARED and base.channels[channel].steps >= FEWEST_STEPS.value}
    for channel, other in combinations(rows, 2):
        if channel.quantity == other.quantity and _in_series(base, channel.quantity,
                                                             (str(channel.phase), str(other.phase))):
            continue
        shared = list(_shared(base, channel, other))
        yield from shared
        if not shared and _one_phase(base, channel, other):
            yield Outcome(
                CHECK, Verdict.INCONCLUSIVE, channel.base_name, channel.quantity, channel.phase, code="columns-alike",
                likelihood="likely",
                text=f"{other.base_name} follows {channel.base_name} throughout, nearer than two phases of a supply: "
                     "two leads on one phase, it seems.",
                advice="Check on which phases the voltage leads are.",
                subjects=tuple(Subject(each.quantity, (each.phase,) if each.phase else ())
                               for each in (channel, other)),
            )


def _shared(base: TimeBase, channel: Channel, other: Channel) -> Iterator[Outcome]:
    """The stretches that two columns share, to the last digit or but for a constant."""
    equal, apart = base.coarse[channel] == base.coarse[other], ""
    if np.count_nonzero(equal) < FEWEST_EQUAL.value:
        equal, apart = _shifted(base, channel, other)
    if np.count_nonzero(equal) < FEWEST_EQUAL.value:
        return
    least = 2.5 * max(base.channels[each].resolution for each in (channel, other))
    starts, lengths = starts_and_lengths(equal)
    long = lengths >= FEWEST_EQUAL.value
    held, known = int(lengths[long].sum()), int(np.count_nonzero(~np.isnan(base.coarse[channel] + base.coarse[other])))
    # What coarse columns that move together agree in elsewhere explains that much of a stretch.
    share = min((int(np.count_nonzero(equal)) - held + 0.5) / (known - held + 1), 1 - 1e-9)
    fewest = max(FEWEST_MOVES.value, (math.log(known) + SURPRISE.value) / -math.log(share))
    for first, size in zip(starts.tolist(), lengths.tolist(), strict=True):
        moves = int(np.count_nonzero(np.abs(np.diff(base.coarse[channel][first : first + size])) > least))
        if size < FEWEST_EQUAL.value or moves < fewest:
            continue
        start, end = (base.stream.axis.start_us + at * base.coarse_us for at in (first, first + size))
        yield Outcome(
            CHECK, Verdict.REFUSED, channel.base_name, channel.quantity, channel.phase, code="columns-alike",
            likelihood="shown",
            text=f"{channel.base_name} and {other.base_name} are the same{apart} for "
                 f"{duration_text(end - start)}: one of the columns holds the other quantity there.",
            advice="Export the recording again; the stretch was not measured in one of the columns.",
            spans=(Extent(start, end, (end - start) // base.interval_us, float(size), start),),
            subjects=tuple(Subject(each.quantity, (each.phase,) if each.phase else (), start_us=start, end_us=end)
                           for each in (channel, other)),
        )


def _shifted(base: TimeBase, channel: Channel, other: Channel) -> tuple[Mask, str]:
    """Where two voltages of one kind differ by the same amount to one step, while they move by many; the amount."""
    first, second = base.coarse[channel], base.coarse[other]
    nowhere = np.zeros(first.size, np.bool_)
    if not _comparable(base, channel, other):
        return nowhere, ""
    step = max(base.channels[each].resolution for each in (channel, other))
    moves = np.abs(np.diff(first))
    moves = moves[moves > 0]
    apart = second - first
    known = apart[~np.isnan(apart)]
    if not known.size or not moves.size or np.median(moves) < MOVED_STEPS.value * step:
        return nowhere, ""
    middle = float(np.median(known))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(apart - middle) <= 1.01 * step), f" but for {abs(middle):.3g} {channel.unit}"


def _comparable(base: TimeBase, channel: Channel, other: Channel) -> bool:
    """Whether two channels are voltages of one kind; two legs of one winding without a load are one by right."""
    one_winding = base.site.supply.connection in ("split-phase", "high-leg-delta")
    return not one_winding and channel.quantity == other.quantity == "voltage" and \
        str(channel.phase).endswith("n") == str(other.phase).endswith("n")


def _one_phase(base: TimeBase, channel: Channel, other: Channel) -> bool:
    """Whether a voltage lies on a straight line through another one, nearer than a second phase ever does."""
    if not _comparable(base, channel, other):
        return False
    both = np.isfinite(base.coarse[channel] + base.coarse[other])
    first, second = base.coarse[channel][both], base.coarse[other][both]
    step = max(base.channels[each].resolution for each in (channel, other))
    moves = np.abs(np.diff(first))
    moves = moves[moves > 0]
    if first.size < FEWEST_EQUAL.value or moves.size < FEWEST_MOVES.value or \
            np.median(moves) < MOVED_STEPS.value * step:
        return False
    first, second = first - first.mean(), second - second.mean()
    rest = second - first * float(first @ second) / float(first @ first)
    # Means over several intervals scatter less by themselves.
    members = base.coarse_us / base.interval_us
    least = SAME_PHASE.value / 100 * base.channels[other].level / math.sqrt(members)
    return bool(rest.std() <= least and rest.std() <= SAME_MOVES.value * second.std())
