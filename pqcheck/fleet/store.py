"""The folder of results: a Parquet file of findings for each site and period, and its findings file beside it.

    RESULTS/fleet.json                which registry, what was asked, whether the last run came to its end
    RESULTS/findings/NAME.parquet     findings as rows; the footer holds what they were made of
    RESULTS/checks/NAME.json.gz       the findings file of the same check, for a report of the site
    RESULTS/before.json               verdicts as they were before the last run
    RESULTS/left/...                  results of what left the registry

Every file is replaced whole or not at all, the findings file before the rows: rows that are there are complete.
"""

from __future__ import annotations

import gzip
import json
import os
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from pqcheck.fleet.judge_site import FORMAT, NOTES, Notes, Outcome
from pqcheck.io.write_files import write_set, write_text
from pqcheck.model.errors import InputError, OutputError
from pqcheck.model.findings import Findings

FINDINGS = "findings"
_CHECKS = "checks"
_LEFT = "left"
_MANIFEST = "fleet.json"
_BEFORE = "before.json"
_ROWS = ".parquet"
_DOCUMENT = ".json.gz"


class Manifest(Struct, frozen=True):
    """What a folder of results is about. `complete` is false from the start of a run until its end."""

    registry: str
    sites: int
    tables: tuple[str, ...] = ()
    quantities: tuple[str, ...] = ()
    each: bool = False
    complete: bool = False
    format: str = FORMAT


class Store(Struct, frozen=True):
    """A folder of results."""

    folder: Path

    @property
    def findings(self) -> Path:
        """The Parquet dataset."""
        return self.folder / FINDINGS


def open_store(folder: str | Path) -> tuple[Store, Manifest]:
    """A folder with results. Raises `InputError` when it holds none, or those of another version."""
    store = Store(Path(folder))
    try:
        text = (store.folder / _MANIFEST).read_bytes()
    except FileNotFoundError:
        raise InputError(
            f"{store.folder} holds no results of a fleet (no {_MANIFEST} in it); name the folder that --out named"
        ) from None
    except OSError as error:
        raise InputError(f"{store.folder / _MANIFEST} cannot be read: {error.strerror or error}; check it") from None
    try:
        manifest = msgspec.json.decode(text, type=Manifest)
    except msgspec.DecodeError as error:
        raise InputError(
            f"{store.folder / _MANIFEST} does not hold together ({error}); choose another folder for the results"
        ) from None
    if manifest.format != FORMAT:
        raise InputError(
            f"{store.folder} holds results of another version ({manifest.format}, not {FORMAT}); choose another folder"
        )
    return store, manifest


def begin(folder: str | Path, manifest: Manifest, stored: Mapping[str, Notes]) -> Store:
    """The folder made ready for a run; `stored` are the notes of what it holds.

    Raises `OutputError` when it cannot be written to or holds something else, `InputError` as `open_store` does.
    """
    store = Store(Path(folder))
    finished = False
    if (store.folder / _MANIFEST).exists():
        store, earlier = open_store(folder)
        finished = earlier.complete
    elif store.folder.exists() and (not store.folder.is_dir() or any(store.folder.iterdir())):
        raise OutputError(f"{folder} is there and holds no results of a fleet; choose a new or empty folder for --out")
    try:
        for name in (FINDINGS, _CHECKS):
            (store.folder / name).mkdir(parents=True, exist_ok=True)
        for name in (FINDINGS, _CHECKS):
            # What a run that was killed had not finished writing.
            for left_over in (store.folder / name).glob(".pqcheck-*.part"):
                left_over.unlink()
    except OSError as error:
        raise OutputError(f"cannot write results to {folder}: {error.strerror}; choose another place") from error
    if finished:
        verdicts = {name: [notes.site, notes.verdict] for name, notes in sorted(stored.items())}
        write_text(store.folder / _BEFORE, json.dumps(verdicts, indent=0, ensure_ascii=False) + "\n")
    _write_manifest(store, manifest)
    return store


def finish(store: Store, manifest: Manifest) -> None:
    """Mark the run as having come to its end."""
    _write_manifest(store, msgspec.structs.replace(manifest, complete=True))


def _write_manifest(store: Store, manifest: Manifest) -> None:
    text = msgspec.json.format(msgspec.json.encode(manifest, order="sorted"), indent=1).decode()
    write_text(store.folder / _MANIFEST, f"{text}\n")


