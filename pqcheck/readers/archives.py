"""Files that hold other files or sheets: gzip, zipped folders, Excel workbooks. Everything becomes a text."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import date, datetime, time
from pathlib import Path, PurePosixPath
from typing import Any

from pqcheck.errors import InputError
from pqcheck.readers.source import Source, open_source, unpacked
from pqcheck.readers.text_file import Text, text_of

MEMBER_LIMIT = 1000
_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"
_OLD_EXCEL = b"\xd0\xcf\x11\xe0"
_TEXT_ENDINGS = (".csv", ".txt", ".tsv", ".dat", ".prn", ".asc", "")


def texts_of(path: Path) -> Iterator[Text]:
    """The texts of a file."""
    source = open_source(path)
    with source.open() as handle:
        head = handle.read(4)
    if head[:2] == _GZIP:
        import gzip

        with gzip.open(path, "rb") as stream:
            yield text_of(unpacked(source, stream))  # type: ignore[arg-type]
    elif head == _ZIP:
        yield from _archive(source, path)
    elif head == _OLD_EXCEL:
        raise InputError(f"{source.name} is an old Excel workbook; save it as .xlsx or as CSV")
    else:
        yield text_of(source)


def _archive(source: Source, path: Path) -> Iterator[Text]:
    import zipfile

    try:
        with zipfile.ZipFile(path) as archive:
            members = [info for info in archive.infolist() if not info.is_dir()]
            if any(info.filename == "xl/workbook.xml" for info in members):
                yield from _workbook(source, path)
                return
            texts = [info for info in sorted(members, key=lambda info: info.filename)
                     if PurePosixPath(info.filename).suffix.lower() in _TEXT_ENDINGS
                     and not info.filename.startswith("__MACOSX/")]
            if not texts:
                raise InputError(f"{source.name} holds no CSV or text file; unpack it and name the files")
            if len(texts) > MEMBER_LIMIT:
                raise InputError(f"{source.name} holds {len(texts)} files; unpack it and name those that are wanted")
            for info in texts:
                if info.flag_bits & 1:
                    raise InputError(f"{source.name} is locked with a password; unpack it and name the files")
                inner = Source(path, PurePosixPath(info.filename).name, max(1, info.compress_size), 0)
                with archive.open(info) as stream:
                    yield text_of(unpacked(inner, stream))
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        raise InputError(f"{source.name} is a damaged archive ({error}); copy it again") from None


def _workbook(source: Source, path: Path) -> Iterator[Text]:
    try:
        import openpyxl
    except ImportError:
        raise InputError(
            f"{source.name} is an Excel workbook, which needs a further package: pip install 'pqcheck-power[excel]', "
            "or save it as CSV"
        ) from None
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except Exception as error:
        # The package raises whatever its XML parser met; for the reader of the message all of it is a damaged file.
        raise InputError(f"{source.name} is a damaged Excel workbook ({error}); save it again") from None
    filled = 0
    for sheet in book.worksheets:
        stream = _Sheet(sheet)
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

    def __init__(self, sheet: Any) -> None:
        self._rows = sheet.iter_rows(values_only=True)
        self._rest = self._more(200)
        self.empty = not self._rest.strip(b",\r\n")

    def _more(self, count: int) -> bytes:
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        for row in self._rows:
            writer.writerow([_cell(value) for value in row])
            count -= 1
            if not count:
                break
        return buffer.getvalue().encode()

    def read(self, size: int = 0) -> bytes:
        """The next lines; empty at the end."""
        data = self._rest or self._more(5000)
        self._rest = b""
        return data


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value) if isinstance(value, float) else str(value)

