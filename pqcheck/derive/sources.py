"""Which recorded channels can answer for a judged quantity, best first.

Nothing is read here: a `SeriesSource` says from which stream, by which formula, and how much it may prove
(exact, indicative, or a bound: docs/method/converting.md).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Literal, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.derive.formulas import (
    Formula,
    Fundamental,
    PercentAtVoltage,
    PercentOfFundamental,
    PercentOfNominal,
    PercentTimesBase,
    Recorded,
    RootSumSquare,
    Unbalance,
)
from pqcheck.model.quantities import HIGHEST_ORDER, QUANTITIES, Mean
from pqcheck.model.recording import SECOND, Channel, Recording

Exactness = Literal["exact", "indicative", "lower bound", "upper bound"]

UNRECORDED_VOLTAGE = {"max": Decimal(110), "min": Decimal(85)}
"""Percent of nominal that bounds assume where no voltage was recorded: the band that EN 50160:2010 4.2.2 sets for all
values of a low-voltage supply. A larger voltage would be a fault of its own."""

EXACT_UP_TO_US = 3 * SECOND
"""A product of two aggregated readings is exact only up to 3 s: over longer intervals the factors vary apart."""

ORDERS_OF_A_FUNDAMENTAL = 25
"""With all odd orders up to this one known, the fundamental follows from the true rms: the rest changes it by less than
instruments do (common practice)."""

_TOTALS = ("voltage_thd", "current_thd", "current_tdd", "current_trd")

Key = tuple[str, str | None, int | None, str | None, str]


class Wanted(Struct, frozen=True):
    """What a rule asks for. `base` is what percentages refer to; amperes and volts are asked with base None."""

    quantity: str
    phase: str | None
    order: int | None
    hertz: str | None = None
    base: Literal["nominal", "fundamental"] | None = None
    nominal: Decimal | None = None
    demand: Decimal | None = None
    highest_order: int = HIGHEST_ORDER


class SeriesSource(Struct, frozen=True):
    """One way to obtain the wanted quantity from one stream.

    `mean` says how members of a longer interval combine. `missing_orders` are the orders a lower bound lacks.
    `note` is a sentence for the findings when the source is not the recorded column itself.
    """

    stream: int
    interval_us: int
    formula: Formula
    mean: Mean
    exactness: Exactness = "exact"
    missing_orders: tuple[int, ...] = ()
    note: str = ""
    indicative_because: str = ""
    summed_to: int | None = None
    """The order up to which a recorded distortion sums, where that is declared and not the rule's."""


class _Based(NamedTuple):
    """A formula in the wanted base. `product`: of two readings; `proxy`: why it stands in for what was not recorded;
    `at_most`: the true value may be smaller."""

    formula: Formula
    product: bool = False
    note: str = ""
    proxy: str = ""
    at_most: bool = False


