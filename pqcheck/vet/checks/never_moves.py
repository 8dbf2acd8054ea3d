"""Channels that hold one single value, zero included, from the first reading to the last."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.vet.channel_statistics import ChannelBlock, ChannelStatistics
from pqcheck.vet.check_definition import CHOSEN, CURRENTS, EVIDENCE, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks import not_measured, stuck
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.single_value import MOVES_BY_NATURE, written_step
from pqcheck.vet.time_base import TimeBase, canonical_factor

FEWEST_VALUES = Threshold(60, "1", EVIDENCE, "Readings of one single value.")
SHORTEST = Threshold(1, "h", CHOSEN, "Shortest recording in which standing still says anything.")
MOVES_PER_DAY = Threshold(2, "1", CHOSEN, "Moves of a channel that may as well be none.")
FEW_MOVES_SPAN = Threshold({"voltage": 0.5, "flicker_pst": 0.15}, "% of nominal / 1", CHOSEN,
                           "Span of all readings that so few moves are made in: a step of a coarse instrument.")
NARROWEST = Threshold({"voltage": 0.05, "frequency": 0.003, "flicker_pst": 0.015}, "% of nominal / 1", CHOSEN,
                      "Span of the readings of a day or longer that no supply keeps to: two fine steps.")
NEAR_NOMINAL = Threshold({"voltage": 4, "frequency": 0.2}, "% of nominal", CHOSEN,
                         "Distance from the nominal up to which such readings may stand for none: no limit is so near.")
QUIET = Threshold(0.5, "1", CHOSEN, "Pst up to which the same holds.")
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
        "measured, or moves within one step of its resolution: the question stays open and nothing passes on it. So it "
        "does where a voltage or frequency near its nominal, or a Pst below 0.5, moves no more than twice a day, by "
        "one coarse step, or keeps to two fine steps for a day or longer. "
        "Orders are looked at together, since a single one may lie below the resolution. A current is doubted where "
        "its last decimal is finer than 1 % of it, and zero where all phases read zero: one beside others that carry "
        "current is a question of dead-clamp. Minima of zero say nothing.",
    example="frequency holds 50 Hz in all 60480 readings.",
    codes={"never-moves": "One single value throughout, or nearly"},
    refuses={
        "never-moves": (
            Refusal(ITSELF, "same", "Whether anything was measured is not known."),
        ),
    },
    thresholds=thresholds(globals()),
)

UNBALANCES = ("negative_sequence_unbalance", "zero_sequence_unbalance", "voltage_deviation_unbalance")
OF_A_SUPPLY = ("voltage", "frequency", "flicker_pst")
"""Quantities that move many times a day, whatever the load."""
LOOKED_AT = ("frequency", "voltage_harmonic", *UNBALANCES, *CURRENTS)
PHASES = ("a", "b", "c", "an", "bn", "cn", "ab", "bc", "ca", None)


class Standstill:
    """The value that all readings of a channel share, NaN before the first, and its last decimal; until it `moved`.

    Of the quantities of a supply also the `span` of all readings, and the `high`est.
    """

    def __init__(self, of: ChannelStatistics) -> None:
        self.value, self.step, self.moved = float("nan"), 0.0, False
        self._spanned = of.channel.quantity in OF_A_SUPPLY
        self._low, self.high = float("inf"), float("-inf")

    @property
    def span(self) -> float:
        """From the lowest to the highest reading."""
        return self.high - self._low

    def take(self, part: ChannelBlock) -> None:
        """Look at one block."""
        if self.moved and not self._spanned:
            return
        low, high = float(np.fmin.reduce(part.values)), float(np.fmax.reduce(part.values))
        self._low, self.high = np.fmin(self._low, low), np.fmax(self.high, high)
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
        hardly = _hardly(base, group[0]) if quantity in OF_A_SUPPLY and channel.phase in PHASES else ""
        if channel.phase not in PHASES or not (quantity in LOOKED_AT or by_nature or hardly):
            continue
        held = [statistics.of(Standstill) for statistics in group if statistics.valid]
        zero = not any(single.value for single in held)
        passed = Outcome(CHECK, Verdict.PASS, name, quantity, channel.phase)
        explained = quantity in CURRENTS and (quantity in moving if zero else not any(map(_fine, held)))
        still = _still(base, group)
        if (not still and not hardly) or explained or (zero and reading == "min"):
            yield passed
            continue
        readings = max(statistics.valid for statistics in group)
        words = f"holds {held[0].value:.6g} {channel.unit}".rstrip() if len(group) == 1 else \
            "holds zero in every order" if zero else "holds one value in every order"
        if not still:
            words = hardly
        yield Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, quantity, channel.phase, code="never-moves", likelihood="likely",
            text=f"{name} {words} in all {readings} readings: it was not measured, or its resolution is too coarse to "
                 "show that it moves.",
            advice="Check the channel and its mapping; record it with more digits, or leave its column out.",
            subjects=(Subject(quantity, (channel.phase,) if channel.phase else ()),),
        )


def _hardly(base: TimeBase, statistics: ChannelStatistics) -> str:
    """How little a channel moves that should many times a day; empty where it does, or was not seen for a day.

    Readings near a limit are left alone: a count decides about them.
    """
    channel, standstill = statistics.channel, statistics.of(Standstill)
    days = statistics.valid * base.interval_us / DAY
    repeats = statistics.of(stuck.Repeats)
    if min(statistics.valid, repeats.pairs) < FEWEST_VALUES.value or days < 1 or not standstill.moved:
        return ""
    span, level = standstill.span, statistics.level
    if channel.quantity == "flicker_pst":
        # Below the floor of flickermeters `not-measured` asks about the scale.
        near = not_measured.FLICKER_FLOOR.value <= standstill.high <= QUIET.value
    else:
        supply = base.site.supply
        nominal = supply.frequency if channel.quantity == "frequency" else supply.nominal(str(channel.phase))
        whole = float(nominal) / canonical_factor(channel.quantity, channel.unit) if nominal else float("nan")
        span, level = 100 * span / whole, 100 * level / whole
        near = abs(level - 100) <= NEAR_NOMINAL.value[channel.quantity]
    moves = repeats.pairs - repeats.repeats
    if near and moves <= MOVES_PER_DAY.value * days and span <= FEW_MOVES_SPAN.value.get(channel.quantity, 0):
        return f"moves {moves} time{'s' if moves != 1 else ''}, by {standstill.span:.2g} {channel.unit}".rstrip(" 1")
    if near and span <= NARROWEST.value[channel.quantity]:
        return f"stays within {standstill.span:.2g} {channel.unit}".rstrip(" 1")
    return ""


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
