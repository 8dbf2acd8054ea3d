"""What is declared about the measuring: ``[recording]``, ``[instrument]``, exclusions, corrections, what was seen."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from pqcheck.model.errors import SiteError, nearest
from pqcheck.model.quantities import QUANTITIES, Quantity
from pqcheck.model.units import UnitError, quantity_of
from pqcheck.site.fields import Place
from pqcheck.site.site_values import Correction, Exclusion, Reading

_READING_KEYS = ("stamp", "interval", "extremes_of", "thd_to_order", "columns")


def reading_from(section: Mapping[str, Any], place: Place) -> Reading:
    """How the recording is to be read; keys beyond stamp, interval, extremes and columns go to `more`."""
    interval = place.duration(section, "interval")
    extremes = place.duration(section, "extremes_of")
    if interval is not None and extremes is not None and extremes > interval:
        raise SiteError(f"{place.at('extremes_of')} = {section['extremes_of']} is longer than interval = "
                        f"{section['interval']}; it is the window of the values that min and max are taken over")
    return Reading(
        stamp=section.get("stamp"),
        interval_us=interval,
        extremes_of_us=extremes,
        thd_to_order=section.get("thd_to_order"),
        columns=dict(section.get("columns", {})),
        more={key: value for key, value in section.items() if key not in _READING_KEYS},
    )


def events_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """When events were monitored, each key only if declared: ``from_us``, ``to_us``; ``complete``, whether every event
    of that time is listed; ``aggregate_us``, within which events count as one."""
    events: dict[str, Any] = {"complete": section.get("complete", False)}
    if "from" in section and "to" in section:
        events["from_us"], events["to_us"] = place.span(section)
    elif "from" in section or "to" in section:
        key = "from" if "from" in section else "to"
        events[f"{key}_us"] = place.instant(section, key)
    aggregate = place.duration(section, "aggregate")
    return events if aggregate is None else {**events, "aggregate_us": aggregate}


def instrument_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """The instrument: `percent` as Decimal, dates as ISO texts, the rest as declared."""
    days = {key: place.day(section, key) for key in ("calibrated", "calibration_due") if key in section}
    percent = {"percent": place.percent(section, "percent")} if "percent" in section else {}
    return {**section, **days, **percent}


def exclusion_from(section: Mapping[str, Any], place: Place) -> Exclusion:
    """A span declared out of the count."""
    start, end = place.span(section)
    return Exclusion(start, end, section["reason"], section["author"], section.get("clause"))


def correction_from(section: Mapping[str, Any], place: Place) -> Correction:
    """A declared correction. `settings` by kind:

    - reverse-current: ``phase``
    - swap-currents: ``phases``, a pair
    - scale: ``quantity``, ``phases`` (empty tuple: all of them), ``factor`` (Decimal)
    - shift-time: ``by_us``, added to every stamp; negative moves the record back
    - trim: ``from_us``, ``to_us``, the half-open span that is kept; None is open to that side
    """
    settings = _SETTINGS[section["kind"]](section, place)
    return Correction(section["kind"], section["reason"], section["author"], settings)


def reported_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """What the customer saw and when: ``from_us``, ``to_us`` (None: a moment) and ``text``."""
    if "to" in section:
        start, end = place.span(section)
        return {"from_us": start, "to_us": end, "text": section["text"]}
    return {"from_us": place.instant(section, "from"), "to_us": None, "text": section["text"]}


def spot_check_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """A reading of another instrument: ``at_us``, ``channel``, ``value`` (Decimal) in ``unit``, who and what with."""
    name, *rest = section["channel"].split(".")
    quantity = known_quantity(name, place.at("channel"))
    for phase in rest[:1]:
        check_phase(phase, quantity, place.at("channel"))
    text = section["value"]
    try:
        value = quantity_of(f"{text} 1" if quantity.unit == "1" else text, quantity.unit)
    except UnitError as error:
        raise SiteError(f"{place.at('value')}: {error}") from None
    return {
        "at_us": place.instant(section, "at"), "channel": section["channel"], "value": value, "unit": quantity.unit,
        "instrument": section.get("instrument"), "author": section.get("author"),
    }


def known_quantity(name: str, place: Place) -> Quantity:
    """The quantity of that name; SiteError names the nearest."""
    if name not in QUANTITIES:
        raise SiteError(f"{place} names no quantity: {name!r} is not known{nearest(name, QUANTITIES)}")
    return QUANTITIES[name]


def check_phase(phase: str, quantity: Quantity, place: Place) -> None:
    """SiteError when `quantity` has no such phase."""
    if phase not in quantity.phases:
        known = ", ".join(quantity.phases) or "none"
        raise SiteError(f"{place}: {quantity.name} has no phase {phase!r}; its phases are {known}")


def _reverse(section: Mapping[str, Any], _place: Place) -> dict[str, Any]:
    return {"phase": section["phase"]}


def _swap(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    phases = tuple(section["phases"])
    for phase in phases:
        check_phase(phase, QUANTITIES["current"], place.at("phases"))
    if len(phases) != 2 or phases[0] == phases[1]:
        raise SiteError(f"{place.at('phases')} must name two different phases, such as ['a', 'b'], "
                        f"found {list(phases)}")
    return {"phases": phases}


def _scale(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    quantity = known_quantity(section["quantity"], place.at("quantity"))
    phases = tuple(section.get("phases", ()))
    for phase in phases:
        check_phase(phase, quantity, place.at("phases"))
    return {"quantity": quantity.name, "phases": phases, "factor": Decimal(str(section["factor"]))}


def _shift(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    shift = place.duration(section, "by", signed=True)
    if not shift:
        raise SiteError(f"{place.at('by')} = {section['by']!r} moves nothing; write a duration such as '-1 h'")
    return {"by_us": shift}


def _trim(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    if "from" in section and "to" in section:
        start, end = place.span(section)
        return {"from_us": start, "to_us": end}
    if "from" not in section and "to" not in section:
        raise SiteError(f"{place} trims nothing; give from, to or both: what lies between them is kept")
    return {
        f"{key}_us": place.instant(section, key) if key in section else None for key in ("from", "to")
    }


_SETTINGS = {
    "reverse-current": _reverse,
    "swap-currents": _swap,
    "scale": _scale,
    "shift-time": _shift,
    "trim": _trim,
}
