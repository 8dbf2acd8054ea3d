"""Which limit tables govern a place, and which do not and why; a list of tables narrowed by country and kind."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from pqcheck.judge.site_facts import ask, governs
from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.by_country import tables_that_fit
from pqcheck.model.errors import LimitTableError, nearest
from pqcheck.model.quantities import ASKED, EVENTS
from pqcheck.reports.show_limit_table import limits_at
from pqcheck.reports.text import wrap
from pqcheck.site.site_values import Site

LOAD = "load"
"""The kind of tables with determinations of an existing load."""


def kinds_of(table: LimitTable) -> set[str]:
    """The quantities that a table is about, ``events`` and ``load`` among them."""
    kinds = {rule.quantity for rule in table.rules}
    return kinds | ({EVENTS} if table.event_rules else set()) | ({LOAD} if table.load_rules else set())


def narrowed(tables: Iterable[LimitTable], country: str | None, kind: str | None) -> list[LimitTable]:
    """The tables of a country (ISO 3166-1, two letters) and of a kind (a quantity, ``events``, ``load``).

    Raises `LimitTableError` for no code, for an unknown kind, and where nothing is left.
    """
    chosen = list(tables)
    known = (*ASKED, LOAD)
    if kind is not None and kind not in known:
        hint = nearest(kind, known) or "; it is a quantity, events or load"
        raise LimitTableError(f"there is no kind {kind!r}{hint}")
    if country is not None:
        of_country = tables_that_fit(country)
        chosen = [table for table in chosen if table.id in of_country]
    if kind is not None:
        chosen = [table for table in chosen if kind in kinds_of(table)]
    if not chosen:
        named = (("country", country and country.upper()), ("kind", kind))
        asked = " and ".join(f"{name} {value}" for name, value in named if value)
        raise LimitTableError(f"no shipped table is of {asked}; `pqcheck limits` lists all")
    return chosen


def tables_for_site_text(tables: Sequence[LimitTable], site: Site, country: str | None = None) -> str:
    """The tables that govern the site, those that wait for a fact, and those that do not, each with its reason."""
    governing: list[str] = []
    waiting: dict[str, list[str]] = {}
    excluded: dict[str, list[str]] = {}
    for table in tables:
        answer = governs(site, table)
        reasons = list(_reasons(table, site))
        in_force = reasons.count("")
        if answer.holds and in_force:
            governing.append(f"  {table.id}: {table.title} ({in_force} of {len(reasons)} rules in force)")
            continue
        text = " ".join(list(dict.fromkeys(reasons))[:3]) if answer.holds else answer.text
        known = answer.holds is False or (answer.holds and _excludes(table, site))
        (excluded if known else waiting).setdefault(text, []).append(table.id)
    country_words = f", country {country.upper()}" if country else ""
    head = (
        f"Shipped tables for {site.name}, {site.supply.designation}, {site.supply.connection}{country_words}. Which of "
        f"them binds, law and contract say{'' if country else '; tables of all countries are listed'}."
    )
    lines = [wrap(head), "", "Govern here:", *(governing or ["  none of them"])]
    for title, tables_by_reason in (("Open until a fact is declared:", waiting), ("Do not govern here:", excluded)):
        lines += ["", title] if tables_by_reason else []
        lines += [wrap(f"{', '.join(ids)}: {text}", "  ", "      ") for text, ids in tables_by_reason.items()]
    return "\n".join(lines) + "\n"


def _reasons(table: LimitTable, site: Site) -> Iterator[str]:
    """Why each rule of the table is not in force at the site; an empty text for one that is."""
    yield from (limits_at(table, rule, site).why_not or "" for rule in table.rules)
    for event_rule in table.event_rules:
        answer = ask(site, event_rule.applies_if)
        yield "" if answer.holds else answer.text
    yield from ("" for _ in table.load_rules)


def _excludes(table: LimitTable, site: Site) -> bool:
    """Whether no rule waits for a fact: what the table asks is known, and excludes the site."""
    conditions = [*(rule.applies_if for rule in table.rules), *(rule.applies_if for rule in table.event_rules)]
    return bool(table.nominals) or all(ask(site, each).holds is False for each in conditions)
