"""The time axis: stamps to UTC microseconds and back, civil zones, and the periods of a rule.

Everything inside pqcheck counts microseconds since 1970-01-01 UTC. A civil zone is used twice only: to read
stamps that carry no offset, and to show instants and cut calendar periods. See docs/method/reading.md.
"""

from __future__ import annotations

import itertools
import re
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.errors import InputError, nearest

SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 3600 * SECOND
DAY = 24 * HOUR

Instants = NDArray[np.int64]
"""1-D int64 microseconds since 1970-01-01, UTC unless called local."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LENGTHS = {"day": DAY, "week": 7 * DAY, "year": 365 * DAY}
_STAMP = re.compile(rb"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d([.,]\d{1,9})?)?(Z|[+-]\d\d(:?\d\d)?)?\Z")


@lru_cache(maxsize=64)
def zone_info(name: str) -> ZoneInfo:
    """The zone of an IANA name; InputError when the name is unknown."""
    try:
        return ZoneInfo(name)
    except (KeyError, OSError, ValueError) as error:
        raise InputError(f"time_zone {unknown_zone(name)}") from error


def unknown_zone(name: str) -> str:
    """What to say of a zone that nobody knows, with the nearest name there is."""
    from zoneinfo import available_timezones

    meant = nearest(name, sorted(available_timezones())) or "; write its IANA name, Area/City"
    return f"{name!r} is not a known zone{meant}"


def parse_iso(text: str) -> tuple[int, bool]:
    """Microseconds of one ISO 8601 stamp, and whether it carried an offset (then they are UTC, else local).

    ``24:00`` is the next midnight, a comma may mark the decimals, seconds may be left out. ValueError otherwise.
    """
    text = text.strip()
    whole_day = 0
    midnight = re.match(r"(\d{4}-?\d\d-?\d\d[T ])24(:?00(?::?00(?:[.,]0+)?)?)?(?![\d:])", text)
    if midnight:
        text = midnight[1] + "00" + text[midnight.end(1) + 2 :]
        whole_day = DAY
    moment = datetime.fromisoformat(text.replace(",", "."))
    naive = moment.tzinfo is None
    delta = (moment.replace(tzinfo=UTC) if naive else moment) - _EPOCH
    return delta // timedelta(microseconds=1) + whole_day, not naive


def parse_iso_rows(rows: NDArray[np.uint8]) -> tuple[Instants, NDArray[np.bool_], bool]:
    """Microseconds of stamps written in one fixed layout.

    `rows` is (n, width) ASCII. Returns the values, which of them are good, and whether the layout carries an
    offset. Rows that deviate from the layout of the first one are marked bad, for the caller to read singly.
    """
    count, width = rows.shape
    first = rows[0].tobytes() if count else b""
    layout = _STAMP.match(first)
    if layout is None:
        return np.zeros(count, np.int64), np.zeros(count, np.bool_), False
    zone = layout[3]
    zone_at = width - len(zone) if zone else width
    digits = rows - np.uint8(48)
    is_digit = np.frombuffer(first, np.uint8) - np.uint8(48) <= 9
    good: NDArray[np.bool_] = np.all(digits[:, is_digit] <= 9, axis=1)
    marks = ~is_digit
    if zone and zone != b"Z":
        marks[zone_at] = False
        good &= (rows[:, zone_at] == ord("+")) | (rows[:, zone_at] == ord("-"))
    good &= (rows[:, marks] == np.frombuffer(first, np.uint8)[marks]).all(axis=1)

    def number(start: int, stop: int) -> Instants:
        total = np.zeros(count, np.int64)
        for place in range(start, stop):
            total = total * 10 + digits[:, place]
        return total

    year, month, day = number(0, 4), number(5, 7), number(8, 10)
    hour, minute = number(11, 13), number(14, 16)
    second = number(17, 19) if zone_at >= 19 else np.zeros(count, np.int64)
    good &= (month >= 1) & (month <= 12) & (hour <= 23) & (minute <= 59) & (second <= 59) & (year >= 1)
    month_start = ((year - 1970) * 12 + np.where(good, month, 1) - 1).astype("datetime64[M]")
    length = ((month_start + 1).astype("datetime64[D]") - month_start.astype("datetime64[D]")).astype(np.int64)
    good &= (day >= 1) & (day <= length)
    days = month_start.astype("datetime64[D]").astype(np.int64) + day - 1
    values = days * DAY + hour * HOUR + minute * MINUTE + second * SECOND
    if zone_at > 20:
        places = min(zone_at, 26) - 20
        values += number(20, 20 + places) * 10 ** (6 - places)
    if zone and zone != b"Z":
        offset = number(zone_at + 1, zone_at + 3) * 60
        if len(zone) > 3:
            offset += number(width - 2, width)
        values -= np.where(rows[:, zone_at] == ord("-"), -offset, offset) * MINUTE
    return values, good, bool(zone)


@lru_cache(maxsize=64)
def _changes(name: str, first_day: int, last_day: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    zone = zone_info(name)

    def offset_at(second: int) -> int:
        shift = (_EPOCH + timedelta(seconds=second)).astimezone(zone).utcoffset()
        return round(shift.total_seconds()) if shift else 0

    instants, offsets = [], []
    low, low_offset = first_day * 86400, offset_at(first_day * 86400)
    offsets.append(low_offset)
    # Half-day steps: no zone has changed its clocks twice within twelve hours.
    for high in range(low + 43_200, last_day * 86400 + 1, 43_200):
        high_offset = offset_at(high)
        if high_offset != low_offset:
            before, after = low, high
            while after - before > 1:
                middle = (before + after) // 2
                if offset_at(middle) == low_offset:
                    before = middle
                else:
                    after = middle
            instants.append(after * SECOND)
            offsets.append(high_offset)
        low, low_offset = high, high_offset
    return tuple(instants), tuple(offset * SECOND for offset in offsets)


def clock_changes(zone: str, start_us: int, end_us: int) -> tuple[Instants, Instants]:
    """Instants between the two times at which the zone's offset changes, and the offsets before, between and after."""
    instants, offsets = _changes(zone, start_us // DAY - 2, end_us // DAY + 3)
    return np.array(instants, np.int64), np.array(offsets, np.int64)


def local_clock(instants_us: Instants, zone: str) -> Instants:
    """Ascending instants as the clock of the zone shows them, microseconds since 1970 in local time."""
    if not len(instants_us):
        return instants_us
    changes, offsets = clock_changes(zone, int(instants_us[0]), int(instants_us[-1]))
    return instants_us + offsets[np.searchsorted(changes, instants_us, side="right")]


class LocalRows(Struct, frozen=True):
    """Local stamps as instants. `undecided` rows lie in a repeated hour and cannot be told apart; `skipped` rows
    name an hour that the zone leaves out. `changed` tells whether any row lies in a repeated hour at all."""

    utc_us: Instants
    undecided: NDArray[np.bool_]
    skipped: NDArray[np.bool_]
    repeated: NDArray[np.bool_]


def from_local(local_us: Instants, zone: str) -> LocalRows:
    """Instants of stamps without offset, in the order of the rows.

    In the hour that is repeated when clocks go back, the order of the rows decides: first pass then second pass, or
    the two passes interleaved. An hour seen once is placed where it joins its neighbours without a break, and stays
    undecided when either place would do.
    """
    nothing = np.zeros(local_us.size, np.bool_)
    if not local_us.size:
        return LocalRows(local_us, nothing, nothing, nothing)
    instants, offsets = clock_changes(zone, int(local_us.min()), int(local_us.max()))
    if not instants.size:
        return LocalRows(local_us - offsets[0], nothing, nothing, nothing)
    begins = instants + offsets[1:]
    ends = instants + offsets[:-1]
    late = np.searchsorted(begins, local_us, side="right")
    early = np.searchsorted(ends, local_us, side="right")
    utc = local_us - offsets[late]
    repeated = early < late
    # The stamp of the change itself may be written either way: the end of the last interval before it.
    hole = early > late
    at_change = hole & (local_us == ends[np.minimum(late, ends.size - 1)])
    if at_change.any():
        # Rows that hold both names of that instant are hours of a clock without summer time.
        at_change &= ~np.isin(begins[np.minimum(late, ends.size - 1)], local_us)
    skipped = hole & ~at_change
    undecided = nothing.copy()
    if repeated.any():
        forward = _direction(local_us[~repeated])
        for change in np.unique(early[repeated]):
            rows = np.flatnonzero(repeated & (early == change))
            second = _second_pass(local_us, rows, int(offsets[change] - offsets[change + 1]), forward)
            if second is None:
                undecided[rows] = True
            else:
                utc[rows] = local_us[rows] - np.where(second == 1, offsets[change + 1], offsets[change])
                undecided[rows[second < 0]] = True
    return LocalRows(utc, undecided, skipped, repeated)


def _direction(local_us: Instants) -> int:
    """1 for ascending rows, -1 for descending ones, 0 for neither."""
    steps = np.diff(local_us)
    if not steps.size or (steps >= 0).all():
        return 1
    return -1 if (steps <= 0).all() else 0


def _second_pass(local_us: Instants, rows: NDArray[np.intp], shift: int, forward: int) -> NDArray[np.int8] | None:
    """Per row 0 for the first pass, 1 for the second, -1 for undecided; None when nothing can be told."""
    if forward == 0:
        return None
    if forward < 0:
        mirrored = local_us[::-1]
        passes = _second_pass(mirrored, (local_us.size - 1 - rows)[::-1], shift, 1)
        return None if passes is None else passes[::-1]
    stamps = local_us[rows]
    steps = np.diff(stamps)
    pairs = int((steps == 0).sum())
    jumps = np.flatnonzero(steps < 0)
    if pairs > jumps.size:
        passes = np.full(rows.size, -1, np.int8)
        twice = np.flatnonzero(steps == 0)
        passes[twice] = 0
        passes[twice + 1] = 1
        return passes
    if jumps.size == 1:
        return np.where(np.arange(rows.size) > jumps[0], np.int8(1), np.int8(0))
    if jumps.size or (np.diff(rows) != 1).any():
        return None
    return _single_pass(local_us, rows, shift)


def _single_pass(local_us: Instants, rows: NDArray[np.intp], shift: int) -> NDArray[np.int8] | None:
    typical = int(np.median(np.diff(local_us))) if local_us.size > 1 else 0
    before = int(local_us[rows[0]] - local_us[rows[0] - 1]) if rows[0] > 0 else None
    after = int(local_us[rows[-1] + 1] - local_us[rows[-1]]) if rows[-1] + 1 < local_us.size else None
    as_first = (before == typical) + (after is not None and after + shift == typical)
    as_second = (before is not None and before + shift == typical) + (after == typical)
    if as_first == as_second:
        return None
    return np.full(rows.size, int(as_second > as_first), np.int8)


def to_local(instant_us: int, zone: str) -> datetime:
    """The instant as a zone-aware datetime."""
    return (_EPOCH + timedelta(microseconds=instant_us)).astimezone(zone_info(zone))


def iso(instant_us: int, zone: str) -> str:
    """ISO 8601 text in the zone with offset, no longer than needed: ``2031-03-03T00:00:00+00:00``."""
    day, since = divmod(instant_us, DAY)
    whole, fraction = divmod(since, SECOND)
    places = f".{fraction:06d}".rstrip("0") if fraction else ""
    hours = _steady_hours(day, zone)
    if not hours:
        text = to_local(instant_us - fraction, zone).isoformat()
        return f"{text[:19]}{places}{text[19:]}"
    hour, rest = divmod(whole, 3600)
    before, after = hours[hour]
    minute, second = divmod(rest, 60)
    return f"{before}{minute:02d}:{second:02d}{places}{after}"


@lru_cache(maxsize=512)
def _steady_hours(day: int, zone: str) -> tuple[tuple[str, str], ...]:
    """For the hours of a UTC day what stands before their minutes and after their seconds.

    Nothing where hours begin at other minutes than zero, or the clocks change on that day.
    """
    # No zone has changed its clocks twice within twelve hours.
    start, middle, end = (to_local(day * DAY + part, zone) for part in (0, DAY // 2, DAY - 1))
    if not start.utcoffset() == middle.utcoffset() == end.utcoffset() or start.minute or start.second:
        return ()
    after = start.isoformat()[19:]
    dates = start.date().isoformat(), end.date().isoformat()
    hours = range(start.hour, start.hour + 24)
    return tuple((f"{dates[hour >= 24]}T{hour % 24:02d}:", after) for hour in hours)


def duration_text(length_us: int) -> str:
    """A length as people write it: ``3 s``, ``10 min``, ``2 h``, ``45 h 20 min``, ``7 d``; fractions where needed."""
    if length_us >= 2 * HOUR and length_us % MINUTE == 0 and length_us % HOUR:
        return f"{length_us // HOUR} h {length_us % HOUR // MINUTE} min"
    for unit, size in (("d", DAY), ("h", HOUR), ("min", MINUTE)):
        if length_us >= size and length_us % size == 0 and not (unit == "d" and length_us < 2 * DAY):
            return f"{length_us // size} {unit}"
    if length_us >= SECOND:
        return f"{length_us / SECOND:.6f}".rstrip("0").rstrip(".") + " s"
    return f"{length_us / 1000:.3f}".rstrip("0").rstrip(".") + " ms"


def local_midnight(day: date, zone: str) -> int:
    """Instant at which a civil day begins, in microseconds: the first moment of that date in the zone."""
    wall = datetime(day.year, day.month, day.day, tzinfo=zone_info(zone))
    instant = (wall - _EPOCH) // timedelta(microseconds=1)
    # Where the clocks skip midnight (some zones change at 00:00), the day begins at the change itself.
    instants, _ = clock_changes(zone, instant - DAY, instant + DAY)
    for change in instants.tolist():
        if to_local(change, zone).date() >= day and to_local(change - 1, zone).date() < day:
            return int(change)
    return instant


def periods(
    axis_start_us: int,
    axis_end_us: int,
    interval_us: int,
    length: str,
    alignment: str = "back_to_back",
    zone: str = "UTC",
) -> list[tuple[int, int, bool]]:
    """Periods that cover an axis, each (start, end, complete), half-open microseconds.

    `length` is day, week, year or recording; `alignment` back_to_back (24 h, 168 h, 365 d from the start of the
    axis), calendar (local midnight, Monday, 1 January in `zone`) or sliding (a window that steps by one day).
    A period that the axis does not cover is listed with its full extent and complete = False.
    """
    if axis_end_us <= axis_start_us:
        return []
    if length == "recording":
        return [(axis_start_us, axis_end_us, True)]
    if length not in _LENGTHS:
        raise ValueError(f"unknown period {length!r}")
    if alignment == "calendar":
        edges = _calendar_edges(axis_start_us, axis_end_us, length, zone)
        # An axis that starts inside its first interval of the period still covers it: slots are counted by start.
        return [
            (start, end, start > axis_start_us - interval_us and end <= axis_end_us)
            for start, end in itertools.pairwise(edges)
        ]
    whole = _LENGTHS[length]
    step = DAY if alignment == "sliding" else whole
    windows = []
    start = axis_start_us
    while start < axis_end_us:
        complete = start + whole <= axis_end_us
        windows.append((start, start + whole, complete))
        if start + whole >= axis_end_us:
            break
        start += step
    return windows


def _calendar_edges(start_us: int, end_us: int, length: str, zone: str) -> list[int]:
    day = to_local(start_us, zone).date()
    if length == "week":
        day -= timedelta(days=day.weekday())
    elif length == "year":
        day = date(day.year, 1, 1)
    edges = [local_midnight(day, zone)]
    while edges[-1] < end_us:
        day = date(day.year + 1, 1, 1) if length == "year" else day + timedelta(days=7 if length == "week" else 1)
        edges.append(local_midnight(day, zone))
    return edges
