"""The measured record with new loads added to every interval: a recording like any other, to be judged like any other.

What cannot be predicted from a declaration (flicker, frequency, interharmonics, signalling, energy registers) is left
out of it, so that no such rule can look judged. Described in docs/method/loads.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.loads.channels import PAIRS, Array, conversion, phases_of
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.harmonics import (
    Law,
    Part,
    beside_banks,
    contributions,
    line_voltage_ratio,
    neutral_ratio,
    phase_turns,
    phase_voltage_ratio,
    total_square,
    voltage_factor,
    zero_sequence,
)
from pqcheck.loads.phasors import Collapse, add, voltages
from pqcheck.loads.predictable import LINE_OF, POWERS, predictable, reference_current
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.loads.waveform import UNITS, Readings, Waveform, angle_doubtful, lag_of
from pqcheck.model.clock import iso
from pqcheck.model.recording import Block, Channel, Recording, Stream
from pqcheck.physics.transformer import triplen_neutral_current
from pqcheck.physics.unbalance import deviation_unbalance, negative_sequence_unbalance, sequence_components
from pqcheck.site.site_values import Site

TRIPLENS = range(3, 50, 6)


class Added(Struct, frozen=True):
    """What is added and how: `everything_on` ignores schedules and profiles, and takes no credit for what feeds in."""

    loads: tuple[NewLoad, ...]
    source: SupplyImpedance | None
    law: Law = "summation"
    everything_on: bool = False
    mean_shares: bool = False
    """Profiles by their mean over each interval, for energy; else by the largest share that an interval touches."""
    angles_doubted: frozenset[str] = frozenset()
    """Phases of which vetting doubts the direction or place of a clamp: the bound takes no relief from their angle."""
    recorded_demand: float | None = None
    """Demand current that a recorded total demand distortion refers to, where the site's own is another."""

    @property
    def strict(self) -> bool:
        """Whether the result is the bound: orders in phase, present loads drawing more where the voltage moves."""
        return self.law == "arithmetic"

    @property
    def supply(self) -> SupplyImpedance | None:
        """The supply for what is there: in the strict bound with the largest impedance that it may have."""
        return self.source.strictest if self.source is not None and self.strict else self.source

    @property
    def supply_then(self) -> SupplyImpedance | None:
        """The supply with the capacitor banks that are added."""
        banks = tuple(load.bank for load in self.loads if load.bank is not None)
        return self.supply if self.supply is None else replace(self.supply, banks=(*self.supply.banks, *banks))

    def scaled(self, by: float) -> Added:
        """The same additions, loads `by` times as large; a capacitor bank stays, each size has another resonance."""
        return replace(self, loads=tuple(load if load.bank is not None else load.scaled(by) for load in self.loads))


def with_addition(recording: Recording, site: Site, added: Added) -> Recording:
    """A recording whose blocks are the measured ones with the additions, worked out when they are read.

    Channels keep their names and units; values become float64. When the source is unknown voltages stay as they are.
    Reading raises `SiteError` where the supply cannot deliver the addition.
    """
    streams = []
    for stream in recording.streams:
        banks = any(load.bank is not None for load in added.loads)
        kept = tuple(
            channel for channel in stream.channels
            if predictable(channel, stream, site, added.source, new_banks=banks)
        )  # fmt: skip
        streams.append(Stream(stream.axis, kept, _Walk(stream, site, added, recording.zone, kept).blocks, stream.index))
    return Recording(recording.files, tuple(streams), recording.notes, recording.zone, (), recording.late_notes)


