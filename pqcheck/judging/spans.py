"""Whether the row of a limit table changes inside the spans that the site declares for its currents."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from pqcheck.judging.facts import ask
from pqcheck.limit_tables import LimitTable
from pqcheck.site.model import Site


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


def row_remarks(tables: Sequence[LimitTable], site: Site) -> list[str]:
    """One line for each table whose row changes inside the declared spans."""
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
