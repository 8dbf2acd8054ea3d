"""Events of the list at whose time the trend shows normal voltage: clocks apart, or a list of another place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pqcheck.judge.phases_asked import line_sets
from pqcheck.model.recording import Block, Event
from pqcheck.model.units import factor
from pqcheck.site.site_values import Site

NORMAL = 0.91, 1.09
"""Share of nominal within which no recorder writes an event: 90 and 110 % (IEC 61000-4-30 5.4.2 and 5.4.3, usual
thresholds), and a hundredth for a hysteresis and for another reference than the nominal."""
_WHOLE_WINDOWS = 2
"""An event as long as so many windows of the trend holds one of them whole, wherever they begin."""


class UnseenEvents:
    """Looks block by block at the voltages during the events that are long enough to show in them."""

    def __init__(self, site: Site, events: Sequence[Event]) -> None:
        self._supply = site.supply
        self._extremes_us = site.recording.extremes_of_us
        self._events = [event for event in events if event.certain and event.kind in ("dip", "swell", "interruption")]
        self._start = np.array([event.time_us for event in self._events], np.int64)
        self._end = np.array([event.end_us for event in self._events], np.int64)
        self._left: dict[tuple[str, str, int], NDArray[np.int64]] = {}
        """By phase, reading and interval: slots during each event that were not seen to show normal voltage."""
        self._unseen: set[tuple[int, str, str]] | None = None

    def feed(self, block: Block) -> None:
        """Take the next block of a stream."""
        if not self._events:
            return
        axis = block.axis
        for channel, values in block.values.items():
            nominal = self._supply.nominal(channel.phase or "") if channel.quantity == "voltage" else None
            if nominal is None:
                continue
            low, high = (share * float(nominal / factor(channel.unit, "V")) for share in NORMAL)
            normal = ~np.isnan(values)
            # A minimum within bounds says that nothing lay below, and nothing of what lay above; a maximum likewise.
            normal &= True if channel.reading == "max" else values >= low
            normal &= True if channel.reading == "min" else values <= high
            for marks in (block.lower_bounds.get(channel), block.upper_bounds.get(channel)):
                normal = normal if marks is None else normal & ~marks
            first, last = self._slots(channel.reading, axis.start_us, axis.interval_us)
            before = np.concatenate([[0], np.cumsum(normal)])
            left = self._left.setdefault((channel.phase or "", channel.reading, axis.interval_us), last - first)
            left -= before[np.clip(last, 0, axis.count)] - before[np.clip(first, 0, axis.count)]

    def _slots(self, reading: str, origin_us: int, interval_us: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """First slot of each event and the one behind its last, from `origin_us` on: of means those wholly inside."""
        start, end = self._start - origin_us, self._end - origin_us
        if reading == "mean":
            return -(-start // interval_us), end // interval_us
        return start // interval_us, -(-end // interval_us)

    def among(self, events: Sequence[Event]) -> list[Event]:
        """Those of the events (of several phases: all of their parts) that the trend of their time does not show."""
        if self._unseen is None:
            self._unseen = self._of_list()
        unseen = self._unseen
        return [event for event in events if all(_key(part) in unseen for part in event.parts or (event,))] if unseen \
            else []

    def _of_list(self) -> set[tuple[int, str, str]]:
        lengths = self._end - self._start
        normal = {}
        for (phase, reading, interval_us), left in self._left.items():
            window_us = interval_us if reading == "mean" else self._extremes_us or interval_us
            normal[phase, reading, interval_us] = (left == 0) & (lengths >= _WHOLE_WINDOWS * window_us)
        sets = [phases for phases in line_sets(self._supply) if phases]
        unseen = set()
        for number in np.flatnonzero(np.any(list(normal.values()), axis=0)).tolist() if normal else ():
            event = self._events[number]
            wrong = "min" if event.kind == "swell" else "max"
            phases = {phase for (phase, reading, _), shown in normal.items() if reading != wrong and shown[number]}
            if event.phase in phases or (not event.phase and any(phases.issuperset(own) for own in sets)):
                unseen.add(_key(event))
        return unseen


def _key(event: Event) -> tuple[int, str, str]:
    return event.time_us, event.phase, event.kind
