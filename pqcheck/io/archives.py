"""Files that hold other files or sheets: gzip, zipped folders, Excel workbooks. Everything becomes a text."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from pqcheck.io.csv.text_file import Text, text_of
from pqcheck.io.source_files import Source, open_source, unpacked
from pqcheck.model.errors import InputError

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
    import zlib

    try:
        with zipfile.ZipFile(path) as archive:
            members = [info for info in archive.infolist() if not info.is_dir()]
            if any(info.filename == "xl/workbook.xml" for info in members):
                from pqcheck.io.excel import sheets_of
                from pqcheck.io.workbook_parts import check_parts

                check_parts(source, archive)
                yield from sheets_of(source, path)
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
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise InputError(f"{source.name} is a damaged archive ({error}); copy it again") from None
