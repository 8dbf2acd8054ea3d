"""Event tables: ``time, phase, kind, duration [s], residual [%]``."""

from __future__ import annotations

from concurrent.futures import Future
from decimal import Decimal, InvalidOperation

import numpy as np

from pqcheck.io.csv.text_file import split_line
from pqcheck.io.decoder import RowNumbers, Table
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.io.source_files import Source
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.model.clock import parse_iso
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Event, RowSpan

HEADERS = ("time", "phase", "kind", "duration [s]", "residual [%]")
KINDS = ("dip", "swell", "interruption")


def is_event_header(headers: list[str]) -> bool:
    """Whether a header line is exactly that of an event table."""
    return tuple(headers) == HEADERS


def read_events(source: Source, sha256: Future[str], headers: list[str], delimiter: str) -> Table:
    """The events of a file; stamps without offset are resolved later. InputError names row and cell."""
    with source.open() as handle:
        lines = handle.read().decode("utf-8-sig", "replace").splitlines()
    stamps, events, offsets = [], [], []
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip():
            continue
        cells = [cell.strip() for cell in split_line(line, delimiter)]
        where = f"{source.name}, row {number}"
        if len(cells) != len(HEADERS):
            raise InputError(f"{where} has {len(cells)} cells, an event needs {len(HEADERS)}: {', '.join(HEADERS)}")
        try:
            stamp, with_offset = parse_iso(cells[0])
        except ValueError:
            raise InputError(f"{where}: the time is {cells[0]!r}, which is no ISO 8601 stamp") from None
        if cells[2] not in KINDS:
            raise InputError(f"{where}: {cells[2]!r} is no kind of event; write {', '.join(KINDS)}")
        duration = _number(cells[3], where, "duration [s]")
        if duration is None or duration < 0:
            raise InputError(f"{where}: an event needs a duration of zero or more seconds")
        residual = _number(cells[4], where, "residual [%]")
        span = (RowSpan(source.name, number, number),)
        stamps.append(stamp)
        offsets.append(with_offset)
        events.append(Event(stamp, cells[1], cells[2], duration, residual, span))
    if len(set(offsets)) > 1:
        raise InputError(f"{source.name}: some stamps carry an offset and some do not; write all of them one way")
    return Table(
        name=source.name,
        checksum=sha256,
        headers=tuple(headers),
        time_column=0,
        channels={},
        unknown=(),
        stamps=Times.of(np.array(stamps, np.int64)),
        local=not (offsets and offsets[0]),
        row_numbers=RowNumbers.plain(2),
        chunks=(),
        decoder=InMemory({}),
        events=tuple(events),
    )


def _number(text: str, where: str, header: str) -> Decimal | None:
    if not text:
        return None
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal("nan")
    if not value.is_finite():
        raise InputError(f"{where}: {header} is {text!r}, which is not a number")
    return value
