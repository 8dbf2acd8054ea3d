"""Channels that hold one single value, zero included, from the first reading to the last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.channel_statistics import ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, CURRENTS, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.stuck import Repeats
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.single_value import MOVES_BY_NATURE
from pqcheck.vet.time_base import TimeBase

FEWEST_VALUES = Threshold(60, "1", EVIDENCE, "Readings of one single value.")
SHORTEST = Threshold(1, "h", CHOSEN, "Shortest recording in which standing still says anything.")

CHECK = Check(
    name="never-moves",
    question="Does a channel move at all?",
    looks_at="Frequency, unbalance, phase currents, their distortion, the orders of a phase together, and minimum and "
             "maximum columns.",
    how="A quantity of a supply or of a load that holds one single value in every reading, zero included, was not "
        "measured, or moves within one step of its resolution: the question stays open and nothing passes on it. "
        "Orders are looked at together, since a single one may lie below the resolution. Currents are doubted where "
        "all phases read zero: one beside others that move is a question of dead-clamp, and a load may be steady. "
        "Minima of zero say nothing.",
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


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per channel, and one per spectrum and reading."""
    moving = {group[0].channel.key[0] for group in base.groups.values() if not _still(base, group)}
    for name, group in base.groups.items():
        channel = group[0].channel
        quantity, reading = channel.quantity, channel.reading
        by_nature = quantity in MOVES_BY_NATURE and reading != "mean"
        if channel.phase not in PHASES or not (quantity in LOOKED_AT or by_nature):
            continue
        zero = all(statistics.highest == 0 for statistics in group)
        passed = Outcome(CHECK, Verdict.PASS, name, quantity, channel.phase)
        # A load may draw one current for a week; that all phases draw none is a question of the clamps.
        load = quantity in CURRENTS and (not zero or quantity in moving)
        if not _still(base, group) or load or (zero and reading == "min"):
            yield passed
            continue
        readings = max(statistics.valid for statistics in group)
        held = f"holds {group[0].highest:.6g} {channel.unit}".rstrip() if len(group) == 1 else \
            "holds zero in every order" if zero else "holds one value in every order"
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, quantity, channel.phase, code="never-moves", likelihood="likely",
            text=f"{name} {held} in all {readings} readings: it was not measured, or its resolution is too coarse to "
                 "show that it moves.",
            advice="Check the channel and its mapping; record it with more digits, or leave its column out.",
            subjects=(Subject(quantity, (channel.phase,) if channel.phase else ()),),
        )


def _still(base: TimeBase, group: Sequence[ChannelStatistics]) -> bool:
    """Whether every channel of the group that has readings holds one value, in enough readings to say so."""
    read = [statistics for statistics in group if statistics.valid]
    return bool(read) and all(_one_value(base, statistics) for statistics in read)


def _one_value(base: TimeBase, statistics: ChannelStatistics) -> bool:
    if statistics.valid < FEWEST_VALUES.value or statistics.valid * base.interval_us < SHORTEST.value * 3600e6 \
            or np.isfinite(statistics.resolution):
        return False
    # Beside blanks a step is not seen: most neighbours must be known to be equal. Zeros are no pairs.
    return statistics.highest == 0 or 2 * statistics.of(Repeats).repeats > statistics.valid // statistics.stride
