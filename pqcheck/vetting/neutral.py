"""The loose neutral: what line-to-neutral voltages do to each other, interval by interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.recording import Channel
from pqcheck.site.model import Supply
from pqcheck.vetting.middle import median
from pqcheck.vetting.pieces import Pieces
from pqcheck.vetting.runs import Mask, mask_runs
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]


def seesaw(leg_a: Array, leg_b: Array, nominal: float) -> Mask:
    """Intervals in which one leg stands up by what the other stands down, while their sum stays where it was.

    `leg_a`, `leg_b` line-to-neutral voltages of a split-phase service [V], `nominal` of one leg [V]. The sum is
    compared with that of the nearest quiet interval; where none is quiet, with the median of the intervals in
    question. A NaN is not counted. In a healthy service a leg that drops with its load takes the sum with it: the
    neutral carries the difference current through a resistance like that of the leg, so the sum falls by about two
    thirds of the half difference; through a broken neutral it does not.
    """
    check = "neutral-loose"
    half = np.asarray(leg_a - leg_b, np.float64) / 2
    size = np.abs(half)
    big = size > threshold(check, "swing_percent") / 100 * nominal
    if not big.any():
        return big
    total = np.asarray(leg_a + leg_b, np.float64)
    lowest = np.minimum(leg_a, leg_b)
    # A leg near zero is a lost lead or an outage, not a see-saw.
    big &= (total > nominal) & (lowest > threshold(check, "leg_alive_percent") / 100 * nominal)
    at = np.flatnonzero(big)
    if not at.size:
        return big
    quiet = np.flatnonzero(size < threshold(check, "quiet_percent") / 100 * nominal)
    if quiet.size:
        after = np.clip(np.searchsorted(quiet, at), 0, quiet.size - 1)
        before = np.maximum(after - 1, 0)
        nearer = np.where(np.abs(quiet[after] - at) < np.abs(quiet[before] - at), after, before)
        reference = total[quiet[nearer]]
    else:
        reference = np.full(at.size, median(total[at]))
    change = np.abs(total[at] - reference)
    steady = change <= threshold(check, "sum_percent") / 100 * 2 * nominal
    wide = size[at] > threshold(check, "wide_swing_percent") / 100 * nominal
    steady |= wide & (change <= threshold(check, "sum_share") * size[at])
    big[at] = steady
    return big


def displaced(to_neutral: Sequence[Array], between: Sequence[Array], nominal: float) -> Mask:
    """Intervals in which the three line-to-neutral voltages [V] spread while the line-to-line ones do not.

    `nominal` is line to neutral [V]. Lines are steady when their spread is small against their own mean.
    """
    check = "neutral-loose"
    low = np.minimum(np.minimum(to_neutral[0], to_neutral[1]), to_neutral[2])
    high = np.maximum(np.maximum(to_neutral[0], to_neutral[1]), to_neutral[2])
    wide: Mask = (high - low) > threshold(check, "spread_percent") / 100 * nominal
    if not wide.any():
        return wide
    line_low = np.minimum(np.minimum(between[0], between[1]), between[2])
    line_high = np.maximum(np.maximum(between[0], between[1]), between[2])
    middle = (between[0] + between[1] + between[2]) / 3
    wide &= (line_high - line_low) < threshold(check, "line_spread_percent") / 100 * middle
    wide &= line_low > nominal
    return wide


class NeutralWatch(Struct):
    """Runs both tests on native values while the data pass by. `kind` is "split", "wye" or "" (nothing to watch)."""

    kind: str
    nominal: float
    legs: tuple[Channel, ...] = ()
    lines: tuple[Channel, ...] = ()
    scale: float = 1.0
    seen: int = 0
    runs: Pieces = field(default_factory=Pieces)
    spread: float = 0.0
    lowest: float = float("inf")
    highest: float = float("-inf")

    def take(self, slot: int, values: Mapping[Channel, Array]) -> None:
        """Look at one chunk."""
        legs = [values[channel] for channel in self.legs if channel in values]
        lines = [values[channel] for channel in self.lines if channel in values]
        if not self.kind or len(legs) != len(self.legs) or len(lines) != len(self.lines):
            return
        self.seen += legs[0].size
        nominal = self.nominal / self.scale
        mask = seesaw(legs[0], legs[1], nominal) if self.kind == "split" else displaced(legs, lines, nominal)
        if not mask.any():
            return
        together = np.stack([leg[mask] for leg in legs])
        self.lowest = min(self.lowest, float(together.min()))
        self.highest = max(self.highest, float(together.max()))
        self.spread = max(self.spread, float((together.max(axis=0) - together.min(axis=0)).max()))
        starts, lengths = mask_runs(mask)
        self.runs.add(starts + slot, lengths, lengths)


def watch_for(supply: Supply, channels: Sequence[Channel], scale: float) -> NeutralWatch:
    """The watch that fits the declared connection and the channels of one stream (scale: volts per channel unit)."""
    volts = {channel.phase: channel for channel in channels
             if channel.quantity == "voltage" and channel.reading == "mean"}
    nominal = float(supply.line_to_neutral) if supply.line_to_neutral else 0.0
    if not nominal or not scale:
        return NeutralWatch("", 0.0)
    legs = ["an", "bn"] if supply.connection == "split-phase" else []
    if supply.connection == "high-leg-delta":
        # The two lighting legs share one centre-tapped winding like a split-phase service.
        legs = [phase for phase in LINE_TO_NEUTRAL if phase[0] != (supply.high_leg or "b")]
    if legs and set(legs) <= volts.keys():
        return NeutralWatch("split", nominal, tuple(volts[leg] for leg in legs), (), scale)
    if supply.connection == "wye" and {*LINE_TO_NEUTRAL, *LINE_TO_LINE} <= volts.keys():
        return NeutralWatch(
            "wye", nominal, tuple(volts[phase] for phase in LINE_TO_NEUTRAL),
            tuple(volts[phase] for phase in LINE_TO_LINE), scale,
        )
    return NeutralWatch("", 0.0)