def before_last_run(store: Store) -> dict[str, tuple[str, str]] | None:
    """Site and verdict by result as they were before the last run; None when there was no run before it."""
    try:
        held = json.loads((store.folder / _BEFORE).read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise InputError(f"{store.folder / _BEFORE} cannot be read ({error}); remove it and run again") from None
    return {name: (str(site), str(verdict)) for name, (site, verdict) in held.items()}


def stored_notes(store: Store) -> dict[str, Notes]:
    """The notes of every result, by its name. A file that does not hold together counts as none."""
    return {name: notes for name, notes in all_notes(store) if notes is not None}


def all_notes(store: Store) -> Iterator[tuple[str, Notes | None]]:
    """Names of all files among the findings with their notes; None for those that are no whole results."""
    import pyarrow
    import pyarrow.parquet

    entries = os.scandir(store.findings) if store.findings.is_dir() else ()
    for entry in sorted(entries, key=lambda entry: entry.name):
        if entry.name.startswith(".") or not entry.name.endswith(_ROWS):
            continue
        try:
            held = pyarrow.parquet.read_metadata(entry.path).metadata or {}
            notes: Notes | None = msgspec.json.decode(held[NOTES], type=Notes)
            whole = (store.folder / _CHECKS / f"{entry.name.removesuffix(_ROWS)}{_DOCUMENT}").is_file()
        except (OSError, KeyError, pyarrow.ArrowException, msgspec.DecodeError):
            notes, whole = None, False
        yield entry.name.removesuffix(_ROWS), notes if whole and notes is not None and notes.format == FORMAT else None


def refuse_places(outputs: Sequence[Path], folder: str | Path) -> None:
    """Raise `OutputError` for an output that would lie among the results, or replace what tells about them."""
    root = Path(folder).resolve()
    own = {root / name for name in (FINDINGS, _CHECKS, _LEFT)}
    for output in outputs:
        place = output.resolve()
        if own & {*place.parents} or place in (root / _MANIFEST, root / _BEFORE):
            raise OutputError(f"cannot write {output}: results are kept there; choose another place for a report")


def keep(store: Store, outcome: Outcome) -> bool:
    """Write what came of a task unless the very same is there; whether anything was written."""
    if outcome.table is None or outcome.document is None:
        return False
    rows, document = _paths(store, outcome.task.result)
    if _same(rows, outcome.table) and _same(document, outcome.document):
        return False
    write_set([(document, outcome.document), (rows, outcome.table)])
    return True


def _paths(store: Store, name: str) -> tuple[Path, Path]:
    return store.findings / f"{name}{_ROWS}", store.folder / _CHECKS / f"{name}{_DOCUMENT}"


def _same(path: Path, data: bytes) -> bool:
    try:
        return path.stat().st_size == len(data) and path.read_bytes() == data
    except OSError:
        return False


def put_aside(store: Store, names: Sequence[str]) -> None:
    """Results of what left the registry leave the dataset; they are kept in a folder of their own."""
    try:
        for name in names:
            for path in _paths(store, name):
                aside = store.folder / _LEFT / path.parent.name / path.name
                aside.parent.mkdir(parents=True, exist_ok=True)
                if path.exists():
                    os.replace(path, aside)
    except OSError as error:
        raise OutputError(f"cannot put results aside in {store.folder}: {error.strerror}; check the folder") from error


def checks_of_site(folder: str | Path, site: str) -> dict[str, Findings]:
    """The findings files of a site by the recordings they are about; ``SITE/RECORDING`` names a single one.

    Raises `InputError` when there is none, or when one cannot be read.
    """
    from pqcheck.model.errors import nearest
    from pqcheck.model.findings_file import from_document

    store, _ = open_store(folder)
    notes = stored_notes(store)
    chosen = {name: each for name, each in notes.items() if site in (each.site, f"{each.site}/{each.recording}")}
    if not chosen:
        raise InputError(f"{folder} holds no site {site!r}{nearest(site, {each.site for each in notes.values()})}")
    checks = {}
    for name, each in sorted(chosen.items(), key=lambda item: (item[1].recording, item[0])):
        _, path = _paths(store, name)
        try:
            document: Mapping[str, Any] = json.loads(gzip.decompress(path.read_bytes()))
        except (OSError, EOFError, ValueError, zlib.error) as error:
            raise InputError(f"{path} cannot be read ({error}); run the fleet again") from None
        shown = each.recording if each.recording not in checks else f"{each.recording} ({name})"
        checks[shown] = from_document(document)
    return checks
