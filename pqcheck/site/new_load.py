"""``[[new_load]]``: what is to be added, one piece or several of a kind."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from pqcheck.model.errors import SiteError
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.units import UnitError, quantity_of
from pqcheck.site.fields import Place
from pqcheck.site.measuring import check_phase

SIZES = {"current": "A", "apparent_power": "VA", "active_power": "W"}
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_MINUTES = 1440

_HOURS = re.compile(r"(\d{1,2}):(\d\d)\s*-\s*(\d{1,2}):(\d\d)")


def new_load_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """A load to be added, powers and currents for one piece.

    ``name``, ``count``, one of ``current``, ``apparent_power``, ``active_power`` (Decimal; negative powers feed in),
    ``power_factor`` and ``reactive`` of the fundamental, ``phases``, ``continuous``, ``harmonics`` (order to percent of
    the fundamental), ``spectrum`` or ``spectrum_file``, ``schedule`` (``hours`` as spans of minutes of the day,
    ``weekdays`` with Monday = 0) or ``profile``, ``start_multiple``, ``start_power_factor``.
    """
    who = f"{place} ({section['name']})"
    if section.get("kind") == "capacitor":
        return _capacitor(section, place, who)
    misplaced = [key for key in ("reactive_power", "detuning", "connection", "steps") if key in section]
    if misplaced:
        raise SiteError(f"{who} has {misplaced[0]}, which only a capacitor bank has; add kind = \"capacitor\", or "
                        f"leave it away")
    sizes = [key for key in SIZES if key in section]
    if not sizes:
        raise SiteError(f"{who} lacks its size; give current, apparent_power or active_power")
    if len(sizes) > 1:
        raise SiteError(f"{who} has {' and '.join(sizes)}, which can contradict each other; give one size, and the "
                        f"power_factor")
    for phase in section.get("phases", ()):
        check_phase(phase, QUANTITIES["current"], place.at("phases"))
        if phase == "n":
            raise SiteError(f"{place.at('phases')}: a load lies between phases or at one of them; name a, b, c")
    spectra = [key for key in ("harmonics", "spectrum", "spectrum_file") if key in section]
    if len(spectra) > 1:
        raise SiteError(f"{who} has {' and '.join(spectra)}; one spectrum is enough")
    if "schedule" in section and "profile" in section:
        raise SiteError(f"{who} has a schedule and a profile; give one of them")
    values: dict[str, Any] = {sizes[0]: _size(section, sizes[0], place)}
    for key in ("power_factor", "start_multiple", "start_power_factor", "starts_per_hour", "start_shape_factor"):
        if key in section:
            values[key] = Decimal(str(section[key]))
    for key in ("conductor_resistance", "conductor_reactance"):
        if key in section:
            values[key] = place.amount(section, key, "ohm", zero=True)
    if "starts_at_once" in section:
        values["starts_at_once"] = int(section["starts_at_once"])
    if "starts_per_hour" in section and "start_multiple" not in section:
        raise SiteError(f"{who} has starts_per_hour and no start_multiple; give the starting current in multiples of "
                        f"the running one")
    if "spectrum_tolerance" in section:
        values["spectrum_tolerance"] = place.percent(section, "spectrum_tolerance", most=Decimal(200))
    if "power_factor_span" in section:
        span = tuple(section["power_factor_span"])
        if span[0] > span[1]:
            raise SiteError(f"{place.at('power_factor_span')} must name the smaller one first, found {span[0]:g} and "
                            f"{span[1]:g}")
        values["power_factor_span"] = span
    for key in ("behaviour", "reactive", "profile", "spectrum", "spectrum_file"):
        if key in section:
            values[key] = section[key]
    values |= _lowered(section, place)
    if "schedule" in section:
        values["schedule"] = _schedule(section["schedule"], place.at("schedule"))
    spectrum = section.get("harmonics", {})
    here = place.at("harmonics")
    return {
        "name": section["name"],
        "count": int(section.get("count", 1)),
        "phases": tuple(section.get("phases", ())),
        "continuous": section.get("continuous", False),
        "same_kind_as_existing": section.get("same_kind_as_existing", False),
        "harmonics": {int(order): here.percent(spectrum, order) for order in spectrum},
        **values,
    }


def variant_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """An alternative to what is declared: ``name``, the ``loads`` it changes (absent: all), and what is other there.

    ``capacitor`` (var) with ``detuning`` adds a bank, such as a tuned filter; ``transformer`` (VA) and
    ``transformer_impedance`` replace those of the ratings.
    """
    spectra = [key for key in ("harmonics", "spectrum", "spectrum_file") if key in section]
    if len(spectra) > 1:
        raise SiteError(f"{place} ({section['name']}) has {' and '.join(spectra)}; one spectrum is enough")
    if len(section) - ("loads" in section) == 1:
        raise SiteError(f"{place} ({section['name']}) changes nothing; give it a spectrum, a limit, a bank or a "
                        f"transformer")
    values: dict[str, Any] = {"name": section["name"], "loads": tuple(section.get("loads", ()))}
    values |= {key: section[key] for key in ("spectrum", "spectrum_file") if key in section}
    if "harmonics" in section:
        here = place.at("harmonics")
        values["harmonics"] = {int(order): here.percent(section["harmonics"], order) for order in section["harmonics"]}
    for key, unit in (("capacitor", "var"), ("transformer", "VA")):
        if key in section:
            values[key] = place.amount(section, key, unit)
    for key, most in (("detuning", 50), ("transformer_impedance", 100)):
        if key in section:
            values[key] = place.percent(section, key, most=Decimal(most))
    if "detuning" in section and "capacitor" not in section:
        raise SiteError(f"{place} ({section['name']}) has a detuning and no capacitor; give its reactive power")
    return values | _lowered(section, place)


def _lowered(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """What makes a load smaller than its pieces: ``demand_factor`` and ``active_filter`` in percent, and
    ``managed_at_most`` as (Decimal, unit) for all pieces together."""
    values: dict[str, Any] = {}
    for key in ("demand_factor", "active_filter"):
        if key in section:
            values[key] = place.percent(section, key, most=Decimal(100))
    if values.get("demand_factor") == 0:
        raise SiteError(f"{place.at('demand_factor')} = 0 leaves nothing of the load; write the share of it that runs "
                        f"at once, such as '60 %'")
    if "managed_at_most" in section:
        text, here = section["managed_at_most"], place.at("managed_at_most")
        for unit in ("A", "VA", "W"):
            try:
                quantity_of(text, unit)
            except UnitError:
                continue
            values["managed_at_most"] = (here.value(text, unit), unit)
            break
        else:
            raise SiteError(f"{here} = {text!r} is no limit of a load; write it in kW, kVA or A, such as '40 kW'")
    return values


def _capacitor(section: Mapping[str, Any], place: Place, who: str) -> dict[str, Any]:
    """A capacitor bank: ``reactive_power`` at nominal voltage in var, ``detuning`` in percent, ``connection``."""
    other = [key for key in section if key not in _OF_CAPACITORS]
    if other:
        raise SiteError(f"{who} is a capacitor bank, which has no {other[0]}; it has reactive_power, detuning, "
                        f"connection and count")
    if "reactive_power" not in section:
        raise SiteError(f"{who} lacks its size; give reactive_power, such as '100 kvar'")
    detuning = place.percent(section, "detuning", most=Decimal(50))
    return {
        "name": section["name"],
        "count": int(section.get("count", 1)),
        "phases": (),
        "reactive_power": place.amount(section, "reactive_power", "var"),
        "detuning": Decimal(0) if detuning is None else detuning,
        "connection": section.get("connection", "delta"),
        "steps": int(section.get("steps", 1)),
    }


_OF_CAPACITORS = ("name", "count", "kind", "reactive_power", "detuning", "connection", "steps")


def _size(section: Mapping[str, Any], key: str, place: Place) -> Decimal | None:
    if key == "current":
        return place.amount(section, key, SIZES[key])
    try:
        value = quantity_of(section[key], SIZES[key])
    except UnitError as error:
        raise SiteError(f"{place.at(key)}: {error}") from None
    if value == 0:
        raise SiteError(f"{place.at(key)} = {section[key]!r} adds nothing; write a size, negative for a generator")
    return value


def _schedule(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    never = f"{place} never runs"
    if "hours" in section and not section["hours"]:
        raise SiteError(f"{never}: hours is empty; write them such as ['07:00-18:00'], or leave the key away")
    if "weekdays" in section and not section["weekdays"]:
        raise SiteError(f"{never}: weekdays is empty; name days such as 'mon', or leave the key away")
    spans: list[tuple[int, int]] = []
    given = section.get("hours", "00:00-24:00")
    for text in given.split(",") if isinstance(given, str) else given:
        hours = _HOURS.fullmatch(text.strip())
        start, end = (int(hours[1]) * 60 + int(hours[2]), int(hours[3]) * 60 + int(hours[4])) if hours else (-1, -1)
        if not hours or start >= DAY_MINUTES or end > DAY_MINUTES or int(hours[2]) > 59 or int(hours[4]) > 59:
            raise SiteError(f"{place.at('hours')}: {text!r} is no span of hours; write one such as '07:00-18:00'")
        if start == end:
            raise SiteError(f"{never}: {text!r} ends when it starts; write a span such as '07:00-18:00'")
        # A span over midnight belongs to the weekday on which it starts.
        spans.append((start, end if end > start else end + DAY_MINUTES))
    days = [WEEKDAYS.index(day) for day in section.get("weekdays", WEEKDAYS)]
    return {"hours": tuple(spans), "weekdays": tuple(sorted(set(days)))}
