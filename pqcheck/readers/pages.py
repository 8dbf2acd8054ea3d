"""Numbers of Parquet files page by page, straight into buffers that are used again (`_pages.c`).

Only the pages that hold rows asked for are unpacked, and a file that ends too early is an error in one sentence. The
library's reader gives the same values; it is used for the columns that `parquet_footer.Footer.plain` does not name.
"""

from __future__ import annotations

import contextlib
import threading
import zlib
from collections.abc import Callable, Iterator, Sequence
from typing import IO, Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.compiled import compiled
from pqcheck.errors import InputError
from pqcheck.readers.cells import LEAST_CODE, may_be_codes, without_codes
from pqcheck.readers.parquet_footer import CODEC, FLOAT, GZIP, SIZE, START, ZSTD, Footer, Group, footer_module
from pqcheck.readers.source import Source
from pqcheck.readers.table import DECODERS, BadCells, Decoded, Move, RowNumbers, Slab, bad_cells
from pqcheck.recording import Values

_VERSION = 4
_FIELDS = 10
_PLACE, _SIZE, _UNPACKED, _LEVELS, _PACKED = 2, 3, 4, 7, 9
_NULL_STAMP = -2
_ANY_FORM = 47
"""zlib: gzip or zlib header, whichever there is; writers differ."""

_ALIGNED = 64
_USUAL = 16 << 20
_GAP = 2
"""Chunks of one step are read at once when they take at least this part of what lies between the first and the last."""

_own = threading.local()


def _compiled() -> Any:
    return compiled("pqcheck.readers._pages", _VERSION)


def available() -> bool:
    """Whether both compiled modules are there."""
    return _compiled() is not None and footer_module() is not None


class Buffers:
    """Buffers that are handed out and come back: fresh memory costs as much as reading into it."""

    def __init__(self) -> None:
        """None so far."""
        self._free: list[NDArray[np.uint8]] = []

    def take(self, size: int) -> NDArray[np.uint8]:
        """A buffer of at least `size` bytes, with anything in it."""
        with contextlib.suppress(IndexError):
            while True:
                buffer = self._free.pop()
                if buffer.size >= size:
                    return buffer
        return np.empty(size, np.uint8)

    def give(self, buffer: NDArray[np.uint8]) -> None:
        """Take a buffer back that nobody looks at any more; only a few of a usual size are kept."""
        if buffer.size <= _USUAL and len(self._free) < DECODERS:
            self._free.append(buffer)


_BUFFERS = Buffers()
"""For all files: each in turn needs as much as the one before."""


class PageDecoder(Struct, frozen=True):
    """Decodes ranges of rows of one Parquet file.

    `numbers` are the columns read here; `library` reads the others.
    """

    source: Source
    footer: Footer
    numbers: frozenset[int]
    row_numbers: RowNumbers
    library: Callable[[Slab, Sequence[int]], Decoded]
    buffers: Buffers = _BUFFERS

    def __call__(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        """Numbers of the asked columns of some rows, valid until `Decoded.release` is called."""
        own = [column for column in columns if column in self.numbers]
        if not own:
            return self.library(slab, columns)
        found = self._read(slab, own)
        if len(own) == len(columns):
            return found
        others = [column for column in columns if column not in self.numbers]
        rest = self.library(slab, others)
        by_column = dict(zip([*own, *others], [*found.values, *rest.values], strict=True))
        return Decoded([by_column[column] for column in columns], (*found.bad, *rest.bad), rest.over, found.release)

    def _read(self, slab: Slab, columns: Sequence[int]) -> Decoded:
        widths = [4 if self.footer.columns[column].type == FLOAT else 8 for column in columns]
        offsets, size = _places(slab.rows, widths)
        buffer = self.buffers.take(size)
        values: list[Values] = [
            buffer[offset : offset + slab.rows * width].view(np.float32 if width == 4 else np.float64)
            for offset, width in zip(offsets, widths, strict=True)
        ]
        odd, blank = self._lay(slab, columns, values, [(0, 0, slab.rows)])
        bad: list[BadCells] = []
        for at in odd:
            values[at], wrong, sample = without_codes(values[at])
            if wrong.size:
                blank[at] = True
                bad.append(bad_cells(columns[at], self.row_numbers, slab, wrong, sample))
        return Decoded(values, tuple(bad), release=lambda: self.buffers.give(buffer), blank=blank)

    def into(
        self, slab: Slab, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]
    ) -> NDArray[np.bool_] | None:
        """Write rows of a slab straight to their places, one row of a buffer per column; which may have blanks.

        None when these columns must be decoded in the usual way, as some of them hold odd values or are not read
        here; then anything may stand in the places.
        """
        for column, row in zip(columns, rows, strict=True):
            wanted = np.float32 if self.footer.columns[column].type == FLOAT else np.float64
            if column not in self.numbers or row.dtype != wanted:
                return None
        odd, blank = self._lay(slab, columns, rows, moves)
        return None if odd else blank

    def _lay(
        self, slab: Slab, columns: Sequence[int], rows: Sequence[Values], moves: Sequence[Move]
    ) -> tuple[Sequence[int], NDArray[np.bool_]]:
        """Lay rows of a slab into buffers.

        The numbers of the columns that may hold codes or infinite numbers, and which may have blanks.
        """
        ends = _nothing_told(len(columns))
        lay(self.source, self.footer, columns, slab.place, rows, moves, ends, whole=False)
        low, high, blank = ends.T
        odd: list[int] = np.flatnonzero(may_be_codes(high, low) | (low == -np.inf) | (high == np.inf)).tolist()
        return odd, blank != 0


