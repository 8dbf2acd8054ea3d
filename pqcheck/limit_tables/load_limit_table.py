"""The library of limit tables: find and load the shipped ones by id, a user's own by path; what it holds, counted.

Shipped tables are checked by the tests and identified by their checksum; a table given by path has to meet the schema
and the semantic checks here and now. Only the table that is asked for (and the base of an overlay) is read.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from msgspec import structs
from msgspec.structs import replace

from pqcheck.limit_tables.conditions import holds_by_default
from pqcheck.limit_tables.overlays import merge_overlay
from pqcheck.limit_tables.rules import LimitRow, LimitTable, Remark, Rule
from pqcheck.limit_tables.table_from_json import table_from
from pqcheck.limit_tables.written import Problem, read_json
from pqcheck.model.errors import LimitTableError, nearest
from pqcheck.model.small_files import read_small

MARKER = "limit_table.schema.json"
"""A folder holds limit tables only if this file is in it: other packages named ``limits`` exist."""

_FAMILY = re.compile(r"[a-z]+(?:-[a-z]+)?[\d.]*")
"""The standard that an id begins with, without part, edition and level."""


def limits_folder() -> Path:
    """The folder of the shipped tables: inside the package when installed, beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "limits", package.parent / "limits"):
        if (folder / MARKER).is_file():
            return folder
    raise LimitTableError(
        f"The limit tables that belong to pqcheck are missing (no {MARKER} in or beside the package); "
        "install pqcheck again."
    )


def table_ids() -> tuple[str, ...]:
    """The ids of the shipped tables, sorted; no table is read."""
    return tuple(sorted(path.stem for path in limits_folder().glob("*.json") if path.name != MARKER))


def load(id_or_path: str, *, check_shipped: bool = False) -> LimitTable:
    """The table or overlay with this id, or in this JSON file; with `check_shipped` every check is run for any table.

    The checksum is sha256 over the file's bytes; for an overlay over the bytes of its base followed by its own. What is
    read and cannot be meant stands under the remarks of a table given by path.
    Raises `LimitTableError` for an unknown id (nearest named) and for a file that does not hold together.
    """
    path, shipped = _locate(id_or_path)
    if shipped and not check_shipped:
        data = _read(path)
        written = read_json(data, path.stem)
        if "overlay_of" not in written:
            return table_from(written, hashlib.sha256(data).hexdigest())
        base_path = _base_path(written["overlay_of"], path, path.stem)
        base_data = _read(base_path)
        base = read_json(base_data, base_path.name)
        return table_from(merge_overlay(written, base), hashlib.sha256(base_data + data).hexdigest(), base["id"])
    examined = examine_named(id_or_path)
    if examined.table is None:
        first = examined.errors[0]
        raise LimitTableError(f"{examined.name}: {first.path}: {first.text}")
    return examined.table


class ExaminedFile(NamedTuple):
    """The file of a table: errors and doubts with their places, and the table where there is no error."""

    name: str
    text: str
    errors: tuple[Problem, ...]
    doubts: tuple[Problem, ...]
    table: LimitTable | None

    def lines(self, problems: Iterable[Problem]) -> list[str]:
        """The problems in the order of the file, each with its line where it stands in this file."""
        from pqcheck.limit_tables.line_of_path import line_of

        placed = sorted((line_of(self.text, problem.path), problem) for problem in problems)
        return [f"{self.name}, line {line}: {path}: {text}" for line, (path, text) in placed]


def examine_named(id_or_path: str) -> ExaminedFile:
    """Everything that is wrong with a table, and the table where it can be read.

    Raises `LimitTableError` for what is not there or no JSON file, and for an overlay whose base does not hold
    together.
    """
    from pqcheck.limit_tables.examine import examine

    path, shipped = _locate(id_or_path)
    # A shipped table is named by its file: messages and results must not depend on where pqcheck is installed.
    name = path.stem if shipped else path.name
    data = _read(path)
    written = read_json(data, name)
    schema = json.loads((limits_folder() / MARKER).read_bytes())
    base, base_data = None, b""
    if isinstance(written, dict) and isinstance(written.get("overlay_of"), str):
        base_path = _base_path(written["overlay_of"], path, name)
        base_data = _read(base_path)
        base = read_json(base_data, base_path.name)
        of_base = examine(base, schema).errors if looks_like_path(written["overlay_of"]) else ()
        if of_base:
            raise LimitTableError(f"{base_path.name}: {of_base[0].path}: {of_base[0].text}")
    errors, doubts, merged = structs.astuple(examine(written, schema, base))
    text = data.decode(json.detect_encoding(data)).removeprefix("\ufeff")
    examined = ExaminedFile(name, text, errors, doubts, None)
    if merged is None:
        return examined
    table = table_from(merged, hashlib.sha256(base_data + data).hexdigest(), base["id"] if base else None)
    remarks = (Remark((), line.removeprefix(f"{name}, ")) for line in examined.lines(doubts))
    copy = not shipped and _is_edited_copy(table)
    return examined._replace(table=replace(table, remarks=(*table.remarks, *remarks), id_of_shipped=copy))


