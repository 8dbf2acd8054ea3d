"""Trends: what was recorded over time, with limits, evidence windows, excluded and unobserved spans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.observe.steps import spans_of
from pqcheck.reports.plots.canvas import PHASE_LINES, Drawn, as_svg, box_of, drawing, light, new_figure, rounded
from pqcheck.reports.plots.time_axis import Span, hours, label_axis, shade


class Curve(Struct, frozen=True):
    """One line: points of `step_us` from `start_us`; `low`/`high` make a band where they leave the line."""

    label: str
    start_us: int
    step_us: int
    mean: NDArray[Any]
    low: NDArray[Any] | None = None
    high: NDArray[Any] | None = None
    line: int = 0


class LimitLines(Struct, frozen=True):
    """A limit, with the words for the legend."""

    low: float | None
    high: float | None
    label: str


class Frame(Struct, frozen=True):
    """What every trend of one report shares: the span shown, the zone, and the marked spans."""

    start_us: int
    end_us: int
    zone: str
    excluded: tuple[Span, ...] = ()


class Panel(Struct, frozen=True):
    """One set of axes: a unit, its curves and limits. `worst` are the evidence windows to mark."""

    title: str
    unit: str
    curves: tuple[Curve, ...]
    bands: tuple[LimitLines, ...] = ()
    worst: tuple[Span, ...] = ()
    floor: float | None = None
    """Values below it do not stretch the axis: a voltage of zero during an interruption would flatten the rest."""


def unobserved(curves: Sequence[Curve], frame: Frame) -> list[Span]:
    """Spans in which none of the curves has a value."""
    spans: list[Span] | None = None
    for curve in curves:
        gaps = spans_of(np.isnan(curve.mean), curve.start_us, curve.step_us)
        end = curve.start_us + len(curve.mean) * curve.step_us
        # The ends are not covered by the grid of this curve alone; half a step is no gap.
        if curve.start_us - frame.start_us > curve.step_us:
            gaps.insert(0, (frame.start_us, curve.start_us))
        if frame.end_us - end > curve.step_us:
            gaps.append((end, frame.end_us))
        spans = gaps if spans is None else _both(spans, gaps)
    return spans or []


def _both(first: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    return [(max(a, c), min(b, d)) for a, b in first for c, d in other if min(b, d) > max(a, c)]


def trend(identity: str, title: str, panels: Sequence[Panel], frame: Frame, alt: str, caption: str) -> Drawn:
    """Panels above each other on one time axis."""
    with drawing():
        tall = 2.8 if len(panels) == 1 else 1.75 * len(panels) + 0.7
        figure = new_figure(tall)
        stack = figure.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
        bottom, top = 0.58 / tall, 1 - (0.5 if len(panels) > 1 else 0.27) / tall
        figure.subplots_adjust(left=0.075, right=0.985, bottom=bottom, top=top, hspace=0.42)
        for number, (axes, panel) in enumerate(zip(stack, panels, strict=True)):
            _draw(axes, panel, frame, titled=len(panels) > 1)
            label_axis(axes, frame.start_us, frame.end_us, frame.zone, named=number == len(panels) - 1)
        svg = as_svg(figure)
        box = box_of(figure, stack[0])
        if len(panels) > 1:
            box[3] = box_of(figure, stack[-1])[3]
    shown = [(panel, curve) for panel in panels for curve in panel.curves]
    pointer = {
        "box": box, "zone": frame.zone, "start": frame.start_us // 1000, "end": frame.end_us // 1000,
        "series": [
            {
                "label": curve.label if len(panels) == 1 else f"{panel.title}, {curve.label}", "unit": panel.unit,
                "start": curve.start_us // 1000, "step": curve.step_us // 1000, "values": rounded(curve.mean),
            }
            for panel, curve in shown
        ],
    }  # fmt: skip
    return Drawn(identity, title, svg, alt, caption, pointer)


def _draw(axes: Any, panel: Panel, frame: Frame, *, titled: bool) -> None:
    shade(axes, frame.start_us, frame.end_us, frame.excluded, unobserved(panel.curves, frame), panel.worst)
    lowest, highest = np.inf, -np.inf
    for curve in panel.curves:
        name, dash = PHASE_LINES[curve.line % len(PHASE_LINES)]
        x = hours(curve.start_us + (np.arange(len(curve.mean)) + 0.5) * curve.step_us, frame.start_us)
        if curve.low is not None and curve.high is not None and np.nanmax(curve.high - curve.low, initial=0) > 0:
            axes.fill_between(x, curve.low, curve.high, color=light(name), alpha=0.22, linewidth=0.4, zorder=1.5)
            lowest, highest = _wider(lowest, highest, curve.low, curve.high, panel.floor)
        axes.plot(
            x, curve.mean, color=light(name), linestyle=dash, linewidth=1.1, label=curve.label, zorder=2,
            marker="." if np.count_nonzero(~np.isnan(curve.mean)) < 40 else "", markersize=3,
        )  # fmt: skip
        lowest, highest = _wider(lowest, highest, curve.mean, curve.mean, panel.floor)
    _limits(axes, panel, lowest, highest)
    axes.set_ylabel(panel.unit if panel.unit != "1" else "")
    if titled:
        axes.set_title(panel.title)
    if len(panel.curves) > 1:
        axes.legend(
            loc="lower right" if titled else "lower left", bbox_to_anchor=(1.0 if titled else 0.0, 1.0), ncols=8,
            borderaxespad=0.1, handlelength=2.6, columnspacing=1.2,
        )  # fmt: skip


def _wider(
    lowest: float, highest: float, low: NDArray[Any], high: NDArray[Any], floor: float | None
) -> tuple[float, float]:
    low, high = low[~np.isnan(low)], high[~np.isnan(high)]
    if floor is not None:
        low, high = low[low >= floor], high[high >= floor]
    if not len(low) or not len(high):
        return lowest, highest
    return min(lowest, float(low.min())), max(highest, float(high.max()))


def _limits(axes: Any, panel: Panel, lowest: float, highest: float) -> None:
    """Limit lines with their words at the right end, and a range of the axis that shows curves and limits."""
    edges = [edge for band in panel.bands for edge in (band.low, band.high) if edge is not None]
    if not np.isfinite(lowest):
        lowest, highest = (min(edges), max(edges)) if edges else (0.0, 1.0)
    bottom, top = (min([lowest, *edges]), max([highest, *edges])) if edges else (lowest, highest)
    if lowest >= 0 and panel.unit in ("A", "%", "1"):
        bottom = 0.0
    reach = (top - bottom) or abs(top) * 0.01 or 1.0
    axes.set_ylim(bottom if bottom == 0 else bottom - 0.1 * reach, top + 0.13 * reach)
    limit_lines(axes, panel.bands, panel.unit, 1.0, _tail(panel.curves))


def _tail(curves: Sequence[Curve]) -> float:
    """Where the curves lie at the right end, where the words stand."""
    ends = [curve.mean[-max(len(curve.mean) // 6, 1) :] for curve in curves]
    held = np.concatenate([end[~np.isnan(end)] for end in ends]) if ends else np.empty(0)
    return float(np.median(held)) if len(held) else 0.0


def limit_lines(axes: Any, bands: Sequence[LimitLines], unit: str, place: float, near: float) -> None:
    """One line per distinct limit, all it stands for written on it at `place` (share of the width).

    The words stand on the side of the line away from `near`, the values there.
    """
    words: dict[float, list[str]] = {}
    for band in bands:
        for edge in (band.low, band.high):
            if edge is not None:
                words.setdefault(edge, []).append(band.label)
    dashes = ((0, (7, 2)), (0, (3, 2, 1, 2)), (0, (1, 1)))
    for number, (edge, labels) in enumerate(words.items()):
        axes.axhline(edge, color=light("limit"), linewidth=1.2, linestyle=dashes[number // 2 % 3], zorder=2.5)
        axes.annotate(
            f"{edge:.6g}{'' if unit == '1' else ' ' + unit}: {', '.join(labels)}", (place, edge),
            xycoords=("axes fraction", "data"), xytext=(-3 if place == 1 else 0, 2 if near < edge else -2),
            textcoords="offset points", ha="right" if place == 1 else "center", va="bottom" if near < edge else "top",
            fontsize=7.2, zorder=4,
            bbox={"facecolor": light("paper"), "alpha": 0.6, "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip


def step_words(curves: Sequence[Curve], interval_us: int) -> str:
    """What one point of the line is, for the caption."""
    step = max(curve.step_us for curve in curves)
    if step == interval_us:
        return f"Each point is one recorded {duration_text(step)} value."
    return (
        f"Each point of the line is the mean of {duration_text(step)}; the tinted band reaches from the lowest to the "
        "highest value within it, so no peak is lost."
    )
