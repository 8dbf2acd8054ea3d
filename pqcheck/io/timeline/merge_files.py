"""From scanned files to a recording: zones, intervals, streams, and what was noticed on the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.io.csv.odd_cells import BadCellNotes
from pqcheck.io.decoder import SharedColumns, Table, one_of_each
from pqcheck.io.headers.exact_names import read_as
from pqcheck.io.timeline import notes as notice
from pqcheck.io.timeline.block_buffer import Conflicts
from pqcheck.io.timeline.blocks import blocks_of
from pqcheck.io.timeline.clock_faults import (
    about_reset,
    about_seconds,
    check_declared_interval,
    check_length,
    check_strays,
    check_years,
    reset_rows,
    with_seconds,
)
from pqcheck.io.timeline.events_in_time import event_sources, events_in_time, notes_beside
from pqcheck.io.timeline.intervals_of_files import NO_ROWS, Declared, GriddedFile, finer, intervals_of
from pqcheck.io.timeline.rows_left_out import contradicting, sequences, stream_of
from pqcheck.io.timeline.slow_channels import slow_channels
from pqcheck.io.timeline.stamps_of_rows import NO_TIMES
from pqcheck.io.timeline.stream_plan import FileRows, StreamPlan, plan_of
from pqcheck.io.timeline.time_grid import FileGrid, Ints, Placed, file_grid, phase_of, place, weak_interval
from pqcheck.model.clock import Instants, from_local
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Axis, Channel, ColumnReading, LeftOut, Note, Recording, SourceFile, Stream


def assemble(tables: Sequence[Table], declared: Declared) -> Recording:
    """The recording that some scanned files hold together.

    InputError when a file lacks what is needed to place its rows in time, or two files contradict each other.
    """
    notes: list[Note] = []
    _same_units(tables)
    for table in tables:
        notes += table.notes
    of_events = [table for table in tables if table.event_columns]
    events, event_notes = events_in_time(of_events, declared.zone)
    files: list[GriddedFile] = []
    reset: list[tuple[GriddedFile, tuple[Ints, Ints]]] = []
    shared = SharedColumns()
    for table in tables:
        if table.event_columns:
            continue
        instants, rows, unplaced = _instants(table, declared.zone, notes)
        if table.chunks:
            stamp = table.stamp or declared.stamp or "start"
            grid = file_grid(instants, rows, stamp)
            table, slow = _apart(table, grid, instants, rows, stamp, shared)
            kept = (instants, rows) if weak_interval(grid) is not None else (NO_ROWS, NO_ROWS)
            files.append(GriddedFile(replace(table, stamps=NO_TIMES), grid, stamp, *kept))
            reset += [(files[-1], part) for part in unplaced]
            for each in slow:
                notes += each.table.notes
                files.append(each)
    files = finer(files, declared)
    intervals = intervals_of(files, declared, notes)
    bad_cells = BadCellNotes([file.table for file in files])
    whole = bad_cells.look_at_kept()
    streams: list[Stream] = []
    left_out: list[LeftOut] = []
    placed_rows = 0
    for interval in sorted({each for of in intervals for each in of}):
        stream, placed, stream_notes, contradictory = _stream(files, intervals, interval, bad_cells)
        placed_rows += placed
        notes += stream_notes
        left_out += contradictory
        # A file of slow channels only leaves a time line without any.
        if stream is not None and (stream.channels or not any(file.table.again for file in files)):
            streams.append(stream)
    total = sum(runs.rows for file in files for runs in file.grid.runs.values())
    if placed_rows * 2 < total:
        raise InputError(
            f"the stamps keep no regular interval: only {placed_rows} of {total} rows lie on one grid; "
            "export the recording with one row per interval"
        )
    own = [file for file in files if not file.table.again]
    check_declared_interval([file.table.name for file in own], [key for file in own for key in file.grid.runs],
                            declared.interval_us)
    for file, of in zip(files, intervals, strict=True):
        if file.table.again:
            continue
        notes += notice.about_file(file.table, file.grid, declared.interval_us, of)
    if not files and not of_events:
        raise InputError("the files hold no readings; give a recording with a column 'time' and one column per channel")
    sources = _joined(_sources(files, intervals))
    sources = (*sources, *event_sources(of_events, events, sources))
    notes += event_notes + notes_beside(events, [(stream.axis.start_us, stream.axis.end_us) for stream in streams])
    if whole:
        notes += bad_cells.notes()
    return Recording(
        sources,
        tuple(streams),
        tuple(dict.fromkeys(notes)),
        declared.zone or "UTC",
        tuple(events),
        (lambda: ()) if whole else bad_cells.notes,
        tuple(table.name for table in of_events),
        (*left_out, *(part for file, rows in reset for part in _of_reset_clock(file, rows, bad_cells))),
    )


def _of_reset_clock(file: GriddedFile, part: tuple[Ints, Ints], bad_cells: BadCellNotes) -> list[LeftOut]:
    """Rows whose date is wrong, as a file of their own; one too short to show its interval takes that of its file."""
    instants, rows = part
    grid = file_grid(instants, rows, file.stamp)
    usual = {interval: runs for interval, runs in file.grid.runs.items() if interval is not None}
    if weak_interval(grid) is not None or None in grid.runs:
        if not usual:
            return []
        grid = file_grid(instants, rows, file.stamp, max(usual, key=lambda interval: usual[interval].rows))
    own = replace(file, grid=grid)
    intervals: list[dict[int, list[int | None]]] = [{each: [each] for each in grid.runs if each is not None}]
    streams = [_stream([own], intervals, interval, bad_cells)[0] for interval in sorted(intervals[0])]
    numbers = file.table.row_numbers.of(rows)
    why = f"The clock was wrong in {file.table.name}, rows {int(numbers[0])} to {int(numbers[-1])}: when this really " \
          "was is not known, and nothing is judged there."
    return [
        LeftOut((stream,), ((stream.axis.start_us, stream.axis.end_us),), why)
        for stream in streams if stream is not None
    ]


def _apart(
    table: Table, grid: FileGrid, instants: Ints, rows: Ints, stamp: str, shared: SharedColumns
) -> tuple[Table, list[GriddedFile]]:
    """The table without its slow channels, and those as files of their own (see `slow_channels`)."""
    base = next(iter(grid.runs))
    if len(grid.runs) != 1 or base is None:
        return table, []
    files = []
    kept = dict(table.channels)
    for slow in slow_channels(table, instants, rows, base, stamp):
        channels = {column: kept.pop(column) for column in slow.columns}
        flag = {} if table.flag is None else {table.flag: table.channels[table.flag]}
        headers = tuple(header if column in channels else "" for column, header in enumerate(table.headers))
        own = replace(table, headers=headers, channels=channels | flag, unknown=(), notes=(slow.note,), again=True,
                      stamps=NO_TIMES)
        starts, ends = slow.starts_us, slow.starts_us + slow.interval_us
        marks = file_grid(ends if stamp == "end" else starts, slow.rows, stamp, slow.interval_us)
        files.append(GriddedFile(shared.of(own), marks, stamp, NO_ROWS, NO_ROWS))
    if not files:
        return table, []
    left = tuple(header if column not in table.channels or column in kept else ""
                 for column, header in enumerate(table.headers))
    return shared.of(replace(table, channels=kept, headers=left)), files


def _instants(table: Table, zone: str | None, notes: list[Note]) -> tuple[Ints, Ints, list[tuple[Ints, Ints]]]:
    """UTC stamps and data rows that can be placed, and in pieces those of a clock that was reset."""
    stamps, usual = with_seconds(table.stamps.all())
    if usual:
        notes.append(about_seconds(table, usual))
    check_years(table, stamps, np.arange(stamps.size), margin=0)
    instants, rows = _placed(table, stamps, zone, notes)
    wrong = reset_rows(instants)
    unplaced = sequences(instants[wrong], rows[wrong])
    if unplaced:
        notes.append(about_reset(table, np.sort(rows[wrong])))
        instants, rows = instants[~wrong], rows[~wrong]
    # Zones shift what is left by up to a day.
    check_years(table, instants, rows, margin=1)
    check_length(table, instants, rows)
    check_strays(table, instants, rows)
    return instants, rows, unplaced


def _placed(table: Table, stamps: Instants, zone: str | None, notes: list[Note]) -> tuple[Ints, Ints]:
    rows = np.arange(stamps.size)
    if not table.local:
        return stamps, rows
    if zone is None:
        raise InputError(notice.zone_missing(table))
    local = from_local(stamps, zone)
    if local.skipped.any():
        row = int(np.argmax(local.skipped))
        raise InputError(notice.skipped_hour(table, row, int(local.skipped.sum()), zone))
    notes += notice.about_clock(table, local, zone)
    keep = ~local.undecided
    return (local.utc_us, rows) if keep.all() else (local.utc_us[keep], rows[keep])


def _same_units(tables: Sequence[Table]) -> None:
    seen: dict[tuple[str, str | None, int | None, str | None, str], tuple[Channel, str]] = {}
    for table in one_of_each(tables):
        for channel in table.channels.values():
            other, name = seen.setdefault(channel.key, (channel, table.name))
            if other.unit != channel.unit:
                raise InputError(
                    f"{channel.name} is in {other.unit} in {name} and in {channel.unit} in {table.name}; "
                    "export both in one unit"
                )


def _stream(
    files: Sequence[GriddedFile], intervals: list[dict[int, list[int | None]]], interval: int, bad_cells: BadCellNotes
) -> tuple[Stream | None, int, list[Note], list[LeftOut]]:
    """One time base, the rows placed on it, what was noticed, and the rows that contradict each other."""
    members = [
        (file, file.grid.runs[key]) for file, of in zip(files, intervals, strict=True) for key in of.get(interval, ())
    ]
    runs = []
    for file, runs_of_file in members:
        single = file.stamp == "end" and None in file.grid.runs and runs_of_file is file.grid.runs[None]
        runs.append(replace(runs_of_file, start_us=runs_of_file.start_us - interval) if single else runs_of_file)
    phase = phase_of(runs, interval)
    placed = [place(runs_of_file, interval, phase) for runs_of_file in runs]
    notes: list[Note] = []
    for (file, _), where in zip(members, placed, strict=True):
        notes += notice.about_placing(file.table, where, interval)
    filled = [where for where in placed if where.slot.size]
    if not filled:
        return None, 0, notes, []
    low = min(int(where.slot[0]) for where in filled)
    high = max(int((where.slot + where.count).max()) for where in filled)
    axis = Axis(phase + low * interval, interval, high - low)
    rows = _file_rows([(file.table, where) for (file, _), where in zip(members, placed, strict=True)], low)
    plan = plan_of(axis, rows)
    stream = stream_of(plan, bad_cells.watch)
    notes += notice.about_gaps(plan)
    conflicts = _conflicts(plan, bad_cells)
    notes += notice.about_merging(plan, conflicts, stream.index)
    left_out = contradicting(plan, conflicts.slots, bad_cells.watch)
    return stream, sum(where.rows for where in placed), notes, left_out


def _file_rows(placed: Sequence[tuple[Table, Placed]], low: int) -> tuple[FileRows, ...]:
    """The files of a stream that begins at slot `low`; files that share their channels share their columns."""
    files: list[FileRows] = []
    kinds: list[FileRows] = []
    for table, placed_rows in placed:
        if not placed_rows.slot.size:
            continue
        like = next((file for file in kinds if file.table.channels is table.channels), None)
        columns = like.columns if like is not None else {
            channel: column for column, channel in table.channels.items() if channel.quantity != "flag"
        }
        files.append(FileRows(table, placed_rows.slot - low, placed_rows.row, placed_rows.count, columns))
        if like is None:
            kinds.append(files[-1])
    return tuple(files)


def _conflicts(plan: StreamPlan, bad_cells: BadCellNotes) -> Conflicts:
    """Walk the slots that several rows describe: where the rows agree and where they do not."""
    conflicts = Conflicts()
    if plan.double:
        starts = np.concatenate([each.double[0] for each in plan.channel_sets])
        ends = np.concatenate([each.double[1] for each in plan.channel_sets])
        for _ in blocks_of(plan, tuple(plan.double), bad_cells.watch, conflicts, (starts, ends)):
            pass
    return conflicts


def _joined(sources: Sequence[SourceFile]) -> tuple[SourceFile, ...]:
    """One entry per file, also where a file holds several tables (channels of a long table)."""
    names = Counter(source.name for source in sources)
    files: dict[tuple[str, str], SourceFile] = {}
    for source in sources:
        # Checksums may still be on their way: only files of one name are waited for.
        key = (source.name, source.sha256 if names[source.name] > 1 else "")
        if key in files and key[1]:
            old = files[key]
            columns = tuple(dict.fromkeys(old.columns + source.columns))
            files[key] = replace(
                old, rows=old.rows + source.rows, interval_us=old.interval_us or source.interval_us, columns=columns,
                start_us=min(old.start_us, source.start_us), end_us=max(old.end_us, source.end_us),
            )
        else:
            files[key] = source
    return tuple(files.values())


def _sources(files: Sequence[GriddedFile], intervals: Sequence[dict[int, list[int | None]]]) -> list[SourceFile]:
    sources = []
    # Files of one recorder are understood alike: what is said about their columns is said once.
    known: list[tuple[GriddedFile, int | None, tuple[ColumnReading, ...]]] = []
    for file, of in zip(files, intervals, strict=True):
        rows = {each: sum(file.grid.runs[key].rows for key in keys) for each, keys in of.items()}
        interval = max(sorted(rows), key=lambda each: rows[each]) if rows else None
        columns = next(
            (columns for other, own, columns in known if own == interval and _same_columns(other, file)), None
        )
        if columns is None:
            columns = _columns(file, interval)
            known.append((file, interval, columns))
        sources.append(_source(file, interval, columns))
    return sources


def _same_columns(file: GriddedFile, other: GriddedFile) -> bool:
    """Whether the columns of two files are read in the same way."""
    this, that = file.table, other.table
    return (
        this.headers is that.headers and this.channels is that.channels and this.unknown is that.unknown
        and this.grounds is that.grounds and file.stamp == other.stamp and this.local == that.local
        and (this.time_column, this.clock_column, this.time_format)
        == (that.time_column, that.clock_column, that.time_format)
    )


def _columns(file: GriddedFile, interval: int | None) -> tuple[ColumnReading, ...]:
    table = file.table
    why = dict(table.unknown)
    columns = []
    for number, header in enumerate(table.headers):
        if not header:
            continue
        if number == table.time_column:
            offset = "without offset, read in the site's zone" if table.local else "with offset"
            written = f"{table.time_format}, " if table.time_format else ""
            sentence = f"time, {written}{offset}, marks the {file.stamp} of the interval"
            columns.append(ColumnReading(header, None, sentence))
        elif number == table.clock_column:
            columns.append(ColumnReading(header, None, "time of day, belongs to the date"))
        elif number in table.channels:
            channel = table.channels[number]
            ground = table.grounds.get(number)
            because = f" ({ground.confidence}: {ground.why})" if ground else ""
            columns.append(ColumnReading(header, channel, read_as(channel, interval, file.stamp) + because))
        else:
            columns.append(ColumnReading(header, None, f"left alone: {why.get(number, 'not asked for')}"))
    return tuple(columns)


def _source(file: GriddedFile, interval: int | None, columns: tuple[ColumnReading, ...]) -> SourceFile:
    table = file.table
    single = None in file.grid.runs
    total = sum(runs.rows for runs in file.grid.runs.values())
    shift = interval or 0
    start, end = file.grid.start_us, file.grid.end_us
    if single and shift:
        start, end = (start - shift, end) if file.stamp == "end" else (start, end + shift)
    return SourceFile(
        table.name, table.checksum, 0 if table.again else total, None if single and total < 2 else interval, start, end,
        columns, table.written,
    )
