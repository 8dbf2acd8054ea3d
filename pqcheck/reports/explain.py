"""One rule in words: what is judged, against what, where the number comes from, and what it does not say."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from pqcheck.errors import LimitTableError, nearest
from pqcheck.limit_tables import LimitTable, Row, Rule
from pqcheck.limit_tables.library import default_rows
from pqcheck.limit_tables.wording import (
    condition_words,
    factor_words,
    judged_words,
    orders_words,
    row_words,
)
from pqcheck.site.model import Site

_WIDTH = 100


def explained(name: str, tables: Sequence[LimitTable], site: Site | None = None) -> str:
    """The rule called `name` (``rule`` or ``table/rule``) in every table that has it; at a site the rows in force.

    Raises `LimitTableError` when no table has it.
    """
    wanted, _, rule_id = name.rpartition("/")
    found = [
        (table, rule)
        for table in tables
        if wanted in ("", table.id)
        for rule in table.rules
        if rule.id == rule_id
    ]
    if not found:
        known = [f"{table.id}/{rule.id}" for table in tables for rule in table.rules]
        ids = [rule.id for table in tables for rule in table.rules]
        near = nearest(name, known if "/" in name else ids)
        raise LimitTableError(
            f"no applied table has a rule {name!r}{near}; `pqcheck limits show {tables[0].id}` lists the rules"
            if tables
            else f"there is no table to look for {name!r} in; name one with --limits"
        )
    return "\n".join("\n".join(_lines(table, rule, site)) for table, rule in found) + "\n"


def _lines(table: LimitTable, rule: Rule, site: Site | None) -> Iterator[str]:
    yield f"{table.id}/{rule.id}: {rule.title}"
    yield _wrapped(f"{table.standard} {table.edition}, {rule.clause}; confidence of the numbers: {rule.confidence}.")
    yield _wrapped(f"Judged: {judged_words(rule)}.")
    if factor_words(rule):
        yield _wrapped(f"Factor: {factor_words(rule)}.")
    conditions = [*table.applies_if, *rule.applies_if]
    if conditions:
        yield _wrapped(f"Governs where: {'; '.join(condition_words(one) for one in conditions)}.")
    if rule.time_criterion is not None:
        yield _wrapped(
            f"The document gives range {rule.time_criterion.range} and no share of time; [[criteria]] in the site file "
            "declares one, and whose policy it is."
        )
    rows = _in_force(rule, site)
    yield "  Limits at the site:" if site is not None else "  Limits:"
    for row in rows:
        yield _wrapped(f"{_row_name(row)}{row_words(row, rule)}", "    ", "      ")
    if not rows:
        yield "    none at this site"
    if rule.note:
        yield _wrapped(f"Note: {rule.note}")
    yield _wrapped(f"A waiver for it names rule = \"{table.id}/{rule.id}\".")


def _in_force(rule: Rule, site: Site | None) -> Sequence[Row]:
    if site is None:
        return default_rows(rule)
    from pqcheck.judging.facts import ask
    from pqcheck.site.scenario import judged_site

    place = judged_site(site)
    return tuple(row for row in rule.rows if ask(place, row.where).holds)


def _row_name(row: Row) -> str:
    parts = [row.label or "", row.nominal or "", f"orders {orders_words(row.orders)}" if row.orders else ""]
    named = ", ".join(part for part in parts if part)
    return f"{named}: " if named else ""


def _wrapped(text: str, indent: str = "  ", further: str = "    ") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=indent, subsequent_indent=further, break_on_hyphens=False)
