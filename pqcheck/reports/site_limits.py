"""The limits of a table at one site: which rules govern, and their numbers in volts, amperes, hertz or percent."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from pqcheck.judging.facts import ask
from pqcheck.limit_tables import LimitTable, Row, Rule
from pqcheck.limit_tables.nominals import nearest_nominal, nominal_row
from pqcheck.limit_tables.wording import band_words, row_words
from pqcheck.site.model import Site

_HUNDRED = Decimal(100)


class SiteLimit(Struct, frozen=True):
    """One row in force at the site. `words` is the limit with its unit, after the rule's factor."""

    row: Row
    words: str
    line: str | None = None


class SiteLimits(Struct, frozen=True):
    """What a rule asks at a site. `why_not` is the sentence when it does not govern, or a fact is missing."""

    limits: tuple[SiteLimit, ...] = ()
    why_not: str | None = None


def limits_at(table: LimitTable, rule: Rule, site: Site) -> SiteLimits:
    """The rows of `rule` that hold at `site`, with their limits in the unit of the finding."""
    for conditions in (table.applies_if, rule.applies_if):
        answer = ask(site, conditions)
        if not answer.holds:
            return SiteLimits(why_not=answer.text)
    missing = _missing_reference(rule, site)
    if missing is not None:
        return SiteLimits(why_not=f"{missing} is not declared in the site file")
    rows: Sequence[Row] = rule.rows
    if any(row.nominal is not None for row in rows):
        designation = nominal_row(table, site.supply)
        rows = [row for row in rows if row.nominal == designation]
        if designation is None or not rows:
            near = nearest_nominal(table, site.supply)
            return SiteLimits(
                why_not=f"the table does not list {site.supply.designation} ({site.supply.connection}); "
                f"the nearest row is {near}"
            )
    found: list[SiteLimit] = []
    for row in rows:
        answer = ask(site, row.where)
        if answer.holds is None:
            return SiteLimits(why_not=answer.text)
        if answer.holds:
            found += _at_site(row, rule, site)
    return SiteLimits(tuple(found), None if found else "the table has no row for this site")


def _missing_reference(rule: Rule, site: Site) -> str | None:
    pcc = site.pcc
    if rule.reference == "maximum_demand_current" and (pcc is None or not pcc.maximum_demand_current):
        return "the maximum demand current"
    if rule.reference == "rated_current" and (pcc is None or not pcc.rated_current):
        return "the rated current"
    if rule.reference == "nominal_frequency" and site.supply.frequency is None:
        return "the nominal frequency"
    return None


def _at_site(row: Row, rule: Rule, site: Site) -> list[SiteLimit]:
    if row.no_limit or row.hertz or row.derating:
        return [SiteLimit(row, row_words(row, rule), row.line)]
    words = []
    for line, base, unit in _bases(rule, site):
        low, high = (None if side is None else side * rule.factor * base for side in (row.low, row.high))
        words.append(SiteLimit(row, band_words(low, high, unit, rule.strict), line or row.line))
    return words


def _bases(rule: Rule, site: Site) -> list[tuple[str | None, Decimal, str]]:
    """(line, what one unit of the written limit is at this site, unit of the result)."""
    supply, pcc = site.supply, site.pcc
    if rule.reference == "nominal" and rule.quantity == "voltage":
        lines = (("line_to_neutral", supply.line_to_neutral), ("line_to_line", supply.line_to_line))
        neutral = supply.connection != "delta"
        return [
            (line, nominal / _HUNDRED, " V")
            for line, nominal in lines
            if nominal is not None and (neutral or line == "line_to_line")
        ]
    if rule.reference == "nominal_frequency" and supply.frequency is not None:
        return [(None, supply.frequency / _HUNDRED, " Hz")]
    if rule.quantity in ("current", "current_harmonic") and pcc is not None:
        demand = {"maximum_demand_current": pcc.maximum_demand_current, "rated_current": pcc.rated_current}
        amperes = demand.get(rule.reference)
        if amperes is not None:
            return [(None, amperes / _HUNDRED, " A")]
    unit = "" if rule.unit in ("", "1") else f" {rule.unit}"
    return [(None, Decimal(1), unit + (" of the nominal voltage" if rule.reference == "nominal" else ""))]
