"""Danger signs: what can hurt people or burn equipment, independent of every limit (kind "safety").

Thresholds are common practice, data in thresholds.json. What is said: what was seen, why it can hurt, who must act
today. When nothing is seen nothing is said: a recording never shows that an installation is safe.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import duration_text
from pqcheck.evidence import Runs
from pqcheck.findings import Verdict
from pqcheck.quantities import LINE_TO_NEUTRAL
from pqcheck.recording import Channel
from pqcheck.site.model import Site
from pqcheck.vetting.gather import Gathered, Watch
from pqcheck.vetting.grid import Grid, canonical_factor
from pqcheck.vetting.outcome import Outcome, Span
from pqcheck.vetting.runs import mask_runs
from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]

NO_NOMINAL = {"nominal-doubtful", "connection-doubtful", "no-voltage", "handheld-mismatch"}
"""Doubts under which a voltage cannot be held against its nominal."""

ACT_NEUTRAL = (
    "Act today: call the utility, and have a qualified person check the neutral from the service to the main panel. "
    "Until then switch off or unplug sensitive equipment; do not open enclosures."
)
ACT_VOLTAGE = (
    "Act today: have a qualified person confirm the voltage and inform the utility; protect or switch off equipment "
    "that the voltage can damage."
)
ACT_CURRENT = (
    "Act today: reduce the load and have a qualified person check conductor, connections and protection for heat."
)


def watches(site: Site, channels: Sequence[Channel]) -> tuple[Watch, ...]:
    """Bands that voltages to neutral and currents must not leave for long, in each channel's own unit."""
    found = []
    for channel in channels:
        if channel.reading != "mean" or channel.phase is None:
            continue
        if channel.quantity == "voltage" and channel.phase in LINE_TO_NEUTRAL and not _high_leg(site, channel.phase):
            nominal = site.supply.nominal(channel.phase)
            if nominal is None or site.supply.connection == "delta":
                continue
            scale = canonical_factor("voltage", channel.unit)
            low = float(nominal) * threshold("voltage-danger", "low_percent") / 100
            # In whole hundredths of a volt: 230 x 1.1 is 253.00000000000003 in binary.
            high = round(float(nominal) * threshold("voltage-danger", "high_percent") / 100, 6)
            found.append(Watch(channel, round(low, 6) / scale, high / scale))
        elif channel.quantity == "current":
            rating = conductor_rating(site, channel.phase)
            if rating is not None:
                found.append(Watch(channel, None, rating[0] / canonical_factor("current", channel.unit)))
    return tuple(found)


def _high_leg(site: Site, phase: str) -> bool:
    return site.supply.connection == "high-leg-delta" and phase[0] == (site.supply.high_leg or "b")


def conductor_rating(site: Site, phase: str) -> tuple[float, str] | None:
    """Declared rating of the measured conductor [A] and its name: the feeder if declared, else the service."""
    names = ("neutral",) if phase == "n" else ("feeder", "service")
    for name in names:
        if name in site.ratings:
            return float(site.ratings[name]), name
    return None


def danger_outcomes(
    gathered: Sequence[Gathered], grid_list: Sequence[Grid], site: Site, doubted: Sequence[Outcome]
) -> Iterator[Outcome]:
    """Every danger sign that shows. `doubted` are the outcomes on nominal and leads: a voltage that was not measured,
    or whose nominal is doubtful, is no danger sign."""
    for one in gathered:
        yield from _neutral(one, grid_list, site, doubted)
        yield from _voltages(one, site, doubted)
        yield from _conductors(one, site, doubted)
    for grid in grid_list:
        yield from _neutral_current(grid, site)


def _codes(doubted: Sequence[Outcome], phase: str | None) -> set[str]:
    return {
        outcome.code for outcome in doubted if outcome.verdict is Verdict.REFUSED
        and (outcome.phase == phase or any(phase in subject.phases for subject in outcome.subjects))
    }


