"""How files are read, in words, and the ``[recording]`` section that fixes it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.archives import texts_of
from pqcheck.io.csv.cells import BLANKS
from pqcheck.io.csv.scanned_table import Look, look
from pqcheck.io.event_table import find_event_header
from pqcheck.io.headers.exact_names import read_as
from pqcheck.io.parquet import read_parquet_table
from pqcheck.io.read_files import read
from pqcheck.io.sidecar import NOTHING, sidecar_of, sidecar_text, with_sidecar
from pqcheck.io.source_files import is_parquet
from pqcheck.model.clock import duration_text
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Channel
from pqcheck.site.site_values import Site

EVENTS = "events"
"""What the columns of event tables are read as."""


class DescribedColumn(Struct, frozen=True):
    """One column: what it is read as (contract header, empty = left alone), how sure that is, and why.

    `other` is a second reading that the numbers do not rule out.
    """

    column: str
    channel: Channel | None
    header: str
    confidence: str
    sentence: str
    why: str
    other: str = ""


class Described(Struct, frozen=True):
    """One table of a file. `refusal` says why it cannot be judged as it stands; empty when it can."""

    name: str
    written: str
    time_columns: tuple[str, ...]
    time_format: str
    interval_us: int | None
    columns: tuple[DescribedColumn, ...]
    delimiter: str = ""
    decimal: str = ""
    header_rows: int = 0
    day_first: bool | None = None
    refusal: str = ""
    zone_missing: bool = False


def describe(paths: Sequence[str | Path], site: Site | None) -> list[Described]:
    """Every table of the files, in words. InputError for what cannot be read at all; doubts are described."""
    result: list[Described] = []
    for each in paths:
        path = Path(each)
        own = with_sidecar(site, sidecar_of(path))
        interval, refusal, long_columns, local, own_intervals = _whole(path, own)
        zoneless = local and (site is None or site.time_zone is None)
        if is_parquet(path):
            result.append(replace(_parquet(path, own, interval, refusal, own_intervals), zone_missing=zoneless))
            continue
        for text in texts_of(path):
            if find_event_header([text.decode(line) for line in text.lines()]) is not None:
                result.append(_events(text.source.name, path, own, refusal, zoneless))
                continue
            described = _text(look(text, own), own, interval, refusal, long_columns, own_intervals)
            result.append(replace(described, zone_missing=zoneless))
    return result


def _whole(
    path: Path, site: Site | None
) -> tuple[int | None, str, tuple[DescribedColumn, ...], bool, dict[object, int]]:
    """Interval, refusal, columns, whether stamps lack a zone, and intervals by channel, from reading the whole file.

    Read in UTC where no zone is declared.
    """
    known = site if site is not None else NOTHING
    try:
        recording = read([path], known if known.time_zone else replace(known, time_zone="UTC"))
    except InputError as error:
        return None, str(error), (), False, {}
    local = any("without offset" in each.read_as for file in recording.files for each in file.columns)
    columns = tuple(
        DescribedColumn(each.column, each.channel, _header(each.channel), "clear" if each.channel else "left alone",
                        each.read_as, "")
        for file in recording.files for each in file.columns if each.channel or each.read_as.startswith("left")
    )
    intervals: dict[object, int] = {channel.key: stream.axis.interval_us for stream, channel in recording.channels()}
    return recording.files[0].interval_us if recording.files else None, "", columns, local, intervals


def _events(name: str, path: Path, site: Site | None, refusal: str, zone_missing: bool) -> Described:
    """An event table; its stamps are among the columns that say so."""
    if refusal:
        return Described(name, "event table", (), "", None, (), refusal=refusal, zone_missing=zone_missing)
    known = site if site is not None else NOTHING
    recording = read([path], known if known.time_zone else replace(known, time_zone="UTC"))
    read_columns = next(file.columns for file in recording.files if file.name == name)
    times = tuple(each.column for each in read_columns if each.read_as.startswith(("start of", "time of")))
    columns = tuple(
        DescribedColumn(each.column, None, "", "left alone", "", each.read_as.removeprefix("left alone: "))
        if each.read_as.startswith("left alone")
        else DescribedColumn(each.column, None, EVENTS, "certain", each.read_as, "the header of an event table")
        for each in read_columns if each.column not in times
    )
    written = next((each.read_as for each in read_columns if each.column in times), "")
    return Described(name, f"event table, {len(recording.events)} events", times, written.split(", ", 1)[-1], None,
                     columns, zone_missing=zone_missing)  # fmt: skip


def _header(channel: Channel | None, unit: str = "") -> str:
    if channel is None:
        return ""
    name = channel.base_name + (f".{channel.reading}" if channel.reading != "mean" else "")
    return f"{name} [{unit or channel.unit}]"


def _text(
    seen: Look, site: Site | None, interval: int | None, refusal: str, long_columns: tuple[DescribedColumn, ...],
    own_intervals: Mapping[object, int],
) -> Described:
    dialect, stamps = seen.dialect, seen.stamps
    stamp = (site.recording.stamp if site is not None else None) or "start"
    columns: list[DescribedColumn] = []
    guesses = {guess.column: guess for guess in seen.guesses}
    left = dict(seen.unknown)
    for number, header in enumerate(dialect.headers):
        if number in stamps.columns or not header:
            continue
        channel, guess = seen.channels.get(number), guesses.get(number)
        if channel is None:
            columns.append(DescribedColumn(header, None, "", "left alone", "", left.get(number, "")))
            continue
        unit = {"thd-r": "% of rms"}.get(str(seen.scales.get(number)), "")
        if isinstance(seen.scales.get(number), float):
            unit = "pu" if seen.scales[number] != _hundredth(site, channel) else "% of nominal"
        mapped = site is not None and header in site.recording.columns
        columns.append(
            DescribedColumn(
                header, channel, _header(channel, unit), guess.confidence if guess else "certain",
                read_as(channel, own_intervals.get(channel.key, interval), stamp),
                guess.why if guess else ("mapped" if mapped else "contract header"),
                f"voltage.{guess.doubt} [{channel.unit}]" if guess and guess.doubt else "",
            )
        )
    if seen.shape is not None:
        columns = list(long_columns)
    return Described(
        seen.text.source.name, dialect.description, tuple(dialect.headers[column] for column in stamps.columns),
        stamps.description, interval, tuple(columns), dialect.delimiter, dialect.decimal, dialect.header_rows,
        {"dmy": True, "mdy": False}.get(stamps.kind), refusal,
    )


def _hundredth(site: Site | None, channel: Channel) -> float | None:
    nominal = site.supply.nominal(channel.phase or "") if site is not None else None
    return float(nominal) / 100 if nominal is not None else None


def _parquet(
    path: Path, site: Site | None, interval: int | None, refusal: str, own_intervals: Mapping[object, int]
) -> Described:
    table = read_parquet_table(path, site)
    stamp = (site.recording.stamp if site is not None else None) or "start"
    left = dict(table.unknown)
    columns = tuple(
        DescribedColumn(header, table.channels.get(number), _header(table.channels.get(number)),
                        "certain" if number in table.channels else "left alone",
                        read_as(table.channels[number], own_intervals.get(table.channels[number].key, interval), stamp)
                        if number in table.channels else "",
                        "contract header" if number in table.channels else left.get(number, ""))
        for number, header in enumerate(table.headers) if number != table.time_column
    )
    return Described(table.name, "Parquet", (table.headers[table.time_column],), "", interval, columns, refusal=refusal)


def recording_section(tables: Sequence[Described], site: Site | None) -> str:
    """A complete ``[recording]`` section (TOML) that fixes how the files are read, ready to edit."""
    reading = site.recording if site is not None else None
    lines = ["[recording]"]
    if reading is not None and reading.stamp:
        lines.append(f"stamp = {_quoted(reading.stamp)}")
    else:
        lines.append('stamp = "start"  # of the interval; write "end" if that is what the stamps mark')
    intervals = {table.interval_us for table in tables if table.interval_us is not None}
    if len(intervals) == 1:
        lines.append(f"interval = {_quoted(duration_text(intervals.pop()))}")
    for key in ("delimiter", "decimal", "header_rows", "day_first"):
        values = {getattr(table, key) for table in tables}
        value = next(iter(values))
        if len(values) == 1 and value not in ("", 0, None):
            lines.append(f"{key} = {json.dumps(value)}")
    times = {table.time_columns for table in tables}
    if len(times) == 1 and times != {("time",)}:
        lines.append(f"time_columns = [{', '.join(_quoted(name) for name in next(iter(times)))}]")
    lines += ["", "[recording.columns]"]
    seen: set[str] = set()
    for column in (column for table in tables for column in table.columns):
        if column.column in seen or not column.column or column.header == EVENTS:
            continue
        seen.add(column.column)
        if column.channel is None:
            lines.append(f"# {_quoted(column.column)} is left alone: {column.why or column.sentence}")
            continue
        if column.other:
            lines.append(f"# decide: {_quoted(column.column)} = {_quoted(column.header)} or {_quoted(column.other)}")
            lines.append(f"# {_quoted(column.column)} = {_quoted(column.header)}")
            continue
        lines.append(f"{_quoted(column.column)} = {_quoted(column.header)}")
    return "\n".join(lines) + "\n"


def sidecar(table: Described, site: Site | None) -> str:
    """The JSON sidecar of one table (see `sidecar.py`)."""
    stamp = (site.recording.stamp if site is not None else None) or "start"
    channels = {column.column: column.channel for column in table.columns if column.channel and not column.other}
    return sidecar_text({name: stamp for name in table.time_columns}, channels, list(BLANKS))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
