"""The demand that a load determination rests on, and each way to compute it that its document leaves open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import product

from msgspec import Struct, field

from pqcheck.limit_tables.existing_load_rules import CHOICES, DemandSource, LoadRule
from pqcheck.loads.band import at_their_least, at_their_most
from pqcheck.loads.channels import phases_of, voltage_sum
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.study_values import Demand, Maximum
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

Span = tuple[float, float]


class Basis(Struct, frozen=True):
    """Maximum demand in amperes by phase, as (lowest, highest) it can be; by window where the record distinguishes."""

    recorded: bool
    sliding: Mapping[str, Span]
    block: Mapping[str, Span] = field(default_factory=dict)
    words: str = ""


_WORDS = {
    "seasonal_addition_treatment": "seasonal load {} the multiplication",
    "continuous_new_load": "continuous new load at {}",
    "demand_window": "{} demand windows",
}


class Way(Struct, frozen=True):
    """Amperes needed in the phase that needs most, `low` to `high` where the demand is only bounded."""

    named: Mapping[str, str]
    phase: str
    low: float
    high: float
    words: str
    low_words: str
    new: float
    """Amperes of the new loads in it, the most they can be; `new_low` the least."""
    new_low: float
    declared: bool
    """No declaration speaks against this way."""

    @property
    def choices(self) -> list[str]:
        """The choices of this way as words."""
        return [_WORDS[name].format(value) for name, value in self.named.items()]


def outcome(way: Way, rating: float) -> Verdict:
    """Pass when even the highest demand fits, fail when even the lowest does not."""
    if way.high <= rating:
        return Verdict.PASS
    return Verdict.FAIL if way.low > rating else Verdict.INCONCLUSIVE


def ways_of(rule: LoadRule, source: DemandSource, basis: Basis, site: Site, loads: Sequence[NewLoad]) -> list[Way]:
    """Every way that can differ: choices without effect here are left out."""
    seasonal = _seasonal_amperes(site) if rule.seasonal and source.basis == "recorded" else 0.0
    arises = {
        "seasonal_addition_treatment": bool(seasonal) and rule.multiplier != 1,
        "continuous_new_load": any(load.continuous and not load.feeds_in for load in loads),
        "demand_window": basis.recorded and basis.sliding != basis.block,
    }
    names = [name for name in rule.choices if arises[name]]
    return [
        _way(rule, basis, site, loads, seasonal, dict(zip(names, values, strict=True)))
        for values in product(*(CHOICES[name] for name in names))
    ]


def _seasonal_amperes(site: Site) -> float:
    """The declared seasonal addition in amperes of a phase, spread evenly where it is a power."""
    value, unit = site.load_study.get("seasonal_addition", (0, "A"))
    if unit == "A":
        return float(value)
    # Watts are taken as they stand, at unity power factor: they are a declared addition, not a measurement.
    return float(value) / voltage_sum(phases_of(site.supply), site.supply)


def _way(
    rule: LoadRule, basis: Basis, site: Site, loads: Sequence[NewLoad], seasonal: float, named: Mapping[str, str]
) -> Way:
    window = basis.block if named.get("demand_window") == "block" else basis.sliding
    multiplier = float(rule.multiplier)
    before = seasonal if named.get("seasonal_addition_treatment", "before") == "before" else 0.0
    after = seasonal - before
    continuous = 1.25 if named.get("continuous_new_load") == "125 %" else 1.0
    rows = []
    for phase, (low, high) in window.items():
        # Nominal amperes, added arithmetically; what feeds in takes nothing off, and capacitors are no load.
        counted = [load for load in loads if phase in load.phases and not load.feeds_in and load.bank is None]
        least, most = (
            sum(load.line_current(site.supply) * (continuous if load.continuous else 1.0) for load in each)
            for each in (at_their_least(counted), at_their_most(counted))
        )
        ends = ((high, most), (low, least))
        top, bottom = (multiplier * (demand + before) + after + new for demand, new in ends)
        words, low_words = (
            _words(rule.multiplier, demand, before, after, new, total, phase)
            for (demand, new), total in zip(ends, (top, bottom), strict=True)
        )
        rows.append((top, bottom, phase, most, least, words, low_words))
    top, bottom, phase, most, least, words, low_words = max(rows)
    declared = all(site.load_study.get(name, value) == value for name, value in named.items())
    return Way(named, phase, bottom, top, words, low_words, most, least, declared)


def _words(
    multiplier: Decimal, demand: float, before: float, after: float, new: float, total: float, phase: str
) -> str:
    inner = f"{demand:.1f} A" if not before else f"({demand:.1f} + {before:.1f} seasonal) A"
    words = f"{multiplier.normalize():f} x {inner}"
    if after:
        words += f" + {after:.1f} A seasonal"
    if new:
        words += f" + {new:.1f} A new"
    return f"{words} = {total:.1f} A on phase {phase}"


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
    peaks = [
        (peak.value, phase) for phase, maximum in demand.currents().items() if (peak := maximum.largest) is not None
    ]
    return (max(peaks)[1], max(peaks)[0]) if peaks else None
