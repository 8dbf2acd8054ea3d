"""The sum of squares of the orders against the recorded total distortion; orders that are zero all the time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.physics.distortion import (
    fundamental_from_rms,
    percent_of_fundamental,
    thd_f_from_thd_r,
    thd_r_from_thd_f,
)
from pqcheck.quantities import HIGHEST_ORDER
from pqcheck.recording import Channel
from pqcheck.units import factor
from pqcheck.vetting.middle import median
from pqcheck.vetting.outcome import Outcome, Subject
from pqcheck.vetting.tally import Tally
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]

SAMPLES_PER_CHUNK = 48
PERCENT = ("%", "% of nominal", "% of rms")
"""Units of orders that need no base to be compared with a distortion in percent."""

PARTNERS = {"voltage_harmonic": ("voltage_thd", "voltage"), "current_harmonic": ("current_thd", "current")}


class _Group(Struct):
    quantity: str
    phase: str | None
    unit: str
    orders: dict[int, Channel]
    first: Channel | None
    thd: Channel | None
    rms: Channel | None
    squares: list[Array] = field(default_factory=list)
    firsts: list[Array] = field(default_factory=list)
    thds: list[Array] = field(default_factory=list)
    rmss: list[Array] = field(default_factory=list)


class SpectrumSamples:
    """Samples of the root of the sum of squares, the THD and the base while the data pass by."""

    def __init__(self, channels: Iterable[Channel]) -> None:
        means = [channel for channel in channels if channel.reading == "mean"]
        by_key = {(channel.quantity, channel.phase): channel for channel in means if channel.order is None}
        found: dict[tuple[str, str | None], dict[int, Channel]] = {}
        for channel in means:
            if channel.quantity in PARTNERS and channel.order is not None:
                found.setdefault((channel.quantity, channel.phase), {})[channel.order] = channel
        self.groups: list[_Group] = []
        for (quantity, phase), orders in found.items():
            higher = {order: channel for order, channel in orders.items() if 2 <= order <= HIGHEST_ORDER}
            units = {channel.unit for channel in higher.values()}
            thd, rms = (by_key.get((partner, phase)) for partner in PARTNERS[quantity])
            if higher:
                unit = units.pop() if len(units) == 1 else ""
                self.groups.append(_Group(quantity, phase, unit, higher, orders.get(1), thd, rms))

    def take(self, slot: int, values: Mapping[Channel, Array]) -> None:
        """Sample one chunk."""
        for group in self.groups:
            thd = values.get(group.thd) if group.thd else None
            if thd is None or not group.unit:
                continue
            step = max(1, thd.size // SAMPLES_PER_CHUNK)
            total = np.zeros(thd[::step].size)
            for channel in group.orders.values():
                array = values.get(channel)
                if array is not None:
                    few = np.asarray(array[::step], np.float64)
                    total += few * few
            group.squares.append(total)
            group.thds.append(np.array(thd[::step], np.float64))
            if group.unit in PERCENT:
                continue
            for base, kept in ((group.first, group.firsts), (group.rms, group.rmss)):
                array = values.get(base) if base else None
                kept.append(np.array(array[::step], np.float64) if array is not None else np.full(total.size, np.nan))


def distortion_of_orders(group: _Group) -> tuple[Array, Array]:
    """Root of the sum of squares in percent of the fundamental, and the recorded THD [%], sample by sample."""
    root = np.sqrt(np.concatenate(group.squares))
    thd = np.concatenate(group.thds)
    if group.unit == "% of rms":
        return thd_f_from_thd_r(np.minimum(root, 99.0)), thd
    if group.unit in PERCENT:
        # Percent of nominal differs from percent of the fundamental by the voltage's own few percent.
        return root, thd
    first = np.concatenate(group.firsts) * (_same_unit(group.first, group.unit) if group.first else 1.0)
    if np.isnan(first).all() and group.rms is not None:
        rms = np.concatenate(group.rmss) * _same_unit(group.rms, group.unit)
        first = fundamental_from_rms(rms, thd)
    return percent_of_fundamental(root, first), thd


def _same_unit(channel: Channel, unit: str) -> float:
    return float(factor(channel.unit, unit))


def spectrum_outcomes(samples: SpectrumSamples) -> Iterator[Outcome]:
    """One outcome per quantity and phase that has orders."""
    if not samples.groups:
        yield Outcome("spectrum", Verdict.NOT_APPLICABLE, code="no-input", text="No harmonic orders were recorded.",
                      advice="Record the orders with the total distortion.")
    for group in samples.groups:
        yield _compare(group)


def _compare(group: _Group) -> Outcome:
    name = ".".join(part for part in (group.quantity, group.phase) if part)
    subject = Outcome("spectrum", Verdict.NOT_APPLICABLE, name, group.quantity, group.phase, code="no-input",
                      text=f"No total distortion was recorded beside {name}.",
                      advice="Record the THD with the orders.")
    if not group.squares:
        return subject
    root, thd = distortion_of_orders(group)
    seen = np.isfinite(root) & np.isfinite(thd) & (thd > threshold("spectrum", "smallest_thd"))
    if np.count_nonzero(seen) < threshold("spectrum", "fewest_samples"):
        return replace(subject, text=f"The distortion of {name} is too small to compare with its orders.",
                        advice="Nothing to do.")
    ratio = root[seen] / thd[seen]
    middle = median(ratio)
    highest = max(group.orders)
    as_share = thd_r_from_thd_f(root[seen])
    low, high = threshold("spectrum", "low"), threshold("spectrum", "high")
    told_apart = median(root[seen]) >= threshold("spectrum", "rms_base_from")
    of_rms = told_apart and abs(median(as_share / thd[seen]) - 1) < threshold("spectrum", "rms_base_within")
    if of_rms and abs(middle - 1) > threshold("spectrum", "rms_base_within"):
        return replace(
            subject, verdict=Verdict.REFUSED, code="thd-of-rms", likelihood="shown",
            text=f"The orders of {name} add up to {median(root[seen]):.3g} % where the THD reads "
                 f"{median(thd[seen]):.3g} %: that THD is relative to the rms value, not to the fundamental.",
            advice="Declare the column as a distortion relative to rms, or recompute it from the orders.",
            subjects=(Subject(PARTNERS[group.quantity][0], (group.phase,) if group.phase else ()),),
            value=middle, unit="1",
        )
    if middle > high:
        return replace(
            subject, verdict=Verdict.REFUSED, code="spectrum-mismatch", likelihood="shown",
            text=f"The orders of {name} add up to {middle:.3g} times the recorded THD; they cannot exceed it. "
                 "Orders or THD are in another unit or on another base than read.",
            advice="Check the unit and the base (fundamental, rms, nominal, amperes) of the orders.",
            subjects=tuple(Subject(quantity, (group.phase,) if group.phase else ())
                           for quantity in (group.quantity, PARTNERS[group.quantity][0])),
            value=middle, unit="1",
        )
    if middle < low:
        return replace(
            subject, verdict=Verdict.PASS, code="spectrum-partial",
            text=f"The orders of {name} up to {highest} explain {100 * middle:.3g} % of the recorded THD; the rest is "
                 "orders not recorded, interharmonics or noise.",
            advice="Record all orders to 50 to judge them." if highest < HIGHEST_ORDER else
                   "Nothing to do: every order is judged by itself.", value=middle, unit="1",
        )
    return replace(subject, verdict=Verdict.PASS, code="", text="", advice="", value=middle, unit="1")


def zero_order_outcomes(samples: SpectrumSamples, tallies: Mapping[Channel, Tally]) -> Iterator[Outcome]:
    """One outcome per quantity and phase: which orders are zero throughout without the resolution explaining it."""
    for group in samples.groups:
        name = ".".join(part for part in (group.quantity, group.phase) if part)
        zero = not_measured(
            {order: tallies[channel].level for order, channel in group.orders.items() if tallies[channel].valid},
            {order for order, channel in group.orders.items()
             if tallies[channel].valid and tallies[channel].highest == 0},
            min((tallies[channel].resolution for channel in group.orders.values()), default=float("inf")),
        )
        carrier = group.rms or group.first
        if len(zero) == len(group.orders) and (carrier is None or not tallies[carrier].highest > 0):
            # Nothing flowed at all, or nothing tells whether anything did.
            zero = set()
        if not zero:
            yield Outcome("zero-orders", Verdict.PASS, name, group.quantity, group.phase)
            continue
        text = _listed(zero)
        yield Outcome(
            "zero-orders", Verdict.REFUSED, name, group.quantity, group.phase, code="orders-zero", likelihood="shown",
            text=f"Orders {text} of {name} read zero in every interval while their neighbours do not: they were not "
                 "measured, or were exported as zero.",
            advice="Check how many orders the recorder stores; leave unmeasured orders blank.",
            subjects=(Subject(group.quantity, (group.phase,) if group.phase else (), orders=tuple(sorted(zero))),),
        )


def not_measured(levels: Mapping[int, float], zeros: set[int], resolution: float) -> set[int]:
    """Orders that are zero throughout and that the resolution does not explain.

    `levels` are mean absolute values by order, `zeros` the orders that never leave zero, `resolution` the smallest
    step seen, all in one unit. A zero is explained when the nearest order of the same parity that is not zero stands
    at few steps only. All zero is explained by nothing but a spectrum that was not recorded.
    """
    alive = {order: level for order, level in levels.items() if order not in zeros and level == level}
    if not zeros:
        return set()
    if not alive:
        return set(zeros)
    few_steps = threshold("zero-orders", "explained_below_steps") * resolution
    found = set()
    for order in zeros:
        near = [other for other in alive if (other - order) % 2 == 0]
        if near:
            closest = min(near, key=lambda other: (abs(other - order), other))
            if alive[closest] >= few_steps:
                found.add(order)
        elif max(alive.values()) >= threshold("zero-orders", "parity_missing_from_steps") * resolution:
            found.add(order)
    return found


def _listed(orders: set[int]) -> str:
    """``2, 4, 26 to 50``: runs of three and more are folded."""
    parts: list[str] = []
    rest = sorted(orders)
    while rest:
        run = [rest[0]]
        step = 2 if len(rest) > 1 and rest[1] - rest[0] == 2 else 1
        while len(run) < len(rest) and rest[len(run)] == run[-1] + step:
            run.append(rest[len(run)])
        if len(run) >= 3:
            suffix = " (every second)" if step == 2 else ""
            parts.append(f"{run[0]} to {run[-1]}{suffix}")
        else:
            run = run[:1]
            parts.append(str(run[0]))
        rest = rest[len(run):]
    return ", ".join(parts)