class _Walk(Struct, frozen=True):
    stream: Stream
    site: Site
    added: Added
    zone: str
    kept: tuple[Channel, ...]

    def blocks(self, channels: Sequence[Channel] | None = None) -> Iterator[Block]:
        """Blocks with the additions; `channels` limits what is worked out, not what it is worked out from."""
        wanted = self.kept if channels is None else tuple(channel for channel in channels if channel in self.kept)
        for block in self.stream.blocks(None):
            shares = [self._share(load, block) for load in self.added.loads]
            try:
                values = _SuperposedBlock(block, self.site, self.added, shares).values(wanted)
            except Collapse as error:
                at = iso(block.axis.start_us + error.index * block.axis.interval_us, self.zone)
                raise Collapse(f"{error} (first at {at})", error.index) from None
            lower, upper = (
                {channel: mask for channel, mask in masks.items() if channel in values}
                for masks in (block.lower_bounds, block.upper_bounds)
            )
            yield Block(block.axis, values, block.flagged, lower, upper)

    def _share(self, load: NewLoad, block: Block) -> Array:
        axis = block.axis
        if self.added.everything_on:
            # What feeds in takes nothing off an upper bound, unless nothing else is added.
            relief = load.feeds_in and not all(other.feeds_in for other in self.added.loads)
            return np.zeros(axis.count) if relief else np.full(axis.count, 1 / load.diversity)
        starts = axis.start_us + axis.interval_us * np.arange(axis.count, dtype=np.int64)
        return load.share(starts, axis.interval_us, self.zone, largest=not self.added.mean_shares)


