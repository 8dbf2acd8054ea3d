"""Figures without a long time axis: duration curve, heat map, scatter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.clock import DAY, clock_changes, to_local
from pqcheck.observe.steps import by_day_and_hour
from pqcheck.reports.plots.canvas import (
    PHASE_LINES,
    Drawn,
    as_svg,
    axes_of,
    box_of,
    drawing,
    legend_above,
    light,
    new_figure,
    rounded,
)
from pqcheck.reports.plots.time_axis import day_words
from pqcheck.reports.plots.trend import LimitLines, limit_lines

_CURVE_POINTS = 401
_CLOUD = 900
_EXTREMES = 20


def duration_curve(
    identity: str, title: str, unit: str, values: Mapping[str, NDArray[Any]], bands: Sequence[LimitLines], alt: str,
    what: str,
) -> Drawn:
    """How much of the time a value was exceeded, with the 1, 5, 95 and 99 % marks, the limits and N."""
    with axes_of(2.9, bottom=0.18, top=0.9) as (figure, axes):
        # More points where the tails are: these decide.
        share = np.unique(np.concatenate([np.linspace(0, 100, _CURVE_POINTS), np.linspace(0, 5, 101),
                                          np.linspace(95, 100, 101)]))  # fmt: skip
        series = []
        for number, (label, numbers) in enumerate(values.items()):
            ordered = np.sort(numbers[~np.isnan(numbers)])[::-1]
            if not len(ordered):
                continue
            rank = np.minimum((share / 100 * len(ordered)).astype(int), len(ordered) - 1)
            name, dash = PHASE_LINES[number % len(PHASE_LINES)]
            axes.plot(
                share, ordered[rank], color=light(name), linestyle=dash, linewidth=1.3, drawstyle="steps-post",
                label=f"{label}, N = {len(ordered)}",
            )  # fmt: skip
            grid = np.linspace(0, 100, 201)
            ranks = np.minimum((grid / 100 * len(ordered)).astype(int), len(ordered) - 1)
            series.append({"label": label, "unit": unit, "values": rounded(ordered[ranks])})
        middles = [float(np.median(array[~np.isnan(array)])) for array in values.values() if not np.isnan(array).all()]
        limit_lines(axes, bands, unit, 0.5, max(middles, default=0.0))
        for mark in (1, 5, 95, 99):
            axes.axvline(mark, color=light("quiet"), linewidth=0.8, linestyle=(0, (2, 2)))
        axes.set_xlim(0, 100)
        axes.set_xticks([1, 5, 25, 50, 75, 95, 99])
        axes.set_xlabel("share of the time in which the value was reached or exceeded, %")
        axes.set_ylabel(unit if unit != "1" else "")
        axes.grid(True, axis="y")
        axes.margins(y=0.12)
        legend_above(axes, 5, handlelength=2.6)
        svg, box = as_svg(figure), box_of(figure, axes)
    caption = f"{what} The upright marks stand at 1, 5, 95 and 99 % of the time; N is the number of values counted."
    return Drawn(identity, title, svg, alt, caption, {"box": box, "percent": True, "series": series})


def heat_map(
    identity: str, title: str, unit: str, times_us: NDArray[np.int64], values: NDArray[Any], zone: str, alt: str,
    caption: str,
) -> Drawn | None:  # fmt: skip
    """Mean by local day and local hour; hours without a value stay blank. None below two days."""
    grid, first = by_day_and_hour(times_us, values, zone)
    days = grid.shape[1]
    if days < 2 or np.isnan(grid).all():
        return None
    with axes_of(2.9, right=0.955, bottom=0.17, top=0.93) as (figure, axes):
        axes.set_facecolor(light("track"))
        shown = axes.imshow(
            np.ma.masked_invalid(grid), aspect="auto", origin="lower", interpolation="none", cmap="cividis",
            extent=(0, days, 0, 24),
        )  # fmt: skip
        step = max(1, -(-days // 11))
        places = list(range(0, days, step))
        axes.set_xticks([place + 0.5 for place in places])
        axes.set_xticklabels([day_words(first + timedelta(days=place)) for place in places])
        axes.set_yticks([0, 6, 12, 18, 24])
        axes.set_yticklabels(["00", "06", "12", "18", "24"])
        axes.set_ylabel("hour of the day")
        axes.set_xlabel(f"day, clock time of {zone}")
        bar = figure.colorbar(shown, ax=axes, pad=0.015, fraction=0.04)
        bar.outline.set_visible(False)
        bar.set_label(unit)
        _mark_change_days(axes, first, days, zone)
        svg, box = as_svg(figure), box_of(figure, axes)
    pointer = {
        "box": box, "days": [day_words(first + timedelta(days=place)) for place in range(days)], "unit": unit,
        "grid": [rounded(column, 4) for column in grid.T] if days <= 62 else [],
    }  # fmt: skip
    return Drawn(identity, title, svg, alt, caption, pointer if days <= 62 else None)


def _mark_change_days(axes: Any, first: date, days: int, zone: str) -> None:
    start = (first - date(1970, 1, 1)).days * DAY
    instants, _ = clock_changes(zone, start, start + days * DAY)
    for instant in instants.tolist():
        place = (to_local(instant, zone).date() - first).days
        if 0 <= place < days:
            axes.annotate("clock change", (place + 0.5, 24), xytext=(0, 1), textcoords="offset points", ha="center",
                          fontsize=7, color=light("quiet"), annotation_clip=False)  # fmt: skip


def scatter(
    identity: str, title: str, x_label: str, y_label: str,
    groups: Mapping[str, tuple[NDArray[Any], NDArray[Any]]], lines: Mapping[str, tuple[float, float]], alt: str,
    caption: str,
) -> Drawn:  # fmt: skip
    """Clouds of pairs side by side on common axes, with a straight line (intercept, slope) where one is claimed."""
    with drawing():
        figure = new_figure(3.0)
        panels = figure.subplots(1, len(groups), sharex=True, sharey=True, squeeze=False)[0]
        figure.subplots_adjust(left=0.075, right=0.985, bottom=0.17, top=0.91, wspace=0.07)
        for number, (axes, (label, (x, y))) in enumerate(zip(panels, groups.items(), strict=True)):
            name, _ = PHASE_LINES[number % len(PHASE_LINES)]
            keep = thinned(x, y, _CLOUD)
            # Strokes of no length with round caps are dots, and one path instead of a thousand elements.
            gap = np.full(len(keep), np.nan)
            dots = [np.column_stack([axis[keep], axis[keep], gap]).ravel() for axis in (x, y)]
            axes.plot(*dots, color=light(name), linewidth=2.4, solid_capstyle="round", alpha=0.55)
            if label in lines:
                intercept, slope = lines[label]
                ends = np.array([np.nanmin(x), np.nanmax(x)])
                axes.plot(ends, intercept + slope * ends, color=light("limit"), linewidth=1.4)
            axes.set_title(label, fontsize=9)
            axes.grid(True)
        panels[0].set_ylabel(y_label)
        panels[len(groups) // 2].set_xlabel(x_label)
        svg = as_svg(figure)
    return Drawn(identity, title, svg, alt, caption)


def thinned(x: NDArray[Any], y: NDArray[Any], most: int) -> NDArray[np.intp]:
    """Positions of at most about `most` points: evenly spaced ones and every extreme of either axis."""
    good = np.flatnonzero(~(np.isnan(x) | np.isnan(y)))
    if len(good) <= most:
        return good
    picked = set(good[:: -(-len(good) // most)].tolist())
    for values in (x, y):
        order = np.argpartition(values[good], (_EXTREMES, len(good) - _EXTREMES))
        picked |= set(good[order[:_EXTREMES]].tolist()) | set(good[order[-_EXTREMES:]].tolist())
    return np.array(sorted(picked))
