"""A waiver file beside the question it is for, before anything is judged: what would cover nothing, or too much."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal

from msgspec import Struct

from pqcheck.judge.site_facts import ask
from pqcheck.limit_tables import LimitRow, LimitTable, Rule
from pqcheck.limit_tables.nominals import nominal_row
from pqcheck.model.errors import nearest
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.units import UnitError, quantity_of
from pqcheck.site.scenario import judged_site
from pqcheck.site.site_values import Site
from pqcheck.waivers.apply_waivers import Waiver, base_of, rules_of

LONGEST_DAYS = 366
"""How long a waiver may live, where ``[waivers] longest_days`` says nothing: a year (house policy)."""


class Judged(Struct, frozen=True):
    """A scenario that waivers may be for, and the tables it is judged by."""

    site: Site
    tables: tuple[LimitTable, ...]


def faults(
    waivers: Sequence[Waiver], judged: Sequence[Judged], points: Iterable[str] = (), as_of: date | None = None
) -> list[str]:
    """A sentence for everything that is wrong with the waivers; empty when nothing is.

    `points` are names of operating points beside those of ``[gate] operating_points``; where none is known they are not
    checked. `as_of` is the day from which on a waiver has to hold (None: that is not checked).
    """
    known = {point for one in judged for point in one.site.gate.get("operating_points", ())} | set(points)
    return [
        f"{waiver.name}: {text}." for waiver in waivers for text in _faults(waiver, judged, sorted(known), as_of)
    ]


def _faults(waiver: Waiver, judged: Sequence[Judged], points: Sequence[str], as_of: date | None) -> Iterator[str]:
    about = [one for one in judged if waiver.site in (None, one.site.name)]
    if not about:
        sites = sorted({one.site.name for one in judged})
        yield f"no site is called {waiver.site!r}{nearest(waiver.site or '', sites)}"
        about = list(judged)
    scenarios = sorted({str(one.site.scenario["name"]) for one in about if "name" in one.site.scenario})
    if waiver.scenario is not None:
        if waiver.scenario not in scenarios:
            yield f"no scenario is called {waiver.scenario!r}{nearest(waiver.scenario, scenarios)}"
        about = [one for one in about if one.site.scenario.get("name") == waiver.scenario] or about
    if waiver.operating_point is not None and points and waiver.operating_point not in points:
        yield f"no operating point is called {waiver.operating_point!r}{nearest(waiver.operating_point, points)}"
    yield from _rule_faults(waiver, about)
    longest = min((int(one.site.waivers.get("longest_days", LONGEST_DAYS)) for one in about), default=LONGEST_DAYS)
    life = (waiver.expires - waiver.created).days
    if life > longest:
        yield f"it lives for {life} days, and {longest} are the most ([waivers] longest_days)"
    if waiver.status == "approved" and waiver.approver.casefold() == waiver.owner.casefold():
        yield f"{waiver.owner} owns and approves it; somebody else has to approve"
    if as_of is not None and waiver.expires < as_of:
        yield f"it expired on {waiver.expires}"


def _rule_faults(waiver: Waiver, about: Sequence[Judged]) -> Iterator[str]:
    name, _, rule_id = waiver.rule.partition("/")
    tables = {table.id: table for one in about for table in one.tables}
    if name not in tables:
        yield f"the limit table {name!r} is not applied{nearest(name, tables)}"
        return
    rules = rules_of(tables[name])
    if rule_id not in rules:
        yield f"{name} has no rule {rule_id!r}{nearest(rule_id, rules)}"
        return
    rule = next((rule for rule in tables[name].rules if rule.id == rule_id), None)
    if rule is not None:
        for one in about:
            for table in one.tables:
                if table.id == name:
                    fault = _bound_fault(waiver, rule, table, judged_site(one.site))
                    if fault:
                        yield fault
                        return


def _bound_fault(waiver: Waiver, rule: Rule, table: LimitTable, site: Site) -> str:
    """What is wrong with the ceiling or floor: no value in the unit of the rule, or on the wrong side of the limit."""
    text = waiver.ceiling if waiver.ceiling is not None else waiver.floor
    assert text is not None
    unit = QUANTITIES[rule.quantity].unit
    share, value, base = _in(text, "%"), _in(text, unit), base_of(rule, site, waiver.phase)
    relative = unit == "%" or rule.reference != "none"
    if value is None and (share is None or not relative):
        return f"{text!r} fits neither the unit of the rule ({unit}) nor its percentage"
    if share is None and value is not None and base:
        share = 100 * value / base
    if share is None or not relative:
        # Nothing declared says what the limit is in this unit.
        return ""
    floor = waiver.floor is not None
    sides = [
        limit * rule.factor
        for row in _rows(rule, table, site, waiver)
        if (limit := row.low if floor else row.high) is not None and not row.no_limit
    ]
    edge = (max if floor else min)(sides, default=None)
    if edge is not None and (share >= edge if floor else share <= edge):
        word = "floor" if floor else "ceiling"
        return f"the {word} {text} is within the limit of {edge.normalize():f} %, so it covers nothing"
    return ""


def _in(text: str, unit: str) -> Decimal | None:
    try:
        return quantity_of(text, unit or "1")
    except UnitError:
        return None


def _rows(rule: Rule, table: LimitTable, site: Site, waiver: Waiver) -> Iterator[LimitRow]:
    """The rows that hold at the site and that the waiver is about."""
    designation = nominal_row(table, site.supply) if any(row.nominal is not None for row in rule.rows) else None
    for row in rule.rows:
        if row.nominal not in (None, designation) or not ask(site, row.where).holds:
            continue
        if waiver.order is not None and row.orders is not None and waiver.order not in row.orders:
            continue
        yield row
