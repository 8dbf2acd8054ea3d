"""Recordings and sites for tests, built in memory and without any reader; and what a reader makes of files."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pqcheck.io import read
from pqcheck.judge.judge_recording import judge
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.limit_tables import LimitTable, load_table
from pqcheck.model.findings import Finding
from pqcheck.model.recording import (
    DAY,
    Axis,
    Block,
    Channel,
    ColumnReading,
    Note,
    Recording,
    RowSpan,
    SourceFile,
    Stream,
)
from pqcheck.site.load_site import site_from
from pqcheck.site.site_values import Site

WEEK = 1008
_READINGS = {"min", "max", "mean"}


def channel(header: str) -> Channel:
    """A header of the plain table as a channel (a second, simpler reading of it than the reader's own)."""
    name, _, unit = header.partition(" [")
    parts = name.split(".")
    quantity, rest = parts[0], parts[1:]
    phase = order = hertz = None
    reading = "mean"
    for part in rest:
        if re.fullmatch(r"h\d+", part):
            order = int(part[1:])
        elif re.fullmatch(r"f\d+", part):
            hertz = part[1:]
        elif part in _READINGS:
            reading = part
        else:
            phase = part
    return Channel(quantity, phase, order, hertz, reading, unit.rstrip("]"))


@dataclass(frozen=True)
class _Rows:
    start_us: int
    interval_us: int

    def rows(self, channel: Channel, start_us: int, end_us: int) -> tuple[RowSpan, ...]:
        first = (start_us - self.start_us) // self.interval_us + 2
        return (RowSpan("test.csv", first, first + (end_us - start_us) // self.interval_us - 1),)


def us(stamp: str) -> int:
    """An ISO stamp with offset in UTC microseconds."""
    return round(datetime.fromisoformat(stamp).timestamp()) * 1_000_000


def recording(
    *tables: Mapping[str, Any],
    start: str = "2031-03-03T00:00:00+00:00",
    interval_s: float | Sequence[float] = 600,
    zone: str = "UTC",
    days_per_block: int = 1,
) -> Recording:
    """One stream per table of columns."""
    steps = [interval_s] * len(tables) if isinstance(interval_s, (int, float)) else list(interval_s)
    streams, files = [], []
    for number, (table, step) in enumerate(zip(tables, steps, strict=True)):
        data = {channel(name): np.ascontiguousarray(values) for name, values in table.items()}
        data = {one: values if values.dtype == np.float32 else values.astype(float) for one, values in data.items()}
        interval = round(step * 1_000_000)
        axis = Axis(us(start), interval, len(next(iter(data.values()))))
        streams.append(Stream(axis, tuple(data), _blocks(axis, data, days_per_block), _Rows(axis.start_us, interval)))
        columns = tuple(ColumnReading(one.name, one, one.name) for one in data)
        files.append(
            SourceFile(f"test{number}.csv", "0" * 64, axis.count, interval, axis.start_us, axis.end_us, columns)
        )
    return Recording(tuple(files), tuple(streams), (), zone)


def _blocks(axis: Axis, data: Mapping[Channel, NDArray[Any]], days: int) -> Any:
    size = max(1, days * DAY // axis.interval_us)

    def blocks(wanted: Sequence[Channel] | None = None) -> Iterator[Block]:
        for first in range(0, axis.count, size):
            count = min(size, axis.count - first)
            part = Axis(axis.start_us + first * axis.interval_us, axis.interval_us, count)
            chosen = {
                one: values[first : first + count] for one, values in data.items() if wanted is None or one in wanted
            }
            yield Block(part, chosen)

    return blocks


def site(**sections: Any) -> Site:
    """A site; `supply` and others are merged into a plain 400 V wye service."""
    supply = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz", "measured_at": "service"}
    supply |= sections.pop("supply", {})
    return site_from({"name": "Test bench", "time_zone": "UTC", "supply": supply, **sections}, "test site")


def judged(made: Recording, place: Site, *tables: str | LimitTable, quantities: Sequence[str] = ()) -> list[Finding]:
    """Limit findings of the rules alone, without any check of the recording's soundness."""
    loaded = [one if isinstance(one, LimitTable) else load_table(one) for one in tables]
    tasks, settled = resolve(loaded, made, place, quantities)
    return list(judge(tasks, settled, made, place).findings)


def one(findings: Sequence[Finding], rule: str, **fields: Any) -> Finding:
    """The only finding of a rule with these fields."""
    found = [f for f in findings if f.rule == rule and all(getattr(f, name) == value for name, value in fields.items())]
    assert len(found) == 1, [f.id for f in found] or [f.id for f in findings]
    return found[0]


def same_without(paths: Sequence[Path], without: tuple[str, Any], patch: pytest.MonkeyPatch) -> None:
    """The blocks and notes of files are the same when `without` puts a part of the reader out of use."""

    def blocks() -> tuple[list[bytes], tuple[Note, ...]]:
        recording = read(paths)
        found = []
        for block in recording.streams[0].blocks(None):
            found += [np.nan_to_num(row, nan=-1.0).tobytes() for row in block.values.values()]
        return found, recording.all_notes()

    ours = blocks()
    patch.setattr(*without)
    assert ours == blocks()
