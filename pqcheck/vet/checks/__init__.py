"""The checks of the recording: one module each, with its question, thresholds, what it refuses, its words and its code.

A module holds `CHECK` and `examine(base)`, which yields what it says about one time base. What a check needs to count
while the data pass by is a class in the same module, named below.

The order matters: a limit verdict that rests on several doubts names the first.
"""

from __future__ import annotations

from types import ModuleType

from pqcheck.vet.channel_statistics import OfChannel
from pqcheck.vet.check_definition import Check
from pqcheck.vet.checks import (
    clipped,
    clock_steps,
    columns_alike,
    completeness,
    conductor_overload,
    connection,
    copied,
    dangerous_voltage,
    dead_clamp,
    distortion_scale,
    energy,
    enough,
    extremes,
    extremes_copied,
    file_notes,
    frequency,
    handheld,
    held,
    interpolated,
    interruption,
    kirchhoff,
    loose_neutral,
    lost_lead,
    moved_neutral,
    neutral_overload,
    neutral_sum,
    never_moves,
    nominal,
    not_measured,
    open_jaw,
    order_scale,
    order_sums,
    phase_order,
    power_factor,
    ratio,
    representative,
    scale_steps,
    stuck,
    totals,
    transformer_overload,
    triplen_neutral,
    two_element,
    under_range,
    unset_clock,
    voltage_triangle,
    wiring,
    zero_orders,
)
from pqcheck.vet.collect import OfStream
from pqcheck.vet.single_value import SingleValues

BEFORE_CHANNELS: tuple[ModuleType, ...] = (completeness, interruption)
OF_CHANNELS: tuple[ModuleType, ...] = (clipped, stuck, copied, interpolated, held)
"""Channel by channel: all of these about the first channel, then about the next."""
AFTER_CHANNELS: tuple[ModuleType, ...] = (
    never_moves, not_measured, under_range, columns_alike, extremes, extremes_copied, order_sums, zero_orders,
    distortion_scale, order_scale, frequency,
)
OF_RELATIONS: tuple[ModuleType, ...] = (
    nominal, connection, voltage_triangle, scale_steps, ratio, totals, energy, wiring, two_element, phase_order,
    lost_lead, dead_clamp, open_jaw, neutral_sum, kirchhoff, power_factor,
)
"""Voltages, currents and powers against each other, where a time base has them."""
OF_THE_RECORDING: tuple[ModuleType, ...] = (enough, unset_clock)
"""The time base with most intervals alone."""
OF_THE_PERIOD: tuple[ModuleType, ...] = (clock_steps, representative)
"""The time base with most of these quantities alone."""
DANGER_SIGNS: tuple[ModuleType, ...] = (
    loose_neutral, moved_neutral, dangerous_voltage, conductor_overload, neutral_overload,
    triplen_neutral, transformer_overload,
)

COUNTED_OF_CHANNELS: tuple[type[OfChannel], ...] = (
    stuck.Repeats, SingleValues, never_moves.Standstill, not_measured.ZerosByDay, copied.DayApart,
    columns_alike.Fingerprint, held.HeldRows,
)
COUNTED_OF_MAIN: tuple[type[OfChannel], ...] = (
    clipped.Ceiling, interpolated.StraightLines, copied.DaysAlike,
)
COLLECTED: tuple[type[OfStream], ...] = (
    interruption.SupplyOut, extremes.Trios, extremes_copied.CopiedExtremes, order_sums.OrderSets,
    distortion_scale.Distortions, loose_neutral.NeutralWatch, moved_neutral.MovedWatch,
    dangerous_voltage.UnsafeVoltages,
    conductor_overload.Overcurrents, triplen_neutral.TriplenSums, transformer_overload.TransformerLoads,
)

CHECKS: tuple[Check, ...] = (
    *(module.CHECK for module in (*OF_THE_RECORDING, *BEFORE_CHANNELS)), *file_notes.CHECKS,
    *(module.CHECK for module in (*OF_CHANNELS, *AFTER_CHANNELS, *OF_RELATIONS, *OF_THE_PERIOD)), handheld.CHECK,
    *(module.CHECK for module in DANGER_SIGNS),
)
"""All of them, as docs/checks/ lists them."""
