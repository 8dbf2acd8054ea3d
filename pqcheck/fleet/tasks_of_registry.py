"""From registry rows to tasks: what each site has to report, and which rows contradict each other."""

from __future__ import annotations

import hashlib
import os
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.fleet.recording_places import files_named, is_address
from pqcheck.fleet.registry import Registry, Row
from pqcheck.fleet.row_facts import declared_site, validity
from pqcheck.model.errors import PqcheckError


class Task(Struct, frozen=True):
    """One site and period: what one process judges at once, and the name of its results without ending.

    `refused` is a reason code and a sentence when the registry itself says why it cannot be judged. `folder` is where
    relative paths start; it is no part of any result.
    """

    site: str
    result: str
    recording: str
    places: tuple[str, ...]
    cells: Mapping[str, str]
    folder: str
    refused: tuple[str, str] | None = None

    @property
    def source(self) -> str:
        """The row in messages: a row may move in the table, its site stays."""
        return f"the registry row of {self.site}"


def tasks_of(registry: Registry, *, each: bool = False) -> list[Task]:
    """Every task of a registry, in its order; with `each` every file that a row names is a task of its own."""
    named: dict[str, list[Row]] = defaultdict(list)
    for row in registry.rows:
        named[row.cells.get("site", f"(row {row.number})")].append(row)
    tasks: list[Task] = []
    for site, rows in named.items():
        clash = _clash(site, rows, registry)
        for row in rows[:1] if clash else rows:
            tasks += _tasks_of_row(site, row, registry, clash, each=each)
    return tasks


def _tasks_of_row(
    site: str, row: Row, registry: Registry, clash: str | None, *, each: bool
) -> Iterator[Task]:
    cells = {**row.cells, "site": site}
    pattern = cells.get("recording", "")
    plain = Task(site, _result_name(site, cells.get("valid_from", "")), pattern, (), cells, str(registry.folder))
    if clash is not None:
        yield replace(plain, refused=("doubled", clash))
    elif row.fault is not None or "site" not in row.cells:
        yield replace(plain, refused=("unreadable", row.fault or f"row {row.number} of the registry names no site"))
    elif not pattern:
        yield replace(plain, refused=("no-recording", "the registry names no recording"))
    else:
        try:
            places = files_named(pattern, registry.folder)
        except PqcheckError as error:
            yield replace(plain, refused=("unreadable", str(error)))
            return
        if not places:
            yield replace(plain, refused=("no-recording", f"no file has a name like {pattern}"))
        elif each:
            for place in places:
                shown = place if is_address(place) else os.path.relpath(place, registry.folder).replace(os.sep, "/")
                name = _result_name(site, cells.get("valid_from", ""), shown)
                yield replace(plain, result=name, recording=shown, places=(place,))
        else:
            yield replace(plain, places=tuple(places))


def _clash(site: str, rows: Sequence[Row], registry: Registry) -> str | None:
    """Why several rows of one site cannot all be right: spans of validity that overlap, or none that part them."""
    if len(rows) == 1:
        return None
    numbers = ", ".join(str(row.number) for row in rows)
    spans = []
    for row in rows:
        try:
            start, end = validity(row.cells, declared_site({**row.cells, "site": site}, registry.folder, site), site)
        except PqcheckError:
            return f"rows {numbers} of the registry are about this site, and not all of them can be read"
        spans.append((start if start is not None else float("-inf"), end if end is not None else float("inf")))
    spans.sort()
    if any(earlier[1] > later[0] for earlier, later in pairwise(spans)):
        return f"rows {numbers} of the registry are about this site at the same time"
    return None


def _result_name(site: str, *parts: str) -> str:
    """A file name that any system takes: letters of the site's id, and a checksum that tells all of them apart."""
    plain = re.sub(r"[^A-Za-z0-9-]+", "-", site).strip("-")[:48]
    digest = hashlib.sha256("\0".join((site, *parts)).encode("utf-8", "surrogatepass")).hexdigest()
    return f"{plain or 'site'}-{digest[:16]}"
