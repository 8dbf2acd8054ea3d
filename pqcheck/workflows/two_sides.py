"""The two sides of a before-and-after comparison, each from a findings file or from a recording."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct

from pqcheck.model.errors import InputError
from pqcheck.model.findings import Findings
from pqcheck.model.findings_file import read_findings
from pqcheck.observe.comparable import Comparability, loads_comparable
from pqcheck.observe.gather import Gathered
from pqcheck.workflows.check_recording import check_and_gather
from pqcheck.workflows.compare_findings import Comparison, compare

_ENDINGS = (".csv", ".tsv", ".txt", ".parquet", ".xlsx")


class Side(Struct, frozen=True):
    """One of the two results, with its recording where one was given."""

    findings: Findings
    gathered: Gathered | None = None


class BeforeAfter(Struct, frozen=True):
    """Everything about the two."""

    before: Side
    after: Side
    comparison: Comparison
    loads: Comparability


def both_sides(
    before: str | Path, after: str | Path, site: str | Path | None, tables: Sequence[str] | None
) -> BeforeAfter:
    """Read or check both and compare them. Raises `InputError` when recordings come without a site file."""
    sides = [_side(Path(path), site, tables) for path in (before, after)]
    comparison = compare(sides[0].findings, sides[1].findings)
    return BeforeAfter(sides[0], sides[1], comparison, loads_comparable(sides[0].gathered, sides[1].gathered))


def _side(path: Path, site: str | Path | None, tables: Sequence[str] | None) -> Side:
    if path.suffix.lower() == ".json":
        return Side(read_findings(path))
    if site is None:
        raise InputError(f"{path.name} is a recording; name its site file with --site, or give findings files")
    files = recordings_of(path)
    findings, gathered = check_and_gather(files, site, tables)
    return Side(findings, gathered)


def recordings_of(name: str | Path) -> list[str]:
    """The files that a name stands for: itself, or the recordings in a folder."""
    path = Path(name)
    if not path.is_dir():
        return [str(path)]
    recordings = sorted(str(file) for file in path.iterdir() if file.is_file() and file.suffix.lower() in _ENDINGS)
    if not recordings:
        raise InputError(f"the folder {path.name!r} holds no recording ({', '.join(_ENDINGS)}); name the files")
    return recordings
