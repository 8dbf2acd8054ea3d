"""What a block says about one current or voltage as it flows or stands already: fundamental, harmonics, true rms."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.channels import Array, Arrays, conversion, harmonic_scale, values_in
from pqcheck.loads.harmonics import Law, Part, Parts, grown_square, summed, total_square
from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.recording import Channel
from pqcheck.physics.distortion import fundamental_from_rms

POWERS_CLOSE = 0.01
"""Powers and the product of voltage and current of a phase agree to this share (house threshold)."""

UNITS = {
    "voltage": "V", "voltage_harmonic": "V", "current": "A", "current_harmonic": "A",
    "active_power": "W", "reactive_power": "var", "apparent_power": "VA",
}  # fmt: skip


class Readings:
    """The mean readings of a block by quantity, phase and order, shape (count,), in V, A, W, var, VA or per cent."""

    def __init__(self, arrays: Arrays) -> None:
        self._arrays = arrays
        self._channels = {channel.key: channel for channel in arrays}

    def get(self, quantity: str, phase: str | None) -> Array | None:
        """The values of a quantity without orders, None where it was not recorded."""
        channel = self._channels.get((quantity, phase, None, None, "mean"))
        return None if channel is None else values_in(self._arrays, channel, UNITS.get(quantity, channel.unit or "1"))

    def orders(self, quantity: str, phase: str) -> dict[int, Channel]:
        """The channels of the harmonics recorded, from order 1 on."""
        channels = {
            order: self._channels.get((f"{quantity}_harmonic", phase, order, None, "mean"))
            for order in range(1, HIGHEST_ORDER + 1)
        }
        return {order: channel for order, channel in channels.items() if channel is not None}

    def values(self, channel: Channel) -> Array:
        """The readings of a channel in its own unit."""
        return np.asarray(self._arrays[channel], dtype=np.float64)


class Waveform:
    """One current or voltage in one block, in A or V, shape (count,). `nominal` stands where it was not recorded."""

    def __init__(self, readings: Readings, quantity: str, phase: str, count: int, nominal: float = 0.0) -> None:
        self.quantity, self.phase, self.nominal, self.unit = quantity, phase, nominal, UNITS[quantity]
        rms, thd = readings.get(quantity, phase), readings.get(f"{quantity}_thd", phase)
        self._readings, self._harmonics = readings, readings.orders(quantity, phase)
        self.recorded = rms is not None or 1 in self._harmonics
        self._zero = np.zeros(count)
        self._orders: dict[int, Array] = {}
        self.distortion = self._zero if thd is None else thd / 100
        first = None
        if nominal and rms is not None:
            rms = np.where(np.isnan(rms), nominal, rms)
        self.fundamental_known = thd is not None or 1 in self._harmonics
        """Else the fundamental is what recorded orders leave of the rms at most: other orders may hide in it."""
        if 1 in self._harmonics:
            channel = self._harmonics.pop(1)
            first = readings.values(channel) * conversion(channel.unit, self.unit)
        self.rms = rms if rms is not None else first if first is not None else np.full(count, nominal)
        self.growth: Array | float = 1.0
        """By what the orders are multiplied where loads draw more at a lower voltage (the strict bound)."""
        self.reshaped: Callable[[int, Array], Array] | None = None
        """What a new capacitor bank makes of an order that is there, in A or V."""
        self.fundamental = self.rms
        if first is not None:
            self.fundamental = first
        elif thd is not None:
            self.fundamental = fundamental_from_rms(self.rms, thd)
        elif self._harmonics and rms is not None and quantity == "current":
            recorded = [(channel.unit, readings.values(channel)) for channel in self._harmonics.values()]
            self.fundamental = fundamental_beside_orders(rms, recorded)
        self._incomplete = np.isnan(self.fundamental) & ~np.isnan(self.rms)
        """Intervals whose rms is there while what tells the fundamental is missing: as if that were not recorded."""
        self.fundamental = np.where(self._incomplete, self.rms, self.fundamental)
        self.distortion = np.nan_to_num(self.distortion)

    @property
    def has_orders(self) -> bool:
        """Whether any order from 2 on was recorded."""
        return bool(self._harmonics)

    def order(self, order: int) -> Array:
        """Amperes or volts of an order from 2 on as it will be before anything new flows, zero where not recorded."""
        if order not in self._orders:
            channel = self._harmonics.get(order)
            amount = self._zero if channel is None else self._amount(channel)
            # What a bank makes of an order that is missing stays unknown.
            self._orders[order] = np.nan_to_num(amount) if self.reshaped is None else amount
        return self._orders[order]

    @cached_property
    def orders_missing(self) -> NDArray[np.bool_]:
        """Intervals without a reading of some order that was recorded in others."""
        readings = [np.isnan(self._readings.values(channel)) for channel in self._harmonics.values()]
        return np.any(readings, axis=0) if readings else np.zeros(len(self._zero), dtype=bool)

    def recorded_order(self, order: int) -> Array | None:
        """Amperes or volts of an order from 2 on as recorded, None where it was not."""
        channel = self._harmonics.get(order)
        return None if channel is None else self._readings.values(channel) * self.scale(channel)

    def _amount(self, channel: Channel) -> Array:
        amount = np.asarray(self._readings.values(channel) * self.scale(channel) * self.growth)
        return amount if self.reshaped is None else self.reshaped(channel.order or 1, amount)

    def scale(self, channel: Channel, by: Array | float = 1.0) -> Array | float:
        """Amperes or volts of one unit of a harmonic channel, once the fundamental is `by` times as large."""
        return harmonic_scale(channel, self.unit, self.fundamental * by, self.rms * by, self.nominal)

    def total_with(self, total: Array, parts: Parts, law: Law, *, orders_known: bool | None = None) -> Array:
        """Square of a total of harmonics, in A or V, with the additions; arithmetic where the orders are not known."""
        known = self.has_orders if orders_known is None else orders_known
        recorded = {order: self.order(order) for order in self._harmonics} if known else None
        square = self._reshaped(total)
        grown = grown_square(square, recorded, parts, law)
        missing = self.orders_missing
        return np.where(missing, grown_square(np.where(missing, square, 0), None, parts, law), grown)

    def _reshaped(self, total: Array) -> Array:
        """Square of a total as it will be before anything new flows."""
        square = np.square(total * self.growth)
        if self.reshaped is not None:
            for order, channel in self._harmonics.items():
                recorded = self._readings.values(channel) * self.scale(channel) * self.growth
                square = square + np.square(self.order(order)) - np.square(recorded)
        return np.asarray(square)

    def rms_with(self, fundamental: Array, new: Array, parts: Parts, law: Law) -> Array:
        """True rms with the additions; `fundamental` is that of both together, `new` that of the additions alone.

        An interval without the orders (or THD) of the others is taken by its rms alone.
        """
        if law == "arithmetic" and not self.fundamental_known:
            result = self._rms_at_most(fundamental, new, parts)
        else:
            here = np.sqrt(np.maximum(np.square(self.rms) - np.square(self.fundamental), 0))
            known = self.has_orders or not here.any()
            result = np.sqrt(np.square(fundamental) + self.total_with(here, parts, law, orders_known=known))
        brought = total_square(parts, law, len(new))
        whole = np.sqrt(np.square(fundamental) + brought)
        if law == "arithmetic":
            whole = self.rms * self.growth + np.sqrt(np.square(new) + brought)
        # What a new bank makes of orders that are missing stays unknown.
        unseen = self._incomplete | np.isnan(result) if self.reshaped is None else np.zeros_like(result, dtype=bool)
        return np.asarray(np.where(unseen, whole, result))

    def _rms_at_most(self, fundamental: Array, new: Array, parts: Parts) -> Array:
        """The largest true rms with the additions where only the rms, and maybe some orders, are known.

        What the recorded orders leave of the rms may be fundamental or any other order, divided so that most of it is
        in phase with what is new: two currents of one waveform add up to the sum of their rms. `fundamental` is that of
        both together were all of the rest fundamental, `new` that of the additions alone.
        """
        own = self.fundamental * self.growth
        square, beside = self._reshaped(self.rms) + np.square(new), np.square(own)
        with_rest, apart, elsewhere = (np.square(fundamental) - np.square(own) - np.square(new)) / 2, *[self._zero] * 2
        for order, part in parts.items():
            amount = summed(self._zero, part, order, "arithmetic")
            square = square + np.square(amount)
            if order not in self._harmonics:
                elsewhere = elsewhere + np.square(amount)
            elif self._harmonics[order].unit == "%":
                with_rest = with_rest + self.order(order) * amount
            else:
                apart = apart + self.order(order) * amount
        # Orders in percent grow and shrink with the fundamental.
        for order, channel in self._harmonics.items():
            beside = beside + np.square(self.order(order)) * (channel.unit == "%")
        hidden = np.sqrt(beside * elsewhere)
        in_phase = np.where(with_rest < 0, with_rest + hidden, np.hypot(with_rest, hidden))
        return np.asarray(np.sqrt(np.maximum(square + 2 * (apart + in_phase), 0)))

    def order_with(self, channel: Channel, parts: Parts, law: Law) -> Array:
        """Amperes or volts of the order of a channel with the additions."""
        order = channel.order or 1
        return summed(self._amount(channel), parts.get(order, Part()), order, law)


def fundamental_beside_orders(rms: Array, orders: Sequence[tuple[str, Array]]) -> Array:
    """The fundamental of a current whose true rms and orders (unit, readings) are known: I^2 = I1^2 + sum of Ih^2.

    In percent of the fundamental I1 = I / sqrt(1 + sum of p^2). Orders that were not recorded make it an upper bound.
    """
    ratio, absolute = np.ones(len(rms)), np.square(rms)
    for unit, values in orders:
        if unit == "%":
            ratio = ratio + np.square(values / 100)
        elif unit == "% of rms":
            absolute = absolute - np.square(values / 100 * rms)
        else:
            absolute = absolute - np.square(values * conversion(unit, "A"))
    return np.asarray(np.sqrt(np.maximum(absolute, 0) / ratio))


def angle_doubtful(
    readings: Readings, phase: str, volts: Array, fundamental: Array, *, alone: bool
) -> NDArray[np.bool_]:
    """Where the powers do not show the angle of the fundamental current of a phase: the bound takes the worst one.

    The total of several phases (not `alone`) is none of theirs, and powers of more volt-amperes than the fundamental
    has hold distortion, so that the reactive one is not of the fundamental.
    """
    active, reactive = readings.get("active_power", phase), readings.get("reactive_power", phase)
    if active is None or reactive is None:
        return np.full(len(volts), not alone)
    return np.asarray(np.hypot(active, reactive) > (1 + POWERS_CLOSE) * volts * fundamental)


def lag_of(readings: Readings, phase: str, volts: Array, fundamental: Array) -> Array | None:
    """Lag in radians of the fundamental current: from the powers of the phase, else from the totals; None unknown.

    Powers of more volt-amperes than the fundamental has (`volts` and amperes of it) hold distortion in the reactive one
    (Q = sqrt(S^2 - P^2)): the angle is then that of the active power, cos = P / (V I1), the side that of the reactive.
    """
    for place in (phase, "total"):
        active, reactive = readings.get("active_power", place), readings.get("reactive_power", place)
        if active is None or reactive is None:
            continue
        lag, most = np.asarray(np.arctan2(reactive, active)), volts * fundamental
        if place == "total":
            return lag
        beyond = np.hypot(active, reactive) > (1 + POWERS_CLOSE) * most
        cosine = np.clip(np.divide(active, most, out=np.ones_like(most), where=most > 0), -1, 1)
        return np.asarray(np.where(beyond, np.copysign(np.arccos(cosine), reactive), lag))
    return None