def _neutral(one: Gathered, grid_list: Sequence[Grid], site: Site, doubted: Sequence[Outcome]) -> Iterator[Outcome]:
    watch = one.neutral
    starts, lengths, _ = watch.runs.joined()
    interval, start = one.stream.axis.interval_us, one.stream.axis.start_us
    total = int(lengths.sum()) if lengths.size else 0
    if not total or total * interval < threshold("neutral-loose", "shortest_seconds") * 1e6:
        return
    if watch.kind == "wye" and any(outcome.code == "connection-doubtful" and "high-leg" in outcome.text
                                   for outcome in doubted):
        return
    if any(_codes(doubted, channel.phase) & {"lost-lead", "columns-alike"} for channel in watch.legs):
        return
    spans = tuple(
        Span(start + int(slot) * interval, start + (int(slot) + int(size)) * interval, int(size),
             watch.highest * watch.scale, start + int(slot) * interval)
        for slot, size in zip(starts.tolist(), lengths.tolist(), strict=True)
    )
    low, high = watch.lowest * watch.scale, watch.highest * watch.scale
    length = duration_text(total * interval)
    if watch.kind == "split":
        grid = next((grid for grid in grid_list if grid.number == one.number), None)
        legs = tuple(str(channel.phase) for channel in watch.legs)
        follows = load_difference(grid, legs) if grid is not None else None
        seen = f"One leg rises while the other falls (between {low:.4g} and {high:.4g} V to neutral) and their sum " \
               "stays " \
               f"steady, for {length} in all"
        if follows is None:
            seen += "; no currents show whether it follows the load"
        elif follows:
            seen += ", following the difference of the two loads"
        else:
            seen += "; it does not follow the recorded currents, so the recorder's own neutral lead may be off as well"
    else:
        seen = f"The voltages to neutral spread by up to {watch.spread * watch.scale:.4g} V (between {low:.4g} and " \
               f"{high:.4g} V) while those between lines stay together, for {length} in all"
    yield Outcome(
        "neutral-loose", Verdict.FAIL, "voltage", "voltage", code="neutral-loose", likelihood="likely",
        text=f"Suspected loose or broken neutral. {seen}. Equipment on one phase can get far too much voltage, burn "
             "and start a fire, and metal parts can become live.",
        advice=ACT_NEUTRAL, spans=spans, value=high, high=None, unit="V",
    )


def load_difference(grid: Grid, legs: tuple[str, ...]) -> bool | None:
    """Whether the leg with more load is the lower one, step by step; None when currents are missing or never move."""
    rows = [*(grid.get("voltage", leg) for leg in legs), *(grid.get("current", leg[0]) for leg in legs)]
    if any(series is None for series in rows):
        return None
    leg_a, leg_b, load_a, load_b = (series for series in rows if series is not None)
    half, load = (leg_a - leg_b) / 2, load_a - load_b
    known = np.isfinite(half) & np.isfinite(load)
    if np.count_nonzero(known) < threshold("neutral-loose", "fewest_points"):
        return None
    half, load = half[known], load[known]
    if half.std() < 1e-9 or load.std() < 1e-9:
        return None
    return float(np.corrcoef(half, load)[0, 1]) <= -threshold("neutral-loose", "follows")


def _lasting(runs: Runs, interval_us: int, seconds: float) -> list[int]:
    """Numbers of the runs that last at least so long."""
    return [number for number, size in enumerate(runs.count.tolist()) if size * interval_us >= seconds * 1e6]


def _span(runs: Runs, number: int, start_us: int, interval_us: int, scale: float) -> Span:
    first, size = int(runs.first[number]), int(runs.count[number])
    return Span(start_us + first * interval_us, start_us + (first + size) * interval_us, size,
                float(runs.worst[number]) * scale, start_us + int(runs.worst_slot[number]) * interval_us)


def _voltages(one: Gathered, site: Site, doubted: Sequence[Outcome]) -> Iterator[Outcome]:
    interval, start = one.stream.axis.interval_us, one.stream.axis.start_us
    dark_starts, dark_lengths, _ = one.dark.joined()
    lead_spans = {outcome.phase: outcome.spans for outcome in doubted if outcome.code == "lost-lead"}
    for channel, runs in one.watched.items():
        if channel.quantity != "voltage" or not len(runs):
            continue
        if _codes(doubted, channel.phase) & NO_NOMINAL:
            continue
        scale = canonical_factor("voltage", channel.unit)
        nominal = float(site.supply.nominal(str(channel.phase)) or 0)
        spans = []
        for number in _lasting(runs, interval, threshold("voltage-danger", "shortest_seconds")):
            span = _span(runs, number, start, interval, scale)
            if _covered(span, lead_spans.get(channel.phase, ())):
                continue
            dark = _overlap(int(runs.first[number]), int(runs.count[number]), dark_starts, dark_lengths)
            # A dead supply is an interruption, not a low voltage.
            if (int(runs.count[number]) - dark) * interval < threshold("voltage-danger", "shortest_seconds") * 1e6:
                continue
            if span.worst < 0.05 * nominal and int(runs.count[number]) == dark:
                continue
            spans.append(span)
        for side, kept in (("above", [span for span in spans if span.worst > nominal]),
                           ("below", [span for span in spans if span.worst <= nominal])):
            if kept:
                yield _voltage_words(channel, side, kept, nominal)


