"""Tables that are not one column per channel: long ones (stamp, channel, value) and one row per day."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from pqcheck.io.csv.cells import ReadCells
from pqcheck.io.csv.csv_decoder import CsvDecoder
from pqcheck.io.csv.error_codes import write_cells
from pqcheck.io.csv.odd_cells import bad_cells_note
from pqcheck.io.decoder import BadCells, Chunk, Ground, RowNumbers, Table, values_of
from pqcheck.io.headers.exact_names import parse_header
from pqcheck.io.numbers_in_memory import InMemory
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.io.unit_conversions import converted
from pqcheck.model.clock import DAY, Instants
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel, Note, Values
from pqcheck.model.units import in_alias_table, symbol_of
from pqcheck.site.site_values import Site

_NAME_WORDS = re.compile(
    r"channel|parameter|quantity|measurement|signal|tag|point|name|ch\Z|kanal|type|canal|grandeur|grandezza|magnitud|"
    r"grandeza|grootheid|wielko|storhet|st\u00f8rrelse", re.IGNORECASE
)
_VALUE_WORDS = re.compile(
    r"value|reading|wert|valeur|val\Z|measured|valor|waarde|warto|v\u00e4rde|verdi", re.IGNORECASE
)
_UNIT_WORDS = re.compile(r"units?\Z|einheit|unit\u00e9|unidad|unit\u00e0|eenheid|jednostk|enhet", re.IGNORECASE)
_METER_WORDS = re.compile(r"meter|device|id\Z|serial|site|location", re.IGNORECASE)
_STEP = re.compile(r"(?:HE|H|I|INT|INTERVAL|T|P|V)?[ _]?(\d{1,3})\Z|(\d{1,2}):(\d\d)\Z", re.IGNORECASE)
_MOST_LONG = 8
_DAY_COLUMNS = (24, 48, 96, 144, 288, 1440)


class Shape(Struct, frozen=True):
    """Where the parts of such a table stand. `values` holds one column (long) or one per interval of the day."""

    name: int | None
    values: tuple[int, ...]
    unit: int | None
    meter: int | None
    ends: bool
    """Columns of a day are named by the end of their interval (HE = hour ending)."""

    def tables(self, table: Table, units: Sequence[str], site: Site | None) -> list[Table]:
        """One table in memory per channel, each with the rows of the file it comes from."""
        decoder = table.decoder
        assert isinstance(decoder, CsvDecoder)
        names, texts = _codes(table, decoder, self.name)
        if self.meter is not None:
            _one_meter(table, decoder, self.meter)
        glued, kinds = _codes(table, decoder, self.unit)
        cells = _cells_of(table, self.values)
        stated = set(kinds) if self.unit is not None else {next(filter(None, units), "")}
        for glued_unit in sorted({decoder.units[column] for column in self.values if column in decoder.units}):
            if any(not in_alias_table(unit) or symbol_of(unit) != symbol_of(glued_unit) for unit in stated):
                where = "the column of units says another" if self.unit is not None else "most of them carry none"
                raise InputError(
                    f"{table.name}: some numbers carry the unit {glued_unit!r} and {where}; export all in one unit"
                )
        written = table.stamps.all()
        result: list[Table] = []
        for code, text in enumerate(texts):
            mine = np.flatnonzero(names == code)
            unit = kinds[glued[mine[0]]] if self.unit is not None else next(filter(None, units), "")
            others = sorted({kinds[at] for at in np.unique(glued[mine]).tolist()} - {unit})
            if self.unit is not None and others:
                raise InputError(
                    f"{table.name}: the readings of {text!r} are in {unit!r} and in {others[0]!r}, says the column of "
                    "units; export each channel in one unit"
                )
            header = text or table.headers[self.values[0]]
            result.append(self._one(table, len(result) + 1, header, unit, mine, written[mine], cells, site))
        if not any(each.channels for each in result):
            raise InputError(
                f"{table.name}: no channel is known among {', '.join(repr(text) for text in texts[:5])}; map them "
                "under [recording.columns]"
            )
        return result

    def _one(
        self,
        table: Table,
        column: int,
        header: str,
        unit: str,
        rows: NDArray[np.intp],
        stamps: Instants,
        cells: _Cells,
        site: Site | None,
    ) -> Table:
        lines = table.row_numbers.of(rows)
        if len(self.values) > 1:
            step = DAY // len(self.values)
            stamps = (stamps[:, None] + np.arange(len(self.values)) * step).ravel()
            lines = np.repeat(lines, len(self.values))
        values = cells.values[rows].ravel()
        lower, upper = cells.lower_bounds[rows].ravel(), cells.upper_bounds[rows].ravel()
        filled = ~np.isnan(values) | lower
        if len(self.values) > 1:
            # Hours that a day of clock change lacks are blank cells, not intervals.
            stamps, lines, values, lower, upper = (
                stamps[filled], lines[filled], values[filled], lower[filled], upper[filled]
            )
        channel, ground, scale = _channel(header, unit, values, site)
        row_numbers, whole = RowNumbers(np.arange(lines.size), lines), Chunk(0, values.size)
        held = np.empty(values.size)
        noticed = write_cells(
            column, ReadCells(values, lower_bounds=lower, upper_bounds=upper), held, [(0, 0, values.size)], whole,
            row_numbers, channel,
        )
        return replace(
            table,
            headers=(*([""] * column), header),
            time_column=0,
            clock_column=None,
            channels={column: channel} if channel is not None else {},
            unknown=() if channel is not None else ((column, ground.why),),
            stamps=Times.of(stamps),
            row_numbers=row_numbers,
            chunks=(whole,) if values.size else (),
            decoder=converted(InMemory({0: {column: held}}, {0: noticed}), {} if scale is None else {column: scale}),
            at_a_time=1,
            grounds={column: ground},
            notes=(*table.notes, *cells.notes) if column == 1 else (),
            stamp="start" if len(self.values) > 1 else table.stamp,
            size=values.size * 8,
        )


class _Cells(Struct, frozen=True):
    """The cells of the columns of values, one row per row of the file: numbers, marks of bounds, and notes."""

    values: NDArray[np.float64]
    lower_bounds: NDArray[np.bool_]
    upper_bounds: NDArray[np.bool_]
    notes: tuple[Note, ...]


def _cells_of(table: Table, columns: Sequence[int]) -> _Cells:
    shape = (table.stamps.size, len(columns))
    values, lower, upper = np.empty(shape), np.zeros(shape, np.bool_), np.zeros(shape, np.bool_)
    bad: dict[tuple[int, str], list[BadCells]] = {}
    for chunk in table.chunks:
        rows = slice(chunk.first_row, chunk.first_row + chunk.rows)
        arrays, filled = values_of(table.decoder, chunk, columns)
        for at, (column, array) in enumerate(zip(columns, arrays, strict=True)):
            values[rows, at] = array
            for kept, marks in ((lower, filled.lower_bounds), (upper, filled.upper_bounds)):
                kept[rows, at] = marks.get(column, False)
        for cells in filled.bad:
            bad.setdefault((cells.column, cells.why), []).append(cells)
    notes = [bad_cells_note(table, column, why, cells) for (column, why), cells in sorted(bad.items())]
    return _Cells(values, lower, upper, tuple(notes))


def _channel(
    header: str, unit: str, values: Values, site: Site | None
) -> tuple[Channel | None, Ground, float | str | None]:
    from pqcheck.io.headers.evidence_of_numbers import Evidence
    from pqcheck.io.headers.read_headers import read_headers

    mapping = site.recording.columns if site is not None else {}
    text = mapping.get(header, header)
    full = f"{text} [{unit}]" if unit and "[" not in text else text
    known = parse_header(full) if "." in text or header in mapping else None
    if known is not None:
        return known, Ground("certain", "named so"), None
    guess = read_headers([header], [unit], [0], Evidence({0: values[:2000]}, site))[0]
    return guess.channel, Ground(guess.confidence, guess.why), guess.scale


def _codes(table: Table, decoder: CsvDecoder, column: int | None) -> tuple[NDArray[np.int32], list[str]]:
    """A text column as numbers, and the texts they stand for in order of appearance."""
    count = table.stamps.size
    if column is None:
        return np.zeros(count, np.int32), [""]
    seen: dict[str, int] = {}
    codes = np.zeros(count, np.int32)
    for chunk in table.chunks:
        texts = decoder.texts_of(chunk, column)
        codes[chunk.first_row : chunk.first_row + chunk.rows] = [seen.setdefault(text, len(seen)) for text in texts]
    return codes, list(seen)


def _one_meter(table: Table, decoder: CsvDecoder, column: int) -> None:
    _, texts = _codes(table, decoder, column)
    if len(texts) > 1:
        raise InputError(
            f"{table.name} holds {len(texts)} meters ({texts[0]!r}, {texts[1]!r} ...); write one file per meter"
        )


def find_shape(headers: Sequence[str], rows: Sequence[Sequence[str]], times: Sequence[int]) -> Shape | None:
    """The shape of a table when it is long or has one row per day, else None."""
    steps = [number for number, header in enumerate(headers) if number not in times and _STEP.match(header)]
    rest = [number for number in range(len(headers)) if number not in times and number not in steps]
    if len(headers) > _MOST_LONG and (len(steps) not in _DAY_COLUMNS or len(rest) > 4):
        return None
    named = _first(headers, rest, _NAME_WORDS)
    unit = _first(headers, rest, _UNIT_WORDS)
    meter = _first(headers, rest, _METER_WORDS)
    if len(steps) in _DAY_COLUMNS and len(rest) <= 4:
        ends = bool(re.match(r"HE", headers[steps[0]], re.IGNORECASE))
        return Shape(named, tuple(steps), unit, meter if meter != named else None, ends)
    value = _first(headers, rest, _VALUE_WORDS)
    if named is None or value is None or named == value or len(headers) > _MOST_LONG:
        return None
    names = [row[named] for row in rows if named < len(row)]
    if not names or any(re.fullmatch(r"[\d.,+-]*", name) for name in names):
        return None
    return Shape(named, (value,), unit, meter if meter not in (named, value) else None, False)


def _first(headers: Sequence[str], columns: Sequence[int], words: re.Pattern[str]) -> int | None:
    return next((number for number in columns if words.search(headers[number])), None)
