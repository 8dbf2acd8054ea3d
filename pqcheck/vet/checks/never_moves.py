"""Channels that hold one single value, zero included, from the first reading to the last."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, CURRENTS, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.single_value import MOVES_BY_NATURE, written_step
from pqcheck.vet.time_base import TimeBase

FEWEST_VALUES = Threshold(60, "1", EVIDENCE, "Readings of one single value.")
SHORTEST = Threshold(1, "h", CHOSEN, "Shortest recording in which standing still says anything.")
LOAD_PERCENT = Threshold(
    1, "% of the reading", CHOSEN,
    "Last decimal of a current from which standing still is no load: the voltage alone moves it by more."
)

CHECK = Check(
    name="never-moves",
    question="Does a channel move at all?",
    looks_at="Frequency, unbalance, phase currents, their distortion, the orders of a phase together, and minimum and "
             "maximum columns.",
    how="A quantity of a supply or of a load that holds one single value in every reading, zero included, was not "
        "measured, or moves within one step of its resolution: the question stays open and nothing passes on it. "
        "Orders are looked at together, since a single one may lie below the resolution. A current is doubted where "
        "its last decimal is finer than 1 % of it, and zero where all phases read zero: one beside others that carry "
        "current is a question of dead-clamp. Minima of zero say nothing.",
    example="frequency holds 50 Hz in all 60480 readings.",
    codes={"never-moves": "One single value throughout"},
    refuses={
        "never-moves": (
            Refusal(ITSELF, "same", "Whether anything was measured is not known."),
        ),
    },
    thresholds=thresholds(globals()),
)

UNBALANCES = ("negative_sequence_unbalance", "zero_sequence_unbalance", "voltage_deviation_unbalance")
LOOKED_AT = ("frequency", "voltage_harmonic", *UNBALANCES, *CURRENTS)
PHASES = ("a", "b", "c", "an", "bn", "cn", "ab", "bc", "ca", None)


class Standstill:
    """The value that all readings of a channel share, NaN before the first, and its last decimal; until it `moved`."""

    def __init__(self, of: ChannelStatistics) -> None:
        self.value, self.step, self.moved = float("nan"), 0.0, False

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        if self.moved:
            return
        low, high = float(np.fmin.reduce(part.values)), float(np.fmax.reduce(part.values))
        if low < high:
            self.moved = True
        elif math.isnan(self.value) and math.isfinite(low):
            self.value, self.step = low, written_step(low, narrow=part.values.dtype == np.float32)
        else:
            self.moved = not math.isnan(low) and low != self.value


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per channel, and one per spectrum and reading."""
    moving = {group[0].channel.quantity for group in base.groups.values() if not _still(base, group)}
    for name, group in base.groups.items():
        channel = group[0].channel
        quantity, reading = channel.quantity, channel.reading
        by_nature = quantity in MOVES_BY_NATURE and reading != "mean"
        if channel.phase not in PHASES or not (quantity in LOOKED_AT or by_nature):
            continue
        held = [statistics.of(Standstill) for statistics in group if statistics.valid]
        zero = not any(single.value for single in held)
        passed = Outcome(CHECK, Verdict.PASS, name, quantity, channel.phase)
        explained = quantity in CURRENTS and (quantity in moving if zero else not any(map(_fine, held)))
        if not _still(base, group) or explained or (zero and reading == "min"):
            yield passed
            continue
        readings = max(statistics.valid for statistics in group)
        words = f"holds {held[0].value:.6g} {channel.unit}".rstrip() if len(group) == 1 else \
            "holds zero in every order" if zero else "holds one value in every order"
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, quantity, channel.phase, code="never-moves", likelihood="likely",
            text=f"{name} {words} in all {readings} readings: it was not measured, or its resolution is too coarse to "
                 "show that it moves.",
            advice="Check the channel and its mapping; record it with more digits, or leave its column out.",
            subjects=(Subject(quantity, (channel.phase,) if channel.phase else ()),),
        )


def _fine(held: Standstill) -> bool:
    """Whether a value is written so finely that standing still is not its resolution."""
    return held.step < LOAD_PERCENT.value / 100 * held.value


def _still(base: TimeBase, group: Sequence[ChannelStatistics]) -> bool:
    """Whether every channel of the group that has readings holds one value, in enough readings to say so."""
    read = [statistics for statistics in group if statistics.valid]
    return bool(read) and all(
        not statistics.of(Standstill).moved and statistics.valid >= FEWEST_VALUES.value
        and statistics.valid * base.interval_us >= SHORTEST.value * 3600e6 for statistics in read
    )
