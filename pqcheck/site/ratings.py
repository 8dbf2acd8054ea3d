"""``[ratings]``, ``[source_impedance]``, ``[load_study]``, ``[tariff]``: what a load study needs declared."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from pqcheck.model.errors import SiteError
from pqcheck.model.units import UnitError, quantity_of
from pqcheck.site.fields import Place

_UNITS = {"service": "A", "feeder": "A", "neutral": "A", "transformer": "VA", "panel": "A"}
_DEMAND_UNITS = ("A", "VA", "W")
_LONGEST_DEMAND_US = 3_600_000_000


def ratings_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """Ratings as Decimal in A, VA and percent; transformer type as text; ``panel_phases`` as phase to A.

    ``transformer_units`` as pair of lines to VA; without ``transformer`` their sum is the rated power.
    """
    values: dict[str, Any] = {}
    for key in section:
        if key in _UNITS:
            values[key] = place.amount(section, key, _UNITS[key])
        elif key in ("panel_phases", "transformer_units"):
            here = place.at(key)
            unit = "A" if key == "panel_phases" else "VA"
            values[key] = {where: here.amount(section[key], where, unit) for where in section[key]}
        elif key == "transformer_type":
            values[key] = section[key]
        elif key == "transformer_k_factor":
            values[key] = Decimal(str(section[key]))
        else:
            values[key] = place.percent(section, key, most=Decimal(100))
    if values.get("transformer_units"):
        whole = sum(values["transformer_units"].values())
        if values.setdefault("transformer", whole) != whole:
            raise SiteError(f"{place.at('transformer')} = {section['transformer']} is not the sum of "
                            f"transformer_units, {whole / 1000:g} kVA; correct one of them, or leave transformer away")
    if values.get("transformer_impedance") == 0:
        raise SiteError(f"{place.at('transformer_impedance')} = 0 is no transformer; write the short-circuit voltage "
                        f"of its nameplate, such as '6 %', or leave the key away")
    return values


def source_impedance_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """Impedance of the supply as seen from the measuring point, Decimal in ohm; ``capacitor_bank`` in var."""
    values: dict[str, Any] = {}
    for key in section:
        if key == "capacitor_bank":
            values[key] = place.amount(section, key, "var")
        elif key == "x_over_r":
            values[key] = Decimal(str(section[key]))
        elif key == "capacitor_detuning":
            values[key] = place.percent(section, key, most=Decimal(50))
        elif key in ("basis", "capacitor_connection"):
            values[key] = section[key]
        else:
            values[key] = place.amount(section, key, "ohm", zero=True)
    given = [key for key in ("resistance", "reactance") if key in values]
    if len(given) == 1 and "x_over_r" not in values:
        raise SiteError(f"{place} has {given[0]} alone; give resistance and reactance, or one of them with x_over_r")
    if len(given) == 2 and "x_over_r" in values:
        raise SiteError(f"{place} has resistance, reactance and x_over_r; leave one of the three away")
    if "reactance" in given and len(given) == 1 and not values["x_over_r"]:
        raise SiteError(f"{place.at('x_over_r')} = 0 leaves no reactance; give the resistance alone with it")
    if len(given) == 2 and not values["resistance"] and not values["reactance"]:
        raise SiteError(f"{place} declares no impedance at all; without impedance there is no voltage drop to predict")
    return values


def load_study_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """What the load study needs to know: ``demand_interval_us``, conditions and disputed choices as declared, and
    ``seasonal_addition`` and ``maximum_demand`` as (Decimal, unit) with unit A, VA or W."""
    values: dict[str, Any] = {key: value for key, value in section.items() if key not in _READ}
    interval = place.duration(section, "demand_interval")
    if interval is not None:
        if interval > _LONGEST_DEMAND_US or _LONGEST_DEMAND_US % interval:
            raise SiteError(f"{place.at('demand_interval')} = {section['demand_interval']} is no demand interval; "
                            f"write one that divides the hour, such as '15 min'")
        values["demand_interval_us"] = interval
    for key, zero in (("seasonal_addition", True), ("maximum_demand", False)):
        if key in section:
            values[key] = _demand(section[key], place.at(key), zero=zero)
    if "maximum_demand_power_factor" in section:
        values["maximum_demand_power_factor"] = Decimal(str(section["maximum_demand_power_factor"]))
    return values


_READ = ("demand_interval", "seasonal_addition", "maximum_demand", "maximum_demand_power_factor")


def tariff_from(section: Mapping[str, Any]) -> dict[str, Any]:
    """Rates as Decimal per kWh and per kW or kVA of the highest demand, in the declared currency."""
    return {
        key: Decimal(str(value)) if isinstance(value, (int, float)) else value for key, value in section.items()
    }


def _demand(text: str, place: Place, *, zero: bool) -> tuple[Decimal, str]:
    for unit in _DEMAND_UNITS:
        try:
            quantity_of(text, unit)
        except UnitError:
            continue
        return place.value(text, unit, zero=zero), unit
    raise SiteError(f"{place} = {text!r} is no demand; write it in A, kVA or kW, such as '40 A'")
