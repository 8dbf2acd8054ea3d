"""Readings that are only a bound (``>600``, ``OL``, ``<0.5``): which results they bound, and from which side.

A bound proves what it proves whatever the truth is: at least 260 V is above 253 V, at most 2 % is within 8 %. Where it
leaves the side of the limit open, the interval counts as missing (docs/method/proof.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.derive.formulas import Formula
from pqcheck.judge.compare_with_limit import LimitBand
from pqcheck.model.recording import Block, Channel
from pqcheck.stats.series_passes import Product

Mask = NDArray[np.bool_] | None
Slots = NDArray[np.int64]

NO_SLOTS: Slots = np.empty(0, np.int64)


class BoundMasks(NamedTuple):
    """Where the truth may be more (`lower`), or less (`upper`), than the value; None where it nowhere is."""

    lower: Mask
    upper: Mask


class BoundedReadings(NamedTuple):
    """The marks of one block, by channel."""

    lower: Mapping[Channel, NDArray[np.bool_]]
    upper: Mapping[Channel, NDArray[np.bool_]]

    def of(self, formula: Formula) -> BoundMasks:
        """Where the result of a formula is only a bound: of both sides where it does not grow with a marked input."""
        lower: Mask = None
        upper: Mask = None
        for channel in formula.inputs:
            more, less = self.lower.get(channel), self.upper.get(channel)
            if channel not in formula.grows_with:
                more = less = either(more, less)
            lower, upper = either(lower, more), either(upper, less)
        return BoundMasks(lower, upper)


def bounded_readings(block: Block) -> BoundedReadings | None:
    """The marks of a block; None where every reading is a value."""
    if not block.lower_bounds and not block.upper_bounds:
        return None
    return BoundedReadings(block.lower_bounds, block.upper_bounds)


def either(first: Mask, second: Mask) -> Mask:
    """Where one of two masks is set."""
    if first is None or second is None:
        return second if first is None else first
    return first | second


def without_marked(product: Product, mask: Mask) -> Product:
    """The product with no value where the mask is set."""
    if mask is None:
        return product
    return Product(np.where(mask, np.nan, product.values()))


class SlotBounds(NamedTuple):
    """Slots whose value is only a bound: where the truth may be more (`lower`), or less (`upper`), ascending."""

    lower: Slots
    upper: Slots

    def cut(self, first: int, last: int) -> SlotBounds:
        """Those from `first` to before `last`, counted from `first`."""
        return SlotBounds(*(slots[(slots >= first) & (slots < last)] - first for slots in self))


def unsettled(values: NDArray[Any], bounds: SlotBounds, band: LimitBand) -> Slots:
    """Slots of `values` whose bound does not show whether they lie inside or outside."""
    at = np.union1d(bounds.lower, bounds.upper)
    # A limit that is none settles nothing, and what is displayed without one is to be a value.
    if band.low is None and band.high is None:
        return at
    low = np.asarray(values[at], np.float64)
    high = low.copy()
    low[np.isin(at, bounds.upper)] = -np.inf
    high[np.isin(at, bounds.lower)] = np.inf
    left: Slots = at[~(band.outside(low, high) | band.inside(low, high))]
    return left


def settled(values: NDArray[Any], masks: BoundMasks, band: LimitBand) -> NDArray[Any]:
    """The values, with none where a bound does not show whether it lies inside or outside."""
    at = unsettled(values, SlotBounds(*(NO_SLOTS if one is None else np.flatnonzero(one) for one in masks)), band)
    return without(Product(values), at)[0].values()


def without(product: Product, at: Slots) -> tuple[Product, int]:
    """The product with no value at some slots, and how many of these had one."""
    if not len(at):
        return product, 0
    values = np.array(product.values())
    had = int(np.count_nonzero(~np.isnan(values[at])))
    values[at] = np.nan
    return Product(values), had


class BoundedSlots:
    """Bounded slots of series on one time line, kept until the tallies ask for them."""

    def __init__(self, first_member: int, members: int) -> None:
        self._first, self._members = first_member, members
        self._fed = 0
        self._of: dict[int, SlotBounds] = {}

    def feed(self, readings: BoundedReadings | None, formulas: list[Formula], size: int) -> None:
        """The marks of the next `size` recorded intervals; `formulas` are those of the series, in their order."""
        if readings is not None:
            for row, formula in enumerate(formulas):
                slots = SlotBounds(*(self.slots(mask) for mask in readings.of(formula)))
                if len(slots.lower) or len(slots.upper):
                    self._of[row] = SlotBounds(*(np.union1d(a, b) for a, b in zip(self.of(row), slots, strict=True)))
        self._fed += size

    def slots(self, mask: Mask) -> Slots:
        """Slots that hold a marked interval of the next ones: one bounded member bounds the aggregate."""
        if mask is None:
            return NO_SLOTS
        members = np.flatnonzero(mask) + self._fed - self._first
        slots: Slots = np.unique(members[members >= 0] // self._members)
        return slots

    def of(self, row: int) -> SlotBounds:
        """All bounded slots of one series that were not taken."""
        return self._of.get(row, SlotBounds(NO_SLOTS, NO_SLOTS))

    def take(self, first: int, last: int) -> dict[int, SlotBounds]:
        """Bounded slots from `first` to before `last`, counted from there, by series; those before are let go."""
        taken = {}
        for row, slots in list(self._of.items()):
            part = slots.cut(first, last)
            if len(part.lower) or len(part.upper):
                taken[row] = part
            rest = SlotBounds(*(side[side >= last] for side in slots))
            if len(rest.lower) or len(rest.upper):
                self._of[row] = rest
            else:
                del self._of[row]
        return taken
