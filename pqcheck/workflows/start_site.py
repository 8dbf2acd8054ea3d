"""What a recording shows of its site, before anyone has declared it: the material of a starter site file.

Nothing is decided here. Options for the supply are offered only where vetting, with the nearest of them declared, has
nothing against the voltages; otherwise the doubts are the reason why none is offered.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.headers.read_headers import TAKEN_AS_TO_NEUTRAL
from pqcheck.io.read_files import read
from pqcheck.io.sidecar import NOTHING
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.by_country import tables_that_fit
from pqcheck.limit_tables.nominals import nominal_row
from pqcheck.model.findings import Finding
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Channel, Recording, SourceFile, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import site_from
from pqcheck.vet import vet
from pqcheck.vet.supply_options import SupplyOption, SupplyOptions, supply_options

_READINGS_LOOKED_AT = 50_000
"""Of each voltage, evenly spread over the recording."""
_FREQUENCIES = (50, 60)
_NEAR_HZ = 2.0
_OF_THE_DECLARATION = ("nominal-doubtful", "connection-doubtful")


class OpenColumn(Struct, frozen=True):
    """A column that was left alone, or read on an assumption, and why."""

    column: str
    why: str


class StartOfSite(Struct, frozen=True):
    """What a recording shows, and what only a person can say.

    `options` holds supplies that it would fit; `doubts` say why none is offered. `zone_missing`: the stamps carry no
    offset from UTC, and `first_stamp` is one of them. `tables` are ids of limit tables that fit `country`.
    """

    files: tuple[SourceFile, ...]
    middles: dict[str, float]
    options: tuple[SupplyOption, ...]
    doubts: tuple[str, ...]
    signs: tuple[Finding, ...]
    zone_missing: bool
    first_stamp: str
    frequency: float | None
    quantities: frozenset[str]
    extremes: bool
    left_alone: tuple[OpenColumn, ...]
    assumed: tuple[OpenColumn, ...]
    country: str
    tables: tuple[str, ...]

    @property
    def nominal_frequency(self) -> int | None:
        """50 or 60 Hz where the middle frequency is near one of them."""
        near = (hertz for hertz in _FREQUENCIES if self.frequency and abs(self.frequency - hertz) < _NEAR_HZ)
        return next(near, None)


def start_site(paths: Sequence[str | Path], country: str = "") -> StartOfSite:
    """Look at the files of one site of which nothing is declared.

    `country` (two letters) chooses the limit tables that are offered and puts nominals that they list first. Raises
    `PqcheckError` when a file cannot be read, or `country` is no such code.
    """
    if country:
        tables_that_fit(country)
    recording = read(paths, replace(NOTHING, time_zone="UTC"))
    columns = {column.column: column.read_as for file in recording.files for column in file.columns}
    middles = _middle_voltages(recording)
    named = not any(TAKEN_AS_TO_NEUTRAL in read_as for read_as in columns.values())
    found = supply_options(middles, names_say_which=named)
    left, doubts, signs = _vetted(recording, found)
    options = _listed_first(left, country)
    channels = [channel for _, channel in recording.channels()]
    return StartOfSite(
        files=recording.files,
        middles=middles,
        options=options,
        doubts=doubts,
        signs=signs,
        zone_missing=any("without offset" in read_as for read_as in columns.values()),
        first_stamp=str(np.datetime64(recording.files[0].start_us, "us"))[:19],
        frequency=_middle(recording, Channel("frequency")),
        quantities=frozenset(channel.quantity for channel in channels),
        extremes=any(channel.reading != "mean" for channel in channels),
        left_alone=_saying(columns, "left alone: "),
        assumed=_saying(columns, "(likely: "),
        country=country.upper(),
        tables=tables_that_fit(country, _level(options)) if country else (),
    )


def _saying(columns: Mapping[str, str], words: str) -> tuple[OpenColumn, ...]:
    """The columns whose reading holds these words, with what follows them."""
    return tuple(
        OpenColumn(column, read_as.partition(words)[2].removesuffix(")")) for column, read_as in columns.items()
        if column and words in read_as
    )


def _middle_voltages(recording: Recording) -> dict[str, float]:
    middles = {phase: _middle(recording, Channel("voltage", phase)) for phase in (*LINE_TO_NEUTRAL, *LINE_TO_LINE)}
    return {phase: volts for phase, volts in middles.items() if volts is not None}


def _middle(recording: Recording, wanted: Channel) -> float | None:
    """Median of a channel in its canonical unit, from the stream with most intervals; None without a value."""
    carriers = [(stream, channel) for stream, channel in recording.channels() if channel.key == wanted.key]
    if not carriers:
        return None
    stream, channel = max(carriers, key=lambda carrier: carrier[0].axis.count)
    values = np.concatenate(list(_spread(stream, channel)))
    values = values[np.isfinite(values)]
    return float(np.median(values)) * _SIZES.get(channel.unit, 1.0) if values.size else None


_SIZES = {"kV": 1000.0, "mHz": 0.001}


def _spread(stream: Stream, channel: Channel) -> Iterable[np.ndarray[tuple[int], np.dtype[np.float64]]]:
    step = max(1, stream.axis.count // _READINGS_LOOKED_AT)
    for block in stream.blocks([channel]):
        yield np.array(block.values[channel][::step], np.float64)


def _vetted(
    recording: Recording, found: SupplyOptions
) -> tuple[tuple[SupplyOption, ...], tuple[str, ...], tuple[Finding, ...]]:
    """The options left once the recording was vetted with the nearest of each connection; else why none is, and danger
    signs.

    A doubt about the voltages under any of them leaves none: another declaration would only hide it. What contradicts
    the connection itself takes that connection away.
    """
    if not found.options:
        return (), (found.why_none,), ()
    signs: list[Finding] = []
    doubts: list[str] = []
    contradicted: dict[str, str] = {}
    for connection in dict.fromkeys(option.connection for option in found.options if option.as_read):
        fitting = [option for option in found.options if option.as_read and option.connection == connection]
        nearest = min(fitting, key=lambda option: option.away)
        vetted = vet(recording, site_from({"time_zone": "UTC", "supply": nearest.section}, "starter"))
        signs += [finding for finding in vetted.findings if finding.kind == "safety"]
        for doubt in vetted.trust:
            if doubt.code in _OF_THE_DECLARATION:
                contradicted[connection] = doubt.text
            elif "voltage" in doubt.quantities:
                doubts.append(doubt.text)
        doubts += [
            finding.reason.text for finding in vetted.findings
            if finding.verdict is Verdict.REFUSED and finding.quantity == "voltage" and finding.reason is not None
            and finding.reason.code not in _OF_THE_DECLARATION
        ]
    doubts[:0] = [f"{sign.title}: {sign.reason.text}" for sign in signs if sign.reason is not None]
    options = tuple(option for option in found.options if option.connection not in contradicted)
    if not options:
        doubts += contradicted.values()
    if doubts:
        once = {(sign.rule, sign.channel): sign for sign in signs}
        return (), tuple(dict.fromkeys(doubts)), tuple(once.values())
    return options, (), ()


def _listed_first(options: Sequence[SupplyOption], country: str) -> tuple[SupplyOption, ...]:
    """Within each connection the nominals first that a table of the country lists; the order stays otherwise."""
    tables = [table for table in map(load_table, tables_that_fit(country)) if table.nominals] if country else []

    def unlisted(option: SupplyOption) -> bool:
        supply = site_from({"supply": option.section}, "starter").supply
        return bool(tables) and all(nominal_row(table, supply) is None for table in tables)

    order = list(dict.fromkeys(option.group for option in options))
    return tuple(sorted(options, key=lambda option: (order.index(option.group), unlisted(option), option.away)))


def _level(options: Sequence[SupplyOption]) -> str:
    """lv, mv or hv where all options agree, else nothing."""
    supplies = [site_from({"supply": option.section}, "starter").supply for option in options]
    volts = [float(supply.line_to_line or supply.line_to_neutral or 0) for supply in supplies]
    levels = {"lv" if each <= 1000 else "mv" if each <= 36_000 else "hv" for each in volts}
    return levels.pop() if len(levels) == 1 else ""
