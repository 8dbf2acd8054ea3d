"""What a check is about, from whatever names it: site, limit tables, recording; and how the result names them.

Everything here raises `PqcheckError` with one sentence when an input cannot be read.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from pqcheck.judge.declared_options import check_declarations
from pqcheck.limit_tables import LimitTable, load_table
from pqcheck.model.errors import InputError, LimitTableError, SiteError, nearest
from pqcheck.model.quantities import ASKED
from pqcheck.model.recording import ColumnReading, Recording
from pqcheck.model.small_files import parse_json, parse_toml, read_small
from pqcheck.site.site_values import Site

Recordings = Recording | str | Path | Iterable[str | Path] | Mapping[str, Any] | Any
"""Files, a `Recording`, a mapping of headers to arrays, or a table of pandas, polars or pyarrow (none is needed)."""

Sites = Site | str | Path | Mapping[str, Any]
Tables = LimitTable | str | Path | Sequence[LimitTable | str | Path]
Entries = tuple[dict[str, Any], ...]


def as_site(site: Sites) -> Site:
    """A `Site` from whatever declares one."""
    if isinstance(site, Site):
        return site
    from pqcheck.site.load_site import load_site, site_from

    if not isinstance(site, (Mapping, str, os.PathLike)):
        raise SiteError(f"a site is a site file, a mapping like one, or a Site, and a {type(site).__name__} was given")
    return site_from(site, "site") if isinstance(site, Mapping) else load_site(site)


def as_tables(tables: Tables | None, site: Site, *, may_be_none: bool = False) -> list[LimitTable]:
    """Loaded tables, each once, in the order asked; None stands for those that the site applies.

    Raises `LimitTableError` for two tables of one id and different contents, `SiteError` for options and criteria of
    the site that no table knows.
    """
    if tables is None:
        tables = list(site.apply)
    elif isinstance(tables, (LimitTable, str, Path)):
        tables = [tables]
    loaded: dict[str, LimitTable] = {}
    if not isinstance(tables, Iterable) or isinstance(tables, Mapping):
        raise LimitTableError(f"limit tables are named by ids or paths, and a {type(tables).__name__} was given")
    for named in tables:
        table = named if isinstance(named, LimitTable) else load_table(named)
        same_id = loaded.setdefault(table.id, table)
        if same_id.sha256 != table.sha256:
            raise LimitTableError(
                f"two limit tables with the id {table.id!r} and different contents were asked for (sha256 "
                f"{same_id.sha256[:12]} and {table.sha256[:12]}); give one of them an id of its own"
            )
    if not loaded and not may_be_none:
        raise SiteError("no limit table was asked for; name one with --limits or under [limits] apply in the site file "
                        "(`pqcheck limits` lists them)")
    check_declarations(site, list(loaded.values()))
    return list(loaded.values())


def files_read(
    recordings: Iterable[str | Path], sites: Iterable[str | Path | None], tables: Iterable[str] | None = None,
    *others: str | Path | None,
) -> list[Path]:
    """Every file that such a question reads, so that no output may be one of them.

    Recordings and the mappings beside them, site files and what they name, limit tables and their bases. What cannot be
    read is left to who reads it.
    """

    from pqcheck.io.sidecar import ENDING
    from pqcheck.limit_tables.load_limit_table import limits_folder

    paths = [Path(other) for other in others if other is not None]
    for recording in map(Path, recordings):
        paths += [recording, recording.with_name(f"{recording.name}{ENDING}")] if recording.name else []
    tables_named = [(Path(), str(table)) for table in tables or ()]
    for site in sites:
        if site is not None:
            paths.append(Path(site))
            with suppress(OSError, ValueError, AttributeError, RecursionError):
                document = parse_toml(read_small(site).decode("utf-8-sig"))
                tables_named += [(Path(site).parent, text) for text in _texts(document)]
    for folder, name in tables_named:
        paths += [folder / name, limits_folder() / f"{name}.json"]
        if name.endswith(".json"):
            with suppress(OSError, ValueError, AttributeError, RecursionError):
                base = parse_json(read_small(folder / name)).get("overlay_of")
                paths.append((folder / name).parent / str(base))
    return paths


def _texts(value: Any) -> Iterator[str]:
    """Every text in a document, at any depth."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, (Mapping, list)):
        for part in value.values() if isinstance(value, Mapping) else value:
            yield from _texts(part)


