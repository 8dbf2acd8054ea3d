"""``[supply]``: designations of nominal voltages and the partner that belongs to each."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from pqcheck.model.errors import SiteError
from pqcheck.model.units import UnitError, quantity_of
from pqcheck.site.fields import Place
from pqcheck.site.site_values import Supply

PARTNERS = {
    Decimal(line_to_line): Decimal(line_to_neutral)
    for line_to_line, line_to_neutral in (
        (208, 120), (380, 220), (400, 230), (415, 240), (480, 277), (600, 347), (690, 400)
    )
}
"""Line-to-neutral partner of a line-to-line nominal in the standard series (IEC 60038 table 1, ANSI C84.1 table 1).

Any other nominal has U/sqrt(3) as partner.
"""

_PAIR = re.compile(r"\s*([\d.]+)\s*([a-zA-Z]*?)\s*([Yy]?)\s*/\s*([\d.]+)\s*([a-zA-Z]+)\s*\Z")
_WYE_RATIO = (Decimal("1.70"), Decimal("1.77"))
"""Published pairs lie between 1.727 (190/110) and 1.740 (400/230), sqrt(3) being 1.732."""

_SMALLEST_SPLIT_PHASE = Decimal(150)
"""Below it a bare split-phase nominal is a leg-to-neutral value by mistake (100/200 V is the smallest in use)."""


def supply_from(section: Mapping[str, Any], place: Place) -> Supply:
    """The supply of a structurally sound ``[supply]``; SiteError for a nominal or high leg that cannot be."""
    designation, connection = section["nominal_voltage"], section["connection"]
    line_to_line, line_to_neutral = nominal_pair(designation, connection, place.at("nominal_voltage"))
    high_leg = section.get("high_leg")
    if connection == "high-leg-delta" and high_leg is None:
        raise SiteError(f"{place} lacks high_leg; a high-leg delta must say which leg it is, one of a, b, c")
    if connection != "high-leg-delta" and high_leg is not None:
        raise SiteError(f"{place.at('high_leg')} has a meaning only with connection 'high-leg-delta'")
    return Supply(
        designation=designation,
        line_to_line=line_to_line,
        line_to_neutral=line_to_neutral,
        connection=connection,
        frequency=place.amount(section, "frequency", "Hz"),
        measured_at=section.get("measured_at", "service"),
        nominal_basis=section.get("nominal_basis"),
        high_leg=high_leg,
    )


def nominal_pair(designation: str, connection: str, place: Place) -> tuple[Decimal | None, Decimal]:
    """Line-to-line and line-to-neutral volts of a designation such as "400 V", "480Y/277 V" or "120/240 V".

    Line-to-line is None on a single-phase service. SiteError when the text is not a voltage, or does not fit the
    connection.
    """
    pair = _PAIR.fullmatch(designation)
    if pair:
        first = _volts(f"{pair[1]} {pair[2] or pair[5]}", designation, place)
        second = _volts(f"{pair[4]} {pair[5]}", designation, place)
        return _checked_pair(max(first, second), min(first, second), designation, connection, place)
    value = _volts(designation, designation, place)
    if connection == "single-phase":
        return None, value
    if connection == "split-phase" and value < _SMALLEST_SPLIT_PHASE:
        raise SiteError(f"{place} = {designation!r} is too low for a split-phase service between its legs; write both "
                        f"voltages, such as '120/240 V'")
    if connection in ("split-phase", "high-leg-delta"):
        return value, value / 2
    return value, PARTNERS.get(value) or value / Decimal(3).sqrt()


def _checked_pair(
    high: Decimal, low: Decimal, designation: str, connection: str, place: Place
) -> tuple[Decimal | None, Decimal]:
    ratio = high / low
    if connection == "wye":
        if not _WYE_RATIO[0] <= ratio <= _WYE_RATIO[1]:
            raise SiteError(f"{place} = {designation!r} is not a wye pair: {high} V is {ratio:.2f} times {low} V, "
                            f"a wye has 1.73; check the numbers or the connection")
        return high, low
    if connection in ("split-phase", "high-leg-delta"):
        if ratio != 2:
            raise SiteError(f"{place} = {designation!r} is not a {connection} pair: {high} V is {ratio:.2f} times "
                            f"{low} V and must be twice as much; check the numbers or the connection")
        return high, low
    if connection == "single-phase":
        raise SiteError(f"{place} = {designation!r} names two voltages, a single-phase service has one; write "
                        f"'{low} V', or connection = 'split-phase' for a service with two legs")
    raise SiteError(f"{place} = {designation!r} names two voltages, a delta without neutral has one; write "
                    f"'{high} V', or connection = 'high-leg-delta' for a delta with a tapped winding")


def _volts(text: str, designation: str, place: Place) -> Decimal:
    try:
        value = quantity_of(text, "V")
    except UnitError as error:
        raise SiteError(f"{place} = {designation!r} is not a voltage ({error}); write one such as '400 V', "
                        f"'480Y/277 V' or '120/240 V'") from None
    if value <= 0:
        raise SiteError(f"{place} = {designation!r} is not a voltage above zero")
    return value
