"""The sentences of what a reader found and did not repair silently."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from pqcheck.io.decoder import Table
from pqcheck.io.timeline.block_buffer import Conflicts
from pqcheck.io.timeline.stream_plan import StreamPlan
from pqcheck.io.timeline.time_grid import FileGrid, Ints, Placed, RowRuns, merged_ranges
from pqcheck.model.clock import LocalRows, duration_text, iso, zone_info
from pqcheck.model.recording import Channel, Note, RowIndex, RowSpan

FIRST_ROWS = 5


def rows_text(rows: Ints) -> str:
    """``row 5``, ``rows 5, 9 and 12``, ``rows 5, 9, 12, 15, 18 and 7 more``."""
    shown = [str(row) for row in rows[:FIRST_ROWS].tolist()]
    if rows.size > FIRST_ROWS:
        return f"rows {', '.join(shown)} and {rows.size - FIRST_ROWS} more"
    if rows.size == 1:
        return f"row {shown[0]}"
    return f"rows {', '.join(shown[:-1])} and {shown[-1]}"


def counted(count: int, singular: str) -> str:
    """``1 row``, ``3 rows``."""
    return f"1 {singular}" if count == 1 else f"{count} {singular}s"


def spans_of(name: str, numbers: Ints) -> tuple[RowSpan, ...]:
    """Row numbers as spans of consecutive rows."""
    breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
    starts, ends = [0, *breaks.tolist()], [*breaks.tolist(), numbers.size]
    return tuple(RowSpan(name, int(numbers[a]), int(numbers[b - 1])) for a, b in zip(starts, ends, strict=True))


def zone_missing(table: Table) -> str:
    """What to declare for stamps that could mean any instant of a day and more."""
    stamps = table.stamps.all()
    first = f" (the first stamp is {iso(int(stamps[0]), 'UTC')[:19]})" if stamps.size else ""
    return (
        f"the stamps of {table.name} carry no offset from UTC; declare time_zone in the site file, the IANA name "
        f"(Area/City) of the zone in which the clock of the recorder ran{first}"
    )


def skipped_hour(table: Table, row: int, count: int, zone: str) -> str:
    """Why a file with stamps in an hour that does not exist is not read."""
    number = int(table.row_numbers.of(np.array([row]))[0])
    stamp = int(table.stamps.all()[row])
    written = iso(stamp, "UTC")[:19]
    return (
        f"{table.name}, row {number}: {written} does not exist in {zone}, where the clocks go forward over it "
        f"({counted(count, 'row')} in such hours); if the recorder keeps standard time all year, declare a zone "
        f"without clock change{_standard_time(stamp, zone)}"
    )


def _standard_time(stamp_us: int, zone: str) -> str:
    """The zone without clock change that keeps the standard time of `zone`, whose sign is the other way round."""
    before = datetime.fromtimestamp(stamp_us / 1e6 - 86_400, zone_info(zone))
    ahead = (before.utcoffset() or timedelta()) - (before.dst() or timedelta())
    if ahead % timedelta(hours=1):
        return ""
    hours = ahead // timedelta(hours=1)
    return f', time_zone = "Etc/GMT{-hours:+d}" for the standard time of {zone}' if hours else ', time_zone = "UTC"'


def about_clock(table: Table, local: LocalRows, zone: str) -> list[Note]:
    """How the repeated hour was told apart."""
    if not local.repeated.any():
        return []
    numbers = table.row_numbers.of(np.flatnonzero(local.repeated))
    lost = table.row_numbers.of(np.flatnonzero(local.undecided))
    if not lost.size:
        text = (
            f"{table.name}: the clocks of {zone} go back within the recording; {counted(numbers.size, 'row')} of the "
            "repeated hour were told apart by their order"
        )
        return [Note("clock-change", text, rows=spans_of(table.name, numbers))]
    text = (
        f"{table.name}: {counted(lost.size, 'row')} in the hour that {zone} repeats could belong to either pass "
        f"({rows_text(lost)}); left unobserved"
    )
    return [Note("clock-change", text, tuple(table.channels.values()), rows=spans_of(table.name, lost), serious=True)]


def about_file(
    table: Table, grid: FileGrid, declared_us: int | None, intervals: Mapping[int, Sequence[int | None]]
) -> list[Note]:
    """Columns left alone, order of the rows, changes of the interval, disagreement with the declared one."""
    notes = [
        Note("unknown-column", f"{table.name}: column {table.headers[column]!r} was left alone, because {why}")
        for column, why in table.unknown
    ]
    if grid.backward:
        row = table.row_numbers.of(np.array([grid.first_backward]))
        many = "1 row lies" if grid.backward == 1 else f"{grid.backward} rows lie"
        notes.append(
            Note(
                "unsorted",
                f"{table.name}: {many} earlier than the row above (first row {int(row[0])}); read in order of time",
                rows=spans_of(table.name, row),
            )
        )
    for change in grid.changes:
        row = table.row_numbers.of(np.array([change.row]))
        before, after = duration_text(change.before_us), duration_text(change.after_us)
        notes.append(
            Note(
                "interval-change",
                f"{table.name}: from row {int(row[0])} on the interval is {after}, before it {before}; "
                "each is kept on a time line of its own",
                spans=((change.at_us, change.at_us + change.after_us),),
                rows=spans_of(table.name, row),
            )
        )
    known_intervals = [each for each, keys in intervals.items() if any(key is not None for key in keys)]
    if declared_us is not None and known_intervals and declared_us not in known_intervals:
        named = " and ".join(duration_text(each) for each in sorted(known_intervals))
        notes.append(
            Note(
                "interval-mismatch",
                f"{table.name}: the rows are {named} apart, the site file declares {duration_text(declared_us)}; "
                "the interval of the rows is used",
            )
        )
    return notes


def about_lone_row(table: Table, row: RowRuns) -> Note:
    """A file of one row that continues no other: it may hold a value over any interval."""
    at = table.row_numbers.of(row.row)
    return Note(
        "off-grid",
        f"{table.name} holds one row, which shows no interval and continues the rows of no other file; it was left "
        'unobserved. Declare interval under [recording], for example interval = "10 min", if it belongs to them',
        tuple(table.channels.values()),
        rows=spans_of(table.name, at),
        serious=True,
    )


def about_placing(table: Table, placed: Placed, interval: int) -> list[Note]:
    """Rows that were moved to the grid or found no place on it."""
    notes = []
    channels = tuple(table.channels.values())
    if placed.snapped.size:
        rows = table.row_numbers.of(placed.snapped)
        notes.append(
            Note(
                "off-grid",
                f"{table.name}: {counted(rows.size, 'stamp')} up to {duration_text(placed.largest_us)} off the grid of "
                f"{duration_text(interval)} (first row {int(rows[0])}) were taken to the nearest interval",
                rows=spans_of(table.name, rows[:1]),
            )
        )
    if placed.moved.size:
        rows = table.row_numbers.of(placed.moved)
        notes.append(
            Note(
                "snapped",
                f"{table.name}: {counted(rows.size, 'row')} keep the interval of {duration_text(interval)} at another "
                f"phase (first row {int(rows[0])}) and were taken to the nearest intervals",
                rows=spans_of(table.name, np.sort(rows)),
            )
        )
    if placed.outside.size:
        rows = table.row_numbers.of(placed.outside)
        notes.append(
            Note(
                "off-grid",
                f"{table.name}: {counted(rows.size, 'stamp')} fit no interval of {duration_text(interval)} "
                f"({rows_text(rows)}); left unobserved",
                channels,
                tuple((start, start + interval) for start in np.sort(placed.outside_us).tolist()),
                spans_of(table.name, rows),
                serious=True,
            )
        )
    return notes


def about_gaps(plan: StreamPlan) -> list[Note]:
    """Intervals without a row, once per set of channels that share their files."""
    notes = []
    axis = plan.axis
    for each in plan.channel_sets:
        channels = each.channels
        starts, ends = plan.covered(each)
        holes = [
            (low, high)
            for low, high in zip([0, *ends.tolist()], [*starts.tolist(), axis.count], strict=True)
            if high > low
        ]
        if not holes:
            continue
        spans = tuple((axis.start_us + a * axis.interval_us, axis.start_us + b * axis.interval_us) for a, b in holes)
        missing = sum(high - low for low, high in holes)
        longest = max(high - low for low, high in holes)
        size = "" if len(holes) == 1 else f", the longest {duration_text(longest * axis.interval_us)}"
        all_alike = len(plan.channel_sets) == 1
        more = f" and {len(channels) - 1} more" if channels[1:] else ""
        whose = "" if all_alike else f" for {channels[0].name}{more}"
        notes.append(
            Note(
                "gap",
                f"{counted(missing, 'interval')} of {duration_text(axis.interval_us)} without a row{whose}, in "
                f"{counted(len(holes), 'gap')}{size}; unobserved",
                () if all_alike else channels,
                spans,
                serious=True,
            )
        )
    return notes


def about_merging(plan: StreamPlan, conflicts: Conflicts, index: RowIndex) -> list[Note]:
    """Rows for the same interval: agreeing values were merged, differing ones left unobserved."""
    notes = []
    axis = plan.axis
    merged = {channel: count for channel, count in conflicts.merged.items() if channel in plan.double}
    if merged:
        most = max(merged.values())
        notes.append(
            Note(
                "duplicate-merged",
                f"{counted(most, 'interval')} of {duration_text(axis.interval_us)} stand in more than one row with the "
                f"same value ({counted(len(merged), 'channel')}); each counts once",
                tuple(merged),
                _spans(plan, next(iter(merged))),
            )
        )
    clashing = {channel: np.unique(np.concatenate(slots)) for channel, slots in conflicts.slots.items()}
    groups: dict[bytes, list[Channel]] = {}
    for channel in plan.channels:
        if channel in clashing:
            groups.setdefault(clashing[channel].tobytes(), []).append(channel)
    for channels in groups.values():
        slots = clashing[channels[0]]
        starts, ends = merged_ranges(slots, np.ones(slots.size, np.int64))
        spans = tuple(
            (axis.start_us + int(a) * axis.interval_us, axis.start_us + int(b) * axis.interval_us)
            for a, b in zip(starts, ends, strict=True)
        )
        rows = tuple(span for low, high in spans for span in index.rows(channels[0], low, high))
        whose = channels[0].name + (f" and {len(channels) - 1} more" if channels[1:] else "")
        notes.append(
            Note(
                "duplicate-conflict",
                f"{counted(slots.size, 'interval')} of {duration_text(axis.interval_us)} stand in more than one row "
                f"with different values of {whose} ({_where(rows)}); left unobserved",
                tuple(channels),
                spans,
                rows,
                serious=True,
            )
        )
    return notes


def _where(rows: tuple[RowSpan, ...]) -> str:
    shown = [
        f"{span.file} row {span.first}" if span.first == span.last else f"{span.file} rows {span.first} to {span.last}"
        for span in rows[:FIRST_ROWS]
    ]
    more = f" and {len(rows) - FIRST_ROWS} more places" if len(rows) > FIRST_ROWS else ""
    return ", ".join(shown) + more


def _spans(plan: StreamPlan, channel: Channel) -> tuple[tuple[int, int], ...]:
    axis = plan.axis
    starts, ends = plan.double[channel]
    return tuple(
        (axis.start_us + int(a) * axis.interval_us, axis.start_us + int(b) * axis.interval_us)
        for a, b in zip(starts, ends, strict=True)
    )
