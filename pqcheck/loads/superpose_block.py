"""One block of a stream with new loads added: fundamental, orders, totals, powers, unbalance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.addition import PAIRS, Addition, add, voltages
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.existing_current import ExistingCurrent
from pqcheck.loads.series import Array, canonical, conversion, phases_of
from pqcheck.loads.source import Source
from pqcheck.loads.spectral import (
    Law,
    current_of,
    line_voltage_ratio,
    neutral_ratio,
    orders_of,
    phase_voltage_ratio,
    summed,
    total_square,
)
from pqcheck.physics.distortion import fundamental_from_rms
from pqcheck.physics.transformer import triplen_neutral_current
from pqcheck.physics.unbalance import deviation_unbalance, negative_sequence_unbalance, sequence_components
from pqcheck.recording import Block, Channel, Stream
from pqcheck.site.model import Site

CURRENTS = {
    "current", "current_harmonic", "current_thd", "current_tdd", "current_trd",
    "active_power", "reactive_power", "apparent_power",
}  # fmt: skip
VOLTAGES = {
    "voltage", "voltage_harmonic", "voltage_thd",
    "negative_sequence_unbalance", "zero_sequence_unbalance", "voltage_deviation_unbalance",
}  # fmt: skip

Parts = Mapping[int, Sequence[Array]]


class BlockAddition:
    """The additions to one stream."""

    def __init__(
        self,
        stream: Stream,
        site: Site,
        loads: Sequence[NewLoad],
        source: Source | None,
        law: Law,
        recorded_demand: float | None = None,
    ) -> None:
        self.recorded_demand = recorded_demand
        self.stream, self.site, self.loads, self.source, self.law = stream, site, loads, source, law
        self.neutral = site.supply.connection != "delta"
        self.phases = phases_of(site.supply)
        self.keys = {channel.key: channel for channel in stream.channels}
        self.orders = orders_of(loads)
        self.block: Block | None = None
        self._got: dict[tuple[str, str | None, int | None], Array | None] = {}
        self._parts: dict[str, dict[int, list[Array]]] = {}

    def _get(self, quantity: str, phase: str | None, order: int | None = None) -> Array | None:
        key = (quantity, phase, order)
        if key not in self._got:
            self._got[key] = self._read(quantity, phase, order)
        return self._got[key]

    def _read(self, quantity: str, phase: str | None, order: int | None) -> Array | None:
        channel = self.keys.get((quantity, phase, order, None, "mean"))
        if channel is None or self.block is None or channel not in self.block.values:
            return None
        unit = {"voltage": "V", "current": "A", "active_power": "W", "reactive_power": "var", "apparent_power": "VA"}
        return canonical(self.block.values, channel, unit.get(quantity, channel.unit or "1"))

    def values(
        self, block: Block, shares: Sequence[Array], wanted: Sequence[Channel]
    ) -> dict[Channel, NDArray[np.float64]]:
        """The wanted channels with the additions, in their own units."""
        self.block = block
        self._got.clear()
        self._parts.clear()
        self.count = block.axis.count
        before = voltages(self._get, self.site.supply, self.count)
        existing = {phase: ExistingCurrent(self._get, self.keys, phase, self.count) for phase in self.phases}
        angle = {phase: one.angle for phase, one in existing.items() if one.angle is not None}
        self.existing = existing
        self.addition = add(before, self.loads, shares, self.source, self.site.supply, angle)
        self.line_parts = {phase: self._line_parts(phase) for phase in self.phases}
        self.currents = {phase: self._phase_current(phase) for phase in self.phases}
        return {channel: np.ascontiguousarray(self._channel(channel)) for channel in wanted if channel in block.values}

    def _mean_fundamental(self, number: int) -> Array:
        found = [np.abs(one) for one in self.addition.currents[number].values()]
        return np.asarray(np.mean(found, axis=0))

    def _line_parts(self, phase: str) -> dict[int, list[Array]]:
        """New amperes of each order in the line towards the supply, one array for each load."""
        parts: dict[int, list[Array]] = {}
        for order in self.orders:
            amplified = 1.0 if self.source is None else self.source.amplification(order)
            for number, load in enumerate(self.loads):
                if phase in load.phases:
                    own = np.abs(self.addition.currents[number][phase])
                    amperes = current_of(load, order, own, neutral=self.neutral)
                    if amperes is not None:
                        parts.setdefault(order, []).append(amperes * amplified)
        return parts

    def _volt_parts(self, where: str) -> dict[int, list[Array]]:
        """New volts of each order, line to neutral or line to line."""
        if where not in self._parts:
            self._parts[where] = self._new_volts(where)
        return self._parts[where]

    def _new_volts(self, where: str) -> dict[int, list[Array]]:
        assert self.source is not None
        parts: dict[int, list[Array]] = {}
        for order in self.orders:
            for number, load in enumerate(self.loads):
                amperes = current_of(load, order, self._mean_fundamental(number), neutral=self.neutral)
                if amperes is None:
                    continue
                if where in PAIRS:
                    ohms = line_voltage_ratio(load, order, PAIRS[where], self.source)
                else:
                    ohms = phase_voltage_ratio(load, order, where[0], self.source, neutral=self.neutral)
                if ohms:
                    parts.setdefault(order, []).append(amperes * ohms)
        return parts

    def _phase_current(self, phase: str) -> tuple[Array, Array, Array]:
        """Fundamental, square of the harmonic amperes, and true rms of a phase with the additions."""
        existing = self.existing[phase]
        new = self.addition.total(phase)
        direction = self.addition.before.phasors[phase] / np.abs(self.addition.before.phasors[phase])
        fundamental = existing.with_current(new * np.conj(direction))
        parts = self.line_parts[phase]
        harmonic = existing.harmonic_square(parts, self.law)
        return fundamental, harmonic, np.sqrt(np.square(fundamental) + harmonic)

    def _channel(self, channel: Channel) -> Array:
        assert self.block is not None
        values = np.asarray(self.block.values[channel], dtype=np.float64)
        quantity, phase = channel.quantity, channel.phase
        if quantity == "current" and phase == "n":
            return self._neutral(values, channel)
        if quantity.startswith("current"):
            return self._current_channel(channel, values)
        if quantity in ("active_power", "reactive_power", "apparent_power"):
            return self._power(channel, values)
        if quantity in ("voltage", "voltage_harmonic", "voltage_thd"):
            return self._voltage_channel(channel, values)
        return self._unbalance(quantity, values)

    def _current_channel(self, channel: Channel, values: Array) -> Array:
        phase = channel.phase or "a"
        existing = self.existing[phase]
        fundamental, _, rms = self.currents[phase]
        if channel.quantity == "current":
            by = conversion(channel.unit, "A")
            if channel.reading == "mean":
                return rms / by + 0 * values
            # Extremes within the interval move with the mean.
            return values + (rms - existing.rms) / by
        if channel.quantity == "current_harmonic":
            return existing.order_with(channel, values, self.line_parts[phase], fundamental, rms, self.law)
        if channel.quantity == "current_thd":
            square = existing.total_with(values / 100 * existing.fundamental, self.line_parts[phase], self.law)
            return np.asarray(100 * np.sqrt(square) / fundamental)
        pcc = self.site.pcc
        assert pcc is not None
        declared = pcc.maximum_demand_current if channel.quantity == "current_tdd" else pcc.rated_current
        base = float(declared or 0)
        recorded = self.recorded_demand if channel.quantity == "current_tdd" and self.recorded_demand else base
        square = existing.total_with(values / 100 * recorded, self.line_parts[phase], self.law)
        return np.asarray(100 * np.sqrt(square) / base)

    def _neutral(self, values: Array, channel: Channel) -> Array:
        """Measured neutral current, moved by what unbalance and triplens of the additions make of its estimate."""
        before, after = self._neutral_estimate(with_new=False), self._neutral_estimate(with_new=True)
        by = conversion(channel.unit, "A")
        square = np.square(values * by) + np.square(after) - np.square(before)
        return np.asarray(np.sqrt(np.maximum(square, 0)) / by)

    def _neutral_estimate(self, *, with_new: bool) -> Array:
        turns = {"a": 1 + 0j, "b": np.exp(-2j * np.pi / 3), "c": np.exp(2j * np.pi / 3)}
        if len(self.phases) < 3:
            turns = {"a": 1 + 0j, "b": -1 + 0j}
        fundamental = np.zeros(self.count, dtype=np.complex128)
        for phase in self.phases:
            existing = self.existing[phase]
            angle = np.zeros(self.count) if existing.angle is None else existing.angle
            fundamental = fundamental + existing.fundamental * np.exp(-1j * angle) * turns[phase]
            if with_new:
                fundamental = fundamental + self.addition.total(phase)
        triplens = [
            np.mean([self.existing[phase].order(order) for phase in self.phases], axis=0) for order in range(3, 50, 6)
        ]
        square = np.square(np.abs(fundamental)) + np.square(triplen_neutral_current(triplens))
        if with_new:
            square = square + total_square(self._neutral_parts(triplens), self.law, self.count)
            square = square - np.square(triplen_neutral_current(triplens))
        return np.asarray(np.sqrt(square))

    def _neutral_parts(self, triplens: Sequence[Array]) -> dict[int, list[Array]]:
        parts: dict[int, list[Array]] = {
            order: [3 * amperes] for order, amperes in zip(range(3, 50, 6), triplens, strict=True)
        }
        for order in self.orders:
            for number, load in enumerate(self.loads):
                amperes = current_of(load, order, self._mean_fundamental(number), neutral=self.neutral)
                ratio = neutral_ratio(load, order)
                if amperes is not None and ratio > 1e-9:
                    parts.setdefault(order, []).append(amperes * ratio)
        return parts

    def _power(self, channel: Channel, values: Array) -> Array:
        by = conversion(channel.unit, {"active_power": "W", "reactive_power": "var"}.get(channel.quantity, "VA"))
        phases = self.phases if channel.phase == "total" else (channel.phase or "a",)
        new = np.sum([self.addition.after[one] * np.conj(self.addition.total(one)) for one in phases], axis=0)
        if channel.quantity == "active_power":
            return np.asarray(values + new.real / by)
        if channel.quantity == "reactive_power":
            return np.asarray(values + new.imag / by)
        old_sum = np.sum([np.abs(self.addition.before.phasors[p]) * self.existing[p].rms for p in phases], axis=0)
        new_sum = np.sum([np.abs(self.addition.after[p]) * self.currents[p][2] for p in phases], axis=0)
        if all(self.existing[one].recorded for one in phases):
            return np.asarray(values + (new_sum - old_sum) / by)
        return np.asarray(values + np.abs(new) / by)

    def _volts(self, where: str) -> tuple[Array, Array]:
        """Fundamental voltage by the model before and after, at a phase to neutral or between lines."""
        if where in PAIRS:
            one, other = PAIRS[where]
            if other not in self.addition.after:
                return self._volts("an")
            before, after = self.addition.before.phasors, self.addition.after
            return np.abs(before[one] - before[other]), np.abs(after[one] - after[other])
        phase = where[0]
        return np.abs(self.addition.before.phasors[phase]), np.abs(self.addition.after[phase])

    def _voltage_channel(self, channel: Channel, values: Array) -> Array:
        where = channel.phase or "an"
        before, after = self._volts(where)
        ratio = after / before
        rms, thd = self._get("voltage", where), self._get("voltage_thd", where)
        first = self._get("voltage_harmonic", where, 1)
        nominal = float(self.site.supply.nominal(where) or 0)
        measured = rms if rms is not None else np.full(self.count, nominal)
        distortion = np.zeros(self.count) if thd is None else thd / 100
        fundamental = first if first is not None else fundamental_from_rms(measured, 0 if thd is None else thd)
        parts = self._volt_parts(where)
        if channel.quantity == "voltage":
            grown = np.square(distortion * fundamental) + total_square(parts, self.law, self.count)
            new_rms = np.sqrt(np.square(fundamental * ratio) + grown)
            old_rms = np.sqrt(np.square(fundamental) + np.square(distortion * fundamental))
            return np.asarray(values * new_rms / old_rms)
        scale = self._volt_scale(channel, fundamental, measured, nominal)
        if channel.quantity == "voltage_harmonic":
            order = channel.order or 1
            if order == 1:
                return np.asarray(values * ratio)
            volts = summed(values * scale, parts.get(order, ()), order, self.law)
            return np.asarray(volts / self._volt_scale(channel, fundamental * ratio, measured * ratio, nominal))
        recorded = {
            order: existing * self._volt_scale(self.keys[("voltage_harmonic", where, order, None, "mean")],
                                               fundamental, measured, nominal)
            for order in range(2, 51)
            if (existing := self._get("voltage_harmonic", where, order)) is not None
        }  # fmt: skip
        square = grown_square(np.square(values / 100 * fundamental), recorded, parts, self.law)
        return np.asarray(100 * np.sqrt(square) / (fundamental * ratio))

    def _volt_scale(self, channel: Channel, fundamental: Array, rms: Array, nominal: float) -> Array:
        """Volts for one unit of a voltage harmonic channel."""
        if channel.unit == "%":
            return fundamental / 100
        if channel.unit == "% of rms":
            return rms / 100
        if channel.unit == "% of nominal":
            return np.full(self.count, nominal / 100)
        return np.full(self.count, conversion(channel.unit, "V"))

    def _unbalance(self, quantity: str, values: Array) -> Array:
        """The recorded unbalance moved by the change of the modelled one; an upper bound where angles are unknown."""
        before, after = _sequences(self.addition, old=True), _sequences(self.addition, old=False)
        if quantity == "zero_sequence_unbalance":
            moved = np.abs(after[0] - before[0])
            return np.asarray((values * np.abs(before[1]) + 100 * moved) / np.abs(after[1]))
        lines_before, lines_after = (np.array(one) for one in zip(*(self._volts(pair) for pair in PAIRS), strict=True))
        if self.addition.before.angles:
            form = negative_sequence_unbalance if quantity == "negative_sequence_unbalance" else deviation_unbalance
            return np.maximum(values + form(*lines_after) - form(*lines_before), 0)
        moved = 100 * np.abs(after[2] - before[2]) / np.abs(after[1])
        return np.asarray(values + moved)


def grown_square(square: Array, recorded: Mapping[int, Array], parts: Parts, law: Law) -> Array:
    """Square of a total distortion with the additions.

    With recorded orders each is summed by the law; without any, the total of the additions is added arithmetically,
    the most it can be.
    """
    count = len(square)
    if not recorded:
        new = np.sqrt(total_square(parts, law, count))
        return np.asarray(np.square(np.sqrt(square) + new))
    for order, additions in parts.items():
        old = recorded.get(order, np.zeros(count))
        square = square + np.square(summed(old, additions, order, law)) - np.square(old)
    return square


def _sequences(addition: Addition, *, old: bool) -> NDArray[np.complex128]:
    volts = addition.before.phasors if old else addition.after
    return np.asarray(sequence_components(volts["a"], volts["b"], volts["c"]))
