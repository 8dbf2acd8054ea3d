"""Each way to compute a load determination that its document leaves open, and what each comes to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import product

from msgspec import Struct

from pqcheck.limit_tables.existing_load_rules import CHOICES, DemandSource, LoadRule
from pqcheck.loads.channels import phases_of
from pqcheck.loads.declared import NewLoad, voltage_sum
from pqcheck.loads.existing_load_demand import Basis
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

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
    """Amperes of the new loads in it."""
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
        # Nominal amperes, added arithmetically; what feeds in takes nothing off.
        new = sum(
            load.line_current(site.supply) * (continuous if load.continuous else 1.0)
            for load in loads
            if phase in load.phases and not load.feeds_in
        )
        top, bottom = (multiplier * (demand + before) + after + new for demand in (high, low))
        words = _words(rule.multiplier, high, before, after, new, top, phase)
        rows.append((top, bottom, phase, new, words, _words(rule.multiplier, low, before, after, new, bottom, phase)))
    top, bottom, phase, new, words, low_words = max(rows)
    declared = all(site.load_study.get(name, value) == value for name, value in named.items())
    return Way(named, phase, bottom, top, words, low_words, new, declared)


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
