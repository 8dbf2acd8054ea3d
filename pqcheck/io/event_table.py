"""Event tables: one dip, swell or interruption a row, with its time, duration and residual voltage or depth."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future
from decimal import Decimal, InvalidOperation

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.csv.dialect import DELIMITERS, cells_of
from pqcheck.io.csv.text_file import Text
from pqcheck.io.decoder import RowNumbers, Table
from pqcheck.io.headers.exact_names import parse_header
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.io.timeline.stamps import Stamps, find_stamps
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Event, RowSpan
from pqcheck.site.site_values import Reading, Site, Supply

KINDS = {
    "dip": "dip", "sag": "dip", "swell": "swell", "interruption": "interruption", "rapid change": "rapid change",
    "rapid voltage change": "rapid change", "rvc": "rapid change",
}  # fmt: skip
"""Words for the kinds of event; "sag" is the word of IEEE 1159 for a dip."""
INTERRUPTED_BELOW = Decimal(10)
"""Percent: no table calls a higher residual an interruption (IEEE 1159; EN 50160 puts the edge at 5)."""

_ALL_PHASES = ("", "abc", "all")
_OF_PHASE = {phase[0]: phase for phase in LINE_TO_NEUTRAL} | {phase: phase for phase in LINE_TO_NEUTRAL + LINE_TO_LINE}
_HEADER_LINES = 80
_SAMPLE = 60
_LONGEST = Decimal(100 * 366 * 86400)
_HEADER = re.compile(r"(?P<name>[^\[(]*)[\[(]?(?P<unit>[^\])]*)[\])]?\s*\Z")
_CELL = re.compile(r"(?P<number>[-+]?[\d.,]+(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\d\s]*)\Z")
_THOUSANDS = re.compile(r"(?<![\d,])[1-9]\d{0,2}(,\d{3})+(?!\d)")
_LINES = re.compile(r"\bl+[- ]?l\b|\b(line|phase)[- ]to[- ](line|phase)\b")
_RAPID_UP_TO, _NO_DIP_FROM = 11, 89
_WORDS = {
    "duration": re.compile(r"\bduration\b"),
    "residual": re.compile(r"\b(residual|retained|remaining)\b"),
    "depth": re.compile(r"\bdepth\b"),
    "kind": re.compile(r"\A(event )?(kind|type)\b|\Aevent\Z"),
    "phase": re.compile(r"\Aphases?\b"),
}
_SECONDS = {"s": Decimal(1), "ms": Decimal("0.001"), "us": Decimal("0.000001"), "min": Decimal(60)}
_VOLTS = {"v": Decimal(1), "kv": Decimal(1000)}


class EventHeader(Struct, frozen=True):
    """Where a header line of an event table stands, and what its columns hold; `units` as written, in lower case."""

    line: int
    delimiter: str
    headers: tuple[str, ...]
    columns: dict[str, int]
    units: dict[str, str]


def find_event_header(lines: Sequence[str]) -> EventHeader | None:
    """The header of an event table among the first lines: a duration beside a residual, a depth or a kind of event."""
    for number, line in enumerate(lines[:_HEADER_LINES]):
        if "uration" not in line and "URATION" not in line:
            continue
        for delimiter in DELIMITERS:
            headers = tuple(cells_of(line, delimiter))
            columns, units = _columns(headers)
            if "duration" not in columns or not columns.keys() & {"residual", "depth", "kind"}:
                continue
            # A trend may have a column with the duration of its intervals.
            if all(parse_header(name) is None for name in headers):
                return EventHeader(number, delimiter, headers, columns, units)
    return None


def _columns(headers: Sequence[str]) -> tuple[dict[str, int], dict[str, str]]:
    columns: dict[str, int] = {}
    units: dict[str, str] = {}
    for number, header in enumerate(headers):
        match = _HEADER.match(header)
        if match is None:
            continue
        name = " ".join(match["name"].replace("_", " ").lower().split())
        meaning = next((meaning for meaning, words in _WORDS.items() if words.search(name)), None)
        if meaning is not None and meaning not in columns:
            columns[meaning], units[meaning] = number, match["unit"].strip().lower()
    return columns, units


def _refuse_rivals(header: EventHeader, name: str) -> None:
    """InputError where one header says two things, or two headers say one."""
    for meaning in ("duration", "residual", "depth"):
        alike = [title for title in header.headers if _WORDS[meaning].search(title.replace("_", " ").lower())]
        if len(alike) > 1:
            raise InputError(f"{name}: {' and '.join(map(repr, alike))} both read as the {meaning} of events; keep one")
        if alike and meaning == "depth" and _WORDS["residual"].search(alike[0].replace("_", " ").lower()):
            raise InputError(
                f"{name}: {alike[0]!r} may be a residual voltage or a depth; write 'residual [%]' or 'depth [%]'"
            )


def read_events(text: Text, digest: Future[str], header: EventHeader, site: Site | None) -> Table:
    """The events of a file; stamps without offset are resolved later. InputError names row and cell.

    The header says in which unit durations (s, ms, cycles) and voltages (%, V, kV, pu) are written, or every cell does.
    """
    name = text.source.name
    reading = site.recording if site is not None else Reading()
    with text.source.open() as handle:
        lines = text.decode(handle.read()).splitlines()
    if not header.columns.keys() & {"residual", "depth"}:
        raise InputError(
            f"{name} holds events with a duration and neither a residual voltage nor a depth; export that column too, "
            "for example 'residual [%]'"
        )
    _refuse_rivals(header, name)
    rows = [
        (number, cells_of(line, header.delimiter))
        for number, line in enumerate(lines[header.line + 1 :], start=header.line + 2) if line.strip()
    ]
    for number, cells in rows:
        if len(cells) != len(header.headers):
            raise InputError(
                f"{name}, row {number} has {len(cells)} cells where the header has {len(header.headers)}; an event "
                f"needs {', '.join(header.headers)}"
            )
    stamps = find_stamps(
        header.headers, [cells for _, cells in rows[:_SAMPLE]], (cells for _, cells in rows[_SAMPLE:]),
        reading.columns, reading.more, name,
    )  # fmt: skip
    read = _Rows(name, header, site.supply if site is not None else None)
    read.settle_decimals(rows)
    when, local = _stamps(stamps, rows, name)
    events = read.with_resolution(read.event(number, cells, at) for (number, cells), at in zip(rows, when, strict=True))
    read.refuse_per_unit(events)
    used = {*stamps.columns, *header.columns.values()}
    return Table(
        name=name,
        checksum=digest,
        headers=header.headers,
        time_column=stamps.columns[0],
        channels={},
        unknown=tuple(
            (column, "an event table holds time, phase, kind, duration and residual")
            for column, title in enumerate(header.headers) if column not in used and title
        ),
        stamps=Times.of(np.array(when, np.int64)),
        local=local,
        row_numbers=RowNumbers.plain(header.line + 2),
        chunks=(),
        decoder=InMemory({}),
        events=events,
        event_columns=tuple(sorted((column, read.words(meaning)) for meaning, column in header.columns.items())),
        clock_column=stamps.columns[1] if len(stamps.columns) > 1 else None,
        time_format=stamps.description,
    )


def _stamps(stamps: Stamps, rows: Sequence[tuple[int, Sequence[str]]], name: str) -> tuple[list[int], bool]:
    """Stamps of the rows, and whether they lack their offset from UTC."""
    read, when, offsets = stamps.reader(), [], set()
    for number, cells in rows:
        written = [cells[column] for column in stamps.columns]
        try:
            stamp, with_offset = read(written)
        except ValueError:
            raise InputError(f"{name}, row {number}: the time is {' '.join(written)!r}, which is no stamp") from None
        when.append(stamp)
        offsets.add(with_offset)
    if len(offsets) > 1:
        raise InputError(f"{name}: some stamps carry an offset and some do not; write all of them one way")
    return when, offsets != {True}


class _Rows:
    """Reads the cells of events row by row."""

    def __init__(self, name: str, header: EventHeader, supply: Supply | None) -> None:
        self._name, self._header, self._supply = name, header, supply
        self._finest_s: Decimal | None = None
        self._value = "residual" if "residual" in header.columns else "depth"
        unit = header.units["duration"]
        if unit and unit not in ("cycles", "cycle") and unit not in _SECONDS:
            raise InputError(f"{name}: durations in {unit!r} are not known; write s, ms or cycles in brackets")
        unit = header.units[self._value]
        if unit and unit not in ("%", "pu", "p.u.") and unit not in _VOLTS:
            raise InputError(f"{name}: a {self._value} in {unit!r} is not known; write %, pu, V or kV in brackets")

    def settle_decimals(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        """InputError where commas and points of numbers may be of decimals as well as of thousands."""
        columns = [self._header.columns[meaning] for meaning in ("duration", "residual", "depth")
                   if meaning in self._header.columns]  # fmt: skip
        numbers = [(number, cells[column]) for number, cells in rows for column in columns]
        commas, points = ([(number, text) for number, text in numbers if mark in text] for mark in ",.")
        # "0,274" and "12,5" can only be decimals; in a table of semicolons commas are.
        certain = self._header.delimiter != "," or any(not _THOUSANDS.search(text) for _, text in commas)
        if commas and (points or not certain):
            number, text = commas[0]
            raise InputError(
                f"{self._name}, row {number}: the comma of {text!r} may be of decimals or of thousands; export numbers "
                "with a point for decimals and nothing for thousands"
            )

    def words(self, meaning: str) -> str:
        """How a column is read, in words."""
        unit = self._header.units.get(meaning, "")
        written = f", written in {unit}" if unit and meaning in ("duration", "residual", "depth") else ""
        return f"{meaning} of events{written}"

    def event(self, number: int, cells: Sequence[str], at: int) -> Event:
        """One row. `at` is its stamp as written."""
        where = f"{self._name}, row {number}"
        phase = self._phase(self._cell(cells, "phase"), where)
        duration, unit = self._number(cells, "duration", where)
        if duration is None or not 0 <= duration < _LONGEST:
            raise InputError(f"{where}: an event needs a duration of zero or more seconds")
        step = self._seconds(Decimal(1).scaleb(int(duration.as_tuple().exponent)), unit, where)
        self._finest_s = min(step, self._finest_s or step)
        duration = self._seconds(duration, unit, where)
        if KINDS.get(self._cell(cells, "kind").lower()) == "rapid change":
            self._refuse_deep_change(cells, where)
            return Event(at, phase, "rapid change", duration, None, (RowSpan(self._name, number, number),))
        residual = self._residual(cells, phase, where)
        kind = self._kind(self._cell(cells, "kind"), residual, where)
        if residual is not None:
            self._refuse_contradiction(kind, residual, cells, where)
        return Event(at, phase, kind, duration, residual, (RowSpan(self._name, number, number),))

    def with_resolution(self, events: Iterable[Event]) -> tuple[Event, ...]:
        """The events, those of a duration of zero with the step in which the table writes durations."""
        read = tuple(events)
        return tuple(event if event.duration_s else replace(event, up_to_s=self._finest_s) for event in read)

    def refuse_per_unit(self, events: Sequence[Event]) -> None:
        """InputError where percentages are so small throughout that they must be per unit."""
        column = self._header.columns[self._value]
        if self._header.units[self._value] != "%" or self._value == "depth":
            return
        # Without a word for the kind, all that is below 5 % was taken for an interruption.
        kinds = ("dip",) if "kind" in self._header.columns else ("dip", "interruption")
        known = [event for event in events if event.kind in kinds and event.residual_percent is not None]
        small = [event for event in known if event.residual_percent and event.residual_percent < 3]
        if small and len(small) == sum(bool(event.residual_percent) for event in known):
            row = small[0].rows[0].first
            raise InputError(
                f"{self._name}, row {row}: {self._header.headers[column]!r} is {small[0].residual_percent}, and no dip "
                "reaches 3, as where the values are per unit; write the header as 'residual [pu]'"
            )

    def _cell(self, cells: Sequence[str], meaning: str) -> str:
        column = self._header.columns.get(meaning)
        return "" if column is None else cells[column]

    def _phase(self, text: str, where: str) -> str:
        phase = text.lower()
        if phase in _ALL_PHASES:
            return ""
        if phase not in _OF_PHASE:
            raise InputError(
                f"{where}: {text!r} is no phase; write {', '.join(LINE_TO_NEUTRAL + LINE_TO_LINE)}, and abc or nothing "
                "for all of them"
            )
        return _OF_PHASE[phase]

    def _kind(self, text: str, residual: Decimal | None, where: str) -> str:
        if text and text.lower() not in KINDS:
            raise InputError(f"{where}: {text!r} is no kind of event; write dip, swell, interruption or rapid change")
        if text:
            return KINDS[text.lower()]
        if residual is None:
            raise InputError(f"{where}: an event needs a kind (dip, swell or interruption) or a residual voltage")
        # Without a word for it: the edge of EN 50160 between dips and interruptions.
        return "swell" if residual > 100 else "dip" if residual >= 5 else "interruption"

    def _number(self, cells: Sequence[str], meaning: str, where: str) -> tuple[Decimal | None, str]:
        """The number in a cell, and its unit: that of the cell, else that of the header."""
        text, unit = self._cell(cells, meaning), self._header.units[meaning]
        if not text:
            return None, unit
        header = self._header.headers[self._header.columns[meaning]]
        match = _CELL.match(text)
        try:
            value = Decimal(match["number"].replace(",", ".") if match is not None else text)
        except InvalidOperation:
            value = Decimal("nan")
        if not value.is_finite() or match is None:
            raise InputError(f"{where}: {header} is {text!r}, which is not a number")
        if not match["unit"] and not unit:
            raise InputError(f"{where}: {header} is {text!r} without a unit; write it in the header, in brackets")
        return value, match["unit"].lower() or unit

    def _seconds(self, duration: Decimal, unit: str, where: str) -> Decimal:
        if unit in _SECONDS:
            return duration * _SECONDS[unit]
        if unit not in ("cycles", "cycle"):
            raise InputError(f"{where}: a duration in {unit!r} is not known; write s, ms or cycles")
        frequency = self._supply.frequency if self._supply is not None else None
        if frequency is None:
            raise InputError(f"{where}: a duration in cycles needs [supply] frequency in the site file")
        return duration / frequency

    def _residual(self, cells: Sequence[str], phase: str, where: str) -> Decimal | None:
        value, unit = self._number(cells, self._value, where)
        if value is None:
            return None
        if unit in _VOLTS:
            nominal = self._nominal(phase, where)
            if nominal is None:
                raise InputError(f"{where}: a {self._value} in volts needs [supply] nominal_voltage in the site file")
            percent = 100 * value * _VOLTS[unit] / nominal
        elif unit in ("%", "pu", "p.u."):
            percent = value if unit == "%" else 100 * value
        else:
            raise InputError(f"{where}: a {self._value} in {unit!r} is not known; write %, pu, V or kV")
        if self._value == "residual":
            self._refuse_other_depth(cells, percent, where)
            return percent
        if KINDS.get(self._cell(cells, "kind").lower()) == "swell":
            raise InputError(f"{where}: a swell has no depth; export the residual voltage")
        return 100 - percent

    def _refuse_other_depth(self, cells: Sequence[str], percent: Decimal, where: str) -> None:
        """InputError where a depth beside the residual voltage contradicts it."""
        depth, unit = self._number(cells, "depth", where) if "depth" in self._header.columns else (None, "")
        if depth is None or unit not in ("%", "pu", "p.u."):
            return
        if percent <= 100 and abs(100 - percent - depth * (1 if unit == "%" else 100)) > 1:
            raise InputError(f"{where}: residual voltage and depth are {percent.normalize():f} % and "
                             f"{self._cell(cells, 'depth')}, which do not add up to 100 %; correct one of them")

    def _refuse_deep_change(self, cells: Sequence[str], where: str) -> None:
        """InputError where what stands under the residual voltage is no rapid change: neither the change, nor what was
        left by one, which stays above the threshold of dips."""
        value, unit = self._number(cells, self._value, where)
        percent = None if value is None or unit in _VOLTS else abs(value) * (1 if unit == "%" else 100)
        if percent is not None and _RAPID_UP_TO < percent < _NO_DIP_FROM:
            raise InputError(f"{where}: a change of {self._cell(cells, self._value)} is no rapid voltage change but a "
                             "dip or a swell; correct the kind or the value")  # fmt: skip

    def _nominal(self, phase: str, where: str) -> Decimal | None:
        """The nominal voltage that volts of a phase refer to. InputError where they may be those of another voltage."""
        if self._supply is None:
            return None
        line = self._supply.connection == "delta"
        name = self._header.headers[self._header.columns[self._value]]
        between = bool(_LINES.search(name.replace("_", " ").lower()))
        if (between and phase in LINE_TO_NEUTRAL) or (not phase and not between and not line
                                                      and self._supply.connection != "single-phase"):
            raise InputError(
                f"{where}: whether the volts of {name!r} are those to neutral or between lines is not clear; name the "
                "phase (an, ab, ...), or export the residual voltage in percent"
            )
        return self._supply.nominal(phase or ("ab" if line or between else "an"))

    def _refuse_contradiction(self, kind: str, residual: Decimal, cells: Sequence[str], where: str) -> None:
        """InputError where kind and residual cannot both be right."""
        written = f"{self._header.headers[self._header.columns[self._value]]} is {self._cell(cells, self._value)!r}"
        if residual < 0:
            raise InputError(f"{where}: {written}, and a voltage during an event is not below zero")
        right = {"dip": residual < 100, "swell": residual > 100, "interruption": residual < INTERRUPTED_BELOW}
        if not right[kind]:
            limit = {"dip": "below 100 %", "swell": "above 100 %", "interruption": f"below {INTERRUPTED_BELOW} %"}
            event = "an interruption" if kind == "interruption" else f"a {kind}"
            raise InputError(
                f"{where}: {written}, and the residual voltage of {event} lies {limit[kind]} of the nominal; correct "
                "the kind, the value or the unit in the header"
            )


def read_as(table: Table) -> Iterator[tuple[str, str]]:
    """How each column of an event table is read: header and sentence."""
    words = dict(table.event_columns)
    left = dict(table.unknown)
    for column, header in enumerate(table.headers):
        if column == table.time_column:
            yield header, f"start of events, {table.time_format}"
        elif column == table.clock_column:
            yield header, "time of day, belongs to the date"
        elif column in words:
            yield header, words[column]
        elif header:
            yield header, f"left alone: {left.get(column, 'not asked for')}"
