"""Where a text without a line end at its end was cut: inside its last number, or in the midst of a row."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from msgspec import Struct

from pqcheck.io.csv.scan import FOOTER, Layout
from pqcheck.io.csv.text_file import Text, split_line
from pqcheck.io.source_files import LONGEST_LINE, chunks, long_line

_TAIL = 1 << 16
"""Bytes at the end that are looked at first."""

_FRONT = re.compile(r"[<>]?\s*[+-]?\d*")


class Cut(Struct, frozen=True):
    """What of the last line is not read: the text ends at byte `end` instead.

    `column` is that of a last number that lacks digits, `text` what is left of it; None when the whole line, with
    `cells` cells, is left out.
    """

    end: int
    column: int | None
    text: str
    cells: int


def cut_of(text: Text, layout: Layout) -> Cut | None:
    """What was cut off at the end of a text; None where nothing shows it.

    A last line with fewer cells than the header and than the line above is left out. A last number is cut when every
    other one of its column has equally many characters behind its first digits (decimals, exponent, unit), and it has
    fewer.
    """
    size = text.source.size
    tail = _TAIL
    with text.source.open() as handle:
        while True:
            whole = size - tail <= layout.first_byte
            handle.seek(layout.first_byte if whole else size - tail)
            # The first line of a part begins anywhere.
            lines = handle.read().split(b"\n")[0 if whole else 1 :]
            if whole or len(lines) > 2:
                break
            tail *= 2
    last = lines[-1] if len(lines) > 1 else b""
    if len(last) > LONGEST_LINE:
        raise long_line(text.source)
    # A NUL byte is no end of a line that was cut, but an error of its own once the lines are looked at.
    if not last.strip() or last.endswith(b"\r") or b"\0" in last:
        return None
    begin = size - len(last)
    cells, above = (_cells(text.decode(line.rstrip(b"\r")), layout.delimiter) for line in (last, lines[-2]))
    if FOOTER.match(cells[0]):
        return None
    column = len(cells) - 1
    short = len(cells) < layout.width and len(cells) < len(above)
    if short or (column in layout.time_columns and len(above) > column and len(cells[-1]) < len(above[column])):
        return Cut(begin, None, "", len(cells))
    here = _behind(cells[-1])
    if here is None or column in layout.time_columns:
        return None
    others = (_behind(each) for each in _column(lines[:-1], text, layout, column))
    lengths = {length for length in others if length is not None}
    if len(lengths) != 1 or here >= min(lengths):
        return None
    if not whole and not _all_are(lengths, text, layout, column, begin):
        return None
    return Cut(begin + _start(last, layout.delimiter.encode()), column, cells[-1], len(cells))


def _cells(line: str, delimiter: str) -> list[str]:
    # A quote that is never closed ends with the line.
    return [cell.strip() for cell in split_line(line + '"' * (line.count('"') % 2), delimiter)] or [""]


def _column(lines: Sequence[bytes], text: Text, layout: Layout, column: int) -> Iterator[str]:
    for line in lines:
        cells = _cells(text.decode(line.rstrip(b"\r")), layout.delimiter)
        if column < len(cells) and not FOOTER.match(cells[0]) and line.strip() not in layout.headings:
            yield cells[column]


def _behind(cell: str) -> int | None:
    """How many characters stand behind the first digits of a number; None for what begins with no digit."""
    front = _FRONT.match(cell)
    assert front is not None
    return len(cell) - front.end() if cell[: front.end()][-1:].isdecimal() else None


def _all_are(lengths: set[int], text: Text, layout: Layout, column: int, end: int) -> bool:
    """Whether the numbers of a column in all lines before byte `end` have this length behind their first digits."""
    for offset, whole in chunks(text.source):
        low, high = max(0, layout.first_byte - offset), max(0, min(len(whole), end - offset))
        lines = bytes(whole[low:high]).split(b"\n")
        if any(_behind(cell) not in (None, *lengths) for cell in _column(lines, text, layout, column)):
            return False
    return True


def _start(line: bytes, delimiter: bytes) -> int:
    """Where the last cell of a line begins."""
    if line.count(b'"') % 2:
        return line.rfind(b'"')
    if line.rstrip().endswith(b'"'):
        return line.rfind(b'"', 0, line.rfind(b'"'))
    return line.rfind(delimiter) + 1
