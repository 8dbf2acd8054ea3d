"""``[ratings]`` and ``[[new_load]]``: what the installation can carry, and what is to be added."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from pqcheck.errors import SiteError
from pqcheck.quantities import QUANTITIES
from pqcheck.site.fields import Place
from pqcheck.site.measuring import check_phase

_UNITS = {"service": "A", "feeder": "A", "neutral": "A", "transformer": "VA",
          "current": "A", "apparent_power": "VA", "active_power": "W"}


def ratings_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """Ratings as Decimal in A, VA and percent; transformer type as text."""
    values: dict[str, Any] = {}
    for key in section:
        if key in _UNITS:
            values[key] = place.amount(section, key, _UNITS[key])
        elif key == "transformer_type":
            values[key] = section[key]
        elif key == "transformer_k_factor":
            values[key] = Decimal(str(section[key]))
        else:
            values[key] = place.percent(section, key, most=Decimal(100))
    return values


def new_load_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """A load to be added: ``name``, ``count``, ``current`` or ``apparent_power`` or ``active_power`` (Decimal, each
    for one piece), ``power_factor``, ``phases``, ``continuous``, ``harmonics`` (order to percent of fundamental)."""
    if not any(key in section for key in ("current", "apparent_power", "active_power")):
        raise SiteError(f"{place} ({section['name']}) lacks its size; give current, apparent_power or active_power")
    for phase in section.get("phases", ()):
        check_phase(phase, QUANTITIES["current"], place.at("phases"))
    values: dict[str, Any] = {
        key: place.amount(section, key, unit) for key, unit in _UNITS.items() if key in section
    }
    if "power_factor" in section:
        values["power_factor"] = Decimal(str(section["power_factor"]))
    spectrum = section.get("harmonics", {})
    here = place.at("harmonics")
    return {
        "name": section["name"],
        "count": int(section.get("count", 1)),
        "phases": tuple(section.get("phases", ())),
        "continuous": section.get("continuous", False),
        "harmonics": {int(order): here.percent(spectrum, order) for order in spectrum},
        **values,
    }