def _is_edited_copy(table: LimitTable) -> bool:
    return table.id in table_ids() and load(table.id).sha256 != table.sha256


def refuse_id_of_shipped(table: LimitTable) -> None:
    """Raise `LimitTableError` for a table that is not the shipped one of its id."""
    if table.id_of_shipped:
        raise LimitTableError(
            f"{table.id} is the id of a shipped table, and this one differs from it (sha256 {table.sha256[:12]}, the "
            f"shipped one {load(table.id).sha256[:12]}); give it an id of its own"
        )


def _locate(id_or_path: str) -> tuple[Path, bool]:
    """The file of a table, and whether it is a shipped one."""
    if not looks_like_path(id_or_path):
        # Not by asking for the file: some systems find it in any case of letters.
        if id_or_path in table_ids():
            return limits_folder() / f"{id_or_path}.json", True
        if not Path(id_or_path).is_file():
            raise LimitTableError(
                f"There is no limit table {id_or_path!r} (`pqcheck limits` lists them; a table of your own is named by "
                f"its path){_meant(id_or_path) or '.'}"
            )
    return Path(id_or_path), False


def family_of(name: str) -> tuple[str, ...]:
    """Ids of the shipped tables that a name in any writing (``EN 50160``, ``ieee519``, ``c84``) is about.

    Every edition and level of the standard that it names, or else whatever holds the name; empty where nothing does.
    """
    wanted = _plain(name)
    ids = table_ids() if len(wanted) > 1 else ()
    families = {each: _plain(match[0]) for each in ids if (match := _FAMILY.match(each))}
    named = tuple(each for each in ids if wanted.startswith(families[each]) or families[each].startswith(wanted))
    return named or tuple(each for each in ids if len(wanted) > 2 and wanted in _plain(each))


def _meant(name: str) -> str:
    """The table that a name stands nearest to, and all of its family; the family alone where it names no edition."""
    family = family_of(name)
    near = nearest(name.lower(), family or table_ids())
    if len(family) < 2:
        return near
    if not near or any(_plain(name) in _plain(each) for each in family if each != name.lower()):
        return f"; did you mean one of {', '.join(family)}?"
    return f"{near.removesuffix('?')}, or another of {', '.join(family)}?"


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def looks_like_path(id_or_path: str) -> bool:
    """Whether the text names a file rather than a shipped table: it ends with ``.json`` or has a folder in it."""
    return id_or_path.endswith(".json") or "/" in id_or_path or "\\" in id_or_path


def _read(path: Path) -> bytes:
    try:
        return read_small(path)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise LimitTableError(
            f"The limit table {path} cannot be read ({reason}); check the path, or give the id of a shipped table."
        ) from error


def _base_path(name: str, overlay: Path, where: str) -> Path:
    """The file of an overlay's base: a shipped id, or a path relative to the overlay."""
    path = overlay.parent / name if looks_like_path(name) else limits_folder() / f"{name}.json"
    if not path.is_file() or path.name == MARKER:
        raise LimitTableError(
            f"{where}: overlay_of: there is no base table {name!r} (a shipped table is named by its id, a file by its "
            f"path relative to the overlay){nearest(name, table_ids()) or '.'}"
        )
    return path


class LibraryCount(NamedTuple):
    """How much there is."""

    tables: int
    rules: int
    rows: int
    """Rows of limits in force where a site declares no option, steps of event curves, classes of events
    and sources of a maximum demand included."""


def count(*tables: LimitTable) -> LibraryCount:
    """Tables, rules and rows of the tables given."""
    rules = sum(len(table.rules) + len(table.event_rules) + len(table.load_rules) for table in tables)
    rows = sum(len(default_rows(rule)) for table in tables for rule in table.rules)
    events = [rule for table in tables for rule in table.event_rules]
    rows += sum(len(rule.lower) + len(rule.upper) + len(rule.classes) for rule in events)
    rows += sum(len(rule.sources) for table in tables for rule in table.load_rules)
    return LibraryCount(len(tables), rules, rows)


def library_sentence() -> str:
    """The sentence of the README about the shipped tables."""
    counts = count(*map(load, table_ids()))
    return f"{counts.tables} limit tables with {counts.rules} rules and {counts.rows} rows of limits are shipped."


def default_rows(rule: Rule) -> tuple[LimitRow, ...]:
    """The rows in force where the site declares no option."""
    return tuple(row for row in rule.rows if all(map(holds_by_default, row.where)))
