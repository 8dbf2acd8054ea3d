"""A plain delimited table: one header line, a column `time`, one column per channel."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from pathlib import Path

from pqcheck.errors import InputError
from pqcheck.readers.columns import TIME, resolve_columns
from pqcheck.readers.csv_decode import CsvDecoder
from pqcheck.readers.csv_scan import Layout, scan, split_line
from pqcheck.readers.events import is_event_header, read_events
from pqcheck.readers.source import Hashing, Source, open_source, sha256_of, unpacked
from pqcheck.readers.table import Table

DELIMITERS = (",", ";", "\t", "|")


def open_text(path: Path) -> Source:
    """The text of a path, unpacked where it is packed."""
    source = open_source(path)
    with source.open() as handle:
        head = handle.read(4)
    if head[:2] == b"\x1f\x8b":
        import gzip

        with gzip.open(path, "rb") as stream:
            return unpacked(source, stream)  # type: ignore[arg-type]
    return source


def read_csv_table(path: Path, mapping: Mapping[str, str]) -> Table:
    """Scan one delimited file. InputError says what keeps it from being read."""
    source = open_text(path)
    header, first_byte = _first_line(source)
    delimiter = max(DELIMITERS, key=header.count)
    headers = [cell.strip() for cell in split_line(header, delimiter)]
    if is_event_header(headers):
        return read_events(source, sha256_of(path), headers, delimiter)
    time_column = find_time(headers, mapping, source.name)
    layout = Layout(delimiter, time_column, first_byte, 2)
    hashing = Hashing() if source.keep is None else None
    try:
        found = scan(source, layout, hashing)
    finally:
        digest = hashing.close() if hashing else ""
    channels, unknown = resolve_columns(headers, mapping)
    channels.pop(time_column, None)
    return Table(
        name=source.name,
        sha256=digest or sha256_of(path),
        headers=tuple(headers),
        time_column=time_column,
        channels=channels,
        unknown=tuple(pair for pair in unknown if pair[0] != time_column),
        stamps=found.stamps,
        local=found.local,
        row_numbers=found.row_numbers,
        slabs=found.slabs,
        decode=CsvDecoder(source, len(headers), delimiter, found.row_numbers),
        size=source.size,
    )


def find_time(headers: list[str], mapping: Mapping[str, str], name: str) -> int:
    """Number of the time column: called `time`, or mapped to it; InputError when there is none."""
    for number, header in enumerate(headers):
        if mapping.get(header) == TIME or (header == TIME and header not in mapping):
            return number
    shown = ", ".join(repr(header) for header in headers[:4]) + (" ..." if len(headers) > 4 else "")
    raise InputError(
        f"{name} has no column 'time' (its columns are {shown}); name the one that holds the stamps in the site file, "
        'under [recording.columns], as "its header" = "time"'
    )


def _first_line(source: Source) -> tuple[str, int]:
    with source.open() as handle:
        head = handle.read(1 << 16)
        while b"\n" not in head and (more := handle.read(len(head))):
            head += more
    if b"\0" in head[:4096]:
        raise InputError(f"{source.name} is not a text file; give a CSV or Parquet file")
    skip = len(codecs.BOM_UTF8) if head.startswith(codecs.BOM_UTF8) else 0
    line, found, _ = head[skip:].partition(b"\n")
    return line.rstrip(b"\r").decode("utf-8", "replace"), skip + len(line) + len(found)
