"""Channels that are filled on every k-th row only: slower readings that a recorder wrote between its faster ones.

A Plt of two hours beside ten-minute voltages is no recording with gaps. Such a channel gets a time line of its own.
Only quantities whose interval is fixed by definition are read so: a voltage on every tenth one-minute row may be a
one-minute reading with nine missing ones, and an empty cell is an unobserved interval.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.io.decoder import Table, values_of
from pqcheck.io.timeline.time_grid import LONG_RUN, Ints
from pqcheck.model.clock import HOUR, MINUTE, SECOND, duration_text
from pqcheck.model.recording import Channel, Note

_OWN = {"flicker_plt": 2 * HOUR, "flicker_pst": 10 * MINUTE, "frequency": 10 * SECOND}
"""Intervals that a quantity has by definition (IEC 61000-4-15: Pst 10 min, Plt 2 h; IEC 61000-4-30: frequency 10 s)."""

_REGULAR = 0.75
"""Share of the steps that must be the interval itself; the others are whole multiples, where readings are missing."""

FIRST_ROWS = 2
"""A channel filled on every second row or fewer is blank in one of so many rows."""


class Slow(Struct, frozen=True):
    """Channels that share their filled rows: data rows, starts of their intervals (UTC), interval, and the note."""

    columns: tuple[int, ...]
    rows: Ints
    starts_us: Ints
    interval_us: int
    note: Note


def slow_channels(table: Table, instants: Ints, rows: Ints, base_us: int, stamp: str) -> list[Slow]:
    """The slow channels of a table whose rows lie `base_us` apart.

    `instants` are the UTC stamps of the data rows `rows`, `stamp` what they mark.
    """
    order = np.argsort(instants, kind="stable")
    instants, rows = instants[order], rows[order]
    groups: dict[tuple[bytes, int], list[int]] = {}
    for column, filled in _filled(table, _candidates(table)).items():
        own = _OWN[table.channels[column].quantity]
        groups.setdefault((filled.tobytes(), own), []).append(column)
    slow_groups = []
    for (mask, own), columns in groups.items():
        chosen = np.flatnonzero(np.frombuffer(mask, np.bool_)[rows])
        slow = _regular(table, tuple(columns), instants[chosen], rows[chosen], base_us, own, stamp)
        if slow is not None:
            slow_groups.append(slow)
    return slow_groups


def _candidates(table: Table) -> list[int]:
    """Columns that are blank in one of the first rows and filled in some other."""
    columns = [column for column, channel in table.channels.items() if channel.quantity in _OWN]
    if table.blank_early is not None:
        return [column for column in columns if column in table.blank_early]
    if not table.chunks or not columns:
        return []
    # Some formats decode a whole column to reach its first rows: one column speaks for those of its quantity.
    samples: dict[str, int] = {}
    for column in columns:
        samples.setdefault(table.channels[column].quantity, column)
    arrays, _ = values_of(table.decoder, table.chunks[0], list(samples.values()))
    early = {quantity for quantity, values in zip(samples, arrays, strict=True) if np.isnan(values[:FIRST_ROWS]).any()}
    return [column for column in columns if table.channels[column].quantity in early]


def _filled(table: Table, columns: Sequence[int]) -> dict[int, NDArray[np.bool_]]:
    """Which data rows hold a reading, per column that may be slow; one byte per row and column."""
    masks = {column: np.zeros(table.stamps.size, np.bool_) for column in columns}
    for chunk in table.chunks:
        if not masks:
            break
        asked = list(masks)
        for column, values in zip(asked, values_of(table.decoder, chunk, asked)[0], strict=True):
            here = ~np.isnan(values)
            if 2 * int(here.sum()) > chunk.rows + 1:
                del masks[column]
                continue
            masks[column][chunk.first_row : chunk.first_row + chunk.rows] = here
    return {column: mask for column, mask in masks.items() if mask.any()}


def _regular(
    table: Table, columns: tuple[int, ...], times: Ints, rows: Ints, base_us: int, own: int, stamp: str
) -> Slow | None:
    steps = np.diff(times)
    if steps.size < LONG_RUN or steps.min() <= 0:
        return None
    values, counts = np.unique(steps, return_counts=True)
    interval = int(values[np.argmax(counts)])
    if interval >= 2 * base_us and interval == own:
        if (steps % interval).any() or counts.max() < _REGULAR * steps.size:
            return None
        starts, how = _starts(table.stamps.all()[rows], times, interval, base_us, stamp)
    elif own > base_us and own % base_us:
        # Ten seconds are no whole number of 3-second rows: each reading stands in the first row after it is complete.
        slots = times // own
        if (times % own >= base_us).any() or (np.diff(slots) <= 0).any():
            return None
        if int((np.diff(slots) == 1).sum()) < _REGULAR * steps.size:
            return None
        interval, starts = own, slots * own - (own if stamp == "end" else 0)
        how = "each in the first row at or behind a whole interval"
    else:
        return None
    channels = tuple(table.channels[column] for column in columns)
    return Slow(columns, rows, starts, interval, _note(table, channels, rows, interval, base_us, how))


def _starts(written: Ints, times: Ints, interval: int, base_us: int, stamp: str) -> tuple[Ints, str]:
    """Starts of the intervals: the filled row is the first or the last of its interval, as the clock shows."""
    row_starts = times - base_us if stamp == "end" else times
    clock = (written - base_us if stamp == "end" else written) % interval
    if (clock == (interval - base_us) % interval).all():
        return row_starts + base_us - interval, "each in the last row of its interval"
    if (clock == 0).all():
        return row_starts, "each in the first row of its interval"
    if stamp == "end":
        return times - interval, "each up to the end of its row, off the full hour"
    return row_starts, "each from the start of its row on, off the full hour"


def _note(
    table: Table, channels: tuple[Channel, ...], rows: Ints, interval: int, base_us: int, how: str
) -> Note:
    more = f" and {len(channels) - 1} more" if len(channels) > 1 else ""
    first = int(table.row_numbers.of(np.array([rows.min()]))[0])
    return Note(
        "slow-channel",
        f"{table.name}: {channels[0].name}{more} is filled every {duration_text(interval)} only, in {rows.size} of "
        f"{table.stamps.size} rows of {duration_text(base_us)} (first row {first}); read as values over "
        f"{duration_text(interval)}, {how}, and not as gaps",
        channels,
    )
