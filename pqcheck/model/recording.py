"""What the readers hand on: channels, time blocks, streams, a recording. All frozen values.

Time is an integer count of microseconds since 1970-01-01 UTC, always the *start* of an interval, so
that no rounding and no zone can move a reading. Values stay in the unit and the width of the file;
only limits are converted (see docs/method/counting.md).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from decimal import Decimal
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

SECOND = 1_000_000
DAY = 86_400 * SECOND

Values = NDArray[Any]
"""1-D contiguous float64 or float32; NaN is an unobserved interval."""


class Channel(Struct, frozen=True, order=True, cache_hash=True):
    """What one column is: quantity, phase, order or frequency, reading, and the unit its numbers are in."""

    quantity: str
    phase: str | None = None
    order: int | None = None
    hertz: str | None = None
    reading: str = "mean"
    unit: str = ""

    @property
    def key(self) -> tuple[str, str | None, int | None, str | None, str]:
        """Everything but the unit: two columns with one key are the same channel."""
        return (self.quantity, self.phase, self.order, self.hertz, self.reading)

    @property
    def name(self) -> str:
        """The contract name without the unit, reading always written: ``voltage.an.mean``."""
        return f"{self.base_name}.{self.reading}"

    @property
    def base_name(self) -> str:
        """The contract name without reading and unit: ``current_harmonic.b.h5``."""
        parts = [self.quantity]
        if self.phase is not None:
            parts.append(self.phase)
        if self.order is not None:
            parts.append(f"h{self.order}")
        if self.hertz is not None:
            parts.append(f"f{self.hertz}")
        return ".".join(parts)


class RowSpan(Struct, frozen=True):
    """Rows of one file: line numbers as an editor or spreadsheet shows them (a CSV header is row 1)."""

    file: str
    first: int
    last: int


class Axis(Struct, frozen=True):
    """A regular time axis. `start_us` is the start of the first interval, UTC microseconds."""

    start_us: int
    interval_us: int
    count: int

    @property
    def end_us(self) -> int:
        """End of the last interval (half-open)."""
        return self.start_us + self.interval_us * self.count


class Block(Struct, frozen=True):
    """Whole days of one stream: every channel one contiguous 1-D array of `axis.count` values.

    The arrays belong to the reader and may be reused once the next block is asked for; copy what must
    outlive the block. Masks of `axis.count` mark, per channel that has any, readings that are only a bound: the
    true value is that in `values` or more (`lower_bounds`: ``OL``, ``>600``), or that or less (`upper_bounds`:
    ``<0.5``). `flagged` marks intervals flagged in the sense of IEC 61000-4-30 4.7.
    """

    axis: Axis
    values: Mapping[Channel, Values]
    flagged: NDArray[np.bool_] | None = None
    lower_bounds: Mapping[Channel, NDArray[np.bool_]] = field(default_factory=dict)
    upper_bounds: Mapping[Channel, NDArray[np.bool_]] = field(default_factory=dict)


class RowIndex(Protocol):
    """Where the values of a channel stand in the files."""

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        """Rows that hold `channel` for the half-open span, in time order; empty for arrays in memory."""


class Stream(Struct, frozen=True):
    """One time base: an axis, its channels, and a way to walk its blocks as often as wanted.

    `blocks(channels)` yields consecutive blocks of whole days from `axis.start_us` that together cover the
    axis; `channels` (None = all) limits what is decoded. Slots without a row are NaN.
    """

    axis: Axis
    channels: tuple[Channel, ...]
    blocks: Callable[[Sequence[Channel] | None], Iterator[Block]]
    index: RowIndex


class Note(Struct, frozen=True):
    """Something the reader found and did not repair silently.

    `code` is one of ``gap duplicate-merged duplicate-conflict unsorted off-grid interval-change interval-mismatch
    not-a-number unknown-column overlap snapped clock-change clock-reset seconds-lost no-rows slow-channel
    unit-converted``. `text` is one sentence with the numbers.
    `channels` empty = all channels of the file. `spans` are half-open UTC microseconds; `rows` name the place.
    `serious` notes left intervals unobserved.
    """

    code: str
    text: str
    channels: tuple[Channel, ...] = ()
    spans: tuple[tuple[int, int], ...] = ()
    rows: tuple[RowSpan, ...] = ()
    serious: bool = False


class ColumnReading(Struct, frozen=True):
    """How one column of a file was understood. `channel` is None for a column that was left alone."""

    column: str
    channel: Channel | None
    read_as: str


class SourceFile(Struct, frozen=True):
    """One file as it was read. `interval_us` is None when the file holds no two rows."""

    name: str
    checksum: str | Future[str]
    """sha256 in hex, or that which is still being worked out; see `sha256`."""
    rows: int
    interval_us: int | None
    start_us: int
    end_us: int
    columns: tuple[ColumnReading, ...]
    written: str = ""
    """How the file is written (delimiter, decimal mark, header), in words; empty where there is nothing to choose."""

    @property
    def sha256(self) -> str:
        """Checksum of the bytes of the file, in hex; waits for it. InputError when the file can no longer be read."""
        return self.checksum if isinstance(self.checksum, str) else self.checksum.result()


EVENT_KINDS = ("dip", "swell", "interruption", "rapid change")
"""Kinds of events; a rapid voltage change stays between the thresholds of dips and swells (IEC 61000-4-30 5.11)."""


class Event(Struct, frozen=True, dict=True):
    """One row of an event table, of one of `EVENT_KINDS`. `phase` is empty where it concerns all of them.

    `certain` is false where the clock of the recorder leaves open when it began.
    """

    time_us: int
    phase: str
    kind: str
    duration_s: Decimal
    residual_percent: Decimal | None
    rows: tuple[RowSpan, ...] = ()
    certain: bool = True
    parts: tuple[Event, ...] = ()
    """Of an event of several phases: the rows of the event table that it was put together from."""
    up_to_s: Decimal | None = None
    """Where the event table writes a duration of zero: below what it lies."""

    @cached_property
    def end_us(self) -> int:
        """When it was over; an event takes at least a microsecond."""
        return self.time_us + max(1, int(self.duration_s * 1_000_000))


class LeftOut(Struct, frozen=True):
    """What was recorded and is not judged, in streams of its own: danger signs are looked for in it all the same.

    Only what touches one of `spans` (half-open UTC microseconds) counts; `why` is the sentence behind a sign.
    """

    streams: tuple[Stream, ...]
    spans: tuple[tuple[int, int], ...]
    why: str


def _no_notes() -> tuple[Note, ...]:
    return ()


class Recording(Struct, frozen=True):
    """Everything that was recorded: files, one stream per time base, and what was noticed on the way.

    `zone` is the IANA name used for display and calendar periods ("UTC" when none was declared or needed).
    """

    files: tuple[SourceFile, ...]
    streams: tuple[Stream, ...]
    notes: tuple[Note, ...] = ()
    zone: str = "UTC"
    events: tuple[Event, ...] = ()
    late_notes: Callable[[], tuple[Note, ...]] = _no_notes
    """What shows only when numbers are decoded (cells that are not numbers in files larger than one slab); complete
    once the blocks of every stream have been walked with all channels."""
    event_tables: tuple[str, ...] = ()
    """Names of the event tables read, also those without a row."""
    left_out: tuple[LeftOut, ...] = ()
    """What was recorded and is not judged."""

    def all_notes(self) -> tuple[Note, ...]:
        """`notes` and what has come to light since; call it after the walk."""
        return self.notes + self.late_notes()

    def channels(self) -> Iterator[tuple[Stream, Channel]]:
        """Every channel with the stream it lives in."""
        for stream in self.streams:
            for channel in stream.channels:
                yield stream, channel
