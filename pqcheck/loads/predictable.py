"""Which recorded channels a declaration can predict."""

from __future__ import annotations

from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.model.recording import Channel, Stream
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
