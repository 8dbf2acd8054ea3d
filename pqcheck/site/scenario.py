"""``[scenario]`` and ``[gate]``: a declared design scenario, and the virtual point of common coupling it is judged at.

What is judged there is an internal criterion: it uses the figures of a standard and is no statement of compliance.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from msgspec.structs import replace

from pqcheck.model.errors import SiteError
from pqcheck.site.fields import Place
from pqcheck.site.site_values import Pcc, Site
from pqcheck.site.supply import nominal_pair

_AMPERES = ("short_circuit_current", "maximum_demand_current", "fundamental_current")
_PCC_FACTS = ("short_circuit_current", "maximum_demand_current")
_TEXTS = ("name", "operating_point", "virtual_pcc", "amplitudes", "balanced", "purpose")


def scenario_from(section: Mapping[str, Any], pcc: Mapping[str, Any], connection: str, place: Place) -> dict[str, Any]:
    """The scenario: currents and voltages as `Decimal` in A and V, `nonlinear_share` in percent, `nominal` as a pair.

    `pcc` is the section ``[pcc]`` as written. SiteError when the two contradict each other.
    """
    values: dict[str, Any] = {key: section[key] for key in _TEXTS if key in section}
    values |= {key: place.amount(section, key, "A") for key in _AMPERES if key in section}
    if "fundamental_voltage" in section:
        values["fundamental_voltage"] = place.amount(section, "fundamental_voltage", "V")
    if "nominal_voltage" in section:
        values["nominal"] = nominal_pair(section["nominal_voltage"], connection, place.at("nominal_voltage"))
    if "nonlinear_share" in section:
        values["nonlinear_share"] = place.percent(section, "nonlinear_share", most=Decimal(100))
        if "fundamental_current" in section:
            raise SiteError(
                f"{place.at('nonlinear_share')} and fundamental_current both say what the percentages of a spectrum "
                "refer to; keep one of them"
            )
    for key in _PCC_FACTS:
        if key in section and key in pcc:
            raise SiteError(
                f"{place.at(key)} and pcc.{key} are both declared; the virtual PCC of the scenario stands in for "
                "[pcc], so keep one of them"
            )
    demand = values.get("maximum_demand_current")
    short_circuit = values.get("short_circuit_current")
    if demand is not None and short_circuit is not None and short_circuit <= demand:
        raise SiteError(
            f"{place}: the short-circuit current {short_circuit} A is not above maximum_demand_current {demand} A, "
            "which no supply can be; check the units"
        )
    return values


def gate_from(section: Mapping[str, Any], place: Place) -> dict[str, Any]:
    """``[gate]``: `tolerance` in percent of the limit, beyond which a margin counts as better or worse.

    `at_least_criteria` and `operating_points` are what has to be judged at least.
    """
    values = {key: section[key] for key in ("at_least_criteria", "operating_points") if key in section}
    if "tolerance" in section:
        values["tolerance"] = place.percent(section, "tolerance", most=Decimal(100))
    return values


def has_virtual_pcc(site: Site) -> bool:
    """Whether the scenario declares a point of common coupling that nobody can visit."""
    scenario = site.scenario
    given = any(key in scenario for key in _PCC_FACTS)
    return bool(scenario.get("virtual_pcc", given))


def judged_site(site: Site) -> Site:
    """The site as rules are asked about it: the virtual PCC of a scenario stands in for ``[pcc]``.

    A site without a scenario, and one whose scenario declares no virtual PCC, is returned as it is.
    """
    if not has_virtual_pcc(site):
        return site
    scenario, declared = site.scenario, site.pcc or Pcc()
    pcc = replace(
        declared,
        is_pcc=True,
        short_circuit_current=scenario.get("short_circuit_current", declared.short_circuit_current),
        maximum_demand_current=scenario.get("maximum_demand_current", declared.maximum_demand_current),
        demand_basis=declared.demand_basis or "projected",
    )
    supply = replace(site.supply, measured_at="service")
    if "nominal" in scenario:
        line_to_line, line_to_neutral = scenario["nominal"]
        supply = replace(supply, line_to_line=line_to_line, line_to_neutral=line_to_neutral)
    return replace(site, pcc=pcc, supply=supply)


def fundamental_current(site: Site) -> tuple[Decimal | None, str]:
    """What percentages of a current spectrum refer to, in A rms, and how that is known."""
    scenario, pcc = site.scenario, judged_site(site).pcc
    declared: Decimal | None = scenario.get("fundamental_current")
    if declared is not None:
        return declared, "the fundamental declared in [scenario]"
    share: Decimal | None = scenario.get("nonlinear_share")
    demand = pcc.maximum_demand_current if pcc is not None else None
    if share is None or demand is None:
        return None, ""
    return demand * share / 100, f"{share:f} % nonlinear load of the demand current {demand:f} A"
