"""Find and load limit tables: the shipped ones by id, a user's own by path.

Shipped tables are checked by the tests and identified by their checksum; a table given by path has to meet the schema
and the semantic checks here and now. Only the table that is asked for (and the base of an overlay) is read.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from pqcheck.errors import LimitTableError, nearest
from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.build import build_table
from pqcheck.limit_tables.overlays import merge_overlay, overlay_places
from pqcheck.limit_tables.values import read_json

MARKER = "limit_table.schema.json"
"""A folder holds limit tables only if this file is in it: other packages named ``limits`` exist."""


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


def load(id_or_path: str) -> LimitTable:
    """The table or overlay with this id, or in this JSON file.

    The checksum is sha256 over the file's bytes; for an overlay over the bytes of its base followed by its own.
    Raises `LimitTableError` for an unknown id (nearest named) and for a file that does not hold together.
    """
    written, sha256, base = written_table(id_or_path)
    return build_table(written, sha256, base)


def validated(id_or_path: str) -> LimitTable:
    """Like `load`, with every check run for a shipped table too."""
    written, sha256, base = written_table(id_or_path, check_shipped=True)
    return build_table(written, sha256, base)


def written_table(id_or_path: str, *, check_shipped: bool = False) -> tuple[dict[str, Any], str, str | None]:
    """The written form of a table (an overlay merged into its base), its checksum, and the id of its base."""
    path, shipped = _locate(id_or_path)
    trusted = shipped and not check_shipped
    data = _read(path)
    # A shipped table is named by its file: messages and results must not depend on where pqcheck is installed.
    where = path.stem if shipped else path.name
    written = read_json(data, where)
    if not trusted:
        from pqcheck.limit_tables.schema import check_schema

        check_schema(written, where, limits_folder() / MARKER)
    if "overlay_of" not in written:
        if not trusted:
            from pqcheck.limit_tables.checks import check_table

            check_table(written, where)
        return written, hashlib.sha256(data).hexdigest(), None
    base, base_data = _base_of(written, path, trusted, where)
    merged = merge_overlay(written, base, where)
    if not trusted:
        from pqcheck.limit_tables.checks import check_table

        check_table(merged, where, overlay_places(written))
    return merged, hashlib.sha256(base_data + data).hexdigest(), base["id"]


def _locate(id_or_path: str) -> tuple[Path, bool]:
    """The file of a table, and whether it is a shipped one."""
    if not looks_like_path(id_or_path):
        folder = limits_folder()
        path = folder / f"{id_or_path}.json"
        if path.is_file() and path.name != MARKER:
            return path, True
        if Path(id_or_path).is_file():
            return Path(id_or_path), False
        raise LimitTableError(
            f"There is no limit table {id_or_path!r} (`pqcheck limits` lists them; a table of your own is named by its "
            f"path){nearest(id_or_path, table_ids()) or '.'}"
        )
    return Path(id_or_path), False


def looks_like_path(id_or_path: str) -> bool:
    """Whether the text names a file rather than a shipped table: it ends with ``.json`` or has a folder in it."""
    return id_or_path.endswith(".json") or "/" in id_or_path or "\\" in id_or_path


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise LimitTableError(
            f"The limit table {path} cannot be read ({reason}); check the path, or give the id of a shipped table."
        ) from error


def _base_of(written: dict[str, Any], path: Path, trusted: bool, where: str) -> tuple[dict[str, Any], bytes]:
    """The written form and the bytes of an overlay's base: a shipped id, or a path relative to the overlay."""
    name = written["overlay_of"]
    folder = limits_folder()
    base_path = path.parent / name if looks_like_path(name) else folder / f"{name}.json"
    if not base_path.is_file() or base_path.name == MARKER:
        raise LimitTableError(
            f"{where}: overlay_of: there is no base table {name!r} (a shipped table is named by its id, a file by its "
            f"path relative to the overlay){nearest(name, table_ids()) or '.'}"
        )
    data = _read(base_path)
    base = read_json(data, base_path.name)
    if not trusted and looks_like_path(name):
        from pqcheck.limit_tables.checks import check_table
        from pqcheck.limit_tables.schema import check_schema

        check_schema(base, base_path.name, folder / MARKER)
        if "overlay_of" not in base:
            check_table(base, base_path.name)
    return base, data
