"""Limit tables pinned in a file: id, edition, checksum and every limit in words, so that a change can be told apart.

The checksum decides; the words are there to say what changed, in the message and in the history of the file.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct

from pqcheck.io.write_files import write_text
from pqcheck.limit_tables import LimitTable, Rule
from pqcheck.limit_tables.load_limit_table import default_rows, refuse_id_of_shipped
from pqcheck.limit_tables.wording import (
    condition_words,
    factor_words,
    judged_words,
    row_name,
    row_words,
)
from pqcheck.model.errors import GateError, LimitTableError, nearest
from pqcheck.model.small_files import parse_json, read_small

FORMAT = "pqcheck-lock/1"
_SHOWN = 3
_HOW = "once that is agreed, renew the lock with `pqcheck limits lock FILE ID...`"


class Pinned(Struct, frozen=True):
    """One table as it was when the lock was written; `rules` are the limits in words, by rule id."""

    edition: str
    sha256: str
    rules: Mapping[str, tuple[str, ...]]


class Lock(Struct, frozen=True):
    """A lock file: the tables by id."""

    name: str
    tables: Mapping[str, Pinned]


def lock_text(tables: Sequence[LimitTable]) -> str:
    """The lock of these tables; same tables, same bytes.

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
    document = {
        "format": FORMAT,
        "limit_tables": {
            table.id: {"edition": table.edition, "sha256": table.sha256, **_written(table)} for table in tables
        },
    }
    return json.dumps(document, sort_keys=True, ensure_ascii=False, indent=1) + "\n"


def _written(table: LimitTable) -> dict[str, object]:
    """Rules in words. Rules of one table often share their limits, which are then written once."""
    named: dict[tuple[str, ...], str] = {}
    rules = {
        rule.id: {"judged": [*_judged(table, rule)], "limits": named.setdefault(_limits(rule), rule.id)}
        for rule in table.rules
    }
    return {"rules": rules, "limits": {name: list(lines) for lines, name in named.items()}}


def write_lock(path: str | Path, tables: Sequence[LimitTable]) -> None:
    """Write or renew a lock, all or nothing. Raises `OutputError`."""
    write_text(path, lock_text(tables))


def read_lock(path: str | Path) -> Lock:
    """The lock in a file. Raises `GateError` when it is missing or does not hold together."""
    file = Path(path)
    try:
        document = parse_json(read_small(file))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise GateError(
            f"the lock {path} cannot be read ({reason}); write it with `pqcheck limits lock {path} ID...`"
        ) from None
    except ValueError:
        raise GateError(f"the lock {path} is not JSON; {_HOW}") from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise GateError(f"{path} is no lock of format {FORMAT}; {_HOW}")
    try:
        pinned = {
            str(name): Pinned(
                str(table["edition"]),
                str(table["sha256"]),
                {
                    str(rule): tuple(map(str, (*parts["judged"], *table["limits"][parts["limits"]])))
                    for rule, parts in table["rules"].items()
                },
            )
            for name, table in document["limit_tables"].items()
        }
    except (KeyError, TypeError, AttributeError) as error:
        raise GateError(f"the lock {path} does not hold together ({error!r}); {_HOW}") from None
    return Lock(file.name, pinned)


def check_lock(lock: Lock, tables: Sequence[LimitTable]) -> None:
    """Every table must be pinned with the checksum it has now.

    Raises `GateError` for a table the lock does not name, and for a changed one with what is different. A lock may pin
    more tables than one run applies.
    """
    for table in tables:
        pinned = lock.tables.get(table.id)
        if pinned is None:
            known = ", ".join(sorted(lock.tables)) or "no table"
            raise GateError(
                f"the lock {lock.name} is for other tables: it pins {known}, and {table.id} is applied"
                f"{nearest(table.id, lock.tables)}; {_HOW}"
            )
        if pinned.sha256 != table.sha256:
            changes = list(_differences(pinned, table))
            shown = "; ".join(changes[:_SHOWN])
            more = f"; {len(changes) - _SHOWN} more" if len(changes) > _SHOWN else ""
            raise GateError(
                f"{table.id} is not the table that {lock.name} pins (checksum {pinned.sha256[:12]} there, "
                f"{table.sha256[:12]} now): {shown}{more}; {_HOW}"
            )


def _differences(pinned: Pinned, table: LimitTable) -> Iterator[str]:
    if pinned.edition != table.edition:
        yield f"edition {pinned.edition} became {table.edition}"
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
    if pinned.edition == table.edition and not by_change and set(pinned.rules) == set(now):
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


def _limits(rule: Rule) -> tuple[str, ...]:
    """The rows in force where a site declares no option: all options together are fifteen times as long."""
    return tuple(f"{row_name(row, scope=True)}{row_words(row, rule)}" for row in default_rows(rule))
