"""Values in memory as a recording: arrays, or a table of pandas, polars or pyarrow; no disk."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np

from pqcheck.io.columns_in_memory import cells_of, columns_of, instants_of, numbers_of
from pqcheck.io.csv.cells import Refused
from pqcheck.io.csv.error_codes import without_impossible
from pqcheck.io.decoder import Chunk, RowNumbers, Table
from pqcheck.io.headers.exact_names import resolve_columns
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.io.timeline.intervals_of_files import Declared
from pqcheck.io.timeline.merge_files import assemble
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Note, Recording, Values


def from_arrays(
    times: Any,
    values: Mapping[str, Any],
    *,
    zone: str | None = "UTC",
    stamp: str = "start",
    name: str = "arrays",
    interval_us: int | None = None,
    columns: Mapping[str, str] | None = None,
) -> Recording:
    """A recording from arrays in memory.

    `times` are datetime64, integers (microseconds since 1970-01-01 UTC), datetimes or ISO texts, one per value;
    those without offset are read in `zone`. `values` maps contract headers (or headers that `columns` maps) to
    arrays; float32 stays float32, NaN is an unobserved interval. Nothing is written and rows have no place in a file.
    """
    stamps, local = instants_of(times)
    headers = ["time", *values]
    channels, unknown = resolve_columns(headers, columns or {})
    arrays: dict[int, Values] = {}
    notes: list[Note] = []
    for number, (header, column) in enumerate(values.items(), start=1):
        if number not in channels:
            continue
        array = numbers_of(column, header, name)
        if array.shape != stamps.shape:
            raise InputError(f"column {header!r} of {name} has shape {array.shape}, the times have {stamps.shape}")
        arrays[number], negative = without_impossible(array, channels[number])
        if negative.places.size:
            notes.append(_note(name, header, negative, channels[number]))

    table = Table(
        name=name,
        checksum=_digest(stamps, values, name),
        in_memory=True,
        notes=tuple(notes),
        headers=tuple(headers),
        time_column=0,
        channels=channels,
        unknown=tuple(pair for pair in unknown if pair[0] != 0),
        stamps=Times.of(stamps),
        local=local,
        row_numbers=RowNumbers.plain(1),
        chunks=(Chunk(0, stamps.size),),
        decoder=InMemory.whole(arrays),
        narrow=frozenset(number for number, array in arrays.items() if array.dtype == np.float32),
    )
    return assemble([table], Declared(zone, stamp, interval_us))


def from_frame(
    frame: Any, *, zone: str | None = "UTC", stamp: str = "start", name: str = "frame",
    interval_us: int | None = None, columns: Mapping[str, str] | None = None,
) -> Recording:
    """A recording from a table of pandas (a column `time` or else the index), polars, pyarrow, or a mapping.

    Columns as in `from_arrays`.
    """
    held = columns_of(frame)
    times = held.pop("time", getattr(frame, "index", None))
    if times is None or type(times).__name__ in ("RangeIndex", "builtin_function_or_method", "method"):
        raise InputError(f"the {name} holds no 'time'; give stamps under 'time', or harmonic orders under 'order'")
    return from_arrays(
        times, held, zone=zone, stamp=stamp, name=name, interval_us=interval_us, columns=columns
    )


def _note(name: str, header: str, refused: Refused, channel: Channel) -> Note:
    count = refused.places.size
    what = "1 value is" if count == 1 else f"{count} values are"
    text = (
        f"{name}, column {header!r}: {what} {refused.why} (first number {int(refused.places[0]) + 1}: {refused.text}); "
        "left unobserved"
    )
    return Note("not-a-number", text, (channel,), serious=True)


def _digest(stamps: Any, values: Mapping[str, Any], name: str) -> str:
    """Checksum of what was handed over: stamps, headers and numbers, whatever the machine's byte order."""
    digest = hashlib.sha256(np.ascontiguousarray(stamps, dtype="<i8").tobytes())
    for header in sorted(values):
        digest.update(header.encode())
        try:
            column = numbers_of(values[header], header, name)
        except InputError:
            # A column that is left alone may hold anything.
            digest.update(repr(cells_of(values[header])).encode())
        else:
            digest.update(column.astype(f"<f{column.dtype.itemsize}").tobytes())
    return digest.hexdigest()
