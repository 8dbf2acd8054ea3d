"""The registry: a table, CSV or Parquet, with a row for each site: its columns, and its rows as text."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct

from pqcheck.fleet.row_facts import FACTS
from pqcheck.model.errors import InputError, nearest
from pqcheck.model.small_files import check_regular

REQUIRED = ("site", "recording")
COLUMNS = (*REQUIRED, "declared", "limits", "feeder", "transformer", "valid_from", "valid_to", *FACTS)
"""Every column that is read; others are left alone and named."""


class Row(Struct, frozen=True):
    """One row: its number as a spreadsheet counts (the header is row 1), and its cells by column, empty ones left out.

    `fault` is why the row cannot be read, if it cannot.
    """

    number: int
    cells: Mapping[str, str]
    fault: str | None = None


class Registry(Struct, frozen=True):
    """All rows, the folder that relative paths start from, and the columns that were left alone."""

    name: str
    folder: Path
    rows: tuple[Row, ...]
    left_alone: tuple[str, ...]


def read_registry(path: str | Path) -> Registry:
    """The registry in a CSV file (comma, semicolon or tab, UTF-8) or a Parquet file.

    Raises `InputError` when the table as a whole cannot be used; what is wrong with one row stays with that row.
    """
    file = Path(path)
    try:
        check_regular(file)
        with open(file, "rb") as stream:
            parquet = stream.read(4) == b"PAR1"
        headers, rows = _parquet(file) if parquet else _csv(file)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"the registry {file.name!r} cannot be read: {reason}; check the path given") from None
    headers = [header.strip() for header in headers]
    _check_columns(headers, file.name)
    if not any(map(str.strip, cells) for cells in rows):
        raise InputError(f"the registry {file.name!r} names no site: it has a header and no rows")
    made = tuple(
        _row(number, headers, cells) for number, cells in enumerate(rows, start=2) if any(map(str.strip, cells))
    )
    left_alone = tuple(header for header in headers if header and header not in COLUMNS)
    return Registry(file.name, file.resolve().parent, made, left_alone)


def _csv(file: Path) -> tuple[list[str], list[list[str]]]:
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{file.name}: byte {error.start} is not UTF-8; save the registry as UTF-8 text") from None
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise InputError(f"the registry {file.name!r} is no table of text ({error}); export it again as CSV") from None
    if not lines or not any(lines[0]):
        raise InputError(f"the registry {file.name!r} is empty; it needs a header with the columns site and recording")
    return lines[0], lines[1:]


def _parquet(file: Path) -> tuple[list[str], list[list[str]]]:
    import pyarrow
    import pyarrow.parquet

    try:
        table = pyarrow.parquet.read_table(file)
    except (pyarrow.ArrowException, ValueError) as error:
        cause = str(error).split("\n", 1)[0].rstrip(".")
        raise InputError(f"the registry {file.name!r} is no whole Parquet file ({cause}); write it again") from None
    columns = [[_text(value) for value in column.to_pylist()] for column in table.columns]
    return list(table.column_names), [list(cells) for cells in zip(*columns, strict=True)]


def _text(value: Any) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (float, Decimal)) and value == int(value):
        return str(int(value))
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)


def _check_columns(headers: Sequence[str], name: str) -> None:
    twice = [header for header, count in Counter(headers).items() if count > 1 and header]
    if twice:
        raise InputError(f"the registry {name!r} has two columns {twice[0]!r}; keep one of them")
    for required in REQUIRED:
        if required not in headers:
            near = nearest(required, headers).replace("did you mean", "is it in")
            raise InputError(f"the registry {name!r} has no column {required!r}{near}; the first row names the columns")
    if "declared" not in headers and "nominal_voltage" not in headers:
        raise InputError(
            f"the registry {name!r} has neither a column 'declared' (site files) nor 'nominal_voltage' and its like "
            "(facts of each site); one of them is needed to judge anything"
        )
    for header in headers:
        slip = _misspelt(header)
        if slip is not None and slip not in headers:
            raise InputError(f"the registry {name!r} has a column {header!r}; did you mean {slip!r}? Rename the column")


def _misspelt(header: str) -> str | None:
    """The column that a header so nearly names that it can hardly be a column of something else."""
    import difflib

    if header in COLUMNS:
        return None
    plain = header.lower().replace(" ", "_").replace("-", "_")
    near = difflib.get_close_matches(plain, COLUMNS, n=1, cutoff=0.88)
    return near[0] if near else None


def _row(number: int, headers: Sequence[str], cells: Sequence[str]) -> Row:
    texts = [cell.strip() for cell in cells]
    while len(texts) > len(headers) and not texts[-1]:
        del texts[-1]
    held = {header: text for header, text in zip(headers, texts, strict=False) if text and header in COLUMNS}
    if "site" in held:
        # An id that is broken over lines is still one word in messages and file names.
        held["site"] = " ".join(held["site"].split())
    fault = None
    if len(texts) != len(headers):
        fault = (
            f"row {number} has {len(texts)} cells and the header {len(headers)}, so its cells may belong to other "
            "columns; correct the row"
        )
    elif any("\0" in text for text in texts):
        fault = f"row {number} holds a NUL byte; write the row again"
    return Row(number, held, fault)
