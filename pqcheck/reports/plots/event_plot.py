"""Recorded events: depth against duration, beside the ride-through curves of the shipped and the applied tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal

import numpy as np

from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.event_rules import CurveStep, EventRule, edge_at
from pqcheck.reports.plots.canvas import Drawn, as_svg, axes_of, legend_above, light
from pqcheck.reports.plots.material import Material

_REFERENCE = ("iti-2000", "semi-f47-0706")
"""Curves printed for orientation whether or not the job applies them; they judge nothing here."""


def event_figure(material: Material) -> Iterator[Drawn]:
    """The figure, if the recording came with an event table."""
    gathered = material.gathered
    if gathered is None or not gathered.events:
        return
    placed = [event for event in gathered.events if event.residual_percent is not None and event.duration_s > 0]
    points = [(event.kind, float(event.duration_s), float(event.residual_percent or 0)) for event in placed]
    frequency = material.site.supply.frequency or Decimal(50)
    longest = max([event.duration_s for event in placed] or [Decimal(10)])
    curves: dict[str, list[tuple[Decimal, Decimal]]] = {}
    for table in (*material.tables, *(load_table(name) for name in _REFERENCE)):
        for rule in table.event_rules:
            if rule.kind == "ride_through" and len(curves) < 3:
                curves.setdefault(f"{table.standard} {table.edition}", _edge(rule, frequency, longest))
    counted = ", ".join(
        f"{sum(event.kind == kind for event in gathered.events)} {kind}s" for kind in ("dip", "swell", "interruption")
    )
    unplaced = len(gathered.events) - len(placed)
    svg = _plot(points, curves)
    yield Drawn(
        "fig-events", "Recorded events: depth against duration", svg,
        f"Scatter of recorded events by duration and residual voltage: {counted}.",
        "Each mark is one event of the event table. The curves are ride-through curves for equipment, shown for "
        "orientation: an event below a curve can trip equipment built to it."
        + (f" {unplaced} events without depth or duration are not drawn." if unplaced else ""),
    )  # fmt: skip


def _edge(rule: EventRule, frequency: Decimal, longest: Decimal) -> list[tuple[Decimal, Decimal]]:
    steps: Sequence[CurveStep] = rule.lower or rule.upper
    ends = [step.up_to.seconds(frequency) for step in steps if step.up_to is not None]
    last = max([longest * 2, *ends])
    durations = sorted({*map(Decimal, np.geomspace(0.005, float(last), 160)), *ends,
                        *(end * Decimal("1.0001") for end in ends)})  # fmt: skip
    edges = ((duration, edge_at(tuple(steps), duration, frequency)) for duration in durations)
    return [(duration, edge[0]) for duration, edge in edges if edge is not None]


def _plot(points: Sequence[tuple[str, float, float]], curves: Mapping[str, Sequence[tuple[Decimal, Decimal]]]) -> str:
    """Residual voltage in percent against duration in seconds, with ride-through curves (points of steps)."""
    marks = {"dip": ("v", "first"), "swell": ("^", "second"), "interruption": ("X", "outside")}
    with axes_of(3.2, bottom=0.16, top=0.9) as (figure, axes):
        for kind, (marker, colour) in marks.items():
            chosen = [(duration, residual) for event_kind, duration, residual in points if event_kind == kind]
            if chosen:
                axes.plot([x for x, _ in chosen], [y for _, y in chosen], linestyle="", marker=marker,
                          markersize=6, color=light(colour), label=f"{kind} ({len(chosen)})")  # fmt: skip
        dashes = ((0, (7, 2)), (0, (3, 2, 1, 2)), (0, (1, 1)))
        for number, (label, steps) in enumerate(curves.items()):
            axes.plot([float(x) for x, _ in steps], [float(y) for _, y in steps], color=light("limit"), linewidth=1.2,
                      linestyle=dashes[number % 3], label=label)  # fmt: skip
        axes.set_xscale("log")
        axes.set_xlabel("duration, s")
        axes.set_ylabel("residual voltage, %")
        axes.set_ylim(bottom=-4)
        axes.grid(True)
        legend_above(axes, 6)
        return as_svg(figure)
