"""Harmonic bars against their limits, and the strip that shows when each channel was recorded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.observe.gather import Track
from pqcheck.observe.steps import spans_of
from pqcheck.reports.plots.canvas import (
    PHASE_LINES,
    Drawn,
    as_svg,
    axes_of,
    box_of,
    legend_above,
    light,
    rounded,
)
from pqcheck.reports.plots.time_axis import hours, label_axis
from pqcheck.reports.plots.trend import Frame

_HATCHES = ("", "////", "\\\\\\\\", "xxxx")
_ROW = 0.17
_CROWDED = 30


def harmonic_bars(
    identity: str, title: str, unit: str, values: Mapping[str, Mapping[int, float]], limits: Mapping[int, float],
    missing: Mapping[str, Sequence[int]], alt: str, caption: str,
) -> Drawn:  # fmt: skip
    """One group of bars per order: phases side by side, the limit a black line across, not measured as a cross."""
    orders = sorted({*limits, *(order for array in values.values() for order in array),
                     *(order for orders in missing.values() for order in orders)})  # fmt: skip
    phases = list(values)
    from matplotlib.patches import PathPatch

    with axes_of(3.1, bottom=0.16, top=0.9) as (figure, axes):
        width = 0.8 / max(len(phases), 1)
        places = {order: number for number, order in enumerate(orders)}
        heights = [value for array in values.values() for value in array.values()]
        top = max([*heights, *(limits[order] for order in orders if order in limits)], default=1.0)
        for number, phase in enumerate(phases):
            name, _ = PHASE_LINES[number % len(PHASE_LINES)]
            shown = [order for order in orders if order in values[phase]]
            lefts = np.array([places[order] - 0.4 + (number + 0.04) * width for order in shown])
            bars = _bars(lefts, width * 0.92, np.array([values[phase][order] for order in shown]))
            axes.add_patch(PathPatch(bars, facecolor=light(name), hatch=_HATCHES[number % 4], edgecolor=light("paper"),
                                     linewidth=0, label=phase))  # fmt: skip
            over = [order for order in shown if order in limits and values[phase][order] > limits[order]]
            axes.plot(
                [places[order] - 0.4 + (number + 0.5) * width for order in over],
                [values[phase][order] + 0.03 * top for order in over], linestyle="", marker="v", markersize=4,
                color=light("outside"),
            )  # fmt: skip
        held = [order for order in orders if order in limits]
        middles = np.array([places[order] for order in held], dtype=float)
        heights = [limits[order] for order in held]
        axes.hlines(heights, middles - 0.46, middles + 0.46, color=light("limit"), linewidth=1.6, label="limit")
        never = sorted({order for orders in missing.values() for order in orders})
        if never:
            axes.plot([places[order] for order in never], [0.025 * top] * len(never), linestyle="", marker="x",
                      markersize=4, color=light("quiet"), label="not measured")  # fmt: skip
        axes.set_xlim(-0.8, len(orders) - 0.2)
        axes.set_ylim(0, top * 1.12 or 1)
        named = [order for order in orders if len(orders) <= _CROWDED or order % 2]
        axes.set_xticks([places[order] for order in named])
        axes.set_xticklabels([str(order) for order in named], fontsize=8 if len(orders) <= _CROWDED else 7.5)
        axes.set_xlabel("harmonic order")
        axes.set_ylabel(unit)
        axes.grid(True, axis="y")
        legend_above(axes, 6)
        svg, box = as_svg(figure), box_of(figure, axes)
    series: list[dict[str, Any]] = [
        {"label": phase, "unit": unit, "values": rounded([values[phase].get(o, float("nan")) for o in orders])}
        for phase in phases
    ]
    series.append({"label": "limit", "unit": unit, "values": rounded([limits.get(o, float("nan")) for o in orders])})
    pointer = {"box": box, "labels": [f"order {order}" for order in orders], "series": series}
    return Drawn(identity, title, svg, alt, caption, pointer)


def _bars(lefts: NDArray[np.float64], width: float, heights: NDArray[np.float64]) -> Any:
    """All bars of a phase as one path: a hundred patches cost more than the rest of the figure."""
    from matplotlib.path import Path

    corners = np.zeros((len(lefts), 5, 2))
    corners[:, :, 0] = lefts[:, None] + width * np.array([0, 0, 1, 1, 0])
    corners[:, :, 1] = heights[:, None] * np.array([0, 1, 1, 0, 0])
    codes = np.tile([Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], len(lefts))
    return Path(corners.reshape(-1, 2), codes)


def availability(
    identity: str, title: str, rows: Sequence[tuple[str, Sequence[Track]]], never: Sequence[str], frame: Frame,
    alt: str, caption: str,
) -> Drawn:  # fmt: skip
    """One line per channel or group: a full bar where recorded, hatched where not, a cross for never recorded."""
    count = len(rows) + len(never)
    tall = max(1.3, _ROW * count + 0.75)
    with axes_of(tall, left=0.27, bottom=0.58 / tall, top=1 - 0.12 / tall) as (figure, axes):
        end = hours(frame.end_us, frame.start_us)
        for number, (_, tracks) in enumerate(rows):
            y = count - 1 - number
            axes.broken_barh([(0, end)], (y - 0.34, 0.68), facecolor=light("track"), hatch="||||",
                             edgecolor=light("unobserved"), linewidth=0)  # fmt: skip
            axes.broken_barh(
                [(hours(a, frame.start_us), (b - a) / 3.6e9) for a, b in observed(tracks)], (y - 0.34, 0.68),
                facecolor=light("first"), linewidth=0,
            )  # fmt: skip
        for number, _ in enumerate(never):
            axes.plot([0.01 * end], [len(never) - 1 - number], marker="x", color=light("outside"), markersize=5)
            axes.annotate("not recorded", (0.02 * end, len(never) - 1 - number), va="center", fontsize=7.5)
        for start, stop in frame.excluded:
            axes.axvspan(hours(start, frame.start_us), hours(stop, frame.start_us), facecolor=light("excluded"),
                         hatch="////", edgecolor=light("quiet"), linewidth=0, alpha=0.6)  # fmt: skip
        axes.set_yticks(range(count))
        axes.set_yticklabels([*reversed(never), *(label for label, _ in reversed(rows))])
        axes.set_ylim(-0.7, count - 0.3)
        label_axis(axes, frame.start_us, frame.end_us, frame.zone, changes=False)
        axes.grid(False, axis="y")
        svg = as_svg(figure)
    return Drawn(identity, title, svg, alt, caption)


def observed(tracks: Sequence[Track]) -> list[tuple[int, int]]:
    """Spans in which every one of the tracks has all its readings or some; a point with none is a gap."""
    first = tracks[0]
    held = np.ones(len(first.valid), bool)
    for track in tracks:
        if len(track.valid) == len(held):
            held &= track.valid > 0
    return spans_of(held, first.start_us, first.step_us)
