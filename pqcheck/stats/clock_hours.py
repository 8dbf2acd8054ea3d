"""At which clock times of the day something happens: the hours that hold nearly all of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Microseconds = NDArray[np.int64]

_MINUTE = 60_000_000
_OF_A_DAY = 1440
NEARLY_ALL = 0.9
"""Share of the time that usual hours must hold to be told as the hours of it."""
MOST_HOURS = 20
"""Longer hours than these are no hours of the day any more."""


def usual_hours(starts: Microseconds, ends: Microseconds) -> tuple[int, int] | None:
    """The part of the day in which spans usually lie.

    Parameters
    ----------
    starts, ends : arrays of int64, shape (n,)
        Half-open spans on the local clock, microseconds since a midnight [us].

    Returns
    -------
    (first, end) : minutes after midnight, end possibly below first where the hours cross midnight [min]; None without
        spans, or where the hours are longer than `MOST_HOURS`.

    Notes
    -----
    The shortest stretch of the day that holds every minute which is covered at least half as often as the most
    covered one: a minute seen on one day of eight does not widen it, and none is cut off that is always there.
    """
    if not len(starts):
        return None
    often = covered_minutes(starts, ends)
    busy = np.flatnonzero(2 * often >= often.max())
    # The longest pause between busy minutes, around the clock, is what the hours leave out.
    pauses = np.diff(np.append(busy, busy[0] + _OF_A_DAY))
    widest = int(np.argmax(pauses))
    first = int(busy[(widest + 1) % busy.size])
    length = _OF_A_DAY - int(pauses[widest]) + 1
    if length > MOST_HOURS * 60:
        return None
    return first, (first + length) % _OF_A_DAY


def covered_minutes(starts: Microseconds, ends: Microseconds) -> NDArray[np.int64]:
    """How often each minute of the day lies within the spans; a minute that is touched counts, shape (1440,) [1]."""
    first, last = starts // _MINUTE, -(-ends // _MINUTE)
    whole, rest = np.divmod(last - first, _OF_A_DAY)
    steps = np.zeros(2 * _OF_A_DAY + 1, np.int64)
    np.add.at(steps, first % _OF_A_DAY, 1)
    np.add.at(steps, first % _OF_A_DAY + rest, -1)
    covered = np.cumsum(steps)[:-1]
    return np.asarray(covered[:_OF_A_DAY] + covered[_OF_A_DAY:] + int(whole.sum()))


def share_within(starts: Microseconds, ends: Microseconds, hours: tuple[int, int]) -> float:
    """Share of the covered minutes of spans that lies within hours of the day, 1 without spans [1]."""
    often = covered_minutes(starts, ends)
    first, end = hours
    inside = np.arange(_OF_A_DAY)
    held = (inside >= first) & (inside < end) if first < end else (inside >= first) | (inside < end)
    total = int(often.sum())
    return float(often[held].sum()) / total if total else 1.0


def hours_text(hours: tuple[int, int]) -> str:
    """``between 17:30 and 22:30``; a day that ends at midnight ends at 24:00."""
    first, end = hours
    end = end or _OF_A_DAY
    return f"between {first // 60:02}:{first % 60:02} and {end // 60:02}:{end % 60:02}"
