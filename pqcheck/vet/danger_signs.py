"""What the danger signs share: ranges that must not be left for long, and doubts under which nothing is said.

A danger sign is what can hurt people or burn equipment, independent of every limit. What is said: what was seen, why it
can hurt, who must act today. When nothing is seen nothing is said: a recording never shows that an installation is
safe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct

from pqcheck.model.clock import DAY, iso, local_clock
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.stats.clock_hours import NEARLY_ALL, hours_text, share_within, usual_hours
from pqcheck.stats.runs import Runs, find_runs, join_runs
from pqcheck.stats.supply_away import side_known
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Extent
from pqcheck.vet.time_base import PHASES, TimeBase

ACT_CURRENT = (
    "Act today: reduce the load and have a qualified person check conductor, connections and protection for heat."
)


class SafeRange(Struct, frozen=True):
    """A range that a channel must not leave for long, in the channel's own unit."""

    channel: Channel
    low: float | None
    high: float | None


class RunsOutside:
    """Runs outside the ranges of some channels."""

    def __init__(self, ranges: Iterable[SafeRange]) -> None:
        self._ranges = tuple(ranges)
        self._parts: dict[Channel, list[Runs]] = {safe.channel: [] for safe in self._ranges}

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        for safe in self._ranges:
            array = values.get(safe.channel)
            if array is None:
                continue
            low, high = safe.low, safe.high
            if low is not None:
                array = side_known(array, low, marks.lower.get(safe.channel))
            tops = high is not None and float(np.fmax.reduce(array)) > high
            lows = low is not None and float(np.fmin.reduce(array)) < low
            if not tops and not lows:
                continue
            above = array - high if high is not None else np.full(array.size, -np.inf)
            below = low - array if low is not None else np.full(array.size, -np.inf)
            beyond = np.fmax(above, below)
            self._parts[safe.channel].append(find_runs(beyond > 0, array, beyond, slot))

    @property
    def runs(self) -> dict[Channel, Runs]:
        """The runs of each channel that left its safe."""
        joined = {channel: join_runs(parts) for channel, parts in self._parts.items()}
        return {channel: runs for channel, runs in joined.items() if len(runs)}


def lasting(base: TimeBase, runs: Runs, seconds: float, scale: float) -> dict[int, Extent]:
    """Runs of at least so many seconds by their number, the worst value times `scale`."""
    origin, step = base.stream.axis.start_us, base.interval_us
    return {
        number: Extent(origin + first * step, origin + (first + size) * step, size, worst * scale, origin + at * step)
        for number, (first, size, worst, at) in enumerate(zip(
            runs.first.tolist(), runs.count.tolist(), runs.worst.tolist(), runs.worst_slot.tolist(), strict=True
        )) if size * step >= seconds * 1e6
    }


def most_in_a_day(spans: Sequence[Extent]) -> int:
    """The most microseconds of spans, in time order and apart, that lie within 24 hours, wherever these begin."""
    starts = np.array([span.start_us for span in spans], np.int64)
    ends = np.array([span.end_us for span in spans], np.int64)
    before = np.cumsum(ends - starts) - (ends - starts)
    edges = np.column_stack([starts, ends]).ravel()
    until = np.column_stack([before, before + ends - starts]).ravel()
    return int(np.max(np.interp(starts + DAY, edges, until) - before, initial=0)) if len(spans) else 0


def when_text(spans: Iterable[Extent], zone: str) -> str:
    """When spans lie, those of several channels as one: ``on 2 days from 2031-03-14 to 2031-03-15, between 06:00 and
    23:00``; the hours only where they hold nearly all of it."""
    merged: list[tuple[int, int]] = []
    for span in sorted(spans):
        if merged and span.start_us <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(merged[-1][1], span.end_us)
        else:
            merged.append((span.start_us, span.end_us))
    starts, ends = (local_clock(np.array(side, np.int64), zone) for side in zip(*merged, strict=True))
    first, last = (iso(at, zone)[:16].replace("T", " ") for at in (merged[0][0], merged[-1][1]))
    if len(merged) == 1:
        return f"from {first} to {last.removeprefix(first[:11])}"
    dates = sorted({day for start, end in zip((starts // DAY).tolist(), ((ends - 1) // DAY).tolist(), strict=True)
                    for day in range(start, end + 1)})
    hours = usual_hours(starts, ends)
    clock = f", {hours_text(hours)}" if hours and share_within(starts, ends, hours) >= NEARLY_ALL else ""
    if len(dates) == 1:
        return f"on {first[:10]}{clock}"
    return f"on {len(dates)} days from {first[:10]} to {iso(merged[-1][1] - 1, zone)[:10]}{clock}"


def doubted(base: TimeBase, phase: str | None) -> set[str]:
    """Codes of the doubts about a phase: what was not measured, or whose nominal is doubtful, is no danger sign."""
    return {
        outcome.code for outcome in base.doubts if outcome.verdict is Verdict.REFUSED
        and (outcome.phase == phase or any(phase in subject.phases for subject in outcome.subjects))
    }


def conductor_rating(site: Site, phase: str) -> tuple[float, str] | None:
    """Declared rating of the measured conductor [A] and its name.

    Of a phase the feeder if declared, else the service; the panel behind it where that bears less. The current recorded
    is held against a panel as a load study does it.
    """
    ratings = site.ratings
    names = ("neutral",) if phase == "n" else ("feeder", "service")
    declared = [(float(ratings[name]), name) for name in names if name in ratings][:1]
    panel = ratings.get("panel_phases", {}).get(phase, ratings.get("panel") if phase in PHASES else None)
    if panel is not None:
        declared.append((float(panel), "panel"))
    return min(declared, default=None)


def neutral_rating(site: Site) -> tuple[float, str] | None:
    """Declared rating of the neutral [A] and its name; in a wye without one the highest of the phases, whose size a
    neutral has where nobody says otherwise."""
    phases = [rating for phase in PHASES if (rating := conductor_rating(site, phase)) is not None]
    return conductor_rating(site, "n") or (max(phases, default=None) if site.supply.connection == "wye" else None)
