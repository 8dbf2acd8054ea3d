"""``[pcc]`` and ``[generation]``: facts of the point of common coupling and of generation on site."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from pqcheck.model.errors import SiteError
from pqcheck.site.fields import Place
from pqcheck.site.site_values import Generation, Pcc

FROM_RECORD = "from the record"
"""Demand basis that makes the findings indicative."""

_BASIS = re.compile(r"mean of \d{1,2} monthly maxima|mean of fewer months|projected|from the record")


def pcc_from(section: Mapping[str, Any], place: Place) -> Pcc:
    """The facts of a structurally sound ``[pcc]``; SiteError when they contradict each other."""
    pcc = Pcc(
        is_pcc=section.get("is_pcc"),
        short_circuit_current=place.amount(section, "short_circuit_current", "A"),
        short_circuit_current_min=place.amount(section, "short_circuit_current_min", "A"),
        maximum_demand_current=place.amount(section, "maximum_demand_current", "A"),
        demand_basis=_basis(section, place),
        maximum_demand_current_span=_span(section, place),
        rated_current=place.amount(section, "rated_current", "A"),
    )
    low, high = pcc.short_circuit_current_min, pcc.short_circuit_current
    if low is not None and high is not None and low > high:
        raise SiteError(f"{place.at('short_circuit_current')} = {section['short_circuit_current']} is below "
                        f"short_circuit_current_min = {section['short_circuit_current_min']}; exchange the two")
    demand, short_circuit = pcc.maximum_demand_current, high if high is not None else low
    if demand is not None and short_circuit is not None and short_circuit <= demand:
        raise SiteError(f"{place}: the short-circuit current {short_circuit} A is not above maximum_demand_current "
                        f"{demand} A, which no supply can be; check the units")
    span = pcc.maximum_demand_current_span
    if span and demand is not None and not span[0] <= demand <= span[1]:
        raise SiteError(f"{place.at('maximum_demand_current')} = {demand} A lies outside maximum_demand_current_span, "
                        f"{span[0]} A to {span[1]} A")
    return pcc


def generation_from(section: Mapping[str, Any], place: Place) -> Generation:
    """What a present ``[generation]`` declares."""
    return Generation(
        declared=True,
        inverter_share=place.percent(section, "inverter_share_of_average_demand"),
        facility=section.get("facility", False),
    )


def _basis(section: Mapping[str, Any], place: Place) -> str | None:
    basis: str | None = section.get("demand_basis")
    if basis is not None and not _BASIS.fullmatch(basis):
        raise SiteError(f"{place.at('demand_basis')} = {basis!r} is not known; write 'mean of 12 monthly maxima' (the "
                        f"number may be smaller), 'mean of fewer months', 'projected' or 'from the record'")
    return basis


def _span(section: Mapping[str, Any], place: Place) -> tuple[Decimal, Decimal] | None:
    if "maximum_demand_current_span" not in section:
        return None
    here = place.at("maximum_demand_current_span")
    low, high = (here.value(text, "A") for text in section["maximum_demand_current_span"])
    if low > high:
        raise SiteError(f"{here} must name the smaller current first, found {low} A and {high} A")
    return low, high
