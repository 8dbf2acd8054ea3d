"""Read recordings from disk: which reader a file needs, and all files together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from msgspec.structs import replace

from pqcheck.io.decoder import SharedColumns, Table, one_of_each
from pqcheck.io.numbers_in_memory import kept_if_small
from pqcheck.io.progress import stage
from pqcheck.io.sidecar import sidecar_of, with_sidecar
from pqcheck.io.source_files import LATER, is_parquet, open_source
from pqcheck.io.timeline.intervals_of_files import Declared
from pqcheck.io.timeline.merge_files import assemble
from pqcheck.io.unit_conversions import in_one_unit
from pqcheck.model.clock import zone_info
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Reading, Site


def read(paths: Sequence[str | Path], site: Site | None = None) -> Recording:
    """The recording that some files hold together, merged on the time line.

    CSV (also gzip) and Parquet files may be mixed; the order of `paths` does not matter to the values. Raises
    InputError, in one sentence, for what cannot be read or can be read in more than one way.
    """
    if not paths:
        raise InputError("no recording was given; name at least one file")
    reading = site.recording if site is not None else Reading()
    zone = site.time_zone if site is not None else None
    if zone is not None:
        zone_info(zone)
    shared = SharedColumns()
    tables_by_path = []
    with stage("files looked at", len(paths)) as report:
        for number, path in enumerate(paths):
            report(number)
            tables_by_path.append((Path(path), [shared.of(table) for table in _tables(Path(path), site)]))
    tables = in_one_unit(_named_apart(tables_by_path))
    _check_mapping(tables, reading)
    return assemble(kept_if_small(tables), Declared(zone, reading.stamp, reading.interval_us))


def _tables(path: Path, site: Site | None) -> list[Table]:
    """The tables of one file: one, or one per sheet, member, or channel of a long table."""
    if path.suffix.lower() == ".toml" and path.is_file():
        raise InputError(f"{path.name} is a site file and no recording; name it behind --site, and the recording first")
    sidecar = sidecar_of(path)
    own = with_sidecar(site, sidecar)
    if is_parquet(path):
        from pqcheck.io.parquet import read_parquet_table

        tables = [read_parquet_table(path, own)]
    else:
        from pqcheck.io.archives import texts_of
        from pqcheck.io.csv.scanned_table import read_text

        digest = LATER.of(open_source(path))
        tables = [table for text in texts_of(path) for table in read_text(text, digest, own)]
    if sidecar is not None and sidecar.stamp and (site is None or site.recording.stamp is None):
        tables = [replace(table, stamp=sidecar.stamp) for table in tables]
    return tables


def _check_mapping(tables: Sequence[Table], reading: Reading) -> None:
    """A mapped column that no file has is a slip of the pen, not a column to pass over."""
    present = {header for table in one_of_each(tables) for header in table.headers}
    for column in reading.columns:
        if column not in present:
            raise InputError(
                f"[recording.columns] names column {column!r}, which none of the files has; "
                "copy the header as it stands in the file"
            )


def _named_apart(tables_by_path: Sequence[tuple[Path, list[Table]]]) -> list[Table]:
    """Files of one name in several folders are told apart by the folder."""
    names = Counter(name for _, tables in tables_by_path for name in {table.name for table in tables})
    result: list[Table] = []
    seen: dict[str, int] = {}
    for path, tables in tables_by_path:
        for old in dict.fromkeys(table.name for table in tables):
            name = old
            if names[old] > 1:
                name = f"{path.resolve().parent.name}/{old}"
                seen[name] = seen.get(name, 0) + 1
                name = f"{name} ({seen[name]})" if seen[name] > 1 else name
            result += [replace(table, name=name) for table in tables if table.name == old]
    return result
