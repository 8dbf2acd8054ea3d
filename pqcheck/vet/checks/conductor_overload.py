"""Conductors beyond their declared rating."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.collect import Marks
from pqcheck.vet.danger_signs import (
    ACT_CURRENT,
    RunsOutside,
    SafeRange,
    conductor_rating,
    doubted,
    lasting,
    neutral_rating,
    when_text,
)
from pqcheck.vet.kept_runs import Array, Slots
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

SHORTEST_SECONDS = Threshold(60, "s", CHOSEN, "Above the declared rating for this long: starting currents are shorter.")
HEATING_MINUTES = Threshold(10, "min", CHOSEN, "Rms over this time heats a conductor, whatever pauses lie in it.")
ABOVE_SHARE = Threshold(0.5, "1", CHOSEN, "Share of such a time above the rating: a start is less.")

CHECK = Check(
    name="conductor-overload",
    question="Conductor beyond its rating",
    looks_at="Currents against declared ratings.",
    how="Above the declared rating for a minute or longer; with pauses, by the rms over 10 min and for half of them.",
    example="The current a lay above the declared service rating of 200 A for 40 min.",
    codes={"conductor-overload": "Above the rating"},
    thresholds=thresholds(globals()),
    danger=True,
)


class Overcurrents(RunsOutside):
    """Currents above the declared rating of their conductor, and the 10 min whose rms is, most of their values too."""

    def __init__(self, stream: Stream, site: Site) -> None:
        self._ratings = {
            channel: rating[0] / canonical_factor("current", channel.unit) for channel in stream.channels
            if channel.quantity == "current" and channel.reading == "mean" and channel.phase is not None
            and (rating := _rating(site, channel.phase)) is not None
        }
        super().__init__(SafeRange(channel, None, rating) for channel, rating in self._ratings.items())
        self._members = int(HEATING_MINUTES.value * 60e6 // stream.axis.interval_us)
        self._heated: dict[Channel, list[tuple[Slots, Array]]] = {channel: [] for channel in self._ratings}

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        super().take(slot, values, marks)
        members = self._members
        for channel, rating in self._ratings.items():
            array = values.get(channel)
            if members < 2 or array is None or not float(np.fmax.reduce(array, initial=0)) > rating:
                continue
            skipped = -slot % members
            count = (array.size - skipped) // members
            if count < 1:
                continue
            rows = np.asarray(array[skipped : skipped + count * members], np.float64).reshape(count, members)
            # What is not known carries nothing.
            rms = np.sqrt(np.nansum(rows**2, axis=1) / members)
            hot = (rms > rating) & (np.count_nonzero(rows > rating, axis=1) >= ABOVE_SHARE.value * members)
            starts = np.flatnonzero(hot) * members + skipped + slot
            if starts.size:
                self._heated[channel].append((starts, rms[hot]))

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Those that have a declared rating."""
        return tuple(self._ratings)

    def with_pauses(self, channel: Channel, base: TimeBase, beside: Sequence[Extent]) -> tuple[Extent, ...]:
        """Times whose rms is above the rating and that none of the spans `beside`, in time order, reaches; worst is the
        rms."""
        begins, ends = (np.array([getattr(span, edge) for span in beside], np.int64) for edge in ("start_us", "end_us"))
        length = self._members * base.interval_us
        kept: list[Extent] = []
        for starts, rms in self._heated[channel]:
            times = base.stream.axis.start_us + starts * base.interval_us
            apart = np.searchsorted(ends, times, "right") == np.searchsorted(begins, times + length)
            for start, value in zip(times[apart].tolist(), rms[apart].tolist(), strict=True):
                before = kept[-1] if kept and kept[-1].end_us == start else None
                if before is not None:
                    kept[-1] = Extent(before.start_us, start + length, before.intervals + self._members,
                                      max(before.worst, value), before.worst_us if before.worst >= value else start)
                else:
                    kept.append(Extent(start, start + length, self._members, value, start))
        return tuple(kept)


def _rating(site: Site, phase: str) -> tuple[float, str] | None:
    return neutral_rating(site) if phase == "n" else conductor_rating(site, phase)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per overloaded conductor."""
    watch = base.of(Overcurrents)
    runs_of = watch.runs
    for channel in watch.channels:
        rating = _rating(base.site, str(channel.phase))
        if rating is None or doubted(base, channel.phase) & {"scale", "handheld-mismatch"}:
            continue
        scale = canonical_factor("current", channel.unit)
        runs = runs_of.get(channel)
        spans = () if runs is None else tuple(lasting(base, runs, SHORTEST_SECONDS.value, scale).values())
        pauses = tuple(replace(span, worst=span.worst * scale) for span in watch.with_pauses(channel, base, spans))
        if not spans and not pauses:
            continue
        total = sum(span.end_us - span.start_us for span in (*spans, *pauses))
        how = f", with pauses: by the rms over {HEATING_MINUTES.value} min" if pauses else ""
        spans = tuple(sorted((*spans, *pauses)))
        worst = max(spans, key=lambda span: span.worst)
        yield Outcome(
            CHECK, Verdict.FAIL, channel.base_name, "current", channel.phase, code="conductor-overload",
            likelihood="shown",
            text=f"The current {channel.phase} lay above the declared {rating[1]} rating of {rating[0]:g} A for "
                 f"{duration_text(total)} in all{how}, {when_text(spans, base.zone)}, up to {worst.worst:.5g} A. "
                 "An overloaded conductor or joint heats up and can start a fire.",
            advice=ACT_CURRENT, spans=spans, value=worst.worst, unit="A", high=rating[0],
        )
