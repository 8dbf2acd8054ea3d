"""Limit tables: the frozen form that judging works with (`rules`), and how ``limits/*.json`` becomes it.

The written vocabulary is ``limits/limit_table.schema.json``, explained in docs/reference/limit-tables.md.
"""

from __future__ import annotations

from pathlib import Path, PurePath

from pqcheck.limit_tables.rules import (
    CONFIDENCE,
    Condition,
    LimitRow,
    LimitTable,
    Nominal,
    Reference,
    Rule,
    RulePeriod,
    RuleStatistic,
    TimeCriterion,
    ValueRange,
)

__all__ = [
    "CONFIDENCE",
    "Condition",
    "LimitRow",
    "LimitTable",
    "Nominal",
    "Reference",
    "Rule",
    "RulePeriod",
    "RuleStatistic",
    "TimeCriterion",
    "ValueRange",
    "load_table",
]


def load_table(id_or_path: str | Path) -> LimitTable:
    """The table with this id, or from this JSON file.

    Raises `LimitTableError` for what names no table, for an unknown id (nearest named) and for a table that does not
    hold together.
    """
    from pqcheck.limit_tables.load_limit_table import load
    from pqcheck.model.errors import LimitTableError

    if not isinstance(id_or_path, (str, PurePath)):
        raise LimitTableError(f"a limit table is named by its id or path, and a {type(id_or_path).__name__} was given")
    return load(str(id_or_path))
