"""The supplies between which the truth lies where the neutral's impedance is not declared or the direction of a drop
is not known, and what predictions over all of them amount to.

No neutral and one as large as a phase are no bounds of each other: the drop in the neutral lowers the voltage of the
phase that is loaded and lifts that of others. What feeds in and draws reactive power lifts the voltage of a resistance
and lowers that of a reactance.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from pqcheck.loads.declared import NewLoad
from pqcheck.loads.predict import by_place, opened, place, worst_of
from pqcheck.loads.supply_impedance import SupplyImpedance
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Supply

NEUTRAL = ("impedance of the neutral", "as large as that of a phase")
RATIO = ("X/R of the supply", "resistance or reactance alone")
"""The inputs that are not declared, and where they are tried."""


def loads_neutral(loads: Sequence[NewLoad], supply: Supply) -> bool:
    """Whether some load sends current through the neutral: connected to it, or with triplens on three phases."""
    if supply.connection == "delta":
        return False
    return any(
        len(load.phases) == 1 or (len(load.phases) == 3 and any(order % 3 == 0 for order in load.spectrum.percent))
        for load in loads
        if load.bank is None
    )


def supply_cases(
    loads: Sequence[NewLoad], source: SupplyImpedance | None, supply: Supply
) -> tuple[SupplyImpedance | None, ...]:
    """The supply as declared, then with other neutrals or directions of drops; the last lowers voltages most."""
    if source is None:
        return (source,)
    cases = _neutral_cases(loads, source, supply)
    if source.angle_known or not any(_lifts_or_lowers(load) for load in loads):
        return cases
    either = [replace(case, own_moves=moves) for moves in (1, -1) for case in cases]
    return (source, *either)


def _lifts_or_lowers(load: NewLoad) -> bool:
    """Whether its active and reactive power move the voltage in opposite directions."""
    return load.bank is None and bool(load.reactive_var) and load.leading is not load.feeds_in


def _neutral_cases(
    loads: Sequence[NewLoad], source: SupplyImpedance, supply: Supply
) -> tuple[SupplyImpedance, ...]:
    if not loads_neutral(loads, supply):
        return (source,)
    with_neutral = source if source.neutral_known else replace(source, neutral_as_phase=True)
    if not with_neutral.neutral_impedance(1):
        return (source,)
    if source.angle_known and all(load.angle_known for load in loads):
        return (source,) if source.neutral_known else (source, with_neutral)
    return (source, replace(with_neutral, neutral_moves=1), replace(with_neutral, neutral_moves=-1))


def agreed(runs: Sequence[Sequence[Finding]], *, declared: bool) -> list[Finding]:
    """The worst prediction of each criterion over all supplies; open where some of them fail it and others do not."""
    if len(runs) == 1:
        return list(runs[0])
    why = "phase-angles-unknown" if declared else "neutral-not-declared"
    places = [by_place(run) for run in runs]
    result = []
    for worst in worst_of(*runs):
        each = [known[place(worst)] for known in places if place(worst) in known]
        verdicts = {finding.verdict for finding in each}
        if len(verdicts) > 1 and Verdict.REFUSED not in verdicts:
            best = worst_of(*([finding] for finding in each if finding.verdict is not worst.verdict))[0]
            worst = opened(worst, best, worst, why)
        result.append(worst)
    return result
