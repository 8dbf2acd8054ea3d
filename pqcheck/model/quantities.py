"""The quantities a recording may hold: phases, canonical unit, how they aggregate.

A quantity describes a column; it is
never a value in a row.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

VOLTAGE_PHASES = ("an", "bn", "cn", "ab", "bc", "ca", "ng")
CURRENT_PHASES = ("a", "b", "c", "n")
POWER_PHASES = ("a", "b", "c", "total")

Mean = Literal["rms", "arithmetic", "cubic", "none"]


class Quantity(Struct, frozen=True):
    """One measurable quantity.

    `unit` is the canonical unit of reports and findings. `units_read` are the unit texts a column may carry;
    `aggregate` says how members of a longer interval combine (IEC 61000-4-30 4.5: rms; flicker: cubic).
    `suffix` is "order" when columns carry a harmonic order, "order or hertz" for interharmonics.
    """

    name: str
    phases: tuple[str, ...]
    unit: str
    units_read: tuple[str, ...]
    aggregate: Mean
    suffix: Literal["", "order", "order or hertz"] = ""
    title: str = ""


_LIST = (
    Quantity("voltage", VOLTAGE_PHASES, "V", ("V", "kV"), "rms", title="Voltage"),
    Quantity("current", CURRENT_PHASES, "A", ("A", "mA", "kA"), "rms", title="Current"),
    Quantity("frequency", (), "Hz", ("Hz", "mHz"), "arithmetic", title="Frequency"),
    Quantity("voltage_thd", VOLTAGE_PHASES, "%", ("%",), "rms", title="Voltage total harmonic distortion"),
    Quantity("current_thd", CURRENT_PHASES, "%", ("%",), "rms", title="Current total harmonic distortion"),
    Quantity("current_tdd", ("a", "b", "c"), "%", ("%",), "rms", title="Current total demand distortion"),
    Quantity("current_trd", ("a", "b", "c"), "%", ("%",), "rms", title="Current total rated distortion"),
    Quantity(
        "voltage_harmonic",
        VOLTAGE_PHASES,
        "%",
        ("%", "% of nominal", "% of rms", "V"),
        "rms",
        "order",
        title="Voltage harmonic",
    ),
    Quantity(
        "current_harmonic",
        CURRENT_PHASES,
        "A",
        ("A", "mA", "kA", "%", "% of rms"),
        "rms",
        "order",
        title="Current harmonic",
    ),
    Quantity(
        "interharmonic_voltage", VOLTAGE_PHASES, "%", ("%", "V"), "rms", "order or hertz", title="Interharmonic voltage"
    ),
    Quantity(
        "signalling_voltage", VOLTAGE_PHASES, "%", ("%", "V"), "rms", "order or hertz", title="Mains signalling voltage"
    ),
    Quantity("negative_sequence_unbalance", (), "%", ("%",), "rms", title="Voltage unbalance (negative sequence)"),
    Quantity("zero_sequence_unbalance", (), "%", ("%",), "rms", title="Voltage unbalance (zero sequence)"),
    Quantity(
        "voltage_deviation_unbalance",
        (),
        "%",
        ("%",),
        "rms",
        title="Voltage unbalance (largest deviation from the mean)",
    ),
    Quantity("flicker_pst", VOLTAGE_PHASES, "1", ("1", ""), "none", title="Short-term flicker Pst"),
    Quantity("flicker_plt", VOLTAGE_PHASES, "1", ("1", ""), "none", title="Long-term flicker Plt"),
    Quantity("active_power", POWER_PHASES, "W", ("W", "kW", "MW"), "arithmetic", title="Active power"),
    Quantity("reactive_power", POWER_PHASES, "var", ("var", "kvar", "Mvar"), "arithmetic", title="Reactive power"),
    Quantity("apparent_power", POWER_PHASES, "VA", ("VA", "kVA", "MVA"), "arithmetic", title="Apparent power"),
    Quantity("power_factor", POWER_PHASES, "1", ("1", "%", ""), "none", title="Power factor"),
    Quantity("displacement_power_factor", POWER_PHASES, "1", ("1", "%", ""), "none", title="Displacement power factor"),
    Quantity("active_energy_import", ("total",), "Wh", ("Wh", "kWh", "MWh"), "none", title="Active energy, import"),
    Quantity("active_energy_export", ("total",), "Wh", ("Wh", "kWh", "MWh"), "none", title="Active energy, export"),
    Quantity("reactive_energy", ("total",), "varh", ("varh", "kvarh", "Mvarh"), "none", title="Reactive energy"),
    Quantity("flag", (), "1", ("1", ""), "none", title="Flag"),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _LIST}
"""Every quantity by the name that columns and findings use."""

MAY_BE_NEGATIVE = frozenset((
    "active_power", "reactive_power", "apparent_power", "power_factor", "displacement_power_factor",
    "active_energy_import", "active_energy_export", "reactive_energy", "flag",
))
"""Of all other quantities (rms values, distortion, flicker, unbalance, frequency) a negative number is no reading."""

LINE_TO_NEUTRAL = ("an", "bn", "cn")
LINE_TO_LINE = ("ab", "bc", "ca")
READINGS = ("mean", "min", "max")
EVENTS = "events"
"""Recorded dips, swells and interruptions where quantities are named: no column holds them."""
ASKED = (*QUANTITIES, EVENTS)
"""What a question can be narrowed to."""
HIGHEST_ORDER = 50
