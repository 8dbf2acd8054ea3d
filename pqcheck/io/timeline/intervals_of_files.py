"""At which interval the rows of every file count: that of the file, the declared one, or that of rows they continue.

A file of one row, or of a few with holes between, may be a piece of a longer one, and may as well hold values over
another interval. Only rows that continue those of other files without a break are taken for values over their interval.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from pqcheck.io.decoder import Table
from pqcheck.io.timeline import notes as notice
from pqcheck.io.timeline.row_index import Key
from pqcheck.io.timeline.time_grid import FileGrid, Ints, RowRuns, file_grid, weak_interval
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Note


class Declared(Struct, frozen=True):
    """What the site says about the stamps."""

    zone: str | None = None
    stamp: str | None = None
    interval_us: int | None = None


NO_ROWS: Ints = np.empty(0, np.int64)


class GriddedFile(Struct, frozen=True):
    """A file with its rows as runs of equal steps."""

    table: Table
    grid: FileGrid
    stamp: str
    instants: Ints
    rows: Ints
    """Stamps and rows of a short file, whose interval may have to be taken from elsewhere."""


def finer(files: list[GriddedFile], declared: Declared) -> list[GriddedFile]:
    """Short files take the declared interval, or that of a longer file whose rows theirs continue.

    Two rows with a gap between them look like rows of twice the interval.
    """
    weak = [None if file.table.again else weak_interval(file.grid) for file in files]
    if not any(weak):
        return files
    solid = dict.fromkeys(
        (next(iter(file.grid.runs)), _keys(file.table))
        for file in files
        if len(file.grid.runs) == 1 and weak_interval(file.grid) is None and None not in file.grid.runs
    )
    result = []
    for file, interval in zip(files, weak, strict=True):
        if interval:
            own = _keys(file.table)
            # A short file of other channels may well have an interval of its own (flicker over 2 h beside 10 min).
            others = [each for each, keys in solid if keys & own] if solid else [declared.interval_us]
            fitting = [each for each in others if each and interval % each == 0]
            # Where several fit, the longest: the fewest rows would be missing.
            if fitting and (better := max(fitting)) < interval:
                finer = file_grid(file.instants, file.rows, file.stamp, better)
                if better == declared.interval_us or _joins(finer.runs[better], better, _beside(file, files, better)):
                    file = replace(file, grid=finer)
        result.append(file)
    return result


def _beside(file: GriddedFile, files: Sequence[GriddedFile], interval: int) -> list[RowRuns]:
    """The rows at one interval of the other files with channels of this one."""
    keys = _keys(file.table)
    return [
        each.grid.runs[interval] for each in files
        if each is not file and interval in each.grid.runs and _keys(each.table) & keys
    ]


def _keys(table: Table) -> frozenset[Key]:
    return frozenset(channel.key for channel in table.channels.values())


def intervals_of(
    files: Sequence[GriddedFile], declared: Declared, notes: list[Note]
) -> list[dict[int, list[int | None]]]:
    """Per file: the intervals it is placed on, each with the keys of `FileGrid.runs` that belong there."""
    known = {each for file in files for each in file.grid.runs if each is not None}
    result: list[dict[int, list[int | None]]] = []
    for file in files:
        own: dict[int, list[int | None]] = {each: [each] for each in file.grid.runs if each is not None}
        if None in file.grid.runs:
            # A file of one row shows no interval: it takes the declared one, or that of the rows it continues.
            row = file.grid.runs[None]
            fitting = [
                each for each in known
                if _joins(row, each, _beside(file, files, each), -each if file.stamp == "end" else 0)
            ]
            if declared.interval_us is not None:
                guess = declared.interval_us
            elif fitting:
                guess = max(fitting)
            elif known:
                notes.append(notice.about_lone_row(file.table, row))
                result.append(own)
                continue
            else:
                raise InputError(
                    f"{file.table.name} holds one row, which shows no interval; declare interval under [recording] "
                    'in the site file, for example interval = "10 min"'
                )
            own.setdefault(guess, []).append(None)
        result.append(own)
    return result


def _joins(own: RowRuns, interval: int, others: Iterable[RowRuns], shift_us: int = 0) -> bool:
    """Whether every run of `own`, `shift_us` later, touches or overlaps a run of the `others`, on their grid."""
    begins = own.start_us + shift_us
    ends = begins + own.count * interval
    slack = interval // 10
    joined = np.zeros(begins.size, np.bool_)
    for runs in others:
        stops = runs.start_us + runs.count * interval
        for start, stop in zip(runs.start_us.tolist(), stops.tolist(), strict=True):
            on_grid = np.abs((begins - start + interval // 2) % interval - interval // 2) <= slack
            joined |= (begins <= stop + slack) & (ends >= start - slack) & on_grid
    return bool(joined.all())
