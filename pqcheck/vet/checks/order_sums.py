"""The sum of squares of the orders against the recorded total distortion."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.physics.distortion import (
    fundamental_from_rms,
    percent_of_fundamental,
    thd_f_from_thd_r,
    thd_r_from_thd_f,
)
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, ITSELF, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array, Mask
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase, canonical_factor

SMALLEST_THD = Threshold(0.5, "%", CHOSEN, "Smaller distortions are not compared.")
FEWEST_SAMPLES = Threshold(10, "1", CHOSEN, "Samples needed.")
LOW = Threshold(0.8, "1", CHOSEN, "Sum of the orders over THD below which orders are missing (a note).")
HIGH = Threshold(1.15, "1", CHOSEN, "Sum of the orders over THD beyond which they contradict each other.")
POINTS = Threshold(0.5, "% points", PRACTICE, "What instruments explain between THD and its orders, and ...")
OF_READING = Threshold(5, "% of the THD", PRACTICE, "... this in addition: as for any two sources of a distortion.")
HALF = Threshold(0.5, "1", CHOSEN, "Sum over THD of currents, and of odd orders alone, below which the two contradict "
                                   "each other: interharmonics and even orders may hold the rest.")
NEXT_TO_NOTHING = Threshold(0.1, "1", CHOSEN, "The same of spectra that end before order 40, but hold 5, 7 and 13.")
FIT = Threshold(0.1, "1", CHOSEN, "Distance from the THD of a sum in which one order is taken a hundred times.")
RMS_BASE_WITHIN = Threshold(0.03, "1", CHOSEN, "Distance from the relation of a THD relative to rms.")
RMS_BASE_FROM = Threshold(25, "%", "derived",
                          "Distortion from which the two bases can be told apart (30 % reads 28.7 %).")

CHECK = Check(
    name="spectrum",
    question="Do the orders add up to the distortion?",
    looks_at="Root of the sum of squares of the orders over the recorded THD.",
    how="More than the THD cannot be: unit or base is wrong. A current distortion relative to rms is recognised by "
        "THD_R = THD_F / sqrt(1 + THD_F^2). Orders up to 40 and beyond whose sum falls far below the THD contradict it "
        "as well, and so do orders that add up only if one of them is taken a hundred times; of a spectrum that ends "
        "before, less is a note. Maximum columns cannot add up to less than the mean, and may to more.",
    example="The orders add up to 80 % where the THD reads 62.5 %.",
    codes={
        "spectrum-mismatch": "Orders and THD contradict each other",
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

ODD_TO_40 = frozenset(range(3, 41, 2))
STRONG = (3, 5, 7, 11, 13)
"""Orders that one looks at by themselves: of others, one at a hundredth of what is missing is there by chance."""


class OrderSet(Struct):
    """The orders of one quantity, phase and reading, with samples of them, of the THD and of the bases.

    `unit` is that of all orders, empty where they differ. `samples` has a row for each order, amplitudes in A or V.
    """

    quantity: str
    phase: str | None
    reading: str
    unit: str
    orders: dict[int, Channel]
    first: Channel | None
    thd: Channel | None
    rms: Channel | None
    samples: list[Array] = field(default_factory=list)
    firsts: list[Array] = field(default_factory=list)
    thds: list[Array] = field(default_factory=list)
    rmss: list[Array] = field(default_factory=list)

    @property
    def name(self) -> str:
        """As findings name it."""
        reading = "" if self.reading == "mean" else self.reading
        return ".".join(part for part in (self.quantity, self.phase, reading) if part)

    def subject(self, orders: Iterable[int] = ()) -> Subject:
        """Some of its orders, or all; of maximum columns these alone."""
        readings = () if self.reading == "mean" else (self.reading,)
        phases = (self.phase,) if self.phase else ()
        return Subject(self.quantity, phases, tuple(sorted(orders)), readings=readings)


class OrderSets:
    """Samples of every spectrum of a stream: means, and maxima."""

    def __init__(self, stream: Stream, site: Site) -> None:
        by_key = {(channel.quantity, channel.phase, channel.reading): channel for channel in stream.channels
                  if channel.order is None}
        orders_of: dict[tuple[str, str | None, str], dict[int, Channel]] = {}
        for channel in stream.channels:
            if channel.quantity in PARTNERS and channel.order is not None and channel.reading in ("mean", "max"):
                orders_of.setdefault((channel.quantity, channel.phase, channel.reading), {})[channel.order] = channel
        self.sets: list[OrderSet] = []
        for (quantity, phase, reading), orders in orders_of.items():
            higher = {order: orders[order] for order in sorted(orders) if 2 <= order <= HIGHEST_ORDER}
            units = {channel.unit for channel in higher.values()}
            # Where no maximum of the partner was recorded, its mean is no larger.
            thd, rms = (by_key.get((partner, phase, reading)) or by_key.get((partner, phase, "mean"))
                        for partner in PARTNERS[quantity])
            first = orders.get(1) or orders_of.get((quantity, phase, "mean"), {}).get(1)
            if higher:
                unit = units.pop() if len(units) == 1 else ""
                self.sets.append(OrderSet(quantity, phase, reading, unit, higher, first, thd, rms))

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Sample one block."""
        for group in self.sets:
            thd = values.get(group.thd) if group.thd else None
            if thd is None:
                continue
            step = max(1, thd.size // SAMPLES_PER_BLOCK)
            size = thd[::step].size
            rows = [_few(values, channel, step, size, 0.0) for channel in group.orders.values()]
            group.samples.append(np.stack(rows))
            group.thds.append(np.array(thd[::step], np.float64))
            group.firsts.append(_few(values, group.first, step, size, np.nan))
            group.rmss.append(_few(values, group.rms, step, size, np.nan))


def _few(values: Mapping[Channel, Array], channel: Channel | None, step: int, size: int, missing: float) -> Array:
    """Samples of a channel, amplitudes in A or V."""
    array = values.get(channel) if channel is not None else None
    if channel is None or array is None:
        return np.full(size, missing)
    few = np.array(array[::step], np.float64)
    base = "voltage" if channel.quantity.startswith("voltage") else "current"
    return few if channel.unit in PERCENT else few * canonical_factor(base, channel.unit)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per quantity, phase and reading that has orders."""
    sets = base.of(OrderSets).sets
    if not sets:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, code="no-input", text="No harmonic orders were recorded.",
                      advice="Record the orders with the total distortion.")
    for spectrum in sets:
        yield _compare(spectrum)


def distortion_of_orders(group: OrderSet) -> tuple[Array, Array]:
    """Root of the sum of squares in percent of the fundamental, and the recorded THD [%], sample by sample."""
    root = np.sqrt((_percent_of_orders(group) ** 2).sum(axis=0))
    thd = np.concatenate(group.thds)
    # Percent of nominal differs from percent of the fundamental by the voltage's own few percent.
    return (thd_f_from_thd_r(np.minimum(root, 99.0)) if group.unit == "% of rms" else root), thd


def _percent_of_orders(group: OrderSet) -> Array:
    """Every order in percent, a row each; amplitudes by the fundamental, recorded or formed from the rms value."""
    rows = np.concatenate(group.samples, axis=1)
    first, thd = np.concatenate(group.firsts), np.concatenate(group.thds)
    if np.isnan(first).all() and group.rms is not None:
        first = fundamental_from_rms(np.concatenate(group.rmss), thd)
    for row, channel in zip(rows, group.orders.values(), strict=True):
        if channel.unit not in PERCENT:
            row[:] = percent_of_fundamental(row, first)
    return rows


def _compare(group: OrderSet) -> Outcome:
    name = group.name
    subject = Outcome(CHECK, Verdict.NOT_APPLICABLE, name, group.quantity, group.phase, code="no-input",
                      text=f"No total distortion was recorded beside {name}.",
                      advice="Record the THD with the orders.")
    if not group.samples:
        return subject
    root, thd = distortion_of_orders(group)
    seen = np.isfinite(root) & (thd > 0) & (np.fmax(root, thd) > SMALLEST_THD.value)
    if np.count_nonzero(seen) < FEWEST_SAMPLES.value:
        return replace(subject, text=f"The distortion of {name} is too small to compare with its orders.",
                        advice="Nothing to do.")
    ratio = root[seen] / thd[seen]
    middle, total = float(np.median(ratio)), float(np.median(thd[seen]))
    beyond = POINTS.value + OF_READING.value / 100 * total
    highest = max(group.orders)
    partner = replace(group.subject(), quantity=PARTNERS[group.quantity][0], readings=())
    as_share = thd_r_from_thd_f(root[seen])
    distinguishable = np.median(root[seen]) >= RMS_BASE_FROM.value
    of_rms = distinguishable and abs(np.median(as_share / thd[seen]) - 1) < RMS_BASE_WITHIN.value
    passed = replace(subject, verdict=Verdict.PASS, code="", text="", advice="", value=middle, unit="1")
    if group.reading == "mean" and of_rms and abs(middle - 1) > RMS_BASE_WITHIN.value:
        return replace(
            subject, verdict=Verdict.REFUSED, code="thd-of-rms", likelihood="shown",
            text=f"The orders of {name} add up to {np.median(root[seen]):.3g} % where the THD reads "
                 f"{total:.3g} %: that THD is relative to the rms value, not to the fundamental.",
            advice="Declare the column as a distortion relative to rms, or recompute it from the orders.",
            subjects=(partner,), value=middle, unit="1",
        )
    why = ""
    exceeds = middle > HIGH.value and (total > SMALLEST_THD.value or np.median(root[seen]) - total > beyond)
    if group.reading == "mean" and exceeds:
        why = "they cannot exceed it. Orders or THD are in another unit or on another base than read."
    elif middle < LOW.value and total - np.median(root[seen]) > beyond:
        why = _why_too_small(group, middle, seen)
    if why:
        return replace(
            passed, verdict=Verdict.REFUSED, code="spectrum-mismatch", likelihood="shown",
            text=f"The orders of {name} add up to {middle:.3g} times the recorded THD; {why}",
            advice="Check the unit and the base (fundamental, rms, nominal, amperes) of the orders.",
            subjects=(group.subject(), partner),
        )
    if middle < LOW.value:
        return replace(
            passed, code="spectrum-partial",
            text=f"The orders of {name} up to {highest} explain {100 * middle:.3g} % of the recorded THD; the rest is "
                 "orders not recorded, interharmonics or noise.",
            advice="Record all orders to 50 to judge them." if highest < HIGHEST_ORDER else
                   "Nothing to do: every order is judged by itself.",
        )
    return passed


def _why_too_small(group: OrderSet, middle: float, seen: Mask) -> str:
    """Why a sum of orders that falls below the THD contradicts it; empty where orders not recorded may explain it."""
    orders = set(group.orders)
    whole = orders >= set(range(2, 41)) and group.quantity == "voltage_harmonic"
    if orders >= ODD_TO_40 and middle < (LOW if whole else HALF).value:
        return f"with orders up to {max(orders)} recorded, no more than instruments explain may be missing: one of " \
               "the two is in another unit or on another scale than read."
    if orders >= {5, 7, 13} and middle < NEXT_TO_NOTHING.value:
        return "the orders not recorded cannot hold that much: one of the two is in another unit than read."
    squares = _percent_of_orders(group)[:, seen] ** 2
    thd = np.concatenate(group.thds)[seen]
    for order in STRONG:
        if order in orders:
            as_percent = np.sqrt(squares.sum(axis=0) + 9999 * squares[list(group.orders).index(order)])
            apart = np.abs(np.quantile(as_percent / thd, (0.1, 0.5, 0.9)) - 1)
            if apart[1] < FIT.value and apart.max() < 3 * FIT.value:
                return f"they fit if order {order} is taken a hundred times: it may hold fractions of one."
    return ""
