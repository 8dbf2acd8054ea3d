"""Figures of a load study: demand with limit and stacked new load, duration curve, profile, spectra, headroom."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.loads.study import LoadStudy
from pqcheck.loads.study_values import Demand
from pqcheck.reports.load_words import NAMES, rating_title, scale_of, scaled
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
from pqcheck.reports.plots.time_axis import WEEKDAYS, label_axis

_MOST_POINTS = 3000
MOST_BARS = 14


def figures(study: LoadStudy) -> list[Drawn]:
    """Every figure the study has data for, in reading order."""
    charts = [
        _demand(study),
        _duration(study),
        _profile(study.demand),
        _spectrum(study),
        _headroom(study),
        _rooms(study),
    ]
    return [chart for chart in charts if chart is not None]


def _demand(study: LoadStudy) -> Drawn | None:
    """Demand over time: what is there, the new load stacked on it, the ratings as lines."""
    key, phase = _tightest_phase(study)
    if key is None:
        return None
    now = _blocks(study.demand, key)
    if not len(now) or np.isnan(now).all():
        return None
    then = None if study.demand_then is None else _blocks(study.demand_then, key)
    unit, by = ("A", 1.0) if key.startswith("current") else ("kVA", 1000.0)
    step_h = study.demand.interval_s / 3600
    start = study.demand.blocks_start_us
    # Thinned by maxima, so that no peak is lost.
    fold = max(1, -(-len(now) // _MOST_POINTS))
    shown = _folded(now / by, fold)
    above = None if then is None or len(then) != len(now) else _folded(then / by, fold)
    hours = np.arange(len(shown)) * step_h * fold
    limits = {
        capacity.title: capacity.limit / by
        for capacity in study.capacity
        if _is_for(capacity.phase, capacity.unit, phase, unit)
    }
    with axes_of(3.0, bottom=0.19, top=0.89) as (figure, axes):
        edges = np.append(hours, hours[-1] + step_h * fold)
        axes.stairs(shown, edges, baseline=0, fill=True, color=light("first"), alpha=0.75, label="now")
        if above is not None:
            axes.stairs(np.maximum(above, shown), edges, baseline=shown, fill=True, color=light("second"), alpha=0.8,
                        hatch="////", edgecolor=light("paper"), linewidth=0, label="new load")  # fmt: skip
        for number, (title, value) in enumerate(limits.items()):
            dash = ("-", (0, (6, 2)), (0, (2, 2)))[number % 3]
            label = f"{title} {value:.4g} {unit}"
            axes.axhline(value, color=light("limit"), linewidth=1.5, linestyle=dash, label=label)
        axes.set_ylim(bottom=0)
        axes.margins(y=0.1)
        axes.set_ylabel(unit)
        label_axis(axes, start, start + int(edges[-1] * 3.6e9), study.zone)
        axes.grid(True, axis="y")
        legend_above(axes, 5)
        svg = as_svg(figure)
    what = f"current of phase {phase}" if phase else "apparent power"
    highest = np.nanmax(now / by)
    words = f"Demand of the {what} over {study.demand.interval_s / 60:g} minutes; the largest is {highest:.4g} {unit}."
    if above is not None:
        words += f" With the new load the largest is {np.nanmax(then / by):.4g} {unit}."  # type: ignore[operator]
    return Drawn("load-demand", "Demand and the new load on top", svg, words,
                 f"{words} The new load is hatched and stacked on the measured demand; ratings are lines.")  # fmt: skip


def _tightest_phase(study: LoadStudy) -> tuple[str | None, str | None]:
    """The series with the least room under a rating, else the highest current, else the apparent power."""
    rated = [capacity for capacity in study.capacity if capacity.unit == "A" and capacity.phase in ("a", "b", "c")]
    if rated:
        tightest = min(
            rated, key=lambda each: (each.limit - (each.now if each.then is None else each.then)) / each.limit
        )
        return f"current.{tightest.phase}", tightest.phase
    currents = study.demand.currents()
    peaks = {phase: current.largest.value for phase, current in currents.items() if current.largest is not None}
    if peaks:
        phase = max(peaks, key=lambda name: peaks[name])
        return f"current.{phase}", phase
    return ("apparent_power", None) if "apparent_power" in study.demand.blocks else (None, None)


def _is_for(phase: str | None, unit: str, wanted: str | None, shown: str) -> bool:
    return phase == wanted and (unit == "A") == (shown == "A")


def _blocks(demand: Demand, key: str) -> NDArray[np.float64]:
    return np.asarray(demand.blocks.get(key, np.empty(0)), dtype=np.float64)


def _folded(values: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    if size == 1:
        return values
    padded = np.concatenate([values, np.full(-len(values) % size, np.nan)]).reshape(-1, size)
    return np.where(
        np.isnan(padded).all(axis=1), np.nan, np.nanmax(np.where(np.isnan(padded), -np.inf, padded), axis=1)
    )


def _duration(study: LoadStudy) -> Drawn | None:
    """Load duration curve, now and with the new load."""
    demand = study.demand
    if not demand.curve:
        return None
    unit, by = scale_of(demand.curve_unit)
    lines = {"now": demand.curve}
    if study.demand_then is not None and study.demand_then.curve_of == demand.curve_of:
        lines["with the new load"] = study.demand_then.curve
    with axes_of(2.8, bottom=0.18, top=0.9) as (figure, axes):
        series = []
        for number, (label, points) in enumerate(lines.items()):
            name, dash = PHASE_LINES[number]
            x, y = (
                np.array([coordinate for coordinate, _ in points]),
                np.array([coordinate for _, coordinate in points]) / by,
            )
            axes.plot(x, y, color=light(name), linestyle=dash, linewidth=1.5, label=label, drawstyle="steps-post")
            series.append({"label": label, "unit": unit, "values": rounded(y, 4)})
        axes.set_xlim(0, 100)
        axes.set_xlabel("share of the time in which the demand was reached or exceeded, %")
        axes.set_ylabel(unit)
        axes.grid(True)
        legend_above(axes, 3)
        svg, box = as_svg(figure), box_of(figure, axes)
    what = NAMES.get(demand.curve_of, demand.curve_of)
    first, middle = demand.curve[0][1], demand.curve[50][1]
    words = (
        f"Load duration curve of the {what}: at most {scaled(first, demand.curve_unit)}, half of the time at least "
        f"{scaled(middle, demand.curve_unit)}."
    )
    return Drawn(
        "load-duration", "Load duration curve", svg, words, words, {"box": box, "percent": True, "series": series}
    )


def _profile(demand: Demand) -> Drawn | None:
    """Mean demand by weekday and hour."""
    if len(demand.profile) < 24:
        return None
    unit, by = scale_of(demand.curve_unit)
    grid = np.full((7, 24), np.nan)
    for hour in demand.profile:
        grid[hour.weekday, hour.hour] = hour.mean / by
    with axes_of(2.3, right=0.97, bottom=0.2, top=0.93) as (figure, axes):
        axes.set_facecolor(light("track"))
        image = axes.imshow(np.ma.masked_invalid(grid), aspect="auto", interpolation="none", cmap="cividis",
                            extent=(0, 24, 7, 0))  # fmt: skip
        axes.set_yticks([day + 0.5 for day in range(7)])
        axes.set_yticklabels(list(WEEKDAYS))
        axes.set_xticks(range(0, 25, 3))
        axes.set_xlabel("hour of the day")
        bar = figure.colorbar(image, ax=axes, pad=0.015, fraction=0.04)
        bar.outline.set_visible(False)
        bar.set_label(unit)
        svg = as_svg(figure)
    highest = max(demand.profile, key=lambda cell: cell.mean)
    words = (
        f"Mean {NAMES.get(demand.curve_of, demand.curve_of)} by weekday and local hour; the highest mean, "
        f"{scaled(highest.mean, demand.curve_unit)}, falls on {WEEKDAYS[highest.weekday]} at {highest.hour:02d}:00."
    )
    return Drawn("load-profile", "Profile by weekday and hour", svg, words, words)


def _spectrum(study: LoadStudy) -> Drawn | None:
    """Current spectrum of the high-load intervals before and after."""
    spectrum = study.spectrum
    if spectrum is None:
        return None
    orders = [order for order in sorted({*spectrum.before, *spectrum.after}) if order > 1]
    shown = [order for order in orders if max(spectrum.before.get(order, 0), spectrum.after.get(order, 0)) > 0]
    if not shown:
        return None
    groups = {"now": spectrum.before, **({"with the new load": spectrum.after} if spectrum.after else {})}
    with axes_of(2.9, bottom=0.17, top=0.9) as (figure, axes):
        width = 0.8 / len(groups)
        series = []
        for number, (label, values) in enumerate(groups.items()):
            heights = [values.get(order, 0.0) for order in shown]
            places = np.arange(len(shown)) - 0.4 + (number + 0.5) * width
            axes.bar(places, heights, width * 0.92, color=light(PHASE_LINES[number][0]), label=label,
                     hatch=("", "////")[number], edgecolor=light("paper"), linewidth=0)  # fmt: skip
            series.append({"label": label, "unit": "A", "values": rounded(heights, 4)})
        axes.set_xticks(range(len(shown)))
        axes.set_xticklabels([str(order) for order in shown], fontsize=8 if len(shown) <= 30 else 6.2)
        axes.set_xlabel("harmonic order")
        axes.set_ylabel("A")
        axes.grid(True, axis="y")
        legend_above(axes, 3)
        svg, box = as_svg(figure), box_of(figure, axes)
    words = f"Current spectrum of phase {spectrum.phase}, mean square over the high-load intervals" + (
        ", before and with the new load." if spectrum.after else "."
    )
    pointer = {"box": box, "labels": [f"order {order}" for order in shown], "series": series}
    return Drawn("load-spectrum", "Spectrum before and after", svg, words, words, pointer)


def _bars(
    identity: str, title: str, rows: list[tuple[str, float, float | None, float | None]], axis: str, caption: str
) -> Drawn | None:
    """Horizontal bars in percent: what is used now, what comes on top, an upper bound as a whisker, 100 % as a line."""
    if not rows:
        return None
    count = len(rows)
    tall = 0.26 * count + 0.85
    with axes_of(tall, left=0.33, right=0.975, bottom=0.5 / tall, top=1 - 0.3 / tall) as (figure, axes):
        for number, (_, now, then, bound) in enumerate(rows):
            y = count - 1 - number
            axes.barh(y, now, 0.62, color=light("first"), label="now" if number == 0 else None)
            if then is not None and then > now:
                axes.barh(y, then - now, 0.62, left=now, color=light("second"), hatch="////", edgecolor=light("paper"),
                          linewidth=0, label="new load" if number == 0 else None)  # fmt: skip
            if bound is not None:
                axes.plot([bound, bound], [y - 0.31, y + 0.31], color=light("outside"), linewidth=1.6,
                          label="all at once (upper bound)" if number == 0 else None)  # fmt: skip
        _finish_bars(axes, [label for label, *_ in rows], axis)
        legend_above(axes, 4)
        svg = as_svg(figure)
    words = "; ".join(
        f"{label}: {now:.3g} %" + (f", then {then:.3g} %" if then is not None else "") for label, now, then, _ in rows
    )
    return Drawn(identity, title, svg, f"{title}. {words}.", caption)


def _finish_bars(axes: Any, labels: list[str], axis: str, **style: Any) -> None:
    """The line at 100 %, and the names of bars that were drawn from the top down."""
    axes.axvline(100, color=light("limit"), linewidth=1.5)
    axes.set_yticks(range(len(labels)))
    axes.set_yticklabels(labels[::-1], **style)
    axes.set_xlim(left=0)
    axes.set_xlabel(axis)
    axes.grid(True, axis="x")


def _headroom(study: LoadStudy) -> Drawn | None:
    rows = []
    for capacity in study.capacity:
        then = None if capacity.then is None else 100 * capacity.then / capacity.limit
        bound = None if capacity.then_bounds is None else 100 * capacity.then_bounds[1] / capacity.limit
        rows.append((rating_title(capacity), 100 * capacity.now / capacity.limit, then, bound))
    return _bars("load-headroom", "Use of the ratings", rows, "percent of the rating",
                 "Largest demand in percent of each declared rating; the line stands at 100 %.")  # fmt: skip


def _rooms(study: LoadStudy) -> Drawn | None:
    """How much of the declared addition each criterion bears."""
    rooms = [room for room in study.rooms if room.key != "supply"][:MOST_BARS]
    if not rooms:
        return None
    count = len(rooms)
    tall = 0.26 * count + 0.85
    with axes_of(tall, left=0.42, right=0.975, bottom=0.5 / tall, top=1 - 0.15 / tall) as (figure, axes):
        for number, addition in enumerate(rooms):
            y = count - 1 - number
            axes.barh(y, min(100 * addition.share, 400), 0.62, color=light("first"),
                      hatch="" if not addition.about else "....", edgecolor=light("paper"), linewidth=0)  # fmt: skip
        axis = "addition that still holds, percent of what is declared"
        _finish_bars(axes, [room.title for room in rooms], axis, fontsize=7.5)
        svg = as_svg(figure)
    words = "; ".join(f"{room.title}: {100 * room.share:.3g} %" for room in rooms)
    caption = "Bars shorter than the line fail before the whole addition is connected. Dotted bars are interpolated."
    return Drawn(
        "load-rooms", "What fails first", svg, f"How much of the addition each criterion bears. {words}.", caption
    )
