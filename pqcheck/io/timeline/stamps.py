"""Which columns of a table hold the time, how it is written, and the reading of one row's stamp."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from itertools import pairwise
from typing import Any

from msgspec import Struct

from pqcheck.io.csv.dialect import CLOCK, DATE
from pqcheck.io.headers.exact_names import TIME
from pqcheck.model.clock import DAY, HOUR, MINUTE, SECOND, parse_iso
from pqcheck.model.errors import InputError

_EPOCH_DAY = date(1970, 1, 1).toordinal()
_SERIAL_DAY = date(1899, 12, 30).toordinal()
"""Day 0 of spreadsheet day numbers: a leap day of 1900 that never was is counted in them."""

ROWS_LOOKED_AT = 60
"""Rows in which the columns of stamps are looked for."""

_TIME_WORDS = re.compile(r"time|date|stamp|datum|zeit|uhr|heure|fecha|hora|epoch|beginn?|start|end", re.IGNORECASE)
_PARTS = re.compile(r"(\d{1,4})[-./](\d{1,2})[-./](\d{1,4})\Z")
_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d{1,6}))?)?\s*(?:([AaPp])\.?\s?[Mm]\.?)?\Z")
_KINDS = {
    "iso": "ISO 8601", "dmy": "day first", "mdy": "month first", "ymd": "year first",
    "alike": "day and month alike in every date", "serial": "spreadsheet day numbers",
    "epoch_s": "seconds since 1970-01-01 UTC", "epoch_ms": "milliseconds since 1970-01-01 UTC",
}

ReadStamp = Callable[[Sequence[str]], tuple[int, bool]]
"""Cells of the time columns to (microseconds, whether they are UTC); ValueError when they are no stamp."""


class Stamps(Struct, frozen=True):
    """The choice for one file: columns (one, or date and time of day), kind of writing, and that in words."""

    columns: tuple[int, ...]
    kind: str
    pattern: str = ""
    file: str = ""

    @property
    def description(self) -> str:
        """How the stamps are written, in words."""
        two = " and time of day in two columns" if len(self.columns) == 2 else ""
        return (f"written as {self.pattern}" if self.pattern else _KINDS[self.kind]) + two

    def reader(self) -> ReadStamp:
        """A function that reads the stamps of rows in file order; it remembers the date for rows that lack it."""
        if self.pattern:
            return _by_pattern(self.pattern)
        if self.kind == "iso" and len(self.columns) == 1:
            return lambda cells: parse_iso(cells[0])
        if self.kind in ("serial", "epoch_s", "epoch_ms"):
            return _by_number(self.kind)
        return _by_parts(self.kind, self.file)


def find_stamps(
    headers: Sequence[str],
    rows: Sequence[Sequence[str]],
    later: Iterable[Sequence[str]],
    mapping: Mapping[str, str],
    declared: Mapping[str, Any],
    name: str,
) -> Stamps:
    """Time columns and the way they are written.

    `rows` are rows from the beginning, `later` some from the rest of the file, both in file order. InputError when
    there is no time column, or day and month cannot be told apart.
    """
    columns = _columns(headers, rows[:ROWS_LOOKED_AT], mapping, declared, name)
    if "time_format" in declared:
        return Stamps(columns, "pattern", str(declared["time_format"]))
    cells = [row[columns[0]] for row in rows if columns[0] < len(row) and row[columns[0]]]
    if not cells:
        return Stamps(columns, "iso")
    first = cells[0]
    if re.match(r"\d{4}-\d\d|\d{8}T", first):
        return Stamps(columns, "iso")
    if re.fullmatch(r"\d+([.,]\d+)?(?:[eE][+-]?\d+)?", first):
        number = float(first.replace(",", "."))
        kind = "epoch_ms" if number > 1e11 else "epoch_s" if number > 1e8 else "serial"
        return Stamps(columns, kind)
    dates = list(dict.fromkeys(_date_text(cell) for cell in cells))
    dates += [text for row in later if columns[0] < len(row) and (text := _date_text(row[columns[0]]))]
    return Stamps(columns, _order(list(dict.fromkeys(filter(None, dates))), declared, name), file=name)


def _columns(
    headers: Sequence[str],
    rows: Sequence[Sequence[str]],
    mapping: Mapping[str, str],
    declared: Mapping[str, Any],
    name: str,
) -> tuple[int, ...]:
    mapped = tuple(number for number, header in enumerate(headers) if mapping.get(header) == TIME)
    if mapped:
        return mapped[:2]
    if "time_columns" in declared:
        columns = []
        for header in declared["time_columns"]:
            if header not in headers:
                raise InputError(f"[recording] time_columns names {header!r}, which {name} does not have")
            columns.append(headers.index(header))
        return tuple(columns)
    whole: list[int] = []
    days: list[int] = []
    clocks: list[int] = []
    numbers: list[int] = []
    for number, header in enumerate(headers):
        if header in mapping:
            continue
        looks = _looks(number, rows, DATE)
        if looks:
            marked = sum(":" in cell or "T" in cell for cell in looks)
            (whole if marked * 2 > len(looks) else days).append(number)
        elif _looks(number, rows, CLOCK):
            clocks.append(number)
        elif _TIME_WORDS.search(header) and _rising(_filled(number, rows)):
            numbers.append(number)
    named = [number for number, header in enumerate(headers) if header.casefold() == TIME]
    if named and (named[0] in whole or not (whole or (days and clocks) or numbers)):
        return (named[0],)
    if whole:
        return (whole[0],)
    if days and clocks:
        return days[0], clocks[0]
    if numbers or days:
        return ((numbers or days)[0],)
    shown = ", ".join(repr(header) for header in headers[:4]) + (" ..." if len(headers) > 4 else "")
    raise InputError(
        f"{name} has no column 'time' (its columns are {shown}) and none that holds stamps; name the one that does in "
        'the site file, under [recording.columns], as "its header" = "time"'
    )


def _filled(number: int, rows: Sequence[Sequence[str]]) -> list[str]:
    return [row[number] for row in rows if number < len(row) and row[number]]


def _looks(number: int, rows: Sequence[Sequence[str]], kind: re.Pattern[str]) -> list[str]:
    """The filled cells of a column when nine in ten of them match; else none."""
    others = 0
    for row in rows:
        # Most columns hold readings: a few cells show it.
        if number < len(row) and row[number] and not kind.match(row[number]):
            others += 1
            if 10 * others > len(rows):
                return []
    cells = _filled(number, rows)
    return cells if 10 * others <= len(cells) else []


def _rising(cells: Sequence[str]) -> bool:
    try:
        values = [float(cell.replace(",", ".")) for cell in cells]
    except ValueError:
        return False
    return len(values) > 1 and values[-1] > values[0] and values[0] > 20_000


def _date_text(cell: str) -> str:
    return re.split(r"[ T]", cell, maxsplit=1)[0]


def _order(dates: Sequence[str], declared: Mapping[str, Any], name: str) -> str:
    """Day first or month first: the order in which all dates exist and follow each other closely."""
    shown = dates[0] if dates else ""
    # Footers and repeated headers are among the cells; they are no dates in either order.
    dates = [text for text in dates if _PARTS.match(text)]
    parts = [match.groups() for text in dates if (match := _PARTS.match(text))]
    if parts and all(len(first) == 4 for first, _, _ in parts):
        return "ymd"
    if "day_first" in declared:
        return "dmy" if declared["day_first"] else "mdy"
    spans: dict[str, int] = {}
    for kind in ("dmy", "mdy"):
        if _no_dates(dates, kind):
            continue
        days = [_day(text, kind) for text in dates]
        steps = [abs(after - before) for before, after in pairwise(days)]
        spans[kind] = max(steps, default=0)
    if dates and not spans:
        wrong, kind = min(((_no_dates(dates, kind), kind) for kind in ("dmy", "mdy")), key=lambda each: len(each[0]))
        raise InputError(
            f"{name}: {wrong[0]!r} is no date {_KINDS[kind]}, as most others can be read; correct it in the file, or "
            "declare time_format"
        )
    if not dates:
        raise InputError(f"{name}: {shown!r} is no date; write stamps as 2031-03-03T00:10:00 or declare time_format")
    if len(spans) == 1:
        return next(iter(spans))
    if any("." in text for text in dates):
        # Dots are written between day, month and year in that order only.
        return "dmy"
    if all(_day(text, "dmy") == _day(text, "mdy") for text in dates):
        return "alike"
    if spans["dmy"] != spans["mdy"]:
        return min(spans, key=lambda kind: spans[kind])
    raise _day_or_month(next(text for text in dates if _day(text, "dmy") != _day(text, "mdy")), name)


def _no_dates(texts: Sequence[str], kind: str) -> list[str]:
    """The texts that are no date in this order."""
    wrong = []
    for text in texts:
        try:
            _day(text, kind)
        except ValueError:
            wrong.append(text)
    return wrong


def _day_or_month(text: str, name: str) -> InputError:
    return InputError(
        f"{name}: {text!r} can be read day first or month first, and no other date decides; add day_first = true "
        "or day_first = false under [recording] in the site file"
    )


def _day(text: str, kind: str) -> int:
    match = _PARTS.match(text)
    if match is None:
        raise ValueError(text)
    first, second, third = (int(part) for part in match.groups())
    if len(match[1]) == 4:
        year, month, day = first, second, third
    else:
        day, month = (first, second) if kind == "dmy" else (second, first)
        year = third + 2000 if len(match[3]) <= 2 else third
    return date(year, month, day).toordinal() - _EPOCH_DAY


def time_of_day(text: str) -> int:
    """Microseconds since midnight of a time of day; ``24:00`` and AM/PM are understood. ValueError otherwise."""
    match = _TIME_OF_DAY.match(text)
    if match is None:
        raise ValueError(text)
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[5]:
        if not 1 <= hour <= 12:
            raise ValueError(text)
        hour = hour % 12 + (12 if match[5] in "pP" else 0)
    whole = hour * HOUR + minute * MINUTE + second * SECOND + int((match[4] or "").ljust(6, "0"))
    if minute > 59 or second > 59 or whole > DAY:
        raise ValueError(text)
    return whole


def _by_parts(kind: str, name: str) -> ReadStamp:
    days: dict[str, int] = {}
    last: list[int] = []

    def read(cells: Sequence[str]) -> tuple[int, bool]:
        if len(cells) == 2:
            day, clock = cells[0], cells[1]
        else:
            day, _, clock = cells[0].partition("T" if "T" in cells[0] else " ")
            if not clock and ":" in day:
                day, clock = "", day
        if day:
            since_1970 = days.get(day)
            if since_1970 is None:
                text = day.rstrip(",")
                since_1970 = days[day] = _day(text, "dmy" if kind == "alike" else kind) * DAY
                if kind == "alike" and since_1970 != _day(text, "mdy") * DAY:
                    raise _day_or_month(text, name)
            last[:] = [since_1970]
        elif last:
            since_1970 = last[0]
        else:
            raise ValueError("no date")
        clock = clock.strip()
        return since_1970 + (time_of_day(clock) if clock else 0), False

    return read


def _by_number(kind: str) -> ReadStamp:
    def read(cells: Sequence[str]) -> tuple[int, bool]:
        number = float(cells[0].replace(",", "."))
        if kind == "serial":
            if not 20_000 < number < 80_000:
                raise ValueError(cells[0])
            # Ten digits of a day number are good to a tenth of a second.
            return (_SERIAL_DAY - _EPOCH_DAY) * DAY + round(number * 86_400) * SECOND, False
        return round(number * (SECOND if kind == "epoch_s" else 1000)), True

    return read


def _by_pattern(pattern: str) -> ReadStamp:
    epoch = datetime(1970, 1, 1)

    def read(cells: Sequence[str]) -> tuple[int, bool]:
        moment = datetime.strptime(" ".join(cells), pattern)
        if moment.tzinfo is not None:
            return round(moment.timestamp() * SECOND), True
        delta = moment - epoch
        return (delta.days * 86_400 + delta.seconds) * SECOND + delta.microseconds, False

    return read
