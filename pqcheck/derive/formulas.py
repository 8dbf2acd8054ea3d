"""How one array of a judged quantity is computed from the recorded arrays of one block.

Each formula is a value: its input channels, its unit, and `compute`. The arithmetic itself lives in
`pqcheck.physics` where it is documented and checked; here it is only bound to channels.
Results of arithmetic are float64; a recorded array is passed on untouched, in its own width.
"""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping
from decimal import Decimal
from typing import Any, Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.recording import Channel
from pqcheck.model.units import factor
from pqcheck.physics.distortion import (
    fundamental_from_rms,
    percent_of_fundamental,
    percent_times_base,
    share_of_nominal,
    total_distortion,
)
from pqcheck.physics.unbalance import deviation_unbalance, negative_sequence_unbalance
from pqcheck.stats.series_passes import Product

Arrays = Mapping[Channel, NDArray[Any]]
Scratch = MutableMapping[Any, NDArray[Any]]
"""Squared sums and fundamentals of the current block, kept until the block is let go."""


class Formula(Protocol):
    """What a source needs to know of a formula."""

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels the formula reads."""

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """Inputs of which a larger value never makes the result smaller: a bound of them bounds the result."""

    @property
    def unit(self) -> str:
        """Unit of the result."""

    @property
    def arithmetic(self) -> bool:
        """False only for a recorded array passed on untouched."""

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """The result for one block; NaN where an input is missing."""


def product_of(formula: Formula, arrays: Arrays, scratch: Scratch) -> Product:
    """What `formula` gives for one block."""
    if isinstance(formula, PercentOfNominal):
        return Product(arrays[formula.channel], formula.share(arrays, scratch))
    return Product(formula.compute(arrays, scratch))


def _canonical(arrays: Arrays, channel: Channel, unit: str) -> NDArray[Any]:
    """The array in `unit`, float64; a copy only where a factor is needed."""
    by = factor(channel.unit, unit)
    values = np.asarray(arrays[channel], dtype=np.float64)
    return values if by == 1 else values * float(by)


class Recorded(Struct, frozen=True):
    """The channel as it was recorded."""

    channel: Channel

    arithmetic = False

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """The channel itself."""
        return (self.channel,)

    @property
    def unit(self) -> str:
        """The unit of the file."""
        return self.channel.unit

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """The channel itself."""
        return (self.channel,)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """The array of the block, untouched."""
        return arrays[self.channel]


class Fundamental(Struct, frozen=True):
    """Fundamental rms of a voltage or current: ``.h1`` where recorded, else from rms and distortion, else the rms.

    ``I1 = I / sqrt(1 + THD^2)`` (IEEE 1459-2010: I^2 = I1^2 + IH^2). `unit` is V or A. Without a recorded distortion
    it is formed from the `orders` in percent of the fundamental; those that are missing make it an upper bound.
    """

    unit: str
    first: Channel | None = None
    rms: Channel | None = None
    thd: Channel | None = None
    orders: tuple[Channel, ...] = ()

    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read."""
        return (*(channel for channel in (self.first, self.rms, self.thd) if channel is not None), *self.orders)

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """All but the distortion, which is taken out of the rms."""
        return tuple(channel for channel in (self.first, self.rms) if channel is not None)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Fundamental in `unit`."""
        values = scratch.get(self)
        if values is None:
            channel = self.first or self.rms
            assert channel is not None
            values = _canonical(arrays, channel, self.unit)
            if self.first is None and self.thd is not None:
                values = fundamental_from_rms(values, arrays[self.thd])
            elif self.first is None and self.orders:
                square = np.zeros(len(values))
                for order in self.orders:
                    square += np.square(arrays[order], dtype=np.float64)
                values = fundamental_from_rms(values, np.sqrt(square))
            scratch[self] = values
        return values


class PercentOfNominal(Struct, frozen=True):
    """A distortion in percent of the fundamental, times the measured fundamental, over the nominal voltage."""

    channel: Channel
    fundamental: Fundamental
    nominal: Decimal

    unit = "% of nominal"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read."""
        return (self.channel, *self.fundamental.inputs)

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """The distortion, and what the fundamental grows with."""
        return (self.channel, *self.fundamental.grows_with)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent of nominal."""
        result: NDArray[Any] = np.multiply(arrays[self.channel], self.share(arrays, scratch), dtype=np.float64)
        return result

    def share(self, arrays: Arrays, scratch: Scratch) -> NDArray[np.float64]:
        """Fundamental over nominal voltage."""
        # By identity: to hash a fundamental for every order and block would cost more than the division.
        key = (id(self.fundamental), self.nominal)
        share = scratch.get(key)
        if share is None:
            share = scratch[key] = share_of_nominal(self.fundamental.compute(arrays, scratch), float(self.nominal))
        return share


class PercentAtVoltage(Struct, frozen=True):
    """A distortion in percent of the fundamental at an assumed voltage, for bounds where no voltage was recorded."""

    channel: Channel
    voltage_percent: Decimal

    unit = "% of nominal"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """The channel itself."""
        return (self.channel,)

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """The channel itself."""
        return (self.channel,)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent of nominal."""
        share = float(self.voltage_percent / 100)
        result: NDArray[Any] = np.multiply(arrays[self.channel], share, dtype=np.float64)
        return result


