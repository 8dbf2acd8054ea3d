"""The sum of squares of the orders against the recorded total distortion."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.units import factor
from pqcheck.model.verdict import Verdict
from pqcheck.physics.distortion import (
    fundamental_from_rms,
    percent_of_fundamental,
    thd_f_from_thd_r,
    thd_r_from_thd_f,
)
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

SMALLEST_THD = Threshold(0.5, "%", CHOSEN, "Smaller distortions are not compared.")
FEWEST_SAMPLES = Threshold(10, "1", CHOSEN, "Samples needed.")
LOW = Threshold(0.8, "1", CHOSEN, "Sum of the orders over THD below which orders are said to be missing (a note).")
HIGH = Threshold(1.15, "1", CHOSEN, "Sum of the orders over THD beyond which the two contradict each other.")
RMS_BASE_WITHIN = Threshold(0.03, "1", CHOSEN, "Distance from the relation of a THD relative to rms.")
RMS_BASE_FROM = Threshold(25, "%", "derived",
                          "Distortion from which the two bases can be told apart (30 % reads 28.7 %).")

CHECK = Check(
    name="spectrum",
    question="Do the orders add up to the distortion?",
    looks_at="Root of the sum of squares of the orders over the recorded THD.",
    how="More than the THD cannot be: unit or base is wrong. A current distortion relative to rms is recognised by "
        "THD_R = THD_F / sqrt(1 + THD_F^2). Less is a note.",
    example="The orders add up to 80 % where the THD reads 62.5 %.",
    codes={
        "spectrum-mismatch": "Orders exceed the THD",
        "thd-of-rms": "THD relative to rms",
        "spectrum-partial": "Orders explain part of the THD",
    },
    refuses={
        "spectrum-mismatch": (
            Refusal(ITSELF, "same", "Unit or base of the column is not as read."),
        ),
        "thd-of-rms": (
            Refusal(ITSELF, "same", "The distortion is relative to the rms value, not to the fundamental."),
        ),
    },
    thresholds=thresholds(globals()),
)

SAMPLES_PER_BLOCK = 48

PERCENT = ("%", "% of nominal", "% of rms")
"""Units of orders that need no base to be compared with a distortion in percent."""

PARTNERS = {"voltage_harmonic": ("voltage_thd", "voltage"), "current_harmonic": ("current_thd", "current")}


class OrderSet(Struct):
    """The orders of one quantity and phase, with samples of their sum of squares, of the THD and of the bases."""

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

    @property
    def name(self) -> str:
        """As findings name it."""
        return ".".join(part for part in (self.quantity, self.phase) if part)


class OrderSets:
    """Samples of every spectrum of a stream."""

    def __init__(self, stream: Stream, site: Site) -> None:
        means = [channel for channel in stream.channels if channel.reading == "mean"]
        by_key = {(channel.quantity, channel.phase): channel for channel in means if channel.order is None}
        orders_of: dict[tuple[str, str | None], dict[int, Channel]] = {}
        for channel in means:
            if channel.quantity in PARTNERS and channel.order is not None:
                orders_of.setdefault((channel.quantity, channel.phase), {})[channel.order] = channel
        self.sets: list[OrderSet] = []
        for (quantity, phase), orders in orders_of.items():
            higher = {order: channel for order, channel in orders.items() if 2 <= order <= HIGHEST_ORDER}
            units = {channel.unit for channel in higher.values()}
            thd, rms = (by_key.get((partner, phase)) for partner in PARTNERS[quantity])
            if higher:
                unit = units.pop() if len(units) == 1 else ""
                self.sets.append(OrderSet(quantity, phase, unit, higher, orders.get(1), thd, rms))

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Sample one block."""
        for group in self.sets:
            thd = values.get(group.thd) if group.thd else None
            if thd is None or not group.unit:
                continue
            step = max(1, thd.size // SAMPLES_PER_BLOCK)
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


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per quantity and phase that has orders."""
    sets = base.of(OrderSets).sets
    if not sets:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, code="no-input", text="No harmonic orders were recorded.",
                      advice="Record the orders with the total distortion.")
    for spectrum in sets:
        yield _compare(spectrum)


def distortion_of_orders(group: OrderSet) -> tuple[Array, Array]:
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


def _compare(group: OrderSet) -> Outcome:
    name = group.name
    subject = Outcome(CHECK, Verdict.NOT_APPLICABLE, name, group.quantity, group.phase, code="no-input",
                      text=f"No total distortion was recorded beside {name}.",
                      advice="Record the THD with the orders.")
    if not group.squares:
        return subject
    root, thd = distortion_of_orders(group)
    seen = np.isfinite(root) & np.isfinite(thd) & (thd > SMALLEST_THD.value)
    if np.count_nonzero(seen) < FEWEST_SAMPLES.value:
        return replace(subject, text=f"The distortion of {name} is too small to compare with its orders.",
                        advice="Nothing to do.")
    ratio = root[seen] / thd[seen]
    middle = float(np.median(ratio))
    highest = max(group.orders)
    as_share = thd_r_from_thd_f(root[seen])
    low, high = LOW.value, HIGH.value
    distinguishable = np.median(root[seen]) >= RMS_BASE_FROM.value
    of_rms = distinguishable and abs(np.median(as_share / thd[seen]) - 1) < RMS_BASE_WITHIN.value
    if of_rms and abs(middle - 1) > RMS_BASE_WITHIN.value:
        return replace(
            subject, verdict=Verdict.REFUSED, code="thd-of-rms", likelihood="shown",
            text=f"The orders of {name} add up to {np.median(root[seen]):.3g} % where the THD reads "
                 f"{np.median(thd[seen]):.3g} %: that THD is relative to the rms value, not to the fundamental.",
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
