"""Events of event tables at their instants. What a clock leaves open is kept and marked: a curve asks for no time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.io.decoder import Table
from pqcheck.io.event_table import read_as
from pqcheck.io.timeline.clock_faults import check_years, reset_rows
from pqcheck.io.timeline.notes import counted, rows_text, spans_of, zone_missing
from pqcheck.model.clock import from_local
from pqcheck.model.errors import InputError
from pqcheck.model.recording import ColumnReading, Event, Note, RowSpan, SourceFile


def events_in_time(tables: Sequence[Table], zone: str | None) -> tuple[list[Event], list[Note]]:
    """All events in order of time, each once, and what was noticed.

    InputError where stamps need a zone that was not declared, or name a year that no calendar has.
    """
    notes: list[Note] = []
    events: list[Event] = []
    for table in tables:
        events += _placed(table, zone, notes)
        notes += (
            Note("unknown-column", f"{table.name}: column {table.headers[column]!r} was left alone, because {why}")
            for column, why in table.unknown
        )
    first: dict[tuple[object, ...], Event] = {}
    again: list[Event] = []
    for event in sorted(events, key=lambda event: (event.time_us, event.phase)):
        key = event.time_us, event.phase, event.kind, event.duration_s, event.residual_percent
        if first.setdefault(key, event) is not event:
            again.append(event)
    if again:
        rows = tuple(row for event in again for row in event.rows)
        shown = ", ".join(f"{row.file} row {row.first}" for row in rows[:3]) + (" ..." if len(rows) > 3 else "")
        text = f"{counted(len(again), 'event')} stand a second time in the event tables and count once ({shown})"
        notes.append(Note("duplicate-merged", text, rows=rows[:20]))
    return list(first.values()), notes


def _placed(table: Table, zone: str | None, notes: list[Note]) -> Iterator[Event]:
    stamps = table.stamps.all()
    rows = np.arange(stamps.size)
    check_years(table, stamps, rows, margin=1)
    instants, uncertain = stamps, np.zeros(stamps.size, np.bool_)
    if table.local and stamps.size:
        if zone is None:
            raise InputError(zone_missing(table))
        local = from_local(stamps, zone)
        instants, uncertain = local.utc_us, local.undecided | local.skipped
    # A clock that fell back to a factory date still measured how long and how deep.
    uncertain = uncertain | reset_rows(instants)
    if uncertain.any():
        numbers = np.array([table.events[at].rows[0].first for at in np.flatnonzero(uncertain).tolist()])
        text = (
            f"{table.name}: when {counted(numbers.size, 'event')} began is uncertain ({rows_text(numbers)}: the hour "
            "that the clocks repeat or leave out, or the date of a clock that had stopped); they are kept, since depth "
            "and duration do not depend on it"
        )
        notes.append(Note("event-time", text, rows=spans_of(table.name, numbers)))
    for event, at, doubtful in zip(table.events, instants.tolist(), uncertain.tolist(), strict=True):
        yield replace(event, time_us=at, certain=not doubtful)


def event_sources(
    tables: Sequence[Table], events: Sequence[Event], trends: Sequence[SourceFile]
) -> list[SourceFile]:
    """The files of the event tables; one without an event of certain time spans what the trends span."""
    sources = []
    span = min((file.start_us for file in trends), default=0), max((file.end_us for file in trends), default=0)
    for table in tables:
        own = [event for event in events if event.certain and any(row.file == table.name for row in event.rows)]
        start = min((event.time_us for event in own), default=span[0])
        end = max((event.end_us for event in own), default=span[1])
        columns = tuple(ColumnReading(header, None, words) for header, words in read_as(table))
        sources.append(
            SourceFile(table.name, table.checksum, len(table.events), None, start, end, columns, table.written)
        )
    return sources


def notes_beside(events: Sequence[Event], spans: Sequence[tuple[int, int]]) -> list[Note]:
    """Events outside the spans of the trends, half-open UTC microseconds: they may belong to another recording."""
    far = [
        event for event in events
        if spans and event.certain and not any(event.time_us < end and event.end_us > start for start, end in spans)
    ]
    if not far:
        return []
    rows: tuple[RowSpan, ...] = tuple(row for event in far for row in event.rows)
    shown = ", ".join(f"{row.file} row {row.first}" for row in rows[:3]) + (" ..." if len(rows) > 3 else "")
    text = f"{counted(len(far), 'event')} lie outside the time of the trend ({shown}); they count all the same"
    return [Note("event-elsewhere", text, rows=rows[:20])]