class PercentOfFundamental(Struct, frozen=True):
    """An order recorded in volts or amperes, in percent of the fundamental."""

    channel: Channel
    fundamental: Fundamental

    unit = "%"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read."""
        return (self.channel, *self.fundamental.inputs)

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """The order, not the fundamental it is divided by."""
        return (self.channel,)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent of the fundamental."""
        values = _canonical(arrays, self.channel, self.fundamental.unit)
        return percent_of_fundamental(values, self.fundamental.compute(arrays, scratch))


class PercentTimesBase(Struct, frozen=True):
    """A distortion or order in percent of one base, brought to another: ``y x base / other``.

    With a demand current as `other` it is percent of that current (``TDD = THD x I1 / IL``, per interval, before any
    aggregation, IEEE 519), with 100 amperes.
    """

    channel: Channel
    base: Fundamental
    other: Decimal
    unit: str

    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read, each once."""
        return tuple(dict.fromkeys((self.channel, *self.base.inputs)))

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """The percentage, and what the base grows with (y / sqrt(1 + y^2) grows with y)."""
        return (self.channel, *self.base.grows_with)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent of the other base, or amperes."""
        return percent_times_base(arrays[self.channel], self.base.compute(arrays, scratch), float(self.other))


def _add_square(
    total: NDArray[np.float64], product: Product, by: float, square: NDArray[np.float64]
) -> None:
    """Add the square of the values, each times `by`, to `total`; `square` is room that is used again."""
    if product.factor is None:
        square[:] = product.members
    else:
        np.multiply(product.members, product.factor, out=square, dtype=np.float64)
    if by != 1:
        square *= by
    square *= square
    total += square


class RootSumSquare(Struct, frozen=True):
    """Total distortion from orders: the root of the sum of squares of the parts, in percent of `base`.

    Parts in percent have the base 100; parts in amperes with a demand current as base give TDD.
    """

    parts: tuple[Formula, ...]
    part_unit: str
    base: Decimal = Decimal(100)

    unit = "%"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read, each once."""
        return tuple(dict.fromkeys(channel for part in self.parts for channel in part.inputs))

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """Inputs with which every part grows that reads them."""
        against = {channel for part in self.parts for channel in part.inputs if channel not in part.grows_with}
        return tuple(channel for channel in self.inputs if channel not in against)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent; NaN where any part is missing."""
        key = ("squares", self.parts)
        total = scratch.get(key)
        if total is None:
            for part in self.parts:
                product = product_of(part, arrays, scratch)
                if total is None:
                    total = np.zeros(len(product.members))
                    square = np.empty_like(total)
                _add_square(total, product, float(factor(part.unit, self.part_unit)), square)
            assert total is not None
            scratch[key] = total
        return total_distortion(total, float(self.base))


class Combined(Struct, frozen=True):
    """The values of several sources of one quantity on one grid, already formed and in the unit of the finding."""

    channel: Channel
    arithmetic: bool
    """Whether any of them came out of arithmetic."""
    single: bool
    """Whether any of them was formed from float32 values."""
    of: tuple[Formula, ...]

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """The channel that the values are held under, for as long as judging takes."""
        return (self.channel,)

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """The channel itself."""
        return (self.channel,)

    @property
    def unit(self) -> str:
        """The unit of the finding."""
        return self.channel.unit

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """The values."""
        return arrays[self.channel]


class Unbalance(Struct, frozen=True):
    """Voltage unbalance from the magnitudes of three line-to-line voltages."""

    lines: tuple[Channel, Channel, Channel]
    negative_sequence: bool

    unit = "%"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """The three line-to-line voltages."""
        return self.lines

    @property
    def grows_with(self) -> tuple[Channel, ...]:
        """None: a larger voltage may bring the three nearer to each other."""
        return ()

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent."""
        ab, bc, ca = (_canonical(arrays, line, "V") for line in self.lines)
        if self.negative_sequence:
            return negative_sequence_unbalance(ab, bc, ca)
        return deviation_unbalance(ab, bc, ca)
