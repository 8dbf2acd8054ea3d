"""The maximum demand that a load determination rests on: declared by a person, or the highest of the record."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from msgspec import Struct, field

from pqcheck.limit_tables.existing_load_rules import DemandSource
from pqcheck.loads.channels import phases_of
from pqcheck.loads.declared import voltage_sum
from pqcheck.loads.study_values import Demand, Maximum
from pqcheck.site.site_values import Site

Span = tuple[float, float]


class Basis(Struct, frozen=True):
    """Maximum demand in amperes by phase, as (lowest, highest) it can be; by window where the record distinguishes."""

    recorded: bool
    sliding: Mapping[str, Span]
    block: Mapping[str, Span] = field(default_factory=dict)
    words: str = ""


def declared_basis(site: Site, source: DemandSource, demand: Demand) -> tuple[Basis | None, str]:
    """The declared maximum demand in amperes of each phase, or None and why it cannot be used."""
    study = site.load_study
    if "maximum_demand" not in study:
        return None, "no maximum demand is declared"
    months = study.get("maximum_demand_months")
    if months is None or months < source.months:
        known = "of an undeclared number of" if months is None else f"of {months}"
        return None, f"the declared maximum demand is {known} months, and the rule asks for {source.months}"
    value, unit = study["maximum_demand"]
    amperes = _in_amperes(value, unit, site)
    if amperes is None:
        return None, (
            f"the declared maximum demand of {value / 1000:f} kW is no current: kilowatts cannot be compared with "
            "amperes without the power factor at that demand"
        )
    basis = f"maximum demand of {months} months as declared"
    if "maximum_demand_basis" in study:
        basis += f", {study['maximum_demand_basis']}"
    if unit != "A":
        basis += ", spread evenly over the phases"
    if unit == "W":
        basis += _kilowatt_words(float(value), site)
    highest = _highest(demand)
    if highest is not None and highest[1] > amperes:
        basis += f"; the record itself shows {highest[1]:.1f} A on phase {highest[0]}, which is more and is used"
        amperes = highest[1]
    spans = {phase: (amperes, amperes) for phase in phases_of(site.supply)}
    return Basis(False, spans, spans, basis), ""


def _in_amperes(value: Decimal, unit: str, site: Site) -> float | None:
    if unit == "A":
        return float(value)
    factor = site.load_study.get("maximum_demand_power_factor")
    if unit == "W" and factor is None:
        return None
    apparent = float(value) / (float(factor) if unit == "W" and factor is not None else 1.0)
    return apparent / voltage_sum(phases_of(site.supply), site.supply)


def _kilowatt_words(watts: float, site: Site) -> str:
    """Kilowatts as if they were kilovoltamperes: what a comparison by kilowatts alone would take, for information."""
    amperes = watts / voltage_sum(phases_of(site.supply), site.supply)
    return f"; by kilowatts alone the demand would be {amperes:.1f} A, for information"


def recorded_basis(demand: Demand, site: Site) -> tuple[Basis | None, str]:
    """The highest demand of the record by phase, or None where no current was recorded."""
    currents = demand.currents()
    if not currents:
        return None, "no current was recorded, and kilowatts cannot be compared with amperes without the power factor"
    spans = {phase: both for phase, maximum in currents.items() if (both := _spans(maximum)) is not None}
    if not spans:
        return None, "the recorded currents hold no full demand interval"
    words = _recorded_words(demand)
    power = demand.maximum("active_power")
    if power is not None and power.largest is not None:
        words += _kilowatt_words(power.largest.value, site)
    sliding, block = ({phase: both[number] for phase, both in spans.items()} for number in (0, 1))
    return Basis(True, sliding, block, words), ""


def _spans(maximum: Maximum) -> tuple[Span, Span] | None:
    """(sliding, block), each the lowest and highest it can be."""
    bounds = maximum.bounds
    if maximum.block is None:
        return None if bounds is None else (bounds, bounds)
    block = (maximum.block.value, maximum.block.value)
    if maximum.sliding is not None:
        return (maximum.sliding.value, maximum.sliding.value), block
    return bounds or block, block


def _recorded_words(demand: Demand) -> str:
    minutes = f"{demand.interval_s / 60:g}"
    words = f"highest {minutes}-minute mean (root mean square) of the record"
    highest = _highest(demand)
    if demand.earliest and highest is not None:
        first = max(demand.earliest, key=lambda phase: demand.earliest[phase])
        words += f"; at the start phase {first} had the highest load"
        words += f", later phase {highest[0]} had more" if highest[0] != first else " and also later"
    return words


def _highest(demand: Demand) -> tuple[str, float] | None:
    peaks = [(peak.value, phase) for phase, one in demand.currents().items() if (peak := one.largest) is not None]
    return (max(peaks)[1], max(peaks)[0]) if peaks else None
