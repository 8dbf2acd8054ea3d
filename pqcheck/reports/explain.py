"""One rule in words: what is judged, against what, where the number comes from, and what it does not say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.judge.declared_options import check_declarations
from pqcheck.limit_tables import LimitRow, LimitTable, Rule
from pqcheck.limit_tables.load_limit_table import default_rows
from pqcheck.limit_tables.wording import (
    condition_words,
    deciding_words,
    factor_words,
    interruption_words,
    judged_words,
    option_lines,
    row_name,
    row_words,
)
from pqcheck.model.errors import LimitTableError, nearest
from pqcheck.reports.text import wrap
from pqcheck.site.site_values import Site


def explained(name: str, tables: Sequence[LimitTable], site: Site | None = None) -> str:
    """The rule called `name` (``rule`` or ``table/rule``) in every table that has it; at a site the rows in force.

    Raises `LimitTableError` when no table has it, `SiteError` for options and criteria that no table knows.
    """
    if site is not None:
        check_declarations(site, tables)
    wanted, _, rule_id = name.rpartition("/")
    matches = [
        (table, rule) for table in tables if wanted in ("", table.id) for rule in table.rules if rule.id == rule_id
    ]
    if not matches:
        known = [f"{table.id}/{rule.id}" for table in tables for rule in table.rules]
        ids = [rule.id for table in tables for rule in table.rules]
        near = nearest(name, known if "/" in name else ids)
        raise LimitTableError(
            f"no applied table has a rule {name!r}{near}; `pqcheck limits show {tables[0].id}` lists the rules"
            if tables
            else f"there is no table to look for {name!r} in; name one with --limits"
        )
    return "\n".join("\n".join(_lines(table, rule, site)) for table, rule in matches) + "\n"


def _lines(table: LimitTable, rule: Rule, site: Site | None) -> Iterator[str]:
    yield f"{table.id}/{rule.id}: {rule.title}"
    yield from (wrap(line, "  ", "    ") for line in _about(table, rule))
    yield "  Limits at the site:" if site is not None else "  Limits:"
    rows = _in_force(rule, site)
    yield from (wrap(f"{row_name(row)}{row_words(row, rule)}", "    ", "      ") for row in rows)
    if not rows:
        yield "    none at this site"
    if site is None:
        yield from (wrap(line, "    ", "      ") for line in option_lines(rule))
    if rule.note:
        yield wrap(f"Note: {rule.note}", "  ", "    ")
    yield wrap(f'A waiver for it names rule = "{table.id}/{rule.id}".', "  ", "    ")


def _about(table: LimitTable, rule: Rule) -> Iterator[str]:
    yield f"{table.standard} {table.edition}, {rule.clause}; confidence of the numbers: {rule.confidence}."
    yield from (f"Source {name}: {table.sources[name]}." for name in rule.sources)
    yield f"Judged: {judged_words(rule)}."
    if factor_words(rule):
        yield f"Factor: {factor_words(rule)}."
    conditions = [*table.applies_if, *rule.applies_if]
    if conditions:
        yield f"Governs where: {'; '.join(map(condition_words, conditions))}."
    yield from (f"{line[0].upper()}{line[1:]}." for line in deciding_words(rule))
    yield f"A voltage {interruption_words(table)}."


def _in_force(rule: Rule, site: Site | None) -> Sequence[LimitRow]:
    if site is None:
        return default_rows(rule)
    from pqcheck.judge.site_facts import ask
    from pqcheck.site.scenario import judged_site

    place = judged_site(site)
    return tuple(row for row in rule.rows if ask(place, row.where).holds)
