"""Site facts that conditions of limit tables ask for: what it means when one is missing, or declared as a span."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from pqcheck.judge.declared_options import declared_options, option_text
from pqcheck.limit_tables import Condition, LimitTable
from pqcheck.limit_tables.nominals import nearest_nominal, nominal_row
from pqcheck.site.site_values import Site

_WHAT = {
    "short_circuit_ratio": ("demand-not-declared", "the maximum demand current or the short-circuit current"),
    "is_pcc": ("pcc-not-declared", "whether the measuring point is the point of common coupling"),
    "nominal_frequency": ("frequency-not-declared", "the nominal frequency ([supply] frequency)"),
}


class Answer(Struct, frozen=True):
    """Whether conditions hold; if not, the reason code and the sentence."""

    holds: bool | None
    """None: a fact is missing."""
    code: str = ""
    text: str = ""
    missing: str = ""
    """The fact that is missing, as the sentence of the reason code names it."""


def fact(site: Site, name: str) -> Decimal | str | None:
    """The value of a site fact, None when it was not declared."""
    supply, pcc, generation = site.supply, site.pcc, site.generation
    if name == "measured_at":
        return supply.measured_at
    if name == "connection":
        return supply.connection
    if name == "nominal_voltage":
        return supply.line_to_line if supply.line_to_line is not None else supply.line_to_neutral
    if name == "nominal_frequency":
        return supply.frequency
    if name == "inverter_share":
        return generation.inverter_share if generation.inverter_share is not None else Decimal(0)
    if name == "generating_facility":
        return "true" if generation.facility else "false"
    if name.startswith("option:"):
        value = declared_options(site).get(name.removeprefix("option:"))
        return None if value is None else option_text(value)
    if name == "is_pcc":
        return None if pcc is None or pcc.is_pcc is None else "true" if pcc.is_pcc else "false"
    if name == "short_circuit_ratio":
        if pcc is None or pcc.short_circuit_current is None or not pcc.maximum_demand_current:
            return None
        return pcc.short_circuit_current / pcc.maximum_demand_current
    return None


def _missing_of_ratio(site: Site) -> str:
    """What of Isc/IL is not declared."""
    pcc = site.pcc
    lacking = []
    if pcc is None or not pcc.maximum_demand_current:
        lacking.append("the maximum demand current")
    if pcc is None or pcc.short_circuit_current is None:
        lacking.append("the short-circuit current")
    return " and ".join(lacking)


def ask(site: Site, conditions: Sequence[Condition]) -> Answer:
    """Whether all conditions hold for the site. One that does not hold decides, whatever else is unknown."""
    unknown: Answer | None = None
    for condition in conditions:
        value = fact(site, condition.fact)
        if value is None and condition.default is not None:
            value = condition.default
        if value is None:
            code, what = _WHAT.get(condition.fact, ("fact-not-declared", condition.fact.replace("_", " ")))
            if condition.fact == "short_circuit_ratio":
                what = _missing_of_ratio(site)
            text = f"{what} is not declared in the site file"
            unknown = unknown or Answer(None, code, text, what if code == "demand-not-declared" else text)
            continue
        span = condition.span
        holds = str(value) in condition.values if span is None else span.holds(Decimal(value))
        if not holds:
            text = condition.reason or f"the rule does not govern {condition.fact.replace('_', ' ')} = {value}"
            return Answer(False, "outside-scope", text)
    return unknown or Answer(True)


def governs(site: Site, table: LimitTable) -> Answer:
    """Whether the conditions of a table as a whole hold for the site, its nominal voltage among them."""
    answer = ask(site, table.applies_if)
    if answer.holds and table.only_these_nominals and nominal_row(table, site.supply) is None:
        text = (
            f"{table.standard} {table.edition} is written for other nominal voltages than {site.supply.designation} "
            f"({site.supply.connection}); the nearest is {nearest_nominal(table, site.supply)}"
        )
        return Answer(False, "outside-scope", text)
    return answer


def ratio_span(site: Site) -> tuple[Decimal, Decimal] | None:
    """Smallest and largest Isc/IL that the declared spans allow; None when no span is declared."""
    pcc = site.pcc
    if pcc is None or pcc.short_circuit_current is None or not pcc.maximum_demand_current:
        return None
    if pcc.short_circuit_current_min is None and pcc.maximum_demand_current_span is None:
        return None
    weakest = pcc.short_circuit_current_min or pcc.short_circuit_current
    demands = pcc.maximum_demand_current_span or (pcc.maximum_demand_current, pcc.maximum_demand_current)
    return weakest / max(demands), pcc.short_circuit_current / min(demands)


def table_remarks(tables: Sequence[LimitTable], site: Site) -> list[str]:
    """What the tables remark about such a site, and a line for each whose row changes inside the declared spans."""
    lines = [
        f"{table.id} is not the shipped table of this id but another of the same name; give yours an id of its own."
        for table in tables
        if table.id_of_shipped
    ]
    for table in tables:
        lines += [f"{table.id}: {remark.text}" for remark in table.remarks if ask(site, remark.where).holds]
    return lines + _row_remarks(tables, site)


def _row_remarks(tables: Sequence[LimitTable], site: Site) -> list[str]:
    span = ratio_span(site)
    if span is None:
        return []
    low, high = span
    lines = []
    for table in tables:
        edges = {
            edge
            for rule in table.rules
            for row in rule.rows
            if ask(site, [one for one in row.where if one.fact != "short_circuit_ratio"]).holds
            for one in row.where
            if one.fact == "short_circuit_ratio" and one.span is not None
            for edge in (one.span.low, one.span.high)
            if edge is not None and low < edge <= high
        }
        if edges:
            named = ", ".join(f"{edge:g}" for edge in sorted(edges))
            lines.append(
                f"Isc/IL lies between {low:.4g} and {high:.4g} within the declared spans, which crosses the row edge "
                f"{named} of {table.id}; the findings use the declared single values. Settle the currents first."
            )
    return lines
