"""Values in memory as a recording: numpy arrays or a pandas table, no disk."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from pqcheck.io.csv.cells import Refused
from pqcheck.io.csv.error_codes import without_negative
from pqcheck.io.decoder import Chunk, RowNumbers, Table
from pqcheck.io.headers.exact_names import resolve_columns
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.io.timeline.merge_files import Declared, assemble
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.model.clock import parse_iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Note, Recording, Values

if TYPE_CHECKING:
    import pandas as pd


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
    stamps, local = _instants(times)
    headers = ["time", *values]
    channels, unknown = resolve_columns(headers, columns or {})
    arrays: dict[int, Values] = {}
    notes: list[Note] = []
    for number, (header, column) in enumerate(values.items(), start=1):
        if number not in channels:
            continue
        array = np.ascontiguousarray(column)
        if array.dtype != np.float32:
            try:
                array = array.astype(np.float64)
            except (TypeError, ValueError):
                raise InputError(f"column {header!r} of {name} holds values that are not numbers") from None
        if array.shape != stamps.shape:
            raise InputError(f"column {header!r} of {name} has shape {array.shape}, the times have {stamps.shape}")
        arrays[number], negative = without_negative(array, channels[number])
        if negative.places.size:
            notes.append(_note(name, header, negative, channels[number]))

    table = Table(
        name=name,
        checksum=_digest(stamps, values),
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
    frame: pd.DataFrame, *, zone: str | None = "UTC", stamp: str = "start", name: str = "frame",
    interval_us: int | None = None, columns: Mapping[str, str] | None = None,
) -> Recording:
    """A recording from a pandas table: a column `time` or else the index; other columns as in `from_arrays`."""
    import pandas

    times: Any = frame["time"] if "time" in frame.columns else frame.index
    stamps = times.to_numpy()
    if getattr(times.dtype, "tz", None) is not None:
        naive = pandas.DatetimeIndex(times).tz_convert("UTC").tz_localize(None)
        stamps = naive.to_numpy().astype("datetime64[us]").astype(np.int64)
    values = {str(column): frame[column].to_numpy() for column in frame.columns if column != "time"}
    return from_arrays(
        stamps, values, zone=zone, stamp=stamp, name=name, interval_us=interval_us, columns=columns
    )


def _note(name: str, header: str, refused: Refused, channel: Channel) -> Note:
    count = refused.places.size
    what = "1 value is" if count == 1 else f"{count} values are"
    text = (
        f"{name}, column {header!r}: {what} {refused.why} (first number {int(refused.places[0]) + 1}: {refused.text}); "
        "left unobserved"
    )
    return Note("not-a-number", text, (channel,), serious=True)


def _digest(stamps: Any, values: Mapping[str, Any]) -> str:
    """Checksum of what was handed over: stamps, headers and numbers, whatever the machine's byte order."""
    digest = hashlib.sha256(np.ascontiguousarray(stamps, dtype="<i8").tobytes())
    for header in sorted(values):
        column = np.asarray(values[header])
        digest.update(header.encode())
        digest.update(np.ascontiguousarray(column, dtype=f"<f{4 if column.dtype == np.float32 else 8}").tobytes())
    return digest.hexdigest()


def _instants(times: Any) -> tuple[Any, bool]:
    array = np.asarray(times)
    if array.ndim != 1 or not array.size:
        raise InputError("times must be a list with one stamp per value")
    if np.issubdtype(array.dtype, np.datetime64):
        if np.isnat(array).any():
            raise InputError("a time is missing; every value needs a stamp")
        return array.astype("datetime64[us]").astype(np.int64), True
    if np.issubdtype(array.dtype, np.integer):
        return array.astype(np.int64), False
    values, offsets = np.zeros(array.size, np.int64), set()
    for at, each in enumerate(array.tolist()):
        try:
            values[at], with_offset = parse_iso(each if isinstance(each, str) else each.isoformat())
        except (AttributeError, TypeError, ValueError):
            raise InputError(f"time number {at + 1} is {each!r}, which is no ISO 8601 stamp") from None
        offsets.add(with_offset)
    if len(offsets) > 1:
        raise InputError("some times carry an offset and some do not; write all of them one way")
    return values, offsets == {False}

