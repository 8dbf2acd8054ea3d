"""Where a finding stands in the files of a repository: the path that a code host knows, and the row."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path, PurePath

from pqcheck.model.findings import Finding
from pqcheck.model.recording import RowSpan


def location(finding: Finding, files: Sequence[str]) -> tuple[str, int]:
    """Path and row: of the amplitude or of the first window, else of the first file; ``("", 1)`` without files."""
    rows: Sequence[RowSpan] = ()
    if finding.snapshot is not None:
        rows = finding.snapshot.rows
    elif len(finding.windows):
        rows = finding.windows[0].rows
    if rows:
        for path in files:
            if PurePath(path).name == PurePath(rows[0].file).name:
                return in_repository(path), max(rows[0].first, 1)
        if not files:
            return PurePath(rows[0].file).name, max(rows[0].first, 1)
    return (in_repository(files[0]), 1) if files else ("", 1)


@lru_cache(maxsize=256)
def in_repository(path: str) -> str:
    """The path relative to the root of the repository it lies in, with slashes; outside of one as it was given."""
    place = Path(path)
    here = place.parent.resolve()
    for folder in (here, *here.parents):
        if (folder / ".git").exists():
            return (here / place.name).relative_to(folder).as_posix()
    return place.as_posix()
