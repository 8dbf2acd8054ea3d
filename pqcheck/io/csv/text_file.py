"""Text behind a file: unpacked, in one encoding the parsers understand, with its first lines for a look."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from typing import IO

from msgspec import Struct

from pqcheck.io.source_files import CHUNK, LONGEST_LINE, Source, long_line, nul_byte, unpacked
from pqcheck.model.errors import InputError

SAMPLE = 1 << 18
"""Bytes of the beginning that are looked at to find out how a file is written."""

PROBES, PROBE = 40, 1 << 13
"""Further looks, spread over the file, for what the beginning may not show (dates of later days)."""


def split_line(text: str, delimiter: str) -> list[str]:
    """The cells of one line, quotes removed."""
    try:
        return next(csv.reader([text], delimiter=delimiter), [])
    except csv.Error as error:
        why = "it holds a carriage return in its midst, where a line should end" if "\r" in text else error
        raise InputError(
            f"a line of text cannot be cut into cells ({why}): it begins {text[:40]!r}; is it a text of columns?"
        ) from None


class Text(Struct, frozen=True):
    """A text ready to be parsed as UTF-8 or as one byte per character; `encoding` is that of the file."""

    source: Source
    encoding: str
    head: bytes
    """The first lines, whole ones; without a byte order mark."""
    start: int
    """Where they start: behind a byte order mark."""

    def decode(self, data: bytes) -> str:
        """Bytes of this text as characters; what is neither UTF-8 nor the code page is shown as a question mark."""
        return data.decode("cp1252" if self.encoding == "cp1252" else "utf-8", "replace")

    def lines(self) -> list[bytes]:
        """The lines of the head, line ends removed."""
        return [line.rstrip(b"\r") for line in self.head.split(b"\n")]

    def probes(self) -> Iterator[bytes]:
        """Whole lines from places spread over the rest of the file, in file order."""
        size, first = self.source.size, self.start + len(self.head)
        if size <= first:
            return
        step = max(PROBE, (size - first) // PROBES)
        with self.source.open() as handle:
            for place in [*range(first, size, step), max(first, size - PROBE)]:
                handle.seek(place)
                data = handle.read(PROBE)
                begin, end = data.find(b"\n") + 1, data.rfind(b"\n")
                yield from data[begin : end if end > begin else len(data)].split(b"\n")


def text_of(source: Source) -> Text:
    """The text of some bytes; UTF-16 is turned into UTF-8 once."""
    with source.open() as handle:
        head = handle.read(SAMPLE)
    wide = _wide(head)
    if wide:
        with source.open() as handle:
            source = unpacked(source, _Narrowed(handle, wide))  # type: ignore[arg-type]
        with source.open() as handle:
            head = handle.read(SAMPLE)
    start = len(codecs.BOM_UTF8) if head.startswith(codecs.BOM_UTF8) else 0
    head = head[start:]
    # Zeros behind whole lines are damage of a text.
    if sum(0 < byte < 9 for byte in head[:4096]) > 4 or b"\0" in head.partition(b"\n")[0]:
        raise InputError(f"{source.name} is not a text file; give a CSV, Excel or Parquet file")
    if b"\0" in head:
        at = head.find(b"\0")
        raise nul_byte(source, head.count(b"\n", 0, at) + 1, start + at)
    if start + len(head) < source.size:
        cut = head.rfind(b"\n")
        while cut < 0:
            if len(head) > LONGEST_LINE:
                raise long_line(source)
            with source.open() as handle:
                handle.seek(start)
                head = handle.read(2 * len(head))
            cut = head.rfind(b"\n") if start + len(head) < source.size else len(head) - 1
        head = head[: cut + 1]
    try:
        head.decode("utf-8")
        encoding = wide or "utf-8"
    except UnicodeDecodeError:
        encoding = "cp1252"
    return Text(source, encoding, head, start)


def _wide(head: bytes) -> str:
    if head.startswith(codecs.BOM_UTF16_LE):
        return "utf-16-le"
    if head.startswith(codecs.BOM_UTF16_BE):
        return "utf-16-be"
    some = head[:4096]
    even, odd = some[::2].count(0), some[1::2].count(0)
    # Zeros at every second place; those of a zeroed tail stand at all of them.
    if len(some) >= 8 and max(even, odd) * 3 > len(some) and min(even, odd) * 10 < max(even, odd):
        return "utf-16-le" if odd > even else "utf-16-be"
    return ""


class _Narrowed(io.RawIOBase):
    """A UTF-16 stream read as UTF-8."""

    def __init__(self, stream: IO[bytes], encoding: str) -> None:
        self._stream = stream
        self._decoder = codecs.getincrementaldecoder(encoding)("replace")
        self._first = True

    def read(self, size: int = CHUNK) -> bytes:
        data = self._stream.read(size)
        text = self._decoder.decode(data, final=not data)
        if self._first:
            text, self._first = text.removeprefix("\ufeff"), False
        return text.encode("utf-8")
