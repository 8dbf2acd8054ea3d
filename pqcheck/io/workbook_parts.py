"""Whether the parts of a workbook are of a size that a workbook of a recording has, before a library holds them.

The library keeps a row, and all shared texts, in memory at once; a part of some megabytes can unpack to gigabytes.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import IO
from zipfile import ZipFile

from pqcheck.io.source_files import CHUNK, LONGEST_LINE, RATIO_LIMIT, Source
from pqcheck.model.errors import InputError

FREE_BYTES = 64 << 20
"""Bytes to which a workbook of any size may unpack; beyond, they are held against its size."""

SHARED_TEXTS = 128 << 20
"""Bytes of the texts that cells share; stamps as text of a sheet full of rows take a third of it."""

MOST_ROWS = 1 << 20
"""Rows of a sheet (the largest that a spreadsheet program opens)."""

_ROW_END = re.compile(rb"</(?:\w+:)?row\s*>|<(?:\w+:)?row\b[^<>]*/>")
_NO_SHEET = re.compile(rb"<!|(?<!\A)(?<!\A\xef\xbb\xbf)<\?")
"""Comments, sections of plain characters and instructions, in which something that reads like a row would be none."""


def check_parts(source: Source, archive: ZipFile) -> None:
    """Raise InputError for a workbook that unpacks out of all proportion; no part yields more than it states."""
    parts = archive.infolist()
    if sum(part.file_size for part in parts) > max(FREE_BYTES, RATIO_LIMIT * source.size):
        raise InputError(
            f"{source.name} unpacks to more than {RATIO_LIMIT} times its size, which no recording does; export it "
            "as CSV"
        )
    for part in parts:
        if part.file_size <= LONGEST_LINE:
            continue
        if PurePosixPath(part.filename).name.lower() == "sharedstrings.xml":
            if part.file_size > SHARED_TEXTS:
                raise InputError(
                    f"{source.name} holds more than {SHARED_TEXTS >> 20} MB of texts, which no recording does; export "
                    "it as CSV"
                )
            continue
        with archive.open(part) as stream:
            _check_rows(source, part.filename, stream)


def _check_rows(source: Source, part: str, stream: IO[bytes]) -> None:
    """Raise InputError for a sheet without an end of a row for `LONGEST_LINE` bytes, or with too many of them."""
    tail, since, rows, begun = b"", 0, 0, False
    while chunk := stream.read(CHUNK):
        text = tail + chunk
        # The last tag may go on in the next chunk.
        cut = text.rfind(b"<")
        whole, tail = (text[:cut], text[cut:]) if cut > 0 else (b"", text)
        end = 0
        for found in _ROW_END.finditer(whole):
            end = found.end()
            rows += 1
        since = len(whole) - end if end else since + len(whole)
        if rows > MOST_ROWS:
            raise InputError(
                f"{source.name}: {part} holds more than {MOST_ROWS} rows, which no sheet has; export it as CSV"
            )
        if since + len(tail) > LONGEST_LINE or _NO_SHEET.search(whole if not begun else b" " + whole):
            raise InputError(
                f"{source.name}: {part} holds more than {LONGEST_LINE >> 20} MB that are no rows of a sheet, which no "
                "recording does; save its sheet alone, or export it as CSV"
            )
        begun = begun or bool(whole)
