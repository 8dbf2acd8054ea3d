"""Whether a file is a spectrum table, from its first line; loaded for every file, so nothing else is here."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from pqcheck.io.csv.text_file import split_line
from pqcheck.model.errors import InputError
from pqcheck.model.small_files import check_regular
from pqcheck.site.site_values import Site

HEADER = re.compile(r"\s*(?P<name>[^\[\]()]*?)\s*(?:[\[(](?P<unit>[^\[\]()]*)[\])])?\s*\Z")
ORDER_NAMES = ("order", "harmonic order", "harmonic", "h", "n")

_HEAD = 4096


def is_spectrum(path: str | Path, site: Site) -> bool:
    """Whether a file is a spectrum table; False too for a file that cannot be opened (the reader will say why)."""
    try:
        check_regular(path)
        with open(path, "rb") as handle:
            head = handle.read(_HEAD)
    except OSError:
        return False
    if b"\0" in head:
        return False
    line = next((text for text in decoded(head).splitlines() if text.strip() and not text.startswith("#")), "")
    try:
        headers = split_line(line, delimiter_of(line, site))
    except InputError:
        return False
    return is_spectrum_header(headers, site.recording.columns)


def is_spectrum_header(headers: Sequence[str], mapping: Mapping[str, str]) -> bool:
    """Whether a line of headers belongs to a spectrum table: a column of orders and none of times."""
    names = [_name(mapping.get(header, header)) for header in headers]
    return any(name in ORDER_NAMES for name in names) and "time" not in names


def _name(header: str) -> str:
    match = HEADER.match(header)
    return (match["name"] if match else header).strip().lower()


def decoded(data: bytes) -> str:
    """Text in UTF-8, or else in the code page most often met."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def delimiter_of(line: str, site: Site) -> str:
    """The delimiter declared, or the one most frequent in a line."""
    declared = site.recording.more.get("delimiter")
    if declared:
        return str(declared)
    return max((";", "\t", ","), key=lambda mark: (line.count(mark), mark != ","))
