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

from pqcheck.passes import Stretch, add_squares
from pqcheck.physics.distortion import fundamental_from_rms
from pqcheck.physics.unbalance import deviation_unbalance, negative_sequence_unbalance
from pqcheck.recording import Channel
from pqcheck.units import factor

Arrays = Mapping[Channel, NDArray[Any]]
Product = tuple[NDArray[Any], NDArray[np.float64] | None]
Scratch = MutableMapping[Any, NDArray[Any]]
"""Squared sums and fundamentals of the current block, kept until the block is let go."""

_TOGETHER = 16
"""Orders that are squared and added in one call: where they must be formed first, more would take memory."""


class Formula(Protocol):
    """What a source needs to know of a formula."""

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels the formula reads."""

    @property
    def unit(self) -> str:
        """Unit of the result."""

    @property
    def arithmetic(self) -> bool:
        """False only for a recorded array passed on untouched."""

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """The result for one block; NaN where an input is missing."""


def product_of(formula: Formula, arrays: Arrays, scratch: Scratch) -> Product:
    """What `formula` gives for one block as members and factor, so that a product need not be stored to be counted."""
    if isinstance(formula, PercentOfNominal):
        return arrays[formula.channel], formula.share(arrays, scratch)
    return formula.compute(arrays, scratch), None


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

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """The array of the block, untouched."""
        return arrays[self.channel]


class Fundamental(Struct, frozen=True):
    """Fundamental rms of a voltage or current: ``.h1`` where recorded, else from rms and distortion, else the rms.

    ``I1 = I / sqrt(1 + THD^2)`` (IEEE 1459-2010: I^2 = I1^2 + IH^2). `unit` is V or A.
    """

    unit: str
    first: Channel | None = None
    rms: Channel | None = None
    thd: Channel | None = None

    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read."""
        return tuple(channel for channel in (self.first, self.rms, self.thd) if channel is not None)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Fundamental in `unit`."""
        found = scratch.get(self)
        if found is None:
            if self.first is not None:
                found = _canonical(arrays, self.first, self.unit)
            elif self.thd is not None and self.rms is not None:
                found = fundamental_from_rms(
                    _canonical(arrays, self.rms, self.unit), np.asarray(arrays[self.thd], float)
                )
            else:
                assert self.rms is not None
                found = _canonical(arrays, self.rms, self.unit)
            scratch[self] = found
        return found


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
            share = self.fundamental.compute(arrays, scratch) / float(self.nominal)
            scratch[key] = share
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

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent of the fundamental."""
        values = _canonical(arrays, self.channel, self.fundamental.unit)
        base = self.fundamental.compute(arrays, scratch)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(base > 0, 100.0 * values / base, np.nan)


class AmperesFromPercent(Struct, frozen=True):
    """An order recorded in percent of the fundamental, or of the rms current, in amperes."""

    channel: Channel
    base: Fundamental | Recorded

    unit = "A"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read."""
        return (self.channel, *self.base.inputs)

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Amperes."""
        if isinstance(self.base, Recorded):
            amperes = _canonical(arrays, self.base.channel, "A")
        else:
            amperes = self.base.compute(arrays, scratch)
        result: NDArray[Any] = np.multiply(arrays[self.channel], amperes, dtype=np.float64) / 100.0
        return result


class RootSumSquare(Struct, frozen=True):
    """Total distortion from orders: the root of the sum of squares of the parts, times `percent_of` if given.

    Parts in percent give percent; parts in amperes with `percent_of` amperes give percent of that current (TDD).
    """

    parts: tuple[Formula, ...]
    part_unit: str
    percent_of: Decimal | None = None

    unit = "%"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read, each once."""
        return tuple(dict.fromkeys(channel for part in self.parts for channel in part.inputs))

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent; NaN where any part is missing."""
        key = ("squares", self.parts)
        total = scratch.get(key)
        if total is None:
            for first in range(0, len(self.parts), _TOGETHER):
                some = self.parts[first : first + _TOGETHER]
                stretches = [Stretch(*product_of(part, arrays, scratch)) for part in some]
                if total is None:
                    total = np.zeros(stretches[0].size)
                add_squares(total, stretches, [float(factor(part.unit, self.part_unit)) for part in some])
            assert total is not None
            scratch[key] = total
        scale = 1.0 if self.percent_of is None else 100.0 / float(self.percent_of)
        return np.sqrt(total) * scale


class DemandDistortion(Struct, frozen=True):
    """TDD from THD of the current: ``TDD = THD x I1 / IL``, per interval, before any aggregation (IEEE 519)."""

    thd: Channel
    fundamental: Fundamental
    demand: Decimal

    unit = "%"
    arithmetic = True

    @property
    def inputs(self) -> tuple[Channel, ...]:
        """Channels read, each once."""
        return tuple(dict.fromkeys((self.thd, *self.fundamental.inputs)))

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent of the demand current."""
        fundamental = self.fundamental.compute(arrays, scratch)
        result: NDArray[Any] = np.multiply(arrays[self.thd], fundamental, dtype=np.float64) / float(self.demand)
        return result


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

    def compute(self, arrays: Arrays, scratch: Scratch) -> NDArray[Any]:
        """Percent."""
        ab, bc, ca = (_canonical(arrays, line, "V") for line in self.lines)
        if self.negative_sequence:
            return negative_sequence_unbalance(ab, bc, ca)
        return deviation_unbalance(ab, bc, ca)