class Catalogue:
    """The channels of a recording by key, stream by stream."""

    def __init__(self, recording: Recording, thd_to_order: int | None = None) -> None:
        """`thd_to_order` is the order up to which recorded distortions sum, where it is declared."""
        self._thd_to_order = thd_to_order
        self.axes = tuple(stream.axis for stream in recording.streams)
        self.intervals = tuple(axis.interval_us for axis in self.axes)
        self._by_key: list[Mapping[Key, Channel]] = [
            {channel.key: channel for channel in stream.channels} for stream in recording.streams
        ]
        self.quantities = frozenset(channel.quantity for _, channel in recording.channels())
        self._sources: dict[Wanted, list[SeriesSource]] = {}
        self._extremes: dict[Wanted, list[tuple[SeriesSource | None, SeriesSource | None]]] = {}
        self._measured: dict[tuple[int, str | None, str], Fundamental | None] = {}
        self._fundamentals: dict[tuple[int, str, str | None, str], Fundamental | None] = {}

    def find(
        self,
        stream: int,
        quantity: str,
        phase: str | None,
        order: int | None = None,
        hertz: str | None = None,
        reading: str = "mean",
    ) -> Channel | None:
        """The channel of this key in one stream."""
        return self._by_key[stream].get((quantity, phase, order, hertz, reading))

    def has(self, quantity: str, phase: str | None, order: int | None = None, hertz: str | None = None) -> bool:
        """Whether any stream holds any reading of the channel."""
        return self.any_channel(quantity, phase, order, hertz) is not None

    def any_channel(
        self, quantity: str, phase: str | None, order: int | None = None, hertz: str | None = None
    ) -> Channel | None:
        """Some channel of this name in any stream and reading."""
        channels = (
            self.find(number, quantity, phase, order, hertz, reading)
            for number in range(len(self.intervals))
            for reading in ("mean", "max", "min")
        )
        return next((channel for channel in channels if channel is not None), None)

    def carriers(self, wanted: Wanted) -> list[int]:
        """The streams that hold the quantity in any reading, or what it can be formed from."""
        key = wanted.quantity, wanted.phase, wanted.order, wanted.hertz
        formed = {source.stream for source in self.sources(wanted)}
        return [
            number
            for number in range(len(self.axes))
            if number in formed or any(self.find(number, *key, reading) for reading in ("mean", "max", "min"))
        ]

    def hertz(self, quantity: str, phase: str | None) -> list[str]:
        """Frequencies recorded for a quantity and phase, ascending."""
        frequencies = {
            key[3]
            for keys in self._by_key
            for key in keys
            if key[0] == quantity and key[1] == phase and key[3] is not None
        }
        return sorted(frequencies, key=Decimal)

    def orders(self, stream: int, quantity: str, phase: str | None) -> tuple[int, ...]:
        """Orders from 2 on that the stream holds as mean readings."""
        return tuple(
            order
            for order in range(2, HIGHEST_ORDER + 1)
            if (quantity, phase, order, None, "mean") in self._by_key[stream]
        )

    def sources(self, wanted: Wanted) -> list[SeriesSource]:
        """Every way to obtain `wanted`, exact ones of each stream first; the same objects whoever asks."""
        if wanted not in self._sources:
            self._sources[wanted] = [
                source
                for number, interval_us in enumerate(self.intervals)
                for source in self._in_stream(number, interval_us, wanted)
            ]
        return list(self._sources[wanted])

    def extremes(self, wanted: Wanted) -> list[tuple[SeriesSource | None, SeriesSource | None]]:
        """Pairs (min, max) of sources per stream whose extreme columns bound `wanted`; pairs of nothing left out."""
        pairs = self._extremes.get(wanted)
        if pairs is None:
            pairs = self._extremes[wanted] = []
            for number, interval_us in enumerate(self.intervals):
                low, high = (self._extreme(number, interval_us, wanted, reading) for reading in ("min", "max"))
                if low is not None or high is not None:
                    pairs.append((low, high))
        return list(pairs)

    def _extreme(self, number: int, interval_us: int, wanted: Wanted, reading: str) -> SeriesSource | None:
        summed, asked = self._thd_to_order, wanted.highest_order
        # A maximum over fewer orders bounds nothing from above, a minimum over more nothing from below.
        if summed not in (None, asked) and wanted.quantity in _TOTALS and (summed < asked) == (reading == "max"):
            return None
        based = self._in_base(number, wanted, reading)
        return None if based is None else SeriesSource(number, interval_us, based.formula, "none", note=based.note)

    def _in_stream(self, number: int, interval_us: int, wanted: Wanted) -> Iterator[SeriesSource]:
        based = self._in_base(number, wanted, "mean")
        direct = [] if based is None else [_source(number, interval_us, based, QUANTITIES[wanted.quantity].aggregate)]
        if wanted.quantity in _TOTALS:
            direct = [self._summed(source, wanted) for source in direct]
        derived = list(self._derived(number, interval_us, wanted))
        # A demand distortion formed here from amperes and the declared demand current can be followed back to
        # columns; a recorded one cannot, so it comes second.
        if wanted.quantity in ("current_tdd", "current_trd"):
            yield from (source for source in derived if source.exactness == "exact")
            derived = [source for source in derived if source.exactness != "exact"]
        yield from direct
        yield from derived

    def _summed(self, source: SeriesSource, wanted: Wanted) -> SeriesSource:
        """A recorded total as the bound it is where the recorder sums to another order than the rule."""
        summed, asked = self._thd_to_order, wanted.highest_order
        if summed is None or summed == asked:
            return source
        if summed > asked:
            # What a proxy gives is no bound any more.
            exactness: Exactness = "upper bound" if source.exactness == "exact" else source.exactness
            return replace(source, exactness=exactness, summed_to=summed)
        missing = tuple(range(summed + 1, asked + 1))
        return replace(source, exactness="lower bound", missing_orders=missing, summed_to=summed)

    def fundamental(self, number: int, kind: str, phase: str | None, reading: str = "mean") -> Fundamental | None:
        """The fundamental voltage or current of a phase in one stream, by the best columns at hand.

        One object for all orders of a phase: a block works it out once.
        """
        key = (number, kind, phase, reading)
        if key not in self._fundamentals:
            self._fundamentals[key] = self._fundamental(*key)
        return self._fundamentals[key]

    def _fundamental(self, number: int, kind: str, phase: str | None, reading: str) -> Fundamental | None:
        unit = "V" if kind == "voltage" else "A"
        if reading == "mean":
            first = self.find(number, f"{kind}_harmonic", phase, 1)
            if first is not None:
                return Fundamental(unit, first=first)
        rms = self.find(number, kind, phase, reading=reading) or self.find(number, kind, phase)
        if rms is None:
            return None
        # For a bound the rms itself is kept: it is not below the fundamental.
        thd = self.find(number, f"{kind}_thd", phase) if reading == "mean" else None
        orders: tuple[Channel, ...] = ()
        if thd is None and reading == "mean" and kind == "current":
            recorded = (self.find(number, f"{kind}_harmonic", phase, order) for order in range(2, HIGHEST_ORDER + 1))
            orders = tuple(channel for channel in recorded if channel is not None and channel.unit == "%")
        return Fundamental(unit, rms=rms, thd=thd, orders=orders)

    def measured_voltage(self, number: int, phase: str | None, reading: str) -> Fundamental | None:
        """The voltage that turns percent of the fundamental into percent of nominal: ``.h1`` or the rms.

        The rms is larger than the fundamental by a factor sqrt(1 + THD^2), 0.3 % at a THD of 8 %: on the safe side.
        One object for all orders of a phase: a block works it out once.
        """
        key = number, phase, reading
        if key not in self._measured:
            self._measured[key] = self._measured_voltage(*key)
        return self._measured[key]

    def _measured_voltage(self, number: int, phase: str | None, reading: str) -> Fundamental | None:
        first = self.find(number, "voltage_harmonic", phase, 1)
        if first is not None and reading == "mean":
            return Fundamental("V", first=first)
        rms = self.find(number, "voltage", phase, reading=reading) or self.find(number, "voltage", phase)
        return None if rms is None else Fundamental("V", rms=rms)

    def _in_base(self, number: int, wanted: Wanted, reading: str) -> _Based | None:
        """The recorded channel of a stream in the wanted base; None where there is none or it cannot be converted."""
        channel = self.find(number, wanted.quantity, wanted.phase, wanted.order, wanted.hertz, reading)
        if channel is None:
            return None
        if wanted.quantity in ("voltage_thd", "voltage_harmonic", "interharmonic_voltage", "signalling_voltage"):
            if wanted.base == "nominal":
                return self._percent_of_nominal(number, channel, wanted, reading)
            if wanted.base == "fundamental":
                return self._percent_of_fundamental(number, channel, reading)
        elif wanted.quantity == "current_harmonic" and channel.unit in ("%", "% of rms") and wanted.order != 1:
            if channel.unit == "%":
                base = self.fundamental(number, "current", wanted.phase, reading)
            else:
                rms = self.find(number, "current", wanted.phase, reading=reading)
                base = None if rms is None else Fundamental("A", rms=rms)
            if base is None:
                return None
            amperes = PercentTimesBase(channel, base, Decimal(100), "A")
            # Of the true rms and the orders alone: what was not recorded would make the fundamental smaller.
            at_most = base.first is None and base.thd is None and channel.unit == "%" and reading == "mean"
            seen = {order.order for order in base.orders}
            at_most = at_most and not seen.issuperset(range(3, ORDERS_OF_A_FUNDAMENTAL + 1, 2))
            return _Based(amperes, True, "amperes from percent and the measured current", at_most=at_most)
        return _Based(Recorded(channel))

    def _percent_of_nominal(self, number: int, channel: Channel, wanted: Wanted, reading: str) -> _Based | None:
        if channel.unit == "% of rms":
            return None
        if channel.unit != "%":
            return _Based(Recorded(channel))
        assert wanted.nominal is not None
        voltage = self.measured_voltage(number, wanted.phase, reading)
        if voltage is not None:
            note = "percent of nominal from percent of the fundamental and the measured voltage"
            return _Based(PercentOfNominal(channel, voltage, wanted.nominal), note=note)
        if reading in UNRECORDED_VOLTAGE:
            assumed = UNRECORDED_VOLTAGE[reading]
            note = f"the voltage was not recorded; the bound assumes {assumed} % of nominal"
            return _Based(PercentAtVoltage(channel, assumed), note=note)
        proxy = "the voltage was not recorded, so percent of the fundamental was taken as percent of nominal"
        return _Based(Recorded(channel), proxy=proxy)

    def _percent_of_fundamental(self, number: int, channel: Channel, reading: str) -> _Based | None:
        if channel.unit == "%":
            return _Based(Recorded(channel))
        fundamental = self.fundamental(number, "voltage", channel.phase)
        if channel.unit not in ("V", "kV") or fundamental is None or reading != "mean":
            return None
        note = "percent of the fundamental from volts and the measured voltage"
        return _Based(PercentOfFundamental(channel, fundamental), note=note)

    def _derived(self, number: int, interval_us: int, wanted: Wanted) -> Iterator[SeriesSource]:
        phase = wanted.phase
        if wanted.quantity == "voltage_thd":
            yield from self._from_orders(number, interval_us, wanted, "voltage_harmonic")
        elif wanted.quantity in ("current_tdd", "current_trd") and wanted.demand is not None:
            yield from self._from_orders(number, interval_us, wanted, "current_harmonic")
            thd = self.find(number, "current_thd", phase)
            fundamental = self.fundamental(number, "current", phase)
            if thd is not None and fundamental is not None:
                formula = PercentTimesBase(thd, fundamental, wanted.demand, "%")
                note = "total demand distortion from current THD, fundamental current and the declared demand current"
                total = _source(number, interval_us, _Based(formula, product=True, note=note), "rms")
                yield self._summed(total, wanted)
        elif wanted.quantity in ("negative_sequence_unbalance", "voltage_deviation_unbalance"):
            ab, bc, ca = (self.find(number, "voltage", pair) for pair in ("ab", "bc", "ca"))
            if ab is not None and bc is not None and ca is not None:
                unbalance = Unbalance((ab, bc, ca), wanted.quantity == "negative_sequence_unbalance")
                note = "unbalance from the magnitudes of the three line-to-line voltages"
                yield _source(number, interval_us, _Based(unbalance, product=True, note=note), "rms")
        elif wanted.quantity == "flicker_plt":
            pst = self.find(number, "flicker_pst", phase)
            if pst is not None:
                note = "Plt as the cubic mean of twelve consecutive Pst"
                yield SeriesSource(number, interval_us, Recorded(pst), "cubic", "exact", (), note)

    def _from_orders(self, number: int, interval_us: int, wanted: Wanted, quantity: str) -> Iterator[SeriesSource]:
        """The total distortion from the orders of one stream; a lower bound where orders are missing."""
        present = [order for order in self.orders(number, quantity, wanted.phase) if order <= wanted.highest_order]
        orders = [
            self._in_base(number, Wanted(quantity, wanted.phase, order, None, wanted.base, wanted.nominal), "mean")
            for order in present
        ]
        known = [based for based in orders if based is not None]
        if not known or len(known) < len(present):
            return
        units = {based.formula.unit for based in known}
        unit, base = "%", Decimal(100)
        if wanted.demand is not None and quantity == "current_harmonic":
            unit, base = "A", wanted.demand
        elif units <= {"V", "kV"} and wanted.base == "nominal" and wanted.nominal is not None:
            # Volts of each order: percent of the declared nominal, as for amperes and the demand current.
            unit, base = "V", wanted.nominal
        elif len(units) > 1:
            return
        elif wanted.base == "nominal":
            (unit,) = units
        missing = tuple(order for order in range(2, wanted.highest_order + 1) if order not in present)
        name = "demand" if wanted.quantity.startswith("current") else "harmonic"
        total = _Based(
            RootSumSquare(tuple(based.formula for based in known), unit, base),
            any(based.product for based in known),
            f"total {name} distortion from {len(present)} recorded orders up to {max(present)}",
            next((based.proxy for based in known if based.proxy), ""),
            any(based.at_most for based in known),
        )
        source = _source(number, interval_us, total, "rms")
        if not missing:
            yield source
        elif total.at_most:
            # Orders are missing from the sum, and the fundamental may be smaller: neither way proves anything.
            because = source.indicative_because or "orders are missing, and the fundamental was not recorded"
            yield replace(source, indicative_because=because)
        else:
            yield replace(source, exactness="lower bound", missing_orders=missing)


def _source(number: int, interval_us: int, based: _Based, mean: Mean) -> SeriesSource:
    because = based.proxy
    if not because and based.product and interval_us > EXACT_UP_TO_US:
        because = "a product of two readings averaged over more than 3 s is not the average of the product"
    exactness: Exactness = "upper bound" if based.at_most else "indicative" if because else "exact"
    return SeriesSource(number, interval_us, based.formula, mean, exactness, (), based.note, because)
