"""The list of checks: which of them look at what. Nothing here decides."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.findings import Verdict
from pqcheck.quantities import QUANTITIES
from pqcheck.recording import Channel
from pqcheck.site.model import Site
from pqcheck.vetting.ceiling import clipping_outcome, under_range_outcomes
from pqcheck.vetting.completeness import completeness_outcomes, interruption_outcome
from pqcheck.vetting.extremes import extremes_outcomes
from pqcheck.vetting.gather import FULL, Gathered
from pqcheck.vetting.grid import Grid, canonical_factor
from pqcheck.vetting.leads import dead_clamp_outcomes, jaw_outcomes, lost_lead_outcomes, neutral_sum_outcome
from pqcheck.vetting.metering import phase_order_outcome, two_element_outcomes
from pqcheck.vetting.nominal import connection_outcomes, nominal_outcomes
from pqcheck.vetting.outcome import Outcome
from pqcheck.vetting.pieces import Bins
from pqcheck.vetting.plausible import frequency_outcome, power_factor_outcomes
from pqcheck.vetting.repeats import RESTING, alike_outcomes, copied_outcome, interpolated_outcome, stuck_outcome
from pqcheck.vetting.scaling import energy_outcome, ratio_outcomes, totals_outcomes
from pqcheck.vetting.spectrum import spectrum_outcomes, zero_order_outcomes
from pqcheck.vetting.thresholds import threshold
from pqcheck.vetting.wiring import polarity_outcomes

MOST_SUBJECTS = 200
"""Doubted stretches kept per group of orders."""


def channel_groups(channels: Sequence[Channel]) -> dict[str, list[Channel]]:
    """Names and channels of the channel-wise findings: rms quantities one by one, orders by quantity and phase."""
    groups: dict[str, list[Channel]] = {}
    for channel in channels:
        if QUANTITIES[channel.quantity].suffix:
            name = ".".join(part for part in (channel.quantity, channel.phase, channel.reading) if part)
        else:
            name = channel.name
        groups.setdefault(name, []).append(channel)
    return groups


def channel_checks(one: Gathered, site: Site) -> Iterator[Outcome]:
    """Checks that need one stream's channels by themselves."""
    start, interval = one.stream.axis.start_us, one.stream.axis.interval_us
    groups = channel_groups(one.stream.channels)
    movement = Movement(one)
    yield from completeness_outcomes(one, groups, site)
    yield interruption_outcome(one, site)
    for name, channels in groups.items():
        quantity = channels[0].quantity
        if quantity in RESTING:
            continue
        tallies = [one.tallies[channel] for channel in channels]
        ceiling = None
        if quantity in FULL:
            clipping = clipping_outcome(tallies[0], name, start, interval)
            ceiling = clipping.value if clipping.verdict is Verdict.REFUSED else None
            yield clipping
        named = [(tally, tally.channel.name) for tally in tallies]
        yield grouped(
            [stuck_outcome(tally, each, start, interval, movement.moved, ceiling) for tally, each in named], name
        )
        yield grouped([copied_outcome(tally, each, start, interval) for tally, each in named], name)
        if quantity in FULL:
            yield interpolated_outcome(tallies[0], name, start, interval)
    yield from under_range_outcomes(iter(one.tallies.values()))
    yield from alike_outcomes(one.tallies)
    yield from extremes_outcomes(one.extremes, start, interval)
    yield from spectrum_outcomes(one.spectrum)
    yield from zero_order_outcomes(one.spectrum, one.tallies)
    for channel, series in one.series.items():
        if channel.quantity == "frequency":
            yield frequency_outcome(series * canonical_factor("frequency", channel.unit), site)


def cross_checks(grid: Grid, site: Site) -> Iterator[Outcome]:
    """Checks that hold voltages, currents and powers against each other."""
    yield from nominal_outcomes(grid, site)
    yield from connection_outcomes(grid, site)
    yield from ratio_outcomes(grid)
    yield from totals_outcomes(grid, site)
    yield energy_outcome(grid)
    yield from polarity_outcomes(grid, site)
    yield from two_element_outcomes(grid, site)
    yield phase_order_outcome(grid)
    yield from lost_lead_outcomes(grid, site)
    yield from dead_clamp_outcomes(grid)
    yield from jaw_outcomes(grid)
    yield neutral_sum_outcome(grid, site)
    yield from power_factor_outcomes(grid)


def grouped(outcomes: Sequence[Outcome], name: str) -> Outcome:
    """One outcome for a group of orders: the one with most to say, under the group's name, with all doubts."""
    refused = [outcome for outcome in outcomes if outcome.verdict is Verdict.REFUSED]
    if len(outcomes) == 1:
        return replace(outcomes[0], channel=name)
    if not refused:
        return replace(outcomes[0], channel=name, order=None)
    chosen = max(refused, key=lambda outcome: sum(span.intervals for span in outcome.spans))
    subjects = tuple(subject for outcome in refused for subject in outcome.subjects)[:MOST_SUBJECTS]
    text = chosen.text + (f" So do {len(refused) - 1} other orders." if len(refused) > 1 else "")
    return replace(chosen, channel=name, order=None, subjects=subjects, text=text)


class Movement:
    """Tells whether any other channel of the same stream moved between two slots."""

    def __init__(self, one: Gathered) -> None:
        self._group = one.coarse_us // one.stream.axis.interval_us
        self._series = one.series
        self._tallies = one.tallies

    def moved(self, channel: Channel, first: int, last: int) -> bool:
        """Another main channel changed at several of the coarse points; without any, another channel of the stream."""
        needed = threshold("stuck", "moved_points")
        begin, end = -(-first // self._group), max(last // self._group, -(-first // self._group) + 2)
        others = [series for other, series in self._series.items() if other.key[:2] != channel.key[:2]]
        for series in others:
            part = series[begin:end]
            part = part[~np.isnan(part)]
            changes = int(np.count_nonzero(np.diff(part)))
            if changes >= min(needed, max(1, part.size // 3)) and changes > 0:
                return True
        if others:
            return False
        return any(
            _moved_in_bins(tally.bins, tally.bin_pairs * tally.stride, first, last)
            for other, tally in self._tallies.items() if other.key[:2] != channel.key[:2]
        )


def _moved_in_bins(bins: Bins, width: int, first: int, last: int) -> bool:
    for base, held, amount in bins:
        edges = (np.arange(held.size) + base) * width
        inside = (edges >= first) & (edges + width <= last) & (amount > 0)
        if inside.any() and bool((held[inside] < 0.7 * amount[inside]).any()):
            return True
    return False