def _nothing_told(columns: int) -> NDArray[np.float64]:
    """The smallest and the largest number of columns that are yet to be read, and whether any is missing."""
    return np.tile(np.array([np.inf, -np.inf, 0.0]), (columns, 1))


def read_integers(source: Source, footer: Footer, column: int) -> NDArray[np.int64]:
    """All integers of one column, those of stamps; InputError where one is missing."""
    count = footer.rows
    found = np.empty(count, np.int64)
    lay(source, footer, [column], (0, count), [found], [(0, 0, count)], _nothing_told(1), whole=True)
    return found


def _places(rows: int, widths: Sequence[int]) -> tuple[list[int], int]:
    """Where each column begins in a buffer of bytes, and how large that is."""
    starts = [0]
    for width in widths:
        starts.append(starts[-1] + -(-rows * width // _ALIGNED) * _ALIGNED + _ALIGNED)
    return starts[:-1], starts[-1]


def lay(
    source: Source, footer: Footer, columns: Sequence[int], span: tuple[int, int], rows: Sequence[NDArray[Any]],
    moves: Sequence[Move], ends: NDArray[np.float64], *, whole: bool,
) -> None:
    """Write numbers of some columns to rows of buffers, one per column, as `moves` say; these count from span[0] on.

    float32 columns stay float32, all others become float64, or int64 when they are `whole`. Missing values become NaN.
    `ends` (a row per column) take up the smallest and the largest of them and become 1 where some may be missing. All
    entries of a dictionary count where none of them can be a code.
    """
    kinds = [footer.columns[column] for column in columns]
    with source.open() as handle:
        for group, begin in _groups(footer.groups):
            # Rows counted within the group.
            here = [
                (to + max(begin - of, 0), max(of - begin, 0), min(of + count - begin, group.rows) - max(of - begin, 0))
                for to, of, count in ((to, span[0] + of, count) for to, of, count in moves)
                if of < begin + group.rows and of + count > begin
            ]
            if not here:
                continue
            chunks = group.chunks[list(columns)]
            described = np.array(
                [(element.type, element.optional, whole, codec)
                 for element, codec in zip(kinds, chunks[:, CODEC].tolist(), strict=True)], np.int64,
            )
            state = _lay(source, handle, chunks, described, rows, here, ends)
            if state == _NULL_STAMP:
                _refuse_missing(source, footer, columns[0])
            elif state:
                raise damaged(source, "its pages do not hold what it says")


def _refuse_missing(source: Source, footer: Footer, column: int) -> None:
    """InputError that names the first row without a stamp: read as numbers, it is NaN."""
    count = footer.rows
    found = np.empty(count)
    lay(source, footer, [column], (0, count), [found], [(0, 0, count)], _nothing_told(1), whole=False)
    row = int(np.argmax(np.isnan(found))) + 1
    raise InputError(f"{source.name}, row {row}: the time is empty; every row needs a stamp")


def damaged(source: Source, reason: str) -> InputError:
    """The error for a file that does not hold what it says."""
    return InputError(f"{source.name} is a damaged Parquet file ({reason}); copy it again")


def _groups(groups: Sequence[Group]) -> Iterator[tuple[Group, int]]:
    """Every group and its first row."""
    begin = 0
    for group in groups:
        yield group, begin
        begin += group.rows


def _lay(
    source: Source, handle: IO[bytes], chunks: NDArray[np.int64], described: NDArray[np.int64],
    rows: Sequence[NDArray[Any]], moves: Sequence[Move], ends: NDArray[np.float64],
) -> int:
    """Rows of some chunks of one group, moved; 0, or why it could not be done."""
    data, spans = _bytes(source, handle, chunks)
    first, last = min(of for _, of, _ in moves), max(of + count for _, of, count in moves)
    room = 4 * len(chunks)
    while True:
        index = np.empty((room, _FIELDS), np.int64)
        count = footer_module().pages(data, spans, first, last, index)
        if count != -2:
            break
        room *= 4
    if count < 0:
        return -1
    index = index[:count]
    unpacked = _unpacked(source, data, index, described[:, 3])
    taken = np.array(moves, np.int64)
    state, _ = _compiled().lay(data, index, unpacked, described, list(rows), taken, ends, LEAST_CODE)
    return int(state)


def _bytes(
    source: Source, handle: IO[bytes], chunks: NDArray[np.int64]
) -> tuple[memoryview, NDArray[np.int64]]:
    """The bytes of some chunks, and where each begins in them and how long it is. Overwritten by the next call."""
    starts, sizes = chunks[:, START], chunks[:, SIZE]
    if (starts + sizes > source.size).any() or (sizes > source.size).any():
        raise damaged(source, "it says it is longer")
    low, high, total = int(starts.min()), int((starts + sizes).max()), int(sizes.sum())
    if high - low <= _GAP * total:
        pieces, places = [(low, high - low)], starts - low
    else:
        pieces, places = list(zip(starts.tolist(), sizes.tolist(), strict=True)), np.cumsum(sizes) - sizes
    length = sum(size for _, size in pieces)
    held = getattr(_own, "bytes", None)
    if held is None or len(held) < length:
        held = _own.bytes = bytearray(length + length // 8)
    view = memoryview(held)[:length]
    filled = 0
    for start, size in pieces:
        handle.seek(start)
        end = filled + size
        while filled < end:
            got = handle.readinto(view[filled:end])  # type: ignore[attr-defined]
            if not got:
                raise InputError(f"{source.name} became shorter while it was being read; run again")
            filled += got
    return view, np.ascontiguousarray(np.stack([places, sizes], axis=1))


def _unpacked(
    source: Source, data: memoryview, index: NDArray[np.int64], codecs: NDArray[np.int64]
) -> list[Any]:
    """Per page its packed part unpacked; None where there is nothing to do, or no library is needed for it."""
    found: list[Any] = [None] * len(index)
    packed = (index[:, _PACKED] == 1) & (index[:, _SIZE] > index[:, _LEVELS])
    codec = codecs[index[:, 0]]
    frames = index[:, _PLACE] + index[:, _LEVELS]
    stops, sizes = index[:, _PLACE] + index[:, _SIZE], index[:, _UNPACKED] - index[:, _LEVELS]
    for which, unpack in ((ZSTD, _zstd), (GZIP, _gzip)):
        wanted = np.flatnonzero(packed & (codec == which))
        if wanted.size:
            ranges = zip(frames[wanted].tolist(), stops[wanted].tolist(), strict=True)
            pieces = [data[start:stop] for start, stop in ranges]
            try:
                pages = unpack(pieces, sizes[wanted])
            except (zlib.error, ValueError) as error:
                raise damaged(source, str(error).splitlines()[0]) from None
            for at, page in zip(wanted.tolist(), pages, strict=True):
                found[at] = page
    return found


def _gzip(pieces: Sequence[memoryview], sizes: NDArray[np.int64]) -> list[bytes]:
    pages = []
    for piece, size in zip(pieces, sizes.tolist(), strict=True):
        unpacker = zlib.decompressobj(_ANY_FORM)
        pages.append(unpacker.decompress(piece, size + 1))
    return pages


def _zstd(pieces: Sequence[memoryview], sizes: NDArray[np.int64]) -> list[bytes]:
    import zstandard

    unpacker = getattr(_own, "zstd", None)
    if unpacker is None:
        unpacker = _own.zstd = zstandard.ZstdDecompressor()
    size_of, unpack = zstandard.frame_content_size, unpacker.decompress
    try:
        # Its call for many frames at once is no faster, and frees memory twice when one of them is damaged (0.25).
        pages = []
        for piece, size in zip(pieces, sizes.tolist(), strict=True):
            # A damaged frame may ask for any amount of memory.
            if size_of(piece) not in (-1, size):
                raise ValueError("a page is not as long as it says")
            pages.append(unpack(piece, size))
        return pages
    except zstandard.ZstdError as error:
        raise ValueError(str(error)) from None
