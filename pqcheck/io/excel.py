"""Excel workbooks: every filled sheet becomes a text."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any

from pqcheck.io.csv.text_file import Text, text_of
from pqcheck.io.source_files import Source, unpacked
from pqcheck.model.errors import InputError


def sheets_of(source: Source, path: Path) -> Iterator[Text]:
    """The texts of the filled sheets of a workbook; InputError when it is damaged or holds none."""
    try:
        import openpyxl
    except ImportError:
        raise InputError(
            f"{source.name} is an Excel workbook, which needs a further package: pip install 'pqcheck-power[excel]', "
            "or save it as CSV"
        ) from None
    with open(path, "rb") as file:
        try:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True)
        except Exception as error:
            # The package raises whatever its XML parser met; for the reader of the message all of it is a damaged file.
            raise InputError(f"{source.name} is a damaged Excel workbook ({error}); save it again") from None
        filled = 0
        for sheet in book.worksheets:
            stream = _Sheet(sheet, source.name)
            if stream.empty:
                continue
            filled += 1
            name = source.name if len(book.worksheets) == 1 else f"{source.name} ({sheet.title})"
            inner = Source(path, name, max(source.size, 1), 0)
            yield text_of(unpacked(inner, stream))  # type: ignore[arg-type]
        book.close()
    if not filled:
        raise InputError(f"{source.name} holds no filled sheet; export the recording again")


class _Sheet:
    """A sheet as a stream of CSV text; numbers as Python writes them, dates as ISO 8601."""

    def __init__(self, sheet: Any, name: str) -> None:
        self._name = name
        # The size a workbook states for a sheet may be that of an earlier save; all rows there are count.
        sheet.reset_dimensions()
        self._rows = sheet.iter_rows()
        self._rest = self._more(200)
        self.empty = not self._rest.strip(b",\r\n")

    def _more(self, count: int) -> bytes:
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        try:
            for row in self._rows:
                writer.writerow([_cell(cell.value, cell.number_format) for cell in row])
                count -= 1
                if not count:
                    break
        except Exception as error:
            # Rows are parsed as they are asked for; what the package raises then is a damaged file too.
            raise InputError(f"{self._name} is a damaged Excel workbook ({error}); save it again") from None
        return buffer.getvalue().encode()

    def read(self, size: int = 0) -> bytes:
        """The next lines; empty at the end."""
        data = self._rest or self._more(5000)
        self._rest = b""
        return data


_LITERAL = re.compile(r'"[^"]*"|\\.|_.|\*.|\[[^\]]*\]')
"""What a number format shows as it stands, or does not show."""


def _cell(value: Any, number_format: str | None) -> str:
    """A cell as text: what is stored, and a number shown in percent with its unit (stored 0.09, shown 9 %)."""
    if value is None:
        return ""
    if isinstance(value, int | float) and "%" in _LITERAL.sub("", number_format or ""):
        return f"{float(Decimal(repr(value)) * 100)!r} %"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value) if isinstance(value, float) else str(value)

