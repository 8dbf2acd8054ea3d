"""The same rows in other forms: as a workbook, with dates of another order, beside flags and events."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping
from datetime import datetime

from tests.odd_recordings.strategies import START, Odd

File = tuple[str, bytes]
"""A name and its content."""
_PLAIN = re.compile(r"\d+\.\d+")
_EVENTS = (
    "time,phase,kind,duration [s],residual [%]\n"
    f"{START.isoformat()},an,dip,0.2,62\n{START.isoformat()},an,swell,0.4,113\n"
).encode()


def _rows(recording: Odd, content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode(), newline=""), delimiter=recording.delimiter))


def _files(recording: Odd, change: Callable[[list[list[str]]], list[list[str]]]) -> list[File]:
    files = []
    for number, content in enumerate(recording.contents()):
        text = io.StringIO()
        writer = csv.writer(text, delimiter=recording.delimiter, lineterminator="\n")
        writer.writerows(change(_rows(recording, content)))
        files.append((f"recording{number}.csv", text.getvalue().encode()))
    return files


def _dated(form: str) -> Callable[[Odd], list[File]]:
    def change(rows: list[list[str]]) -> list[list[str]]:
        header, *others = rows
        return [header, *([datetime.fromisoformat(row[0]).strftime(form), *row[1:]] for row in others)]

    return lambda recording: _files(recording, change)


def _flagged(recording: Odd) -> list[File]:
    """Flags of rows here and there, which the rules keep."""

    def change(rows: list[list[str]]) -> list[list[str]]:
        return [[*row, str(int(number % 7 == 3)) if number else "flag"] for number, row in enumerate(rows)]

    return _files(recording, change)


def _workbook(recording: Odd) -> list[File]:
    """Plain numbers and stamps as a spreadsheet stores them, all else as text."""
    import openpyxl

    files = []
    for number, content in enumerate(recording.contents()):
        book = openpyxl.Workbook(write_only=True)
        sheet = book.create_sheet("Sheet")
        header, *rows = _rows(recording, content)
        sheet.append(header)
        for stamp, *cells in rows:
            numbers = [cell.replace(recording.mark, ".") for cell in cells]
            sheet.append([
                datetime.fromisoformat(stamp).replace(tzinfo=None),
                *(float(text) if _PLAIN.fullmatch(text) else cell for text, cell in zip(numbers, cells, strict=True)),
            ])  # fmt: skip
        packed = io.BytesIO()
        book.save(packed)
        files.append((f"recording{number}.xlsx", packed.getvalue()))
    return files


FORMS: Mapping[str, Callable[[Odd], list[File]]] = {
    "month first": _dated("%m/%d/%Y %H:%M:%S"),
    "day first": _dated("%d.%m.%Y %H:%M:%S"),
    "flags": _flagged,
    "events": lambda recording: [*_files(recording, lambda rows: rows), ("events.csv", _EVENTS)],
    "workbook": _workbook,
}
"""Files of a recording by the name of the form."""
