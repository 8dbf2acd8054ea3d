"""First pass over a delimited text: where its rows lie, on which line each stands, and its stamps."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.io.csv.compiled_numbers import LineCutter
from pqcheck.io.csv.text_file import split_line
from pqcheck.io.decoder import Chunk, RowNumbers
from pqcheck.io.source_files import Source, chunks, nul_byte
from pqcheck.io.timeline.stamps import ReadStamp
from pqcheck.model.clock import Instants, parse_iso, parse_iso_rows
from pqcheck.model.errors import InputError

_WIDEST_STAMP = 40


class Scan(Struct, frozen=True):
    """What the first pass found. `stamps` are as written; `local` = they carry no offset.

    `skipped` are line numbers of lines that are no rows, by what they are. `lines` is the number of the last line.
    """

    stamps: Instants
    local: bool
    row_numbers: RowNumbers
    chunks: tuple[Chunk, ...]
    skipped: Mapping[str, tuple[int, ...]]
    lines: int


class Layout(Struct, frozen=True):
    """How the lines of a text are cut: the delimiter, the time columns, where the rows begin.

    `read_stamp` reads the cells of the time columns; None = one ISO 8601 cell, which has a fast path. `headings` are
    lines that may come again between rows and are no rows. `width` is the usual number of cells.
    """

    delimiter: str
    time_columns: tuple[int, ...]
    first_byte: int
    first_line: int
    """Line number of the first row."""
    width: int
    read_stamp: ReadStamp | None = None
    headings: frozenset[bytes] = frozenset()


FOOTER = re.compile(
    r"(min|max|avg|mean|average|sum|total|count|std|end|mittel|moy|minimum|maximum|p?95|p?99|percentile|median)\b",
    re.IGNORECASE,
)


class _Numbering:
    """Collects the row numbers of rows chunk by chunk."""

    def __init__(self) -> None:
        self.first: list[int] = []
        self.number: list[int] = []
        self.rows = 0

    def add(self, numbers: NDArray[np.int64]) -> None:
        if not numbers.size:
            return
        breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
        starts = [0, *breaks.tolist()]
        for start in starts:
            number, first = int(numbers[start]), self.rows + start
            if self.first and number - first == self.number[-1] - self.first[-1]:
                continue
            self.first.append(first)
            self.number.append(number)
        self.rows += numbers.size

    def result(self) -> RowNumbers:
        return RowNumbers(np.array(self.first, np.int64), np.array(self.number, np.int64))


def scan(source: Source, layout: Layout, end: int | None = None) -> Scan:
    """Walk the whole file once, or as far as byte `end`.

    InputError names the first row whose stamp cannot be read, or the first NUL byte.
    """
    numbering = _Numbering()
    filled_chunks: list[Chunk] = []
    stamps: list[Instants] = []
    skipped: dict[str, list[int]] = {}
    offsets: bool | None = None
    line, cut = layout.first_line, LineCutter()
    for offset, whole in chunks(source):
        if end is not None:
            whole = whole[: max(0, end - offset)]
        skip = max(0, layout.first_byte - offset)
        if skip >= len(whole):
            continue
        buffer: bytearray = whole.obj  # type: ignore[assignment]
        zero = buffer.find(b"\0", skip, len(whole))
        if zero >= 0:
            raise nul_byte(source, line + buffer.count(b"\n", skip, zero), offset + zero)
        data = np.frombuffer(whole, np.uint8)
        starts, ends, numbers, count = cut.of(whole, skip)
        numbers += line
        first_line = line
        line += count
        if not starts.size:
            continue
        values, with_offset, rows = _stamps(data, starts, ends, numbers, layout, source.name, skipped)
        if not rows.all():
            values, with_offset, numbers = values[rows], with_offset[rows], numbers[rows]
            if not values.size:
                continue
        if offsets is None:
            offsets = bool(with_offset[0])
        odd = np.flatnonzero(with_offset != offsets)
        if odd.size:
            raise InputError(
                f"{source.name}, row {numbers[odd[0]]}: some stamps carry an offset and some do not; "
                "write all of them one way"
            )
        first_row = numbering.rows
        numbering.add(numbers)
        stamps.append(values)
        filled_chunks.append(Chunk(first_row, values.size, (offset + skip, len(whole) - skip), first_line, count))
    if not filled_chunks:
        raise InputError(f"{source.name} holds a header and no rows; export the recording again")
    lost = {why: tuple(lines) for why, lines in skipped.items()}
    return Scan(np.concatenate(stamps), not offsets, numbering.result(), tuple(filled_chunks), lost, line - 1)


def _stamps(
    data: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    numbers: NDArray[np.int64],
    layout: Layout,
    name: str,
    skipped: dict[str, list[int]],
) -> tuple[Instants, NDArray[np.bool_], NDArray[np.bool_]]:
    """Stamps, whether each carries an offset, and which lines are rows at all."""
    count = starts.size
    values = np.zeros(count, np.int64)
    with_offset = np.zeros(count, np.bool_)
    good = np.zeros(count, np.bool_)
    if layout.read_stamp is None and layout.time_columns == (0,):
        quoted = int(data[starts[0]] == ord('"'))
        closing = ord('"') if quoted else ord(layout.delimiter)
        head = data[starts[0] + quoted : min(starts[0] + quoted + _WIDEST_STAMP, ends[0])]
        width = int(np.argmax(head == closing)) if (head == closing).any() else 0
        if width:
            fits = np.flatnonzero(starts + quoted + width < ends)
            matrix = data[(starts[fits] + quoted)[:, None] + np.arange(width + 1)]
            parsed, right, zoned = parse_iso_rows(matrix[:, :width])
            right &= matrix[:, width] == closing
            values[fits], good[fits] = parsed, right
            with_offset[:] = zoned
    rows = np.ones(count, np.bool_)
    read = layout.read_stamp or _read_iso
    last, separator = max(layout.time_columns), layout.delimiter.encode()
    other = ""
    if good.any():
        begin = int(starts[np.argmax(good)])
        other = data[begin : begin + _WIDEST_STAMP].tobytes().split(separator)[0].decode().strip('"')
    for at in np.flatnonzero(~good).tolist():
        line = data[starts[at] : ends[at]].tobytes()
        if b'"' in line:
            cells = split_line(line.decode("utf-8", "replace"), layout.delimiter)
        else:
            cells = [cell.decode("utf-8", "replace") for cell in line.split(separator, last + 1)[: last + 1]]
        stamp = [cells[column].strip() if column < len(cells) else "" for column in layout.time_columns]
        try:
            values[at], with_offset[at] = read(stamp)
            other = other or " ".join(stamp)
        except (ValueError, OverflowError):
            why = _no_row(line, layout)
            if why is None:
                shown = repr(" ".join(stamp).strip()) if any(stamp) else "empty"
                raise InputError(
                    f"{name}, row {numbers[at]}: the time is {shown}, which is no stamp like those of the other rows "
                    f"(such as {other or '2031-03-03T00:10:00+00:00'})"
                ) from None
            rows[at] = False
            if why:
                skipped.setdefault(why, []).append(int(numbers[at]))
    return values, with_offset, rows


def _read_iso(cells: Sequence[str]) -> tuple[int, bool]:
    return parse_iso(cells[0])


def _no_row(line: bytes, layout: Layout) -> str | None:
    """What a line without a stamp is: blank (empty text), a heading, a footer, a remark; None when it seems a row."""
    if line.strip() in layout.headings:
        return "repeated header"
    cells = [cell.strip() for cell in split_line(line.decode("utf-8", "replace"), layout.delimiter)]
    filled = [cell for cell in cells if cell]
    if not filled:
        return ""
    if FOOTER.match(filled[0]):
        return "footer"
    if not any(re.match(r"[<>+-]?\s*[\d.,]", cell) for cell in filled) or len(filled) * 4 <= layout.width:
        return "remark"
    return None
