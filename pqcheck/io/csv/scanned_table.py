"""A delimited table, however it is written: dialect, stamps and columns found once, then scanned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.csv.cells import BLANKS, NO_VALUE, cell_of
from pqcheck.io.csv.csv_decoder import AT_A_TIME, CsvDecoder
from pqcheck.io.csv.dialect import Dialect, cells_of, find_dialect
from pqcheck.io.csv.last_line import Cut, cut_of
from pqcheck.io.csv.scan import FOOTER, Layout, Scan, scan
from pqcheck.io.csv.text_file import Text
from pqcheck.io.decoder import Ground, Table
from pqcheck.io.event_table import find_event_header, read_events
from pqcheck.io.headers.exact_names import resolve_columns
from pqcheck.io.table_shapes import Shape, find_shape
from pqcheck.io.timeline.slow_channels import FIRST_ROWS
from pqcheck.io.timeline.stamps import Stamps, find_stamps
from pqcheck.io.timeline.stamps_of_rows import Times
from pqcheck.io.unit_conversions import converted, nominal_factor, scales_of
from pqcheck.model.errors import InputError
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Channel, Note, RowSpan
from pqcheck.site.site_values import Reading, Site

if TYPE_CHECKING:
    # Most tables have the names of the contract: what reads others is loaded for those that need it.
    from pqcheck.io.headers.settled_columns import Guess

SAMPLE_ROWS = 500
CELLS_LOOKED_AT = 2000


class Look(Struct, frozen=True):
    """What the beginning of a file shows: how it is written, its stamps, and a reading of every column."""

    text: Text
    dialect: Dialect
    stamps: Stamps
    channels: Mapping[int, Channel]
    guesses: tuple[Guess, ...]
    unknown: tuple[tuple[int, str], ...]
    scales: Mapping[int, float | str]
    written: Mapping[int, Channel]
    """The channels in the units in which their numbers are written."""
    units: tuple[str, ...]
    """Unit texts per column, from a line of units or from the numbers."""
    shape: Shape | None = None
    """Long or one row per day, when it is not one column per channel."""
    blank_early: frozenset[int] = frozenset()
    """Columns that are blank in one of the first two rows."""
    rivals: str = ""
    """Two columns that read as one channel and hold other numbers, as a sentence; empty without such."""


def read_text(text: Text, digest: Future[str], site: Site | None) -> list[Table]:
    """Scan one delimited text. InputError says what keeps it from being read.

    `digest` is the checksum of the file, which is worked out meanwhile.
    """
    of_events = find_event_header([text.decode(line) for line in text.lines()])
    if of_events is not None:
        return [read_events(text, digest, of_events, site)]
    seen = look(text, site)
    if seen.guesses:
        from pqcheck.io.headers.read_headers import refuse_doubts

        refuse_doubts(seen.guesses, seen.dialect.headers, text.source.name)
    if seen.rivals:
        raise InputError(seen.rivals)
    table = _scanned(seen, digest)
    return seen.shape.tables(table, seen.units, site) if seen.shape is not None else [table]


def look(text: Text, site: Site | None) -> Look:
    """Find out how a file is to be read, from its beginning; nothing is refused but what cannot be read at all."""
    reading = site.recording if site is not None else Reading()
    name = text.source.name
    dialect = find_dialect(text, reading.more, reading.columns)
    rows = _rows(text, dialect)
    below = text.lines()[dialect.first_line - 1 + SAMPLE_ROWS :]
    later = (cells_of(text.decode(line.rstrip(b"\r")), dialect.delimiter) for line in chain(below, text.probes()))
    mapping = _known(reading.columns, dialect.headers)
    stamps = find_stamps(dialect.headers, rows, later, mapping, reading.more, name)
    units = _units(dialect, rows, stamps)
    shape = find_shape(dialect.headers, rows, stamps.columns)
    if shape is not None:
        return Look(text, dialect, stamps, {}, (), (), {}, {}, tuple(units), shape)
    headers = [_with_unit(header, unit) for header, unit in zip(dialect.headers, units, strict=True)]
    given = [header if header in mapping else full for header, full in zip(dialect.headers, headers, strict=True)]
    channels, unknown = resolve_columns(given, mapping)
    for column in stamps.columns:
        channels.pop(column, None)
    open_columns = [column for column, _ in unknown if column not in stamps.columns and dialect.headers[column]]
    guesses = _guesses(dialect, rows, units, open_columns, channels, site) if open_columns else []
    column_of = {channel.key: column for column, channel in channels.items()}
    why = dict(unknown)
    left: list[tuple[int, str]] = []
    rivals = ""
    for guess in guesses:
        if guess.channel is None:
            left.append((guess.column, guess.why if _known_word(guess) else why[guess.column]))
        elif guess.channel.key in column_of:
            first = column_of[guess.channel.key]
            left.append((guess.column, f"column {dialect.headers[first]!r} is read as {guess.channel.name} already"))
            if not rivals and _differ(rows, first, guess.column, dialect.decimal):
                pair = f"{dialect.headers[first]!r} and {dialect.headers[guess.column]!r}"
                rivals = (
                    f"{name}: the columns {pair} both read as {guess.channel.base_name} and hold other numbers; say "
                    "what each of them holds under [recording.columns] in the site file (pqcheck columns FILE --write "
                    "NEW)"
                )
        else:
            channels[guess.column] = guess.channel
    kept = tuple(guess for guess in guesses if guess.column in channels)
    written = channels | {
        guess.column: replace(channels[guess.column], unit=_unit_before(channels[guess.column], guess.scale, site))
        for guess in kept if isinstance(guess.scale, float)
    }
    channels, scales = scales_of(channels, site)
    scales |= {guess.column: guess.scale for guess in kept if guess.scale is not None}
    return Look(text, dialect, stamps, dict(sorted(channels.items())), kept, tuple(left), scales, written,
                tuple(units), blank_early=_blank_early(rows, len(headers), dialect.decimal), rivals=rivals)


def _differ(rows: Sequence[Sequence[str]], first: int, second: int, decimal: str) -> bool:
    """Whether two columns of one meaning differ by more than 1 % in a twentieth of the sampled rows that hold both."""
    one, other = (_samples(rows, [column], decimal)[column] for column in (first, second))
    both = ~(np.isnan(one) | np.isnan(other))
    apart = np.abs(one[both] - other[both]) > 0.01 * np.maximum(np.abs(one[both]), np.abs(other[both]))
    return bool(20 * np.count_nonzero(apart) > apart.size)


def _guesses(
    dialect: Dialect, rows: Sequence[Sequence[str]], units: Sequence[str], open_columns: Sequence[int],
    channels: Mapping[int, Channel], site: Site | None,
) -> list[Guess]:
    """Readings of the columns whose names are not those of the contract."""
    from pqcheck.io.headers.evidence_of_numbers import Evidence
    from pqcheck.io.headers.read_headers import read_headers

    known = {column: channel for column, channel in channels.items() if _tells(channel)}
    evidence = Evidence(_samples(rows, [*open_columns, *known], dialect.decimal), site, known)
    return read_headers(dialect.headers, units, open_columns, evidence)


def _unit_before(channel: Channel, scale: float, site: Site | None) -> str:
    """The unit of voltages that are scaled by the nominal (see `nominal_factor`)."""
    nominal = site.supply.nominal(channel.phase or "") if site is not None else None
    return "pu" if nominal is not None and scale == nominal_factor("pu", float(nominal)) else "% of nominal"


def _blank_early(rows: Sequence[Sequence[str]], columns: int, decimal: str) -> frozenset[int]:
    return frozenset(
        column for row in rows[:FIRST_ROWS] for column in range(columns)
        if column >= len(row) or not row[column] or np.isnan(cell_of(row[column], decimal).value)
    )


def _known_word(guess: Guess) -> bool:
    return not guess.why.startswith("its name says no quantity")


def _known(columns: Mapping[str, str], headers: Sequence[str]) -> dict[str, str]:
    """The mapping, for headers written with other blanks than in the file too."""
    plain = {" ".join(key.split()): value for key, value in columns.items()}
    return {header: plain[header] for header in headers if header in plain}


def _rows(text: Text, dialect: Dialect) -> list[list[str]]:
    lines = text.lines()[dialect.first_line - 1 :]
    result = []
    for line in lines[:SAMPLE_ROWS]:
        cells = cells_of(text.decode(line), dialect.delimiter)
        first = next(filter(None, cells), "")
        if first and not FOOTER.match(first) and line.strip() not in dialect.headings:
            result.append(cells)
    return result


def _units(dialect: Dialect, rows: Sequence[Sequence[str]], stamps: Stamps) -> list[str]:
    """Unit text per column: from the line of units, else glued to the numbers."""
    units = list(dialect.units) if dialect.units else [""] * len(dialect.headers)
    for column, unit in enumerate(units):
        if unit or column in stamps.columns:
            continue
        looked_at = rows[: max(4, CELLS_LOOKED_AT // len(units))]
        cells = [row[column] for row in looked_at if column < len(row) and row[column] not in BLANKS]
        # A unit ends in no digit. Of a column in which few numbers carry one, it is the unit of those only.
        glued = [cell_of(cell, dialect.decimal).unit for cell in cells if not cell[-1].isdecimal()]
        glued = [unit for unit in glued if unit]
        if glued and 2 * len(glued) >= len(cells):
            units[column] = glued[0]
    return units


def _with_unit(header: str, unit: str) -> str:
    unit = unit.strip("[]() ")
    name = header.split(".")[0]
    return f"{header} [{unit}]" if unit and "[" not in header and name in QUANTITIES else header


def _tells(channel: Channel) -> bool:
    """Whether a settled column helps to read others (see `headers.column_relations` and `headers.distortion_base`)."""
    wanted = ("voltage", "current", "voltage_thd", "current_thd", "apparent_power")
    return channel.reading == "mean" and (channel.quantity in wanted or channel.order == 1)


def _samples(rows: Sequence[Sequence[str]], columns: Sequence[int], decimal: str) -> dict[int, np.ndarray]:
    result = {}
    for column in columns:
        cells = (cell_of(row[column], decimal) if column < len(row) else NO_VALUE for row in rows)
        result[column] = np.array([cell.value for cell in cells])
    return result


def _scanned(seen: Look, digest: Future[str]) -> Table:
    dialect, stamps, source = seen.dialect, seen.stamps, seen.text.source
    plain = stamps.kind == "iso" and len(stamps.columns) == 1
    layout = Layout(
        dialect.delimiter, stamps.columns, dialect.first_byte, dialect.first_line, len(dialect.headers),
        None if plain else stamps.reader(), dialect.headings,
    )
    cut = cut_of(seen.text, layout)
    scanned = scan(source, layout, cut.end if cut is not None else None)
    decoder = CsvDecoder(
        source, len(dialect.headers), dialect.delimiter, scanned.row_numbers, dialect.decimal, seen.written
    )
    usual = dialect.description == Dialect.plain_description(dialect.encoding) and plain
    return Table(
        name=source.name,
        checksum=digest,
        headers=dialect.headers,
        time_column=stamps.columns[0],
        channels=seen.channels,
        unknown=seen.unknown,
        stamps=Times.of(scanned.stamps),
        local=scanned.local,
        row_numbers=scanned.row_numbers,
        chunks=scanned.chunks,
        decoder=converted(decoder, seen.scales),
        at_a_time=AT_A_TIME,
        size=source.size,
        grounds={guess.column: Ground(guess.confidence, guess.why) for guess in seen.guesses},
        written=dialect.description,
        clock_column=stamps.columns[1] if len(stamps.columns) > 1 else None,
        time_format="" if usual else stamps.description,
        notes=(*_skipped(source.name, scanned.skipped), *_cut(source.name, scanned, cut, dialect, seen.channels)),
        blank_early=seen.blank_early,
    )


def _cut(
    name: str, scanned: Scan, cut: Cut | None, dialect: Dialect, channels: Mapping[int, Channel]
) -> tuple[Note, ...]:
    if cut is None:
        return ()
    if cut.column is None:
        text = (
            f"{name}: line {scanned.lines + 1}, the last, has {cut.cells} of {len(dialect.headers)} cells and no line "
            "end, as where a file is cut short; it is passed over"
        )
        line = scanned.lines + 1
    else:
        text = (
            f"{name}, column {dialect.headers[cut.column]!r}: the last number of the file ({cut.text!r}) is shorter "
            "behind its first digits than all others and has no line end, as where a file is cut short; left unobserved"
        )
        line = scanned.lines
    channel = channels.get(cut.column) if cut.column is not None else None
    of = () if channel is None else (channel,)
    return (Note("not-a-number" if of else "no-rows", text, of, rows=(RowSpan(name, line, line),), serious=True),)


def _skipped(name: str, skipped: Mapping[str, tuple[int, ...]]) -> tuple[Note, ...]:
    notes = []
    for why, lines in skipped.items():
        shown = ", ".join(map(str, lines[:5])) + (f" and {len(lines) - 5} more" if len(lines) > 5 else "")
        what = f"line {shown} is" if len(lines) == 1 else f"lines {shown} are"
        spans = tuple(RowSpan(name, line, line) for line in lines[:5])
        notes.append(Note("no-rows", f"{name}: {what} no row of readings ({why}) and passed over", rows=spans))
    return tuple(notes)
