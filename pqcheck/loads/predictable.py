"""Which recorded channels a declaration can predict."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pqcheck.loads.channels import phases_of
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.model.recording import Channel, Recording, Stream
from pqcheck.site.site_values import Site

POWERS = frozenset({"active_power", "reactive_power", "apparent_power"})
VOLTAGES = frozenset({
    "voltage", "voltage_harmonic", "voltage_thd",
    "negative_sequence_unbalance", "zero_sequence_unbalance", "voltage_deviation_unbalance",
})  # fmt: skip
ORDER_VOLTAGES = frozenset({"voltage_harmonic", "voltage_thd"})
"""They need the impedance at each order, of which an estimate from the record says nothing."""
PREDICTED = POWERS | VOLTAGES | {"current", "current_harmonic", "current_thd", "current_tdd", "current_trd"}
"""Quantities that the prediction covers."""

TOTALS = frozenset({"voltage", "voltage_thd", "current", "current_thd", "current_tdd", "current_trd", "apparent_power"})
"""Quantities that hold every order."""
BANK_ORDERS = range(3, 50, 2)
"""Orders that a new bank is asked about."""
AMPLIFIED = 1.1
"""An order is amplified where a bank makes it larger by more than a tenth (house threshold)."""
DRAWN, DRAWN_UP_TO = 0.5, 13
"""A bank draws a current of the background where it changes the voltage of an order by more than half of it; above
order 13 the background is small and the supply in its way large (house thresholds)."""

LINE_OF = {"a": "ab", "b": "bc", "c": "ca"}
"""The line-to-line voltage that stands for a phase where there is no neutral."""


def predictable(
    channel: Channel, stream: Stream, site: Site, source: SupplyImpedance | None, *, new_banks: bool = False
) -> bool:
    """Whether the channel with the new loads (and capacitor banks) follows from what was recorded and declared."""
    if channel.quantity not in PREDICTED or channel.phase == "ng":
        return False
    if channel.reading != "mean" and channel.quantity not in ("voltage", "current"):
        return False
    if new_banks and not _seen_at_orders(channel, stream):
        return False
    if channel.quantity in ORDER_VOLTAGES:
        return source is not None and not source.estimated
    if channel.quantity in VOLTAGES:
        # Apparent power is formed from recorded voltages, which are then taken to stay; no rule about them is asked.
        return source is not None or (channel.quantity == "voltage" and channel.reading == "mean")
    if channel.quantity in ("current_tdd", "current_trd"):
        return reference_current(site, channel.quantity) is not None
    if channel.phase == "n" and channel.quantity != "current":
        return False
    if channel.quantity.startswith("current_") and channel.unit in ("%", "% of rms"):
        recorded = {other.key for other in stream.channels}
        fundamental = ("current_harmonic", channel.phase, 1, None, "mean")
        return fundamental in recorded or any(key[:2] == ("current", channel.phase) for key in recorded)
    return True


def orders_unseen(
    recording: Recording, site: Site, supplies: Iterable[tuple[SupplyImpedance, SupplyImpedance]]
) -> Mapping[str, tuple[int, ...]]:
    """Odd orders that new banks shape and that the record lacks, for totals of "current", "neutral" and "voltage".

    `supplies` are the supply without and with the new banks, in every case that may be. Currents hold what banks make
    of the currents and of the background voltage, voltages what they make of the voltage. Of three phases triplens
    count where the banks reach the zero sequence.
    """
    phases = phases_of(site.supply)
    amplified: set[int] = set()
    drawn: set[int] = set()
    for before, after in supplies:
        for order in BANK_ORDERS:
            zero = len(phases) == 3 and order % 3 == 0
            ratio = after.phase_impedance(order, zero_sequence=zero) / before.phase_impedance(order, zero_sequence=zero)
            if abs(ratio) > AMPLIFIED:
                amplified.add(order)
            elif abs(1 - ratio) > DRAWN and order <= DRAWN_UP_TO:
                drawn.add(order)
    held: dict[tuple[str, str], set[int]] = {}
    places: set[str] = set()
    for _, channel in recording.channels():
        if channel.reading != "mean":
            continue
        if channel.quantity in ("voltage", "voltage_thd") and channel.phase not in (None, "ng"):
            places.add(channel.phase)
        if channel.order is not None:
            held.setdefault((channel.quantity, channel.phase or "a"), set()).add(channel.order)
    unseen = {"voltage": {
        order for order in amplified for where in places if order not in held.get(("voltage_harmonic", where), ())
    }}  # fmt: skip
    unseen["current"] = {
        order for order in amplified | drawn for phase in phases
        if (order in amplified and order not in held.get(("current_harmonic", phase), ()))
        or not any(order in held.get(("voltage_harmonic", at), ()) for at in (f"{phase}n", LINE_OF.get(phase, "")))
    }  # fmt: skip
    unseen["neutral"] = {order for order in unseen["current"] if order % 3 == 0}
    return {kind: tuple(sorted(orders)) for kind, orders in unseen.items() if orders}


def _seen_at_orders(channel: Channel, stream: Stream) -> bool:
    """Whether the record holds the orders that a new bank would shape: currents beside their background voltage."""
    orders = {(other.quantity, other.phase, other.order) for other in stream.channels if other.reading == "mean"}
    if channel.quantity in ("current_thd", "current_tdd", "current_trd", "voltage_thd"):
        kind = channel.quantity.split("_")[0]
        return any(key[:2] == (f"{kind}_harmonic", channel.phase) and (key[2] or 1) > 1 for key in orders)
    if channel.quantity == "current_harmonic" and channel.order not in (1, None):
        phase = channel.phase or "a"
        return any(("voltage_harmonic", at, channel.order) in orders for at in (f"{phase}n", LINE_OF.get(phase)))
    return True


def reference_current(site: Site, quantity: str) -> float | None:
    """The declared current, in A, that a total demand (or rated) distortion refers to."""
    pcc = site.pcc
    value = None if pcc is None else pcc.maximum_demand_current if quantity == "current_tdd" else pcc.rated_current
    return None if value is None else float(value)
