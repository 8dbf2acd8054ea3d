"""What the shipped library holds, counted."""

from __future__ import annotations

from typing import NamedTuple

from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.files import load, table_ids
from pqcheck.limit_tables.words import default_rows


class Counts(NamedTuple):
    """How much there is."""

    tables: int
    rules: int
    rows: int
    """Rows of limits in force where a site declares no option, steps of event curves, classes of events
    and sources of a maximum demand included."""


def count(*tables: LimitTable) -> Counts:
    """Tables, rules and rows of the tables given."""
    rules = sum(len(table.rules) + len(table.event_rules) + len(table.load_rules) for table in tables)
    rows = sum(len(default_rows(rule)) for table in tables for rule in table.rules)
    events = [rule for table in tables for rule in table.event_rules]
    rows += sum(len(rule.lower) + len(rule.upper) + len(rule.classes) for rule in events)
    rows += sum(len(rule.sources) for table in tables for rule in table.load_rules)
    return Counts(len(tables), rules, rows)


def library_sentence() -> str:
    """The sentence of the README about the shipped tables."""
    counts = count(*map(load, table_ids()))
    return f"{counts.tables} limit tables with {counts.rules} rules and {counts.rows} rows of limits are shipped."