class _SuperposedBlock:
    """One block with new loads added: fundamental, orders, totals, powers, unbalance."""

    def __init__(self, block: Block, site: Site, added: Added, shares: Sequence[Array]) -> None:
        self.block, self.site, self.added = block, site, added
        self.loads, self.law = added.loads, added.law
        self.source, self.source_then = added.supply, added.supply_then
        self.new_banks = any(load.bank is not None for load in added.loads)
        self.count = block.axis.count
        self.has_neutral = site.supply.connection != "delta"
        self.phases = phases_of(site.supply)
        self.readings = Readings(block.values)
        self.existing = {phase: Waveform(self.readings, "current", phase, self.count) for phase in self.phases}
        trusted = set(self.phases) - (added.angles_doubted if added.strict else set())
        self._voltages: dict[str, Waveform] = {}
        self._volt_parts: dict[str, dict[int, Part]] = {}
        before = voltages(self.readings.get, site.supply, self.count)
        amperes = {phase: waveform.fundamental for phase, waveform in self.existing.items()}
        sizes = {phase: np.abs(volts) for phase, volts in before.phasors.items()}
        lags = {phase: lag_of(self.readings, phase, sizes[phase], amperes[phase]) for phase in trusted}
        self.lag = {phase: lag for phase, lag in lags.items() if lag is not None}
        own = amperes if added.strict else None
        self.addition = add(before, self.loads, shares, self.source, site.supply, self.lag, own)
        for phase, waveform in self.existing.items():
            waveform.growth = self.addition.growth[phase]
            if self.new_banks:
                waveform.reshaped = self._line_beside_banks(phase)
        self.line_parts = {phase: self._line_parts(phase) for phase in self.phases}
        self.fundamental = {phase: self._fundamental(phase) for phase in self.phases}
        self.rms = {phase: self._rms(phase) for phase in self.phases}

    def values(self, wanted: Sequence[Channel]) -> dict[Channel, NDArray[np.float64]]:
        """The wanted channels with the additions, in their own units."""
        known = [channel for channel in wanted if channel in self.block.values]
        return {channel: np.ascontiguousarray(self._channel(channel)) for channel in known}

    def _channel(self, channel: Channel) -> Array:
        values = np.asarray(self.block.values[channel], dtype=np.float64)
        quantity = channel.quantity
        if quantity == "current" and channel.phase == "n":
            return self._neutral(values, channel)
        if quantity.startswith("current"):
            return self._current(channel, values)
        if quantity in POWERS:
            return self._power(channel, values)
        if quantity in ("voltage", "voltage_harmonic", "voltage_thd"):
            return self._voltage(channel, values)
        return self._unbalance(quantity, values)

    @cached_property
    def _mean_currents(self) -> list[Array]:
        """Fundamental amperes of each load, the mean of its phases."""
        return [np.asarray(np.mean(np.abs(list(currents.values())), axis=0)) for currents in self.addition.currents]

    def _line_parts(self, phase: str) -> dict[int, Part]:
        """New amperes of each order in the line towards the supply."""

        def ratio(load: NewLoad, order: int) -> float:
            if phase not in load.phases:
                return 0.0
            source = self.source_then
            return 1.0 if source is None else source.amplification(order, zero_sequence=zero_sequence(load, order))

        own = self.addition.currents
        return contributions(self.loads, lambda number: np.abs(own[number][phase]), ratio, neutral=self.has_neutral)

    def _new_volts(self, where: str) -> dict[int, Part]:
        """New volts of each order, line to neutral or line to line; none through an estimated impedance."""
        source = self.source_then
        assert source is not None
        if source.estimated:
            return {}

        def ratio(load: NewLoad, order: int) -> float:
            if where in PAIRS:
                return line_voltage_ratio(load, order, PAIRS[where], source)
            return phase_voltage_ratio(load, order, where[0], source, neutral=self.has_neutral)

        if where not in self._volt_parts:
            means = self._mean_currents
            self._volt_parts[where] = contributions(
                self.loads, lambda number: means[number], ratio, neutral=self.has_neutral
            )
        return self._volt_parts[where]

    def _line_beside_banks(self, phase: str) -> Callable[[int, Array], Array]:
        """What new banks make of the orders in a line: see `beside_banks`."""
        before, after = self.source, self.source_then
        assert before is not None and after is not None
        voltage = self._existing_voltage(f"{phase}n" if self.has_neutral else LINE_OF[phase])
        by = 1.0 if self.has_neutral or len(self.phases) < 3 else 1 / np.sqrt(3)

        def reshape(order: int, amperes: Array) -> Array:
            volts = voltage.recorded_order(order)
            return beside_banks(order, amperes, None if volts is None else volts * by, before, after, self.law)

        return reshape

    def _existing_voltage(self, where: str) -> Waveform:
        """The voltage that is there, its orders as new banks will shape them."""
        if where not in self._voltages:
            nominal = float(self.site.supply.nominal(where) or 0)
            made = Waveform(self.readings, "voltage", where, self.count, nominal)
            before, after = self.source, self.source_then
            if self.new_banks and before is not None and after is not None:
                made.reshaped = lambda order, volts: volts * voltage_factor(order, before, after)
            self._voltages[where] = made
        return self._voltages[where]

    def _fundamental(self, phase: str) -> Array:
        """Fundamental current of a phase with the additions.

        Without a measured angle the two are taken in phase where the new current flows in, the most they can be; the
        bound also where the record shows no angle of the phase, undeclared power that flows out, or a doubtful clamp.
        """
        volts = self.addition.before.phasors[phase]
        existing = self.existing[phase].fundamental * self.addition.growth[phase]
        new = self.addition.total[phase] * np.conj(volts / np.abs(volts))
        most = existing + np.abs(new)
        drawn = np.real(new) >= -1e-9 * np.abs(new)
        if phase not in self.lag:
            drawn = drawn | (self.added.strict and phase in self.added.angles_doubted)
            return np.asarray(np.where(drawn, most, np.abs(existing - np.abs(new))))
        known = np.abs(existing * np.exp(-1j * self.lag[phase]) + new)
        own, alone = self.existing[phase].fundamental, len(self.phases) == 1
        unsure = drawn & self.added.strict & angle_doubtful(self.readings, phase, np.abs(volts), own, alone=alone)
        unsure = unsure | np.isnan(known) | self._unexplained(np.cos(self.lag[phase]))
        return np.asarray(np.where(unsure, most, known))

    def _unexplained(self, direction: Array) -> NDArray[np.bool_]:
        """In the bound, where power seems to flow out (`direction` below zero) and nobody declared generation."""
        return np.asarray((direction < 0) & self.added.strict & (not self.site.generation.declared))

    def _rms(self, phase: str) -> Array:
        """True rms current of a phase with the additions; unrecorded harmonics that the rms shows are kept."""
        new = np.abs(self.addition.total[phase])
        return self.existing[phase].rms_with(self.fundamental[phase], new, self.line_parts[phase], self.law)

    def _current(self, channel: Channel, values: Array) -> Array:
        phase, quantity = channel.phase or "a", channel.quantity
        existing, fundamental, rms = self.existing[phase], self.fundamental[phase], self.rms[phase]
        if quantity == "current":
            by = conversion(channel.unit, "A")
            if channel.reading == "mean":
                return rms / by + 0 * values
            # Extremes within the interval move with the mean.
            return values + (rms - existing.rms) / by
        if quantity == "current_harmonic" and channel.order in (1, None):
            return fundamental / conversion(channel.unit, "A") + 0 * values
        if quantity == "current_harmonic":
            amperes = existing.order_with(channel, self.line_parts[phase], self.law)
            if channel.unit in ("%", "% of rms"):
                return np.asarray(100 * amperes / (fundamental if channel.unit == "%" else rms))
            return np.asarray(amperes / conversion(channel.unit, "A"))
        recorded: Array | float = existing.fundamental
        base: Array | float = fundamental
        if quantity != "current_thd":
            recorded = base = reference_current(self.site, quantity) or 0.0
            if quantity == "current_tdd" and self.added.recorded_demand:
                recorded = self.added.recorded_demand
        square = existing.total_with(values / 100 * recorded, self.line_parts[phase], self.law)
        return np.asarray(100 * np.sqrt(square) / base)

    def _neutral(self, values: Array, channel: Channel) -> Array:
        """Measured neutral current, moved by what unbalance and triplens of the additions make of its estimate.

        At worst it is the measured one and the new one in phase: root mean squares add up to no more (Minkowski).
        """
        means = self._mean_currents
        new = contributions(self.loads, lambda number: means[number], neutral_ratio, neutral=self.has_neutral)
        total = np.sum(list(self.addition.total.values()), axis=0)
        if self.law == "arithmetic":
            added = np.sqrt(np.square(np.abs(total)) + total_square(new, self.law, self.count))
            return np.asarray(values + added / conversion(channel.unit, "A"))
        turns = phase_turns(self.phases)
        before = np.zeros(self.count, dtype=np.complex128)
        for phase in self.phases:
            lag = np.nan_to_num(self.lag.get(phase, np.zeros(self.count)))
            before = before + self.existing[phase].fundamental * np.exp(-1j * lag) * turns[phase]
        after = before + total
        triplens = [np.mean([self.existing[phase].order(order) for phase in self.phases], axis=0) for order in TRIPLENS]
        parts = {order: Part((3 * amperes,)) for order, amperes in zip(TRIPLENS, triplens, strict=True)}
        for order, part in new.items():
            own = parts.get(order, Part())
            parts[order] = Part((*own.others, *part.others), part.alike)
        by = conversion(channel.unit, "A")
        square = np.square(values * by) + np.square(np.abs(after)) - np.square(np.abs(before))
        square = square + total_square(parts, self.law, self.count) - np.square(triplen_neutral_current(triplens))
        return np.asarray(np.sqrt(np.maximum(square, 0)) / by)

    def _power(self, channel: Channel, values: Array) -> Array:
        by = conversion(channel.unit, UNITS[channel.quantity])
        phases = self.phases if channel.phase == "total" else (channel.phase or "a",)
        addition = self.addition
        new = np.sum([addition.after[phase] * np.conj(addition.total[phase]) for phase in phases], axis=0)
        if channel.quantity in ("active_power", "reactive_power"):
            part = (new.real if channel.quantity == "active_power" else new.imag) / by
            active = self.readings.get("active_power", channel.phase)
            outward = self._unexplained(np.zeros(self.count) if active is None else active)
            if self.added.strict and self.added.angles_doubted.intersection(phases):
                outward = np.ones(self.count, dtype=bool)
            return np.asarray(values + np.where(outward, np.copysign(part, values), part))
        values = np.abs(values)
        if not all(self.existing[phase].recorded for phase in phases):
            # With its harmonics, which the phasors above leave out.
            apart = np.sum([
                np.square(np.abs(addition.after[phase])) * total_square(self.line_parts[phase], self.law, self.count)
                for phase in phases
            ], axis=0)  # fmt: skip
            return np.asarray(values + np.sqrt(np.square(np.abs(new)) + len(phases) * apart) / by)
        old_sum = np.sum(
            [np.abs(addition.before.phasors[phase]) * self.existing[phase].rms for phase in phases], axis=0
        )
        new_sum = np.sum([np.abs(addition.after[phase]) * self.rms[phase] for phase in phases], axis=0)
        return np.asarray(values + (new_sum - old_sum) / by)

    def _volts(self, where: str) -> tuple[Array, Array]:
        """Fundamental voltage by the model before and after, at a phase to neutral or between lines."""
        before, after = self.addition.before.phasors, self.addition.after
        if where in PAIRS:
            first, other = PAIRS[where]
            if other not in after:
                return self._volts("an")
            # What the neutral shifts all phases alike by does not show between lines.
            shared = self.addition.shared
            between = after[first] + shared[first] - after[other] - shared[other]
            return np.abs(before[first] - before[other]), np.abs(between)
        return np.abs(before[where[0]]), np.abs(after[where[0]])

    def _voltage(self, channel: Channel, values: Array) -> Array:
        if self.source is None:
            return values
        where = channel.phase or "an"
        before, after = self._volts(where)
        ratio = after / before
        existing = self._existing_voltage(where)
        existing.growth = np.max(list(self.addition.growth.values()), axis=0)
        fundamental, parts = existing.fundamental, self._new_volts(where)
        if channel.quantity == "voltage":
            distortion = np.square(existing.distortion * fundamental)
            grown = existing.total_with(np.sqrt(distortion), parts, self.law, orders_known=True)
            if self.added.strict:
                # New harmonics may not lift the rms of a voltage that falls.
                grown = np.where(ratio < 1, distortion, grown)
            new_rms = np.sqrt(np.square(fundamental * ratio) + np.maximum(grown, 0))
            return np.asarray(values * new_rms / np.sqrt(np.square(fundamental) + distortion))
        if channel.quantity == "voltage_harmonic" and channel.order in (1, None):
            return np.asarray(values * ratio)
        if channel.quantity == "voltage_harmonic":
            volts = existing.order_with(channel, parts, self.law)
            return np.asarray(volts / existing.scale(channel, by=ratio))
        square = existing.total_with(values / 100 * fundamental, parts, self.law)
        return np.asarray(100 * np.sqrt(square) / (fundamental * ratio))

    def _unbalance(self, quantity: str, values: Array) -> Array:
        """The recorded unbalance moved by the change of the modelled one; an upper bound where angles are unknown."""
        before, after = (
            np.asarray(sequence_components(volts["a"], volts["b"], volts["c"]))
            for volts in (self.addition.before.phasors, self.addition.after)
        )
        if quantity == "zero_sequence_unbalance":
            moved = np.abs(after[0] - before[0])
            if self.source is not None and self.source.neutral_moves:
                # What lifts or lowers every phase alike stands for a shift of the neutral by as much.
                moved = moved + np.abs(self.addition.shared[self.phases[0]])
            return np.asarray((values * np.abs(before[1]) + 100 * moved) / np.abs(after[1]))
        if self.addition.before.angles:
            lines_before, lines_after = zip(*(self._volts(pair) for pair in PAIRS), strict=True)
            form = negative_sequence_unbalance if quantity == "negative_sequence_unbalance" else deviation_unbalance
            return np.maximum(values + form(*lines_after) - form(*lines_before), 0)
        return np.asarray(values + 100 * np.abs(after[2] - before[2]) / np.abs(after[1]))