def _voltage_words(channel: Channel, side: str, spans: list[Span], nominal: float) -> Outcome:
    high = side == "above"
    percent = threshold("voltage-danger", "high_percent" if high else "low_percent")
    worst = max(spans, key=lambda span: span.worst if high else -span.worst)
    total = sum(span.end_us - span.start_us for span in spans)
    longest = max(span.end_us - span.start_us for span in spans)
    why = (
        "This can damage or ignite equipment, and it often comes from a loose neutral or a faulty regulator."
        if high else
        "Motors and compressors can stall and burn, and it often comes from a failing connection or a lost phase."
    )
    return Outcome(
        "voltage-danger", Verdict.FAIL, f"{channel.base_name}.{side}", "voltage", channel.phase, code=f"voltage-{side}",
        likelihood="shown",
        text=f"The voltage {channel.phase} lay {side} {percent:g} % of its nominal {nominal:g} V for "
             f"{duration_text(total)} in all, {duration_text(longest)} at a stretch; the "
             f"{'highest' if high else 'lowest'} mean of an interval was {worst.worst:.5g} V. {why}",
        advice=ACT_VOLTAGE, spans=tuple(spans), value=worst.worst, unit="V",
        high=nominal * percent / 100 if high else None, low=None if high else nominal * percent / 100,
    )


def _covered(span: Span, others: Sequence[Span]) -> bool:
    return any(other.start_us <= span.start_us and span.end_us <= other.end_us for other in others)


def _overlap(first: int, count: int, starts: Array, lengths: Array) -> int:
    if not starts.size:
        return 0
    inside = np.minimum(starts + lengths, first + count) - np.maximum(starts, first)
    return int(np.clip(inside, 0, None).sum())


def _conductors(one: Gathered, site: Site, doubted: Sequence[Outcome]) -> Iterator[Outcome]:
    interval, start = one.stream.axis.interval_us, one.stream.axis.start_us
    for channel, runs in one.watched.items():
        if channel.quantity != "current" or not len(runs):
            continue
        rating = conductor_rating(site, str(channel.phase))
        if rating is None or _codes(doubted, channel.phase) & {"scale", "handheld-mismatch"}:
            continue
        scale = canonical_factor("current", channel.unit)
        spans = [_span(runs, number, start, interval, scale)
                 for number in _lasting(runs, interval, threshold("conductor-overload", "shortest_seconds"))]
        if not spans:
            continue
        worst = max(spans, key=lambda span: span.worst)
        total = sum(span.end_us - span.start_us for span in spans)
        yield Outcome(
            "conductor-overload", Verdict.FAIL, channel.base_name, "current", channel.phase,
            code="conductor-overload", likelihood="shown",
            text=f"The current {channel.phase} lay above the declared {rating[1]} rating of {rating[0]:g} A for "
                 f"{duration_text(total)} in all, up to {worst.worst:.5g} A. An overloaded conductor or joint heats "
                 "up and can start a fire.",
            advice=ACT_CURRENT, spans=tuple(spans), value=worst.worst, unit="A", high=rating[0],
        )


def _neutral_current(grid: Grid, site: Site) -> Iterator[Outcome]:
    neutral = grid.get("current", "n")
    rows = [series for phase in PHASES if (series := grid.get("current", phase)) is not None]
    rating = conductor_rating(site, "n")
    if neutral is None or not rows or rating is None:
        return
    largest = np.max(np.stack(rows), axis=0)
    with np.errstate(invalid="ignore"):
        mask = (neutral > threshold("neutral-overload", "times_phase") * largest) & \
            (neutral > threshold("neutral-overload", "rating_percent") / 100 * rating[0])
    starts, lengths = mask_runs(np.asarray(mask))
    spans = []
    for first, size in zip(starts.tolist(), lengths.tolist(), strict=True):
        if size * grid.step_us < threshold("neutral-overload", "shortest_seconds") * 1e6:
            continue
        top = first + int(np.argmax(neutral[first : first + size]))
        spans.append(Span(grid.time(first), grid.time(first + size), int(size * grid.step_us // grid.interval_us),
                          float(neutral[top]), grid.time(top)))
    if not spans:
        return
    worst = max(spans, key=lambda span: span.worst)
    yield Outcome(
        "neutral-overload", Verdict.FAIL, "current.n", "current", "n", code="neutral-overload", likelihood="shown",
        text=f"The neutral carries up to {worst.worst:.5g} A, more than "
             f"{threshold('neutral-overload', 'times_phase'):g} times "
             f"the largest phase current and more than half its declared rating of {rating[0]:g} A. The neutral has no "
             "breaker of its own: it can overheat unnoticed.",
        advice=ACT_CURRENT, spans=tuple(spans), value=worst.worst, unit="A",
        high=rating[0] * threshold("neutral-overload", "rating_percent") / 100,
    )
