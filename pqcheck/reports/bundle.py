"""A folder to repeat a check from: findings, site file, tables, how columns were read, checksums, the exact command."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path, PurePath
from typing import Any

from pqcheck.io.write_files import refuse_inputs
from pqcheck.limit_tables.load_limit_table import limits_folder, looks_like_path
from pqcheck.model.errors import OutputError
from pqcheck.model.findings import Findings
from pqcheck.site.load_site import load_site

README = """\
What this folder is: everything but the recording that is needed to repeat a check, and what the check found.

findings.json    the result, every finding with its evidence
site.toml        what was declared, as it was
limits/          the limit tables applied, as they were
columns.json     how each column of each file was read
checksums.txt    sha256 of the recordings and of every file here
command.txt      the command; run it in this folder with the recordings beside it

The same pqcheck, the same recordings and these files give findings.json again, byte for byte. Compare the checksums
of the recordings first. Another version may judge more; `pqcheck compare findings.json NEW.json` shows the difference.
"""


def check_place(folder: str | Path, inputs: Iterable[str | Path]) -> None:
    """Raise `OutputError` for a folder that is neither new, nor empty, nor a bundle from before, or holds an input."""
    place = Path(folder)
    if not place.parent.is_dir():
        raise OutputError(f"cannot write {place}: the folder {place.parent} does not exist; create it first")
    if place.exists() and not place.is_dir():
        raise OutputError(f"cannot write {place}: it is a file; name a folder for the bundle")
    if place.is_dir() and any(place.iterdir()) and not (place / "command.txt").is_file():
        raise OutputError(f"cannot write {place}: the folder holds other files; name a new or an empty folder")
    refuse_inputs([file for file in place.rglob("*") if file.is_file()], inputs)


def bundle_files(
    findings: Findings,
    recordings: Sequence[str],
    site: str,
    tables: Sequence[str] | None,
    quantities: Sequence[str] | None,
) -> dict[str, bytes]:
    """Relative name to content of every file of the bundle; the same input gives the same bytes."""
    files: dict[str, bytes] = {
        "README.txt": README.encode(),
        "findings.json": findings.to_json().encode(),
        "site.toml": Path(site).read_bytes(),
        "columns.json": _columns(findings.recordings),
    }
    named = list(tables) if tables else list(load_site(site).apply)
    copied = [_table(name, files) for name in named]
    files |= _beside(site)
    words = [
        "pqcheck", "check", *(PurePath(recording).name for recording in recordings), "--site", "site.toml",
        "--limits", *copied,
        *(["--quantities", *quantities] if quantities else []), "--json", "findings.json",
    ]  # fmt: skip
    files["command.txt"] = os.fsencode(shlex.join(words) + "\n")
    files["checksums.txt"] = _checksums(findings.recordings, files)
    return files


def placed(place: Path, files: Mapping[str, bytes]) -> list[tuple[Path, bytes]]:
    """The files with their places, the folders of which are made. Raises `OutputError`."""
    for folder in sorted({(place / name).parent for name in files}):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(
                f"cannot make the folder {folder}: {error.strerror or error}; choose another place"
            ) from error
    return [(place / name, files[name]) for name in sorted(files)]


def _table(name: str, files: dict[str, bytes]) -> str:
    """Copy a table (and the base of an overlay of its own) into `files`; its name within the bundle."""
    shipped = not looks_like_path(name) and not Path(name).is_file()
    path = limits_folder() / f"{name}.json" if shipped else Path(name)
    content = path.read_bytes()
    base = json.loads(content).get("overlay_of")
    if isinstance(base, str) and looks_like_path(base):
        files[f"limits/{PurePath(base).as_posix()}"] = (path.parent / base).read_bytes()
    inside = f"limits/{path.name}"
    if files.get(inside, content) != content:
        raise OutputError(f"two limit tables are called {path.name}; rename one of them for the bundle")
    files[inside] = content
    return inside


def _beside(site: str) -> dict[str, bytes]:
    """Pictures and style sheets that the site file names, where they lie below it."""
    contents = {}
    folder = Path(site).resolve().parent
    report = load_site(site).report
    for key in ("logo", "style_sheet"):
        path = Path(str(report[key])).resolve() if report.get(key) else None
        if path is not None and path.is_file() and path.is_relative_to(folder):
            contents[path.relative_to(folder).as_posix()] = path.read_bytes()
    return contents


def _columns(recordings: Sequence[Mapping[str, Any]]) -> bytes:
    read = [{"file": recording["file"], "columns": recording["columns"]} for recording in recordings]
    return (json.dumps(read, sort_keys=True, ensure_ascii=False, indent=1) + "\n").encode()


def _checksums(recordings: Sequence[Mapping[str, Any]], files: Mapping[str, bytes]) -> bytes:
    lines = [f"{recording['sha256']}  {recording['file']}" for recording in recordings]
    lines += [f"{hashlib.sha256(content).hexdigest()}  {name}" for name, content in sorted(files.items())]
    return ("\n".join(lines) + "\n").encode()
