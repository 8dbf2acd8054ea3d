"""What a block says about the current that flows already: fundamental, angle, orders, true rms of one phase."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from pqcheck.loads.series import Array, conversion
from pqcheck.loads.spectral import Law, summed, total_square
from pqcheck.physics.distortion import fundamental_from_rms
from pqcheck.recording import Channel

Get = Callable[..., Array | None]
Keys = Mapping[Any, Channel]
HIGHEST = 50


class ExistingCurrent:
    """The current of one phase in one block. Where it was not recorded it is zero and `recorded` is False."""

    def __init__(self, get: Get, keys: Keys, phase: str, count: int) -> None:
        self._get, self._keys, self._phase, self._count = get, keys, phase, count
        rms, first = get("current", phase), get("current_harmonic", phase, 1)
        thd = get("current_thd", phase)
        self.recorded = rms is not None or first is not None
        if first is not None:
            first = first * conversion(keys[("current_harmonic", phase, 1, None, "mean")].unit, "A")
        zero = np.zeros(count)
        base = rms if rms is not None else first if first is not None else zero
        self._has_orders = any(
            ("current_harmonic", phase, order, None, "mean") in keys for order in range(2, HIGHEST + 1)
        )
        if first is not None:
            self.fundamental = first
        elif thd is not None:
            self.fundamental = fundamental_from_rms(base, thd)
        else:
            self.fundamental = base
        self._orders: dict[int, Array] = {}
        self.rms = base
        if first is None and thd is None and self._has_orders and rms is not None:
            square = np.sum([np.square(self.order(order)) for order in self.orders()], axis=0)
            self.fundamental = np.sqrt(np.maximum(np.square(rms) - square, 0))
        self.angle = self._angle()

    def orders(self) -> list[int]:
        """Recorded orders from 2 on."""
        return [
            order for order in range(2, HIGHEST + 1)
            if ("current_harmonic", self._phase, order, None, "mean") in self._keys
        ]  # fmt: skip

    def order(self, order: int) -> Array:
        """Amperes of an order, zero where it was not recorded."""
        if order not in self._orders:
            values = self._get("current_harmonic", self._phase, order)
            self._orders[order] = (
                np.zeros(self._count) if values is None
                else values * self._scale(self._keys[("current_harmonic", self._phase, order, None, "mean")])
            )  # fmt: skip
        return self._orders[order]

    def _scale(self, channel: Channel) -> Array | float:
        if channel.unit == "%":
            return self.fundamental / 100
        if channel.unit == "% of rms":
            return self.rms / 100
        return conversion(channel.unit, "A")

    def _angle(self) -> Array | None:
        """Lag of the fundamental current: from the powers of the phase, else from the totals."""
        for phase in (self._phase, "total"):
            active, reactive = self._get("active_power", phase), self._get("reactive_power", phase)
            if active is not None and reactive is not None:
                return np.asarray(np.arctan2(reactive, active))
        return None

    def with_current(self, new: Any) -> Array:
        """Fundamental with new currents, given as phasors whose reference is the voltage of the phase.

        Without a measured angle the two are taken in phase where the new current flows in, the most they can be.
        """
        if self.angle is None:
            sign = np.where(np.real(new) >= 0, 1.0, -1.0)
            return np.asarray(np.abs(self.fundamental + sign * np.abs(new)))
        return np.asarray(np.abs(self.fundamental * np.exp(-1j * self.angle) + new))

    def harmonic_square(self, parts: Mapping[int, Sequence[Array]], law: Law) -> Array:
        """Square of all harmonic amperes with the additions; unrecorded ones that the rms shows are kept."""
        here = np.maximum(np.square(self.rms) - np.square(self.fundamental), 0)
        return self.total_with(np.sqrt(here), parts, law, orders_known=self._has_orders or not here.any())

    def total_with(
        self, amperes: Array, parts: Mapping[int, Sequence[Array]], law: Law, *, orders_known: bool | None = None
    ) -> Array:
        """Square of a total of harmonic amperes with the additions; arithmetic where the orders are not known."""
        if not (self._has_orders if orders_known is None else orders_known):
            return np.asarray(np.square(amperes + np.sqrt(total_square(parts, law, self._count))))
        square = np.square(amperes)
        for order, additions in parts.items():
            old = self.order(order)
            square = square + np.square(summed(old, additions, order, law)) - np.square(old)
        return np.asarray(square)

    def order_with(
        self,
        channel: Channel,
        values: Array,
        parts: Mapping[int, Sequence[Array]],
        fundamental: Array,
        rms: Array,
        law: Law,
    ) -> Array:
        """An order with the additions, in the unit of its channel."""
        order = channel.order or 1
        if order == 1:
            return fundamental / conversion(channel.unit, "A") + 0 * values
        amperes = summed(values * self._scale(channel), parts.get(order, ()), order, law)
        if channel.unit == "%":
            return np.asarray(100 * amperes / fundamental)
        if channel.unit == "% of rms":
            return np.asarray(100 * amperes / rms)
        return np.asarray(amperes / conversion(channel.unit, "A"))
