"""Over which time events were recorded, and what the trend shows that no event of the list stands beside."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from math import inf
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.judge.choose_sources import joined
from pqcheck.judge.events_unseen import UnseenEvents
from pqcheck.judge.interruptions import Span, add_spans
from pqcheck.model.recording import Block, Event, Recording
from pqcheck.model.units import factor
from pqcheck.site.site_values import Site

DIP_BELOW, SWELL_ABOVE = 0.89, 1.11
"""Share of nominal beyond which a recorder has written an event: 90 and 110 % (IEC 61000-4-30 5.4.2 and 5.4.3, usual
thresholds), and a hundredth for a hysteresis and for another reference than the nominal."""

_AS_LISTED_US = 100_000
"""Minima and maxima of windows up to this long are held against residuals as they are listed: these come from windows
of one cycle (IEC 61000-4-30 5.4.1), and a duration from the same windows."""

_ALIKE, _SQUARES_ALIKE = 0.02, 0.05
"""Share of nominal, and of its square, by which trend and list may differ: accuracy, clocks, where a window was cut."""


class TrendExcursions:
    """Intervals in which the trend shows a voltage so low or so high that a recorder of events has one to tell, and
    events of which it shows nothing."""

    def __init__(self, site: Site, events: Sequence[Event] = ()) -> None:
        self._nominal = site.supply.nominal
        window_us = site.recording.extremes_of_us or 0
        self._window_us = window_us if window_us > _AS_LISTED_US else 0
        self.unseen = UnseenEvents(site, events)
        self._low: list[_Excursions] = []
        self._high: list[_Excursions] = []
        self._seen: list[Span] = []
        """Spans in which some voltage was observed."""

    def feed(self, block: Block) -> None:
        """Take the next block of a stream."""
        self.unseen.feed(block)
        volts = [values for channel, values in block.values.items() if channel.quantity == "voltage"]
        if volts:
            add_spans(self._seen, np.any([~np.isnan(values) for values in volts], axis=0), block)
        for channel, values in block.values.items():
            nominal = self._nominal(channel.phase or "") if channel.quantity == "voltage" else None
            if nominal is None:
                continue
            shares = values / float(nominal / factor(channel.unit, "V"))
            # A bound to the wrong side proves neither.
            for kept, extreme, beyond, bounds in (
                (self._low, "min", shares < DIP_BELOW, block.lower_bounds.get(channel)),
                (self._high, "max", shares > SWELL_ABOVE, block.upper_bounds.get(channel)),
            ):
                slots = np.flatnonzero(beyond if bounds is None else beyond & ~bounds)
                if slots.size and channel.reading in ("mean", extreme):
                    starts = block.axis.start_us + slots * block.axis.interval_us
                    kept.append(_Excursions(
                        starts, starts + block.axis.interval_us, shares[slots], channel.phase or "",
                        block.axis.interval_us if channel.reading == "mean" else self._window_us,
                    ))  # fmt: skip

    def unlisted(self, events: Sequence[Event]) -> tuple[list[Span], list[Span]]:
        """Low spans that no dips and interruptions of the list explain, and high ones that no swells do."""
        dips = _Listed([event for event in events if event.certain and event.kind in ("dip", "interruption")])
        swells = _Listed([event for event in events if event.certain and event.kind == "swell"])
        return joined(dips.unexplained(self._low)), joined(swells.unexplained(self._high))


    def holes(self, events: Sequence[Event], span: Span) -> list[Span]:
        """Spans inside `span`, between voltages of the trend, without any voltage and without a listed interruption."""
        seen = joined([*self._seen, *(
            (event.time_us, event.end_us) for event in events if event.certain and event.kind == "interruption"
        )])  # fmt: skip
        between = ((one[1], other[0]) for one, other in pairwise(seen))
        return [hole for hole in between if hole[0] < span[1] and hole[1] > span[0]] if self._seen else []


class _Excursions(NamedTuple):
    """Intervals of a voltage beyond the threshold: means, else minima or maxima, as shares of nominal."""

    start_us: NDArray[np.int64]
    end_us: NDArray[np.int64]
    share: NDArray[Any]
    phase: str
    window_us: int
    """Over which each value is the root mean square; 0 where it is as short as those that residuals are read from."""


class _Listed:
    """Dips and interruptions, or swells, of a list in order of time."""

    def __init__(self, events: Sequence[Event]) -> None:
        self._events = sorted(events, key=lambda event: event.time_us)
        self._starts = np.array([event.time_us for event in self._events], np.int64)
        ends = np.array([event.end_us for event in self._events], np.int64)
        self._ends = np.maximum.accumulate(ends) if ends.size else ends

    def unexplained(self, excursions: Iterable[_Excursions]) -> Iterator[Span]:
        """The intervals whose voltage no event explains."""
        for each in excursions:
            # From the first event that is not over before an interval to the last that began before its end.
            first = np.searchsorted(self._ends, each.start_us, side="right").tolist()
            last = np.searchsorted(self._starts, each.end_us).tolist()
            for start, end, share, low, high in zip(
                each.start_us.tolist(), each.end_us.tolist(), each.share.tolist(), first, last, strict=True
            ):
                if low >= high or not self._explain(self._events[low:high], start, end, share, each):
                    yield start, end

    @staticmethod
    def _explain(events: Sequence[Event], start: int, end: int, share: float, of: _Excursions) -> bool:
        """Whether events on the phase of an interval, as long and as deep as they are listed, explain its voltage."""
        # An event between lines shows on both of their phases, and the other way round.
        near = [event for event in events if event.end_us > start
                and (not event.phase or set(event.phase) & set(of.phase) - {"n"})]  # fmt: skip
        if not near:
            return False
        low = share < 1
        residuals = [float(event.residual_percent) / 100 if event.residual_percent is not None else 0.0 if low else inf
                     for event in near]  # fmt: skip
        deepest = min(residuals) if low else max(residuals)
        if not of.window_us:
            return deepest <= share + _ALIKE if low else deepest >= share - _ALIKE
        # The window of an extreme may lie across the border of its interval.
        across = 0 if of.window_us == end - start else of.window_us
        spans = joined((max(event.time_us, start - across), min(event.end_us, end + across)) for event in near)
        covered = min(sum(last - first for first, last in spans) / of.window_us, 1.0)
        # The mean of squares, with the rest of the window just short of being an event itself.
        bound = (1 - covered) * (0.9 if low else 1.1) ** 2 + covered * deepest**2
        return bound <= share**2 + _SQUARES_ALIKE if low else bound >= share**2 - _SQUARES_ALIKE


def monitored(recording: Recording, site: Site) -> tuple[int, int] | None:
    """The declared time over which every event was listed, half-open UTC microseconds; None where none is declared.

    `[events] complete = true` without `from` and `to` stands for the time of the trend.
    """
    declared = site.events
    if not declared.get("complete"):
        return None
    spans = [(stream.axis.start_us, stream.axis.end_us) for stream in recording.streams]
    start = declared.get("from_us", min((span[0] for span in spans), default=None))
    end = declared.get("to_us", max((span[1] for span in spans), default=None))
    return None if start is None or end is None else (start, end)
