"""Faults of recorder clocks that stand in the stamps: lost seconds, and a clock that fell back to a factory date."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from pqcheck.io.decoder import Table
from pqcheck.model.clock import DAY, MINUTE, Instants, duration_text, iso, to_local
from pqcheck.model.errors import InputError
from pqcheck.model.recording import Note, RowSpan

FAR = 370 * DAY
"""A hole longer than a year parts a recording from rows whose clock was wrong."""

LONGEST = 100 * 366 * DAY
"""No recording lasts longer."""

_STRAY, _FEW_STRAYS = 180 * DAY, 3
"""No more rows than that, and further from all others than half a year, are a slip of the pen."""

_MOST_PER_MINUTE = 60


def with_seconds(stamps: Instants) -> tuple[Instants, int]:
    """Stamps whose seconds a spreadsheet dropped, spread evenly over their minute, and how many stand in a minute.

    Only where nearly every minute holds the same number of rows, two or more, that divides sixty. The first minute
    may be cut at its beginning, the last at its end. 0 when the stamps are whole.
    """
    if stamps.size < 4 or (stamps % MINUTE).any() or (np.diff(stamps) < 0).any():
        return stamps, 0
    minutes, first, counts = np.unique(stamps, return_index=True, return_counts=True)
    usual = int(np.bincount(counts).argmax())
    inner = counts[1:-1] if counts.size > 2 else counts
    if usual < 2 or _MOST_PER_MINUTE % usual or counts.max() > usual or (inner == usual).mean() < 0.9:
        return stamps, 0
    place = np.arange(stamps.size) - np.repeat(first, counts)
    if counts[0] < usual:
        place[: counts[0]] += usual - counts[0]
    return np.repeat(minutes, counts) + place * (MINUTE // usual), usual


def about_seconds(table: Table, usual: int) -> Note:
    """The sentence for stamps that were spread."""
    return Note(
        "seconds-lost",
        f"{table.name}: the stamps lack their seconds ({usual} rows share each minute); the rows were spread evenly "
        f"over the minute, {60 // usual} s apart",
    )


def check_declared_interval(names: Iterable[str], kept_us: Iterable[int | None], declared_us: int | None) -> None:
    """InputError where all rows are further apart than the declared interval: what lay between them was not recorded.

    kept_us: the intervals the rows keep [us]; None for a single row, which shows none.
    """
    kept = set(kept_us)
    if declared_us is None or not kept or any(each is None or each <= declared_us for each in kept):
        return
    apart = " and ".join(duration_text(each) for each in sorted(each for each in kept if each is not None))
    raise InputError(
        f"{', '.join(dict.fromkeys(names))}: the rows are {apart} apart, and the site file declares readings over "
        f"{duration_text(declared_us)} ([recording] interval), which would leave the time between the rows unrecorded; "
        "correct the declared interval, or leave it out if each reading covers the whole time from row to row"
    )


def check_years(table: Table, instants: Instants, rows: NDArray[np.intp], margin: int) -> None:
    """InputError for a stamp in a year that no calendar has: damage, or another unit than the file says."""
    first, last = 1 + margin, 9999 - margin
    low, high = (int(np.datetime64(f"{year:04}-01-01", "us").astype(np.int64)) for year in (first, last + 1))
    outside = (instants < low) | (instants >= high)
    if outside.any():
        row = int(table.row_numbers.of(rows[[int(np.argmax(outside))]])[0])
        raise InputError(
            f"{table.name}, row {row}: the stamp lies outside the years {first} to {last}; check the time column and "
            "its unit, or copy the file again"
        )


def check_length(table: Table, instants: Instants, rows: NDArray[np.intp]) -> None:
    """InputError for stamps that lie further apart than anybody records: damage that is no reset clock."""
    if instants.size and int(instants.max()) - int(instants.min()) > LONGEST:
        far = np.abs(instants - np.partition(instants, instants.size // 2)[instants.size // 2])
        row = int(table.row_numbers.of(rows[[int(np.argmax(far))]])[0])
        raise InputError(
            f"{table.name}, row {row}: the stamp lies {int(far.max()) // (365 * DAY)} years from the others; remove "
            "the row, or copy the file again"
        )


def check_strays(table: Table, instants: Instants, rows: NDArray[np.intp]) -> None:
    """InputError for a few stamps far from all others, as where a year is mistyped: it would make a gap of years."""
    if instants.size < 4:
        return
    order = np.argsort(instants, kind="stable")
    steps = np.diff(instants[order])
    cuts = np.flatnonzero(steps > max(_STRAY, 100 * int(np.median(steps)))) + 1
    for group in np.split(order, cuts) if cuts.size else ():
        if group.size <= _FEW_STRAYS and 10 * group.size <= instants.size:
            row = rows[group[0]]
            number = int(table.row_numbers.of(np.array([row]))[0])
            others = np.delete(instants, group)
            written = iso(int(table.stamps.all()[row]), "UTC")[:19]
            days = int(np.abs(others - instants[group[0]]).min()) // DAY
            raise InputError(
                f"{table.name}, row {number}: the stamp {written} lies {days} days from those of "
                "all other rows; correct its year, or remove the row"
            )


def reset_rows(instants: Instants) -> NDArray[np.bool_]:
    """Rows more than a year from the bulk of the recording that begin on a first of January, as reset clocks do."""
    wrong = np.zeros(instants.size, np.bool_)
    if instants.size < 2 or int(instants.max()) - int(instants.min()) <= FAR:
        return wrong
    order = np.argsort(instants, kind="stable")
    cuts = np.flatnonzero(np.diff(instants[order]) > FAR) + 1
    groups = np.split(order, cuts)
    bulk = max(groups, key=len)
    for group in groups:
        begin = to_local(int(instants[group[0]]), "UTC")
        new_year = begin.timetuple().tm_yday in (1, 365, 366)
        if group is not bulk and new_year:
            wrong[group] = True
    return wrong


def about_reset(table: Table, rows: NDArray[np.intp]) -> Note:
    """The sentence for rows that were left out of the time line."""
    numbers = table.row_numbers.of(rows)
    count = "1 row" if rows.size == 1 else f"{rows.size} rows"
    return Note(
        "clock-reset",
        f"{table.name}: {count} from row {int(numbers[0])} on carry a date more than a year from the rest, as after a "
        "loss of power of the clock; they cannot be placed in time and are left out",
        tuple(table.channels.values()),
        rows=(RowSpan(table.name, int(numbers[0]), int(numbers[-1])),),
        serious=True,
    )
