"""Cumulative curves: which share of the values lies at or below each value, against the limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.observe.gather import Judged, Track
from pqcheck.observe.percentiles import PERCENTS, values_of
from pqcheck.reports.plots.canvas import PHASE_LINES, Drawn, as_svg, drawing, light, new_figure
from pqcheck.reports.plots.labels import bands_of, concerning, phase_label, phase_line, quantity_title
from pqcheck.reports.plots.material import Material
from pqcheck.reports.plots.trend import LimitLines

_SHOWN: tuple[tuple[str, tuple[str | None, ...], str], ...] = (
    ("voltage", LINE_TO_NEUTRAL, ", to neutral"), ("voltage", LINE_TO_LINE, ", between lines"),
    ("voltage_thd", LINE_TO_NEUTRAL, ""), ("voltage_thd", LINE_TO_LINE, ", between lines"),
    ("negative_sequence_unbalance", (None,), ""), ("flicker_plt", LINE_TO_NEUTRAL, ""),
    ("flicker_plt", LINE_TO_LINE, ", between lines"), ("frequency", (None,), ""), ("current", ("a", "b", "c"), ""),
)  # fmt: skip
_MOST_PANELS = 6
_FEWEST = 10
_SHARES = np.unique(np.concatenate([np.linspace(0, 100, 201), np.linspace(0, 5, 51), np.linspace(95, 100, 51)]))
"""More points where the tails are."""


class _Panel(Struct, frozen=True):
    title: str
    unit: str
    values: tuple[tuple[str, int, NDArray[np.float64]], ...]
    """Label, line of the phase, and the values from low to high."""
    bands: tuple[LimitLines, ...]


def cumulative_figure(material: Material) -> Iterator[Drawn]:
    """The curves of the main quantities in one figure; none where hardly anything was recorded.

    What was judged is shown at the interval of its rule, what was not as recorded, named as a description.
    """
    if material.gathered is None:
        return
    made = (_panel(material, quantity, phases, words) for quantity, phases, words in _SHOWN)
    panels = [panel for panel in made if panel is not None][:_MOST_PANELS]
    if not panels:
        return
    rows = -(-len(panels) // 2)
    with drawing():
        tall = 2.1 * rows + 0.2
        figure = new_figure(tall)
        grid = figure.subplots(rows, 2, squeeze=False).ravel()
        figure.subplots_adjust(left=0.06, right=0.985, bottom=0.42 / tall, top=1 - 0.3 / tall, hspace=0.62, wspace=0.14)
        for axes, panel in zip(grid, panels, strict=False):
            _draw(axes, panel)
        for axes in grid[len(panels) :]:
            axes.set_axis_off()
        svg = as_svg(figure)
    names = "; ".join(panel.title for panel in panels)
    yield Drawn(
        "fig-cumulative", "Share of the values at or below each value", svg,
        f"Cumulative curves, one panel a quantity: {names}.",
        "A curve says for every value which share of the values lies at or below it; upright broken lines are limits, "
        "level ones stand at 1, 5, 50, 95 and 99 %. A panel marked as a description shows recorded values that no rule "
        "judged. Declared exclusions are left out.",
    )  # fmt: skip


def _panel(material: Material, quantity: str, phases: Sequence[str | None], words: str) -> _Panel | None:
    assert material.gathered is not None
    judged = [series for phase in phases if (series := material.judged(quantity, phase)) is not None]
    held: Sequence[Judged | Track] = judged or material.gathered.tracks(quantity, phases)
    values = [(_phase(each), _values(material, each)) for each in held]
    kept = tuple(
        (phase_label(phase), phase_line(quantity, phase), array) for phase, array in values if array.size >= _FEWEST
    )
    if not kept:
        return None
    length = held[0].interval_us if isinstance(held[0], Judged) else held[0].step_us
    standing = "" if judged else ", description only"
    title = f"{quantity_title(quantity)}{words}, {duration_text(length)} values{standing}"
    about = concerning(material.findings.findings, quantity, phases)
    return _Panel(title, held[0].unit, kept, bands_of(about))


def _phase(each: Judged | Track) -> str | None:
    return each.phase if isinstance(each, Judged) else each.channel.phase


def _values(material: Material, each: Judged | Track) -> NDArray[np.float64]:
    if isinstance(each, Track):
        return values_of(each, material.frame.excluded).astype(np.float64)
    kept = each.values.copy()
    for start, end in material.frame.excluded:
        first = max((start - each.start_us) // each.interval_us, 0)
        kept[first : max(-(-(end - each.start_us) // each.interval_us), first)] = np.nan
    return np.sort(kept[~np.isnan(kept)])


def _draw(axes: Any, panel: _Panel) -> None:
    low, high = np.inf, -np.inf
    for label, line, values in panel.values:
        ranks = np.maximum(np.ceil(_SHARES / 100 * values.size).astype(int) - 1, 0)
        name, dash = PHASE_LINES[line % len(PHASE_LINES)]
        axes.plot(values[ranks], _SHARES, color=light(name), linestyle=dash, linewidth=1.2, label=label)
        # An outage is seen in the table; it would press the curve against one edge.
        low, high = min(low, values[int(0.01 * values.size)]), max(high, values[-1])
    for band in panel.bands:
        for edge in (band.low, band.high):
            if edge is not None:
                axes.axvline(edge, color=light("limit"), linewidth=1.0, linestyle=(0, (4, 2)))
                low, high = min(low, edge), max(high, edge)
    for percent in PERCENTS:
        axes.axhline(percent, color=light("grid"), linewidth=0.6)
    margin = 0.04 * (high - low) or 0.01 * abs(high) or 1.0
    axes.set_xlim(low - margin, high + margin)
    axes.set_ylim(0, 100)
    # The marks at 1 and 99 % stand too near to 5 and 95 % for their names.
    axes.set_yticks(PERCENTS, [f"{percent} %" if percent in (5, 50, 95) else "" for percent in PERCENTS])
    axes.set_title(panel.title, fontsize=8.5)
    axes.set_xlabel(panel.unit if panel.unit != "1" else "")
    axes.legend(loc="best", handlelength=2.2, fontsize=7)
