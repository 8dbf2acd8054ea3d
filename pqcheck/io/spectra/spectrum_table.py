"""Spectrum tables of a design: one row per order, several operating points in one table, no time axis.

Amplitudes are brought to rms in A or V, in decimals, before anything is rounded. Whether a column is rms or peak is
declared, never guessed: a column that does not say so is left out where another column answers, and refused where none
does (docs/gate.md).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from msgspec import Struct

from pqcheck.io.csv.text_file import split_line
from pqcheck.io.spectra.operating_points import Amplitude, Doubt, Point, amplitudes_of
from pqcheck.io.spectra.spectrum_columns import SpectrumColumn, columns_of, phase_of
from pqcheck.io.spectra.spectrum_head import decoded, delimiter_of
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.small_files import read_small
from pqcheck.site.site_values import Site

BLANKS = ("", "-", "--", "---", "nan", "n/a", "na", "null")
"""Cells that say "not calculated here". A blank order is missing, never zero."""

_LARGEST = 16 << 20
_ORDER = re.compile(r"[hH]?\s*(\d{1,9})(?:[.,]0+)?")


class Spectra(Struct, frozen=True):
    """What some spectrum tables hold. `files` are entries of the findings file, `remarks` lines for people."""

    points: tuple[Point, ...]
    files: tuple[Mapping[str, Any], ...]
    doubts: tuple[Doubt, ...] = ()
    remarks: tuple[str, ...] = ()


class _Table(Struct, frozen=True):
    """A table as text: header, rows with their line numbers."""

    name: str
    sha256: str
    headers: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    comma: bool
    comments: tuple[tuple[int, tuple[str, ...]], ...] = ()
    """Lines behind the header that start with ``#``, as cells, with their line numbers."""


def read_spectra(paths: Sequence[str | Path], site: Site) -> Spectra:
    """The operating points of some spectrum tables.

    Raises `InputError`, in one sentence, for a table that cannot be read or can be read in more than one way: no unit,
    rms or peak undeclared, an order twice or not whole, a cell that is not a number, one operating point in two files.
    """
    return _joined([_table(Path(path), site) for path in paths], site)


def spectra_of(columns: Mapping[str, Any], site: Site, name: str = "spectrum") -> Spectra:
    """The operating points of a table in memory: headers as in a file, columns as lists or arrays."""
    cells = {str(header): [_text(value) for value in column] for header, column in columns.items()}
    lengths = {len(column) for column in cells.values()}
    if len(lengths) != 1:
        raise InputError(f"the columns of {name} have different lengths: {', '.join(map(str, sorted(lengths)))}")
    rows = tuple(enumerate(zip(*cells.values(), strict=True), start=2))
    digest = hashlib.sha256(repr((tuple(cells), rows)).encode()).hexdigest()
    return _joined([_Table(name, digest, tuple(cells), rows, comma=False)], site)


def _text(value: Any) -> str:
    """A value as the shortest text that reads back to it; NaN and None are blanks."""
    if value is None or value != value:
        return ""
    plain = value.item() if hasattr(value, "item") else value
    return str(plain)