def as_quantities(names: Iterable[str] | None, site: Site) -> tuple[str, ...]:
    """Known quantities that narrow the question; None stands for those that the site names, none for all."""
    names = (names,) if isinstance(names, str) else names
    chosen = tuple(names) if names is not None else site.quantities
    for name in chosen:
        if name not in ASKED:
            raise SiteError(f"unknown quantity {name!r}{nearest(name, ASKED)}")
    return chosen


def as_given(recordings: Recordings) -> Recording | list[str] | Any:
    """A `Recording`, a table in memory, or the names of files, from whatever names them.

    A set of paths is sorted, a generator is used up once. Raises `InputError` for what names nothing that can be read.
    """
    from pqcheck.io.columns_in_memory import is_table

    if isinstance(recordings, Recording) or is_table(recordings):
        return recordings
    if isinstance(recordings, (str, os.PathLike, bytes)):
        recordings = [recordings]
    if hasattr(recordings, "read"):
        raise InputError("an open file was given; give its path, or its columns in memory")
    try:
        paths = [os.fsdecode(path) for path in recordings]
    except TypeError:
        raise InputError(
            f"a recording is named by paths or held in columns, and a {_kind_of(recordings)} was given"
        ) from None
    if not paths:
        raise InputError("no recording was given; name at least one file")
    return sorted(paths) if isinstance(recordings, (set, frozenset)) else paths


def _kind_of(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        inside = sorted({type(part).__name__ for part in value if not isinstance(part, (str, os.PathLike, bytes))})
        return f"{type(value).__name__} of {', '.join(inside)}"
    return type(value).__name__


def as_recording(recordings: Recordings, site: Site) -> Recording:
    """A `Recording` from files, from a table in memory, or as it is."""
    given = as_given(recordings)
    if isinstance(given, Recording):
        return given
    if isinstance(given, list):
        from pqcheck.io import read

        return read(given, site)
    from pqcheck.io.arrays import from_frame

    declared = site.recording
    return from_frame(
        given, zone=site.time_zone, stamp=declared.stamp or "start", name="table",
        interval_us=declared.interval_us, columns=declared.columns,
    )  # fmt: skip


def as_corrected(recording: Recording, site: Site) -> Recording:
    """The recording as the site corrects it."""
    if not site.corrections:
        return recording
    from pqcheck.derive.corrections import corrected_recording

    return corrected_recording(recording, site.corrections)


def table_entries(tables: Iterable[LimitTable]) -> Entries:
    """The tables as the findings file names them."""
    return tuple({"id": table.id, "edition": table.edition, "sha256": table.sha256} for table in tables)


def recording_entries(recording: Recording, remainders: Mapping[int, Mapping[str, Any]] | None = None) -> Entries:
    """The files as the findings file names them; `remainders` are what was left over, by stream and kind of period."""
    from pqcheck.model.clock import iso

    entries = []
    for file in recording.files:
        left = {
            length: entry
            for stream, lengths in sorted((remainders or {}).items())
            if recording.streams[stream].axis.interval_us == file.interval_us
            for length, entry in lengths.items()
        }
        entries.append(
            {
                "file": file.name,
                "sha256": file.sha256,
                "rows": file.rows,
                "interval_s": _seconds(file.interval_us),
                "start": iso(file.start_us, recording.zone),
                "end": iso(file.end_us, recording.zone),
                "remainder": left or None,
                "columns": _columns(file.columns),
            }
        )
    return tuple(entries)


@lru_cache(maxsize=8)
def _columns(columns: tuple[ColumnReading, ...]) -> list[dict[str, str | None]]:
    """The columns of one file; the files of a year have the same ones, which are held once."""
    return [
        {
            "column": column.column,
            "channel": None if column.channel is None else column.channel.name,
            "unit": None if column.channel is None else column.channel.unit,
            "read_as": column.read_as,
        }
        for column in columns
    ]


def _seconds(interval_us: int | None) -> float | int | None:
    if interval_us is None:
        return None
    return interval_us // 1_000_000 if interval_us % 1_000_000 == 0 else interval_us / 1_000_000
