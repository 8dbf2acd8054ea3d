"""The lock of a gate: limit tables, declared facts and waivers of every scenario as they were agreed.

Whoever changes the question (a demand current, a coverage policy, an exclusion, a waiver) has to write the lock again,
and the change stands in the history of the repository.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import asdict

from pqcheck.limit_tables import LimitTable
from pqcheck.model.errors import GateError, nearest
from pqcheck.model.small_files import parse_json, read_small
from pqcheck.site.declared_facts import declared_facts, differences, flattened, shortened
from pqcheck.site.site_values import Site
from pqcheck.waivers.apply_waivers import Waiver
from pqcheck.workflows.pinned_tables import Pinned, as_pinned, pinned_from, table_differences

FORMAT = "pqcheck-lock/2"
_TABLES_ONLY = "pqcheck-lock/1"


class Question(Struct, frozen=True):
    """What one scenario is judged by."""

    site: Site
    tables: tuple[LimitTable, ...]
    waivers: tuple[Waiver, ...]

    @property
    def name(self) -> str:
        """The site, and the scenario where there is one."""
        scenario = self.site.scenario.get("name")
        return f"{self.site.name}, {scenario}" if scenario else self.site.name

    @property
    def facts(self) -> dict[str, str]:
        """Declared facts and waivers, by path."""
        return declared_facts(self.site.declared) | _waiver_facts(self.waivers)


class PinnedQuestion(Struct, frozen=True):
    """A scenario as it was pinned: ids of its tables, declared facts and waivers by path."""

    tables: tuple[str, ...]
    facts: Mapping[str, str]


class Lock(Struct, frozen=True):
    """A lock file."""

    path: str
    tables: Mapping[str, Pinned]
    questions: Mapping[str, PinnedQuestion]


def _waiver_facts(waivers: Iterable[Waiver]) -> dict[str, str]:
    entries = [
        {key: str(value) for key, value in asdict(waiver).items() if value is not None and key != "place"}
        for waiver in waivers
    ]
    return dict(flattened(entries, "waivers"))


def lock_text(questions: Sequence[Question]) -> str:
    """The lock of these questions; same questions, same bytes.

    Raises `GateError` for two of one name, and `LimitTableError` for two tables of one id and different contents.
    """
    names = [question.name for question in questions]
    for name in names:
        if names.count(name) > 1:
            raise GateError(f"two site files are both called {name!r}; give each scenario a name of its own")
    tables = {id(table): table for question in questions for table in question.tables}
    document = {
        "format": FORMAT,
        "limit_tables": as_pinned(list(tables.values())),
        "questions": {
            question.name: {"facts": question.facts, "limit_tables": sorted(table.id for table in question.tables)}
            for question in questions
        },
    }
    return json.dumps(document, sort_keys=True, ensure_ascii=False, indent=1) + "\n"


def lock_words(questions: Sequence[Question], path: str) -> str:
    """What a lock pins, for people."""
    lines = []
    for question in questions:
        tables = ", ".join(f"{table.id} (edition {table.edition}, {table.sha256[:12]})" for table in question.tables)
        lines.append(
            f"{path} pins {question.name!r}: {tables}; {len(declared_facts(question.site.declared))} declared facts; "
            f"{len(question.waivers)} waivers.\n"
        )
    return "".join(lines)


def read_lock(path: str | Path, rewrite: str) -> Lock:
    """The lock in a file; `rewrite` is the command that writes it again.

    Raises `GateError` when it is missing, is of an older format, or does not hold together.
    """
    try:
        document = parse_json(read_small(path))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise GateError(f"the lock {path} cannot be read ({reason}); write it with `{rewrite}`") from None
    except ValueError:
        raise GateError(f"the lock {path} is not JSON; write it again with `{rewrite}`") from None
    written = document.get("format") if isinstance(document, dict) else None
    if written == _TABLES_ONLY:
        raise GateError(
            f"the lock {path} is of the older format {_TABLES_ONLY}, which pins limit tables and no declared facts; "
            f"write it again with `{rewrite}`"
        )
    if written != FORMAT:
        raise GateError(f"{path} is no lock of format {FORMAT}; write one with `{rewrite}`")
    try:
        tables = pinned_from(document["limit_tables"])
        questions = {
            str(name): PinnedQuestion(
                tuple(map(str, one["limit_tables"])), {str(path): str(text) for path, text in one["facts"].items()}
            )
            for name, one in document["questions"].items()
        }
    except (KeyError, TypeError, AttributeError) as error:
        what = f"the lock {path} does not hold together ({error!r})"
        raise GateError(f"{what}; write it again with `{rewrite}`") from None
    return Lock(str(path), tables, questions)


def check_lock(lock: Lock, questions: Sequence[Question], rewrite: str) -> list[str]:
    """Every scenario must be as it was pinned; returns a line for each one that is pinned and not judged.

    Raises `GateError` that names what changed, with the old and the new value.
    """
    how = f"once that is agreed, renew the lock with `{rewrite}`"
    others = sorted(set(lock.questions) - {question.name for question in questions})
    if others:
        how += f", and with the site files of {', '.join(others)}"
    for question in questions:
        _check_tables(lock, question, how)
        pinned = lock.questions.get(question.name)
        if pinned is None:
            known = ", ".join(map(repr, sorted(lock.questions))) or "nothing"
            near = nearest(question.name, lock.questions)
            raise GateError(f"the lock {lock.path} pins {known}, and {question.name!r} is judged{near}; {how}")
        applied = {table.id for table in question.tables}
        left = [name for name in pinned.tables if name not in applied]
        added = sorted(applied - set(pinned.tables))
        if left or added:
            changes = [f"{name} is pinned and not applied" for name in left]
            changes += [f"{name} is applied and not pinned" for name in added]
            raise GateError(f"{question.name} is not what {lock.path} pins: {'; '.join(changes)}; {how}")
        changes = differences(pinned.facts, question.facts)
        if changes:
            raise GateError(f"{question.name} is not what {lock.path} pins: {shortened(changes, 5)}; {how}")
    judged = {question.name for question in questions}
    return [
        f"{lock.path} also pins {name!r} ({', '.join(one.tables)}), which is not judged here."
        for name, one in sorted(lock.questions.items())
        if name not in judged
    ]


def _check_tables(lock: Lock, question: Question, how: str) -> None:
    for table in question.tables:
        pinned = lock.tables.get(table.id)
        if pinned is None:
            known = ", ".join(sorted(lock.tables)) or "no table"
            raise GateError(
                f"the lock {lock.path} is for other tables: it pins {known}, and {table.id} is applied"
                f"{nearest(table.id, lock.tables)}; {how}"
            )
        if pinned.sha256 != table.sha256:
            raise GateError(
                f"{table.id} is not the table that {lock.path} pins (checksum {pinned.sha256[:12]} there, "
                f"{table.sha256[:12]} now): {shortened(list(table_differences(pinned, table)))}; {how}"
            )


def rewrite_command(path: str | Path, sites: Sequence[Any], tables: Any = None, waivers: Any = None) -> str:
    """``pqcheck gate --write-lock gate.lock --site site.toml``, with the files that were named."""

    def named(option: str, values: Any) -> str:
        values = values if isinstance(values, (list, tuple)) else [values]
        names = [str(one) for one in values if isinstance(one, (str, Path))]
        return f" {option} {' '.join(names)}" if names else ""

    return (
        f"pqcheck gate --write-lock {path}{named('--site', sites) or ' --site FILE'}{named('--limits', tables)}"
        f"{named('--waivers', waivers)}"
    )
