"""Limit tables as a lock pins them: id, edition, checksum and every limit in words, so that a change can be named.

The checksum decides; the words are there to say what changed, in the message and in the history of the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct

from pqcheck.limit_tables import LimitTable, Rule
from pqcheck.limit_tables.load_limit_table import default_rows, refuse_id_of_shipped
from pqcheck.limit_tables.wording import (
    condition_words,
    deciding_words,
    factor_words,
    judged_words,
    option_lines,
    row_name,
    row_words,
    table_words,
)
from pqcheck.model.errors import LimitTableError


class Pinned(Struct, frozen=True):
    """One table as it was when the lock was written; `rules` are the limits in words, by rule id."""

    edition: str
    sha256: str
    rules: Mapping[str, tuple[str, ...]]
    table: tuple[str, ...] | None = None
    """What decides for all rules, in words; None in a lock that was written without."""


def as_pinned(tables: Sequence[LimitTable]) -> dict[str, Any]:
    """The tables by id as plain JSON types.

    Raises `LimitTableError` for two tables of one id and different contents, and for the id of a shipped table over
    other contents.
    """
    by_id: dict[str, LimitTable] = {}
    for table in tables:
        refuse_id_of_shipped(table)
        if by_id.setdefault(table.id, table).sha256 != table.sha256:
            raise LimitTableError(
                f"two tables with the id {table.id!r} and different contents cannot be pinned together; give one of "
                f"them an id of its own"
            )
    return {table.id: {"edition": table.edition, "sha256": table.sha256, **_written(table)} for table in tables}


def pinned_from(document: Mapping[str, Any]) -> dict[str, Pinned]:
    """The tables of a lock. Raises `KeyError`, `TypeError` or `AttributeError` for what does not hold together."""
    return {
        str(name): Pinned(
            str(table["edition"]),
            str(table["sha256"]),
            {
                str(rule): tuple(map(str, (*parts["judged"], *table["limits"][parts["limits"]])))
                for rule, parts in table["rules"].items()
            },
            tuple(map(str, table["table"])) if "table" in table else None,
        )
        for name, table in document.items()
    }


def _written(table: LimitTable) -> dict[str, object]:
    """Rules in words. Rules of one table often share their limits, which are then written once."""
    named: dict[tuple[str, ...], str] = {}
    rules = {
        rule.id: {"judged": [*_judged(table, rule)], "limits": named.setdefault(_limits(rule), rule.id)}
        for rule in table.rules
    }
    limits = {name: list(lines) for lines, name in named.items()}
    return {"table": [*table_words(table)], "rules": rules, "limits": limits}


def table_differences(pinned: Pinned, table: LimitTable) -> Iterator[str]:
    """What is not as it was pinned, a sentence each."""
    if pinned.edition != table.edition:
        yield f"edition {pinned.edition} became {table.edition}"
    of_table = list(_changed_lines(pinned.table, tuple(table_words(table)))) if pinned.table is not None else []
    yield from of_table
    now = _rules(table)
    by_change: dict[str, list[str]] = {}
    for rule in sorted({*pinned.rules, *now}):
        if rule not in now:
            yield f"rule {rule} is gone"
        elif rule not in pinned.rules:
            yield f"rule {rule} is new"
        else:
            for change in _changed_lines(pinned.rules[rule], now[rule]):
                by_change.setdefault(change, []).append(rule)
    for change, rules in by_change.items():
        yield f"{', '.join(rules)}: {change}"
    if pinned.edition == table.edition and not of_table and not by_change and set(pinned.rules) == set(now):
        yield "no limit of a rule over time, but options, events or texts such as sources"


def _changed_lines(old: Sequence[str], new: Sequence[str]) -> Iterator[str]:
    """Lines that differ, put side by side where they name the same row."""
    gone = {_name(line): line for line in old if line not in new}
    come = {_name(line): line for line in new if line not in old}
    for name, line in gone.items():
        if name and name in come:
            yield f"{line} became {come.pop(name).removeprefix(name)}"
        else:
            yield f"no longer: {line}"
    for line in come.values():
        yield f"now: {line}"


def _name(line: str) -> str:
    """What comes before the limit itself."""
    name, colon, _ = line.rpartition(": ")
    return name + colon


def _rules(table: LimitTable) -> dict[str, tuple[str, ...]]:
    return {rule.id: (*_judged(table, rule), *_limits(rule)) for rule in table.rules}


def _judged(table: LimitTable, rule: Rule) -> Iterator[str]:
    yield judged_words(rule)
    if factor_words(rule):
        yield factor_words(rule)
    conditions = [*table.applies_if, *rule.applies_if]
    if conditions:
        yield f"governs where {'; '.join(condition_words(condition) for condition in conditions)}"
    yield from deciding_words(rule)


def _limits(rule: Rule) -> tuple[str, ...]:
    """The rows in force where a site declares no option, and what options change: whole it is fifteen times as long."""
    rows = (f"{row_name(row, scope=True)}{row_words(row, rule)}" for row in default_rows(rule))
    return (*rows, *option_lines(rule))
