"""Over which time events were recorded, and what the trend shows that no event of the list stands beside."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.judge.events_unseen import UnseenEvents
from pqcheck.judge.interruptions import Span, add_spans
from pqcheck.model.recording import Block, Event, Recording
from pqcheck.model.units import factor
from pqcheck.site.site_values import Site

DIP_BELOW, SWELL_ABOVE = 0.89, 1.11
"""Share of nominal beyond which a recorder has written an event: 90 and 110 % (IEC 61000-4-30 5.4.2 and 5.4.3, usual
thresholds), and a hundredth for a hysteresis and for another reference than the nominal."""


class TrendExcursions:
    """Spans in which the trend shows a voltage so low or so high that a recorder of events has one to tell, and events
    of which it shows nothing."""

    def __init__(self, site: Site, events: Sequence[Event] = ()) -> None:
        self._nominal = site.supply.nominal
        self.unseen = UnseenEvents(site, events)
        self.low: list[Span] = []
        self.high: list[Span] = []

    def feed(self, block: Block) -> None:
        """Take the next block of a stream."""
        self.unseen.feed(block)
        low, high = np.zeros(block.axis.count, np.bool_), np.zeros(block.axis.count, np.bool_)
        for channel, values in block.values.items():
            nominal = self._nominal(channel.phase or "") if channel.quantity == "voltage" else None
            if nominal is None:
                continue
            base = float(nominal / factor(channel.unit, "V"))
            # A bound to the wrong side proves neither.
            if channel.reading in ("mean", "min"):
                low |= _without(values < DIP_BELOW * base, block.lower_bounds.get(channel))
            if channel.reading in ("mean", "max"):
                high |= _without(values > SWELL_ABOVE * base, block.upper_bounds.get(channel))
        if low.any():
            add_spans(self.low, low, block)
        if high.any():
            add_spans(self.high, high, block)

    def unlisted(self, events: Sequence[Event]) -> tuple[list[Span], list[Span]]:
        """Low spans without a dip or interruption beside them, and high ones without a swell."""
        certain = [event for event in events if event.certain]
        dips = [event for event in certain if event.kind in ("dip", "interruption")]
        swells = [event for event in certain if event.kind == "swell"]
        return _beside_none(self.low, dips), _beside_none(self.high, swells)


def _without(mask: NDArray[Any], bounds: NDArray[np.bool_] | None) -> NDArray[Any]:
    return mask if bounds is None else mask & ~bounds


def _beside_none(spans: Sequence[Span], events: Sequence[Event]) -> list[Span]:
    """The spans that no event overlaps; both in order of time."""
    starts = np.array([event.time_us for event in events], np.int64)
    ends = np.maximum.accumulate(np.array([event.end_us for event in events], np.int64)) if events else starts
    return [
        (start, end) for start, end in spans
        if not (before := int(np.searchsorted(starts, end))) or ends[before - 1] <= start
    ]


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
