"""The time axis of every figure: true time along the axis, the site's own clock on the labels, clock changes marked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from pqcheck.model.clock import DAY, HOUR, clock_changes, local_midnight, to_local
from pqcheck.reports.plain import DAYS, MONTHS
from pqcheck.reports.plots.canvas import light

Span = tuple[int, int]

WEEKDAYS = tuple(name[:3] for name in DAYS)
_MONTHS = tuple(name[:3] for name in MONTHS)
_MOST_LABELS = 11
_NEAR_EDGE = 0.03
"""Share of the axis within which a label ends at its tick."""


def hours(instant_us: Any, start_us: int) -> Any:
    """Hours since the start of the axis."""
    return (instant_us - start_us) / HOUR


def midnights(start_us: int, end_us: int, zone: str) -> list[int]:
    """Local midnights within a span."""
    day = to_local(start_us, zone).date()
    instants: list[int] = []
    while True:
        instant = local_midnight(day, zone)
        if instant > end_us:
            return instants
        if instant >= start_us:
            instants.append(instant)
        day += timedelta(days=1)


def day_label(instant_us: int, zone: str) -> str:
    """``Mon 3 Mar``, whatever the language of the machine."""
    return day_words(to_local(instant_us, zone))


def day_words(day: date) -> str:
    """``Mon 3 Mar``."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def label_axis(axes: Any, start_us: int, end_us: int, zone: str, *, named: bool = True, changes: bool = True) -> None:
    """Ticks at local midnights (or hours for a short record), the zone named, clock changes marked."""
    axes.set_xlim(0, hours(end_us, start_us))
    length = end_us - start_us
    days = midnights(start_us, end_us, zone)
    year = to_local(start_us, zone).year
    if length > 2 * DAY:
        step = max(1, -(-len(days) // _MOST_LABELS))
        major = days[::step]
        axes.set_xticks([hours(tick, start_us) for tick in major])
        axes.set_xticklabels([day_label(tick, zone) for tick in major])
        if major and end_us - major[-1] < _NEAR_EDGE * length:
            # A label centred under the right edge would be cut by the edge of the figure.
            axes.xaxis.get_major_ticks(len(major))[-1].label1.set_horizontalalignment("right")
        if length <= 40 * DAY:
            axes.set_xticks([hours(midnight, start_us) for midnight in days], minor=True)
    else:
        step_hours = next(n for n in (1, 2, 3, 4, 6, 12) if length / HOUR / n <= _MOST_LABELS)
        first = to_local(start_us, zone)
        away = (first.minute * 60 + first.second) * 1_000_000 + first.microsecond
        instant = start_us - away + (HOUR if away else 0)
        ticks = []
        while instant <= end_us:
            if to_local(instant, zone).hour % step_hours == 0:
                ticks.append(instant)
            instant += HOUR
        axes.set_xticks([hours(tick, start_us) for tick in ticks])
        axes.set_xticklabels([f"{to_local(tick, zone):%H:%M}" for tick in ticks])
    axes.grid(True, axis="both")
    if named:
        day = "" if length > 2 * DAY else f"{day_label(start_us, zone)} "
        last = to_local(end_us - 1, zone).year
        axes.set_xlabel(f"{day}{year if last == year else f'{year} to {last}'}, clock time of {zone}")
    if changes:
        _mark_changes(axes, start_us, end_us, zone)


def _mark_changes(axes: Any, start_us: int, end_us: int, zone: str) -> None:
    instants, offsets = clock_changes(zone, start_us, end_us)
    for place, instant in enumerate(instants.tolist()):
        if start_us < instant < end_us:
            forward = offsets[place + 1] > offsets[place]
            x = hours(instant, start_us)
            axes.axvline(x, color=light("quiet"), linewidth=0.9, linestyle=(0, (2, 2)))
            axes.annotate(
                "clocks forward" if forward else "clocks back", (x, 0), xycoords=("data", "axes fraction"),
                xytext=(2, 2), textcoords="offset points", va="bottom", fontsize=7, color=light("quiet"),
            )  # fmt: skip


def shade(
    axes: Any, start_us: int, end_us: int, excluded: Sequence[Span], unobserved: Sequence[Span], worst: Sequence[Span]
) -> None:
    """Excluded spans hatched one way, unobserved spans the other, evidence windows tinted with a bar on top."""
    least = (end_us - start_us) / HOUR / 700
    for spans, colour, hatch, alpha in (
        (excluded, "excluded", "////", 0.55), (unobserved, "unobserved", "||||", 0.35),
    ):  # fmt: skip
        for start, end in spans:
            left, right = max(hours(start, start_us), 0), min(hours(end, start_us), hours(end_us, start_us))
            if right > left:
                axes.axvspan(
                    left, max(right, left + least), facecolor=light(colour), alpha=alpha, hatch=hatch,
                    edgecolor=light("quiet"), linewidth=0, zorder=0.5,
                )  # fmt: skip
    for start, end in worst:
        left, right = max(hours(start, start_us), 0), min(hours(end, start_us), hours(end_us, start_us))
        if right > left:
            right = max(right, left + least)
            axes.axvspan(left, right, facecolor=light("shade"), linewidth=0, zorder=0.4)
            axes.axvspan(left, right, ymin=0.972, ymax=1.0, facecolor=light("outside"), linewidth=0, zorder=3)