def _table(path: Path, site: Site) -> _Table:
    try:
        data = read_small(path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"{path} cannot be read ({reason}); check the path") from None
    if len(data) > _LARGEST:
        raise InputError(f"{path.name} is larger than any spectrum table; give a recording over time as CSV or Parquet")
    text = decoded(data)
    lines = text.splitlines()
    first = next((at for at, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if first is None:
        raise InputError(f"{path.name} is empty; export the spectrum again")
    delimiter = delimiter_of(lines[first], site)
    headers = tuple(cell.strip() for cell in split_line(lines[first], delimiter))
    rows, comments = [], []
    for number, line in enumerate(lines[first + 1 :], start=first + 2):
        if not line.strip():
            continue
        cells = tuple(cell.strip() for cell in split_line(line, delimiter))
        padded = (*cells, *[""] * (len(headers) - len(cells)))[: len(headers)]
        if line.startswith("#"):
            comments.append((number, padded))
            continue
        if len(cells) > len(headers) and any(cells[len(headers) :]):
            raise InputError(
                f"{path.name}, row {number} has {len(cells)} cells and the header {len(headers)}; "
                "check the delimiter and decimal comma"
            )
        rows.append((number, padded))
    if not rows:
        raise InputError(f"{path.name} holds a header and no rows; export the spectrum again")
    comma = site.recording.more.get("decimal", "," if delimiter == ";" else ".") == ","
    return _Table(path.name, hashlib.sha256(data).hexdigest(), headers, tuple(rows), comma, tuple(comments))


def _joined(tables: Sequence[_Table], site: Site) -> Spectra:
    mapping, amplitudes = site.recording.columns, site.scenario.get("amplitudes")
    for header in mapping:
        if not any(header in table.headers for table in tables):
            raise InputError(
                f"[recording.columns] names column {header!r}, which none of the files has; copy the header as it "
                "stands"
            )
    points: dict[str, Point] = {}
    files, remarks = [], []
    doubts: list[Doubt] = []
    for table in tables:
        columns = columns_of(table.headers, mapping, amplitudes, table.name)
        fallback = str(site.scenario.get("operating_point", Path(table.name).stem if len(tables) > 1 else ""))
        _check_comments(table, columns)
        cells, aside = _cells(table, columns, fallback)
        if aside:
            listed = ", ".join(map(str, aside))
            remarks.append(f"{table.name}: orders {listed} are judged by no rule and were left aside.")
        words: dict[int, str] = {}
        for name, parts in cells.items():
            if name in points:
                shown = f"operating point {name!r} is" if name else "spectra without an operating point are"
                raise InputError(f"{shown} in more than one file; name each once, in a column operating_point")
            point = amplitudes_of(name, parts, table.name, site)
            points[name] = point
            doubts += point.doubts
            words |= point.words
        files.append(_entry(table, columns, words))
    return Spectra(tuple(points.values()), tuple(files), tuple(doubts), tuple(remarks))


def _check_comments(table: _Table, columns: Sequence[SpectrumColumn]) -> None:
    """A name that starts with ``#`` makes no comment of a row: an operating point would be gone without a word."""
    at_order = next(column.number for column in columns if column.role == "order")
    values = [column.number for column in columns if column.role == "value"]
    for number, (first, *others) in table.comments:
        cells = (first.removeprefix("#").strip(), *others)
        if _ORDER.fullmatch(cells[at_order]) and any(_amount(cells[at], table) is not None for at in values):
            raise InputError(
                f"{table.name}, row {number} starts with # and holds an order and an amplitude, so it may be a comment "
                f"or a row; put {first!r} in double quotes if it is a row, remove the line if it is none"
            )


def _cells(
    table: _Table, columns: Sequence[SpectrumColumn], fallback: str
) -> tuple[dict[str, dict[tuple[SpectrumColumn, str | None], dict[int, Amplitude]]], list[int]]:
    """Cells by operating point, by column and phase, by order; and the orders left aside."""
    cells_of_point: dict[str, dict[tuple[SpectrumColumn, str | None], dict[int, Amplitude]]] = {}
    aside: set[int] = set()
    roles: dict[str, int] = {one.role: one.number for one in columns}
    for number, cells in table.rows:
        order = _order(cells[roles["order"]], f"{table.name}, row {number}")
        name = cells[roles["point"]] if "point" in roles else fallback
        if not name and "point" in roles:
            raise InputError(f"{table.name}, row {number} names no operating point; the table has a column for it")
        if not 1 <= order <= HIGHEST_ORDER:
            aside.add(order)
            continue
        parts = cells_of_point.setdefault(name, {})
        for column in columns:
            if column.role not in ("value", "fundamental"):
                continue
            value = _number(cells[column.number], table, number, column.header)
            if value is None:
                continue
            phase = _row_phase(column, cells, roles, table, number)
            by_order = parts.setdefault((column, phase), {})
            key = 1 if column.role == "fundamental" else order
            if key in by_order and (column.role == "value" or by_order[key].value != value * column.size):
                where = f" of operating point {name!r}" if name else ""
                raise InputError(
                    f"{table.name}, row {number}: order {order}{where} is given twice in {column.header!r} "
                    f"(first in row {by_order[key].row}); keep one"
                )
            by_order[key] = Amplitude(value * column.size, number)
    if not cells_of_point:
        raise InputError(f"{table.name} holds no order from 1 to {HIGHEST_ORDER}; check the column of orders")
    return cells_of_point, sorted(aside)


def _row_phase(
    column: SpectrumColumn, cells: Sequence[str], roles: Mapping[str, int], table: _Table, number: int
) -> str | None:
    if column.phase is not None or "phase" not in roles:
        return column.phase
    text = cells[roles["phase"]]
    phase = phase_of(text, column.quantity)
    if phase is None:
        raise InputError(f"{table.name}, row {number}: {text!r} is not a phase of {column.quantity}")
    return phase


def _order(text: str, place: str) -> int:
    match = _ORDER.fullmatch(text)
    if not match:
        raise InputError(
            f"{place}: order {text!r} is not a whole number; take the spectrum over a whole number of periods of the "
            "fundamental, so that no order falls between two lines"
        )
    return int(match[1])


def _number(text: str, table: _Table, row: int, header: str) -> Decimal | None:
    if text.lower() in BLANKS:
        return None
    value = _amount(text, table)
    if value is None:
        raise InputError(f"{table.name}, row {row}, column {header!r}: {text!r} is not a number")
    if value < 0:
        raise InputError(
            f"{table.name}, row {row}, column {header!r}: an amplitude cannot be negative ({text}); the sign belongs "
            "to the angle"
        )
    return value


def _amount(text: str, table: _Table) -> Decimal | None:
    """The number that a cell holds, or None."""
    try:
        value = Decimal(text.replace(",", ".") if table.comma else text)
    except InvalidOperation:
        return None
    return value if value.is_finite() and "_" not in text else None


def _entry(table: _Table, columns: Sequence[SpectrumColumn], words: Mapping[int, str]) -> dict[str, Any]:
    """The table in the findings file."""
    read_as = {"order": "harmonic order", "point": "name of the operating point", "phase": "phase of the row",
               "angle": "angle, used by no rule", "aside": "left alone"}  # fmt: skip
    entries = []
    for column in columns:
        channel = None if column.role != "value" else ".".join(filter(None, (column.quantity, column.phase)))
        text = words.get(column.number) or read_as.get(column.role, "")
        if column.role == "aside":
            text = f"left alone: {column.why}"
        entries.append({"column": column.header, "channel": channel, "unit": column.unit or None, "read_as": text})
    return {
        "file": table.name, "sha256": table.sha256, "rows": len(table.rows), "interval_s": None, "start": None,
        "end": None, "remainder": None, "columns": entries,
    }  # fmt: skip
