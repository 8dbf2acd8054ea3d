"""What a site declares about its limit tables: are the options and criteria known to them, and their values too?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pqcheck.limit_tables.rules import LimitTable
from pqcheck.model.errors import SiteError, nearest
from pqcheck.site.site_values import Site


def declared_options(site: Site) -> Mapping[str, Any]:
    """``[limits.options]`` as declared."""
    options: Mapping[str, Any] = site.declared.get("limits", {}).get("options", {})
    return options


def option_text(value: Any) -> str:
    """A declared value as tables write it: ``true``, ``5,7,11,13`` for a list of orders however it is written."""
    if isinstance(value, bool):
        return str(value).lower()
    items = [str(item).strip() for item in (value if isinstance(value, list) else str(value).split(","))]
    if all(item.isascii() and item.isdigit() for item in items):
        items = [str(order) for order in sorted(map(int, items))]
    return ",".join(items)


def check_declarations(site: Site, tables: Sequence[LimitTable]) -> None:
    """Raise `SiteError` for an option or criterion that no table knows, and for a value that it does not have.

    What the tables applied do not know may belong to a table that this run leaves out: one that the site applies, or a
    shipped one.
    """
    known = [*tables]
    names = {name for table in tables for name in table.options}
    criteria = {table.id for table in tables} | {table.base for table in tables}
    if any(name not in names for name in declared_options(site)) or any(
        criterion.table not in criteria for criterion in site.criteria
    ):
        known += _others(site, tables)
    for name, value in declared_options(site).items():
        _check_option(name, option_text(value), tables, known)
    for number, criterion in enumerate(site.criteria, start=1):
        place = f"criteria[{number}]"
        named = [table for table in known if criterion.table in (table.id, table.base)]
        if not named:
            ids = sorted({table.id for table in known})
            raise SiteError(f"{place}.table = {criterion.table!r} is no limit table{nearest(criterion.table, ids)}")
        ranges = {
            rule.time_criterion.range for table in named for rule in table.rules if rule.time_criterion is not None
        }
        if criterion.range not in ranges:
            wanted = ", ".join(sorted(ranges)) or "none: it leaves no time criterion to the site"
            raise SiteError(
                f"{place}.range = {criterion.range!r} is no range of {criterion.table}; it has {wanted}"
                f"{nearest(criterion.range, ranges)}"
            )


def _others(site: Site, tables: Sequence[LimitTable]) -> list[LimitTable]:
    from pqcheck.limit_tables.load_limit_table import load, table_ids

    at_hand = {table.id for table in tables}
    return [load(name) for name in dict.fromkeys((*site.apply, *table_ids())) if name not in at_hand]


def _check_option(name: str, value: str, applied: Sequence[LimitTable], known: Sequence[LimitTable]) -> None:
    holders = [table for table in known if name in table.options]
    place = f"limits.options.{name}"
    if not holders:
        asked = sorted({option for table in applied for option in table.options})
        every = sorted({option for table in known for option in table.options})
        raise SiteError(
            f"{place} is no option of any table; the tables applied have {', '.join(asked) or 'none'}"
            f"{nearest(name, asked) or nearest(name, every)}"
        )
    asking = [table for table in applied if name in table.options]
    # A table applied must know the value; where none of them has the option, one of the others must.
    refusing = [table for table in asking or holders if value not in table.options[name]]
    if refusing and (asking or len(refusing) == len(holders)):
        values = refusing[0].options[name]
        raise SiteError(
            f"{place} = {value!r} is no value that {refusing[0].id} knows; write one of "
            f"{', '.join(map(repr, values))}{nearest(value, values)}"
        )
