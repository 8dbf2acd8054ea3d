"""Values equal to those of exactly 24 hours earlier."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.verdict import Verdict
from pqcheck.vet.by_group import by_group, not_measured_in
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.kept_runs import Array, KeptRuns, Mask, starts_and_lengths
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase

FEWEST_INTERVALS = Threshold(60, "1", EVIDENCE, "Shortest run of values equal to those 24 h earlier.")
FEWEST_MOVES = Threshold(20, "1", EVIDENCE, "Moves inside the run.")
FEWEST_STEPS = Threshold(8, "steps of the instrument", EVIDENCE,
                         "What the values of a run span: a load of few steps repeats itself by its nature.")
MOVED_STEPS = Threshold(10, "steps of the instrument", CHOSEN, "Middle move from which near copies are seen.")
NOISE = Threshold(0.2, "of the middle move", CHOSEN, "Distance within which a voltage is a copy with noise on it.")
SURPRISE = Threshold(14, "natural logarithm", CHOSEN,
                     "How improbable the agreement must be by chance (one in a million).")

CHECK = Check(
    name="copied",
    question="Was a day copied?",
    looks_at="Values equal to those exactly 24 h earlier, and whole days of a voltage or current equal to "
             "any before, or that move exactly as it.",
    how="At least 60 intervals in which the values move over 8 steps of the instrument, too many moves in agreement to "
        "be chance. A voltage that moves by many steps is a copy too where it differs by a fifth of its moves at most.",
    example="voltage.an equals its values of 24 h earlier over 144 intervals.",
    codes={"copied": "Equal to a day before"},
    refuses={
        "copied": (
            Refusal(ITSELF, "same", "Nothing was measured in these stretches."),
        ),
    },
    thresholds=thresholds(globals()),
)


class DayApart:
    """Values beside those of 24 h earlier: pairs, equal ones, and runs of equal ones with the moves inside."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._of = of
        self._day = of.day_slots // of.stride
        self._before: Array | None = None
        self.pairs = self.equal = 0
        self.near = False
        self.runs = KeptRuns()

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        day, before = self._day, self._before
        if not day:
            return
        chain = part.samples if before is None else np.concatenate((before, part.samples))
        if chain.size > day:
            offset = 0 if before is None else before.size
            now, equal = chain[day:], chain[day:] == chain[:-day]
            near = self._near(part)
            self.near |= near > 0
            if near:
                with np.errstate(invalid="ignore"):
                    equal = np.abs(chain[day:] - chain[:-day]) <= near
            self._keep(now, equal, part.slot // self._of.stride - offset + day)
        self._before = chain[-day:].copy()

    def _near(self, part: ChannelBlock) -> float:
        """How far a voltage that moves by many steps may be from the day before to be its copy with noise on it."""
        moves = np.abs(part.steps[part.steps != 0])
        moves = moves[~np.isnan(moves)]
        middle = float(np.median(moves)) if moves.size and self._of.channel.quantity == "voltage" else 0.0
        if middle < MOVED_STEPS.value * self._of.resolution:
            return 0.0
        return NOISE.value * middle

    def _keep(self, now: Array, equal: Mask, first: int) -> None:
        hits = int(np.count_nonzero(equal))
        self.equal += hits
        self.pairs += int(now.size)
        if hits < FEWEST_INTERVALS.value and not (hits and (equal[0] or equal[-1])):
            return
        starts, lengths = starts_and_lengths(equal)
        keep = (lengths >= FEWEST_INTERVALS.value) | (starts == 0) | (starts + lengths == equal.size)
        starts, lengths = starts[keep], lengths[keep]
        # Flickering between neighbouring steps agrees with the day before by chance.
        least = 2.5 * self._of.resolution if np.isfinite(self._of.resolution) else 0.0
        changed = np.concatenate(([0], np.cumsum(np.append(False, np.abs(now[1:] - now[:-1]) > least))))
        moves = changed[starts + lengths] - changed[starts]
        # Currents near zero, and those of few steps, are equal to the day before where nobody copied anything.
        runs = zip(starts.tolist(), lengths.tolist(), strict=True)
        spanned = np.array([float(np.ptp(now[at : at + size])) for at, size in runs])
        moves[spanned < FEWEST_STEPS.value * least / 2.5] = 0
        self.runs.add(starts + first, lengths, moves)


class DaysAlike:
    """Whole days of a voltage or current, counted from the start of the stream, that equal an earlier one, moved by a
    constant or not."""

    def __init__(self, of: ChannelStatistics) -> None:
        self._day = of.day_slots if of.channel.quantity in ("voltage", "current") else 0
        self._rest: Array | None = None
        self._of = of
        self._first: dict[bytes, int] = {}
        self.pairs: list[tuple[int, int]] = []
        """A day, and the first one that is the same."""

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        if self._day < FEWEST_INTERVALS.value:
            return
        number, over = divmod(part.slot, self._day)
        rest = self._rest if self._rest is not None and self._rest.size == over else None
        values = part.values if rest is None else np.concatenate((rest, part.values))
        if rest is None and over:
            number, values = number + 1, values[self._day - over :]
        whole = values.size // self._day
        for day in range(whole):
            self._look_at(number + day, values[day * self._day : (day + 1) * self._day])
        self._rest = values[whole * self._day :].copy()

    def _look_at(self, number: int, values: Array) -> None:
        known = values[~np.isnan(values)]
        moves = np.count_nonzero(np.abs(np.diff(known)) > 2.5 * self._of.resolution)
        spans = known.size and np.ptp(known) >= FEWEST_STEPS.value * self._of.resolution
        if 2 * known.size > values.size and moves >= FEWEST_MOVES.value and spans:
            # From the first value on, to a tenth of a step, without a zero that has a sign.
            moved = np.round((values - known[0]) / self._of.resolution, 1).astype(np.float64) + 0.0
            digest = hashlib.blake2b(moved.tobytes(), digest_size=16).digest()
            first = self._first.setdefault(digest, number)
            if first != number:
                self.pairs.append((number, first))


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per group of channels."""
    yield from by_group(base, lambda statistics: _of_channel(base, statistics))


def _of_days(base: TimeBase, statistics: ChannelStatistics, passed: Outcome) -> Outcome:
    """Whole days that equal one of the days before, further back than 24 h, or lie a constant from it."""
    pairs = statistics.of(DaysAlike).pairs if statistics.every_value else []
    if not pairs:
        return passed
    day = statistics.day_slots
    starts = np.array([number * day for number, _ in pairs])
    later, first = pairs[0]
    back = f"{later - first} day{'s' if later - first > 1 else ''}"
    return not_measured_in(
        passed, "copied", base.spans(starts, np.full(starts.size, day)),
        f"{statistics.channel.name} moves, on {len(pairs)} day{'s' if len(pairs) > 1 else ''}, in every value as on a "
        f"day before ({back} before, to begin with): copied, not measured.",
        "Compare with the file as the recorder wrote it, and check which dates it holds.",
    )


def _of_channel(base: TimeBase, statistics: ChannelStatistics) -> Outcome:
    channel, stride, apart = statistics.channel, statistics.stride, statistics.of(DayApart)
    passed = Outcome(CHECK, Verdict.PASS, channel.name, channel.quantity, channel.phase, channel.order)
    if not apart.pairs:
        return replace(passed, verdict=Verdict.NOT_APPLICABLE, code="too-short-to-tell",
                       text=f"{channel.name} covers no more than one day.", advice="Nothing to do.")
    starts, lengths, moves = apart.runs.joined()
    keep = (lengths * stride >= FEWEST_INTERVALS.value) & (moves >= FEWEST_MOVES.value)
    starts, lengths, moves = starts[keep], lengths[keep], moves[keep]
    if starts.size:
        held = int(lengths.sum())
        share = (apart.equal - held + 0.5) / (apart.pairs - held + 1)
        # Chance that all moves of a stretch agree, over every place where it could begin.
        surprise = math.log(apart.pairs) + SURPRISE.value
        unlikely = moves * -math.log(min(share, 1 - 1e-9)) > surprise
        starts, lengths = starts[unlikely], lengths[unlikely]
    if not starts.size:
        return _of_days(base, statistics, passed)
    total = int(lengths.sum()) * stride
    nearly = "nearly " if apart.near else ""
    return not_measured_in(
        passed, "copied", base.spans(starts * stride, lengths * stride),
        f"{channel.name} {nearly}equals its values of exactly 24 h earlier over {total} intervals "
        f"({duration_text(total * base.interval_us)}) in which they move: copied, not measured.",
        "Get the file as the recorder wrote it; a hole was filled at export.",
    )
