"""Figures of the voltage: trend, duration, heat map, voltage against current, the two legs of a split phase."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.model.findings_words import number
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.labels import bands_of, concerning, phase_label
from pqcheck.reports.plots.material import Material, windows_of
from pqcheck.reports.plots.shapes import duration_curve, heat_map, scatter
from pqcheck.reports.plots.trend import Curve, Panel, step_words, trend

Array = NDArray[np.float64]

MARKS = (
    "Broken lines are the limits. A red bar on top marks the times outside a limit that is not met; slanted hatching "
    "is time declared excluded, upright hatching is time without readings."
)


def voltage_figures(material: Material) -> Iterator[Drawn]:
    """Everything about voltage that this recording can show, line to neutral first."""
    for kind, phases, words in (
        ("neutral", LINE_TO_NEUTRAL, "line to neutral"), ("lines", LINE_TO_LINE, "line to line"),
    ):  # fmt: skip
        curves = material.curves("voltage", phases)
        if not curves:
            continue
        held = [phase for phase in phases if material.curve("voltage", phase) is not None]
        yield _trend(material, kind, words, curves, held)
        yield from _duration(material, kind, words, held)
        yield from _heat(material, kind, words, held)
    yield from _against_current(material)
    if material.site.supply.connection in ("split-phase", "high-leg-delta"):
        yield from _legs(material)


def _trend(material: Material, kind: str, words: str, curves: list[Curve], held: list[str]) -> Drawn:
    about = concerning(material.findings.findings, "voltage", held)
    worst = windows_of(about)
    lows = [float(np.nanmin(c.low)) for c in curves if c.low is not None and not np.isnan(c.low).all()]
    highs = [float(np.nanmax(c.high)) for c in curves if c.high is not None and not np.isnan(c.high).all()]
    span = f"between {number(round(min(lows), 2))} and {number(round(max(highs), 2))} V" if lows else "without readings"
    marked = f" {len(worst)} stretches outside a limit are marked." if worst else " No time outside a limit is marked."
    caption = f"{step_words(curves, material.interval_us('voltage'))} {MARKS}"
    assert material.gathered is not None
    if any(c.reading != "mean" and c.quantity == "voltage" for c in material.gathered.plots):
        window = material.site.recording.extremes_of_us
        base = f"taken over {duration_text(window)} values" if window else "of an undeclared base window"
        caption += f" The tinted band shows the recorded minimum and maximum columns, {base}."
    panel = Panel(f"Voltage, {words}", "V", tuple(curves), bands_of(about), worst, floor=0.3 * _nominal(material))
    return trend(
        f"fig-voltage-{kind}", f"Voltage {words} over time", [panel], material.frame,
        f"Line chart of the voltage {words} over the recording, {span}.{marked}", caption,
    )  # fmt: skip


def _duration(material: Material, kind: str, words: str, held: list[str]) -> Iterator[Drawn]:
    recorded = {phase_label(p): judged for p in held if (judged := material.judged("voltage", p)) is not None}
    values = {
        label: _counted(material, series.start_us, series.interval_us, series.values)
        for label, series in recorded.items()
    }
    if not any(len(array) - np.isnan(array).sum() > 10 for array in values.values()):
        return
    interval = next(iter(recorded.values())).interval_us
    about = concerning(material.findings.findings, "voltage", held)
    yield duration_curve(
        f"fig-duration-{kind}", f"Voltage, {words}: how much of the time", "V", values, bands_of(about),
        f"Duration curve of the {duration_text(interval)} voltages {words}: the share of the time each was exceeded.",
        f"All {duration_text(interval)} values sorted from high to low; excluded and interrupted time is left out.",
    )  # fmt: skip


def _counted(material: Material, start_us: int, interval_us: int, values: Array) -> Array:
    kept = values.copy()
    for start, end in material.frame.excluded:
        first = max((start - start_us) // interval_us, 0)
        kept[first : max(-(-(end - start_us) // interval_us), first)] = np.nan
    nominal = _nominal(material)
    # An interrupted interval has no value for any rule (five percent is the shipped tables' threshold).
    kept[kept < 0.05 * nominal] = np.nan
    return kept


def _nominal(material: Material) -> float:
    return float(material.site.supply.line_to_neutral or material.site.supply.line_to_line or 0)


def _heat(material: Material, kind: str, words: str, held: list[str]) -> Iterator[Drawn]:
    assert material.gathered is not None
    tracks = [track for phase in held if (track := material.gathered.find("voltage", phase)) is not None]
    if not tracks:
        return
    about = concerning(material.findings.findings, "voltage", held)
    failing = [observation for observation in about if observation.margin is not None]
    worst = (
        min(failing, key=lambda observation: observation.margin.value if observation.margin else 0.0).phase
        if failing
        else held[0]
    )
    track = material.gathered.find("voltage", worst) or tracks[0]
    label = phase_label(track.channel.phase)
    values = track.mean.astype(float)
    values[values < 0.05 * np.nanmedian(values)] = np.nan
    drawn = heat_map(
        f"fig-pattern-{kind}", f"Voltage {label} by day and hour", "V", track.times_us, values, material.frame.zone,
        f"Heat map of the hourly mean voltage {label}: one column a day, one row an hour of the local day.",
        f"Hourly mean of the phase nearest to its limit ({label}). A pattern in rows comes back at the same time of "
        "day; a pattern in columns belongs to single days. Blank: no reading.",
    )  # fmt: skip
    if drawn is not None:
        yield drawn


def _against_current(material: Material) -> Iterator[Drawn]:
    assert material.gathered is not None
    groups, lines, words = {}, {}, []
    for phase in "abc":
        voltage = material.gathered.find("voltage", f"{phase}n")
        current = material.gathered.find("current", phase)
        if voltage is None or current is None or voltage.step_us != current.step_us:
            continue
        if len(voltage.mean) != len(current.mean):
            continue
        label = f"phase {phase}"
        y = voltage.mean.astype(float)
        y[y < 0.05 * np.nanmedian(y)] = np.nan
        x = current.mean.astype(float)
        x[np.isnan(y)] = np.nan
        groups[label] = (x, y)
        for observation in material.observations:
            if observation.id == f"own-load-{phase}" and "slope_V_per_A" in observation.numbers:
                lines[label] = (observation.numbers["intercept_V"], observation.numbers["slope_V_per_A"])
                words.append(
                    f"{label}: {observation.numbers['slope_V_per_A']:.4g} V/A, r {observation.numbers['r']:.2f}"
                )
    if not groups:
        return
    slopes = f" Straight lines: {'; '.join(words)}." if words else ""
    yield scatter(
        "fig-volt-ampere", "Voltage against current", "current, A", "voltage, V", groups, lines,
        f"Scatter of voltage against current of the same interval.{slopes}",
        "One dot per interval. A cloud that falls to the right means the voltage sinks as this site draws more; a "
        f"flat or shapeless cloud means it does not. A line is only drawn where a slope is claimed.{slopes}",
    )  # fmt: skip


def _legs(material: Material) -> Iterator[Drawn]:
    assert material.gathered is not None
    first, second = material.curve("voltage", "an"), material.curve("voltage", "bn")
    if first is None or second is None or len(first.mean) != len(second.mean):
        return
    total = Curve("sum of the legs", first.start_us, first.step_us, first.mean + second.mean, line=2)
    difference = Curve("leg a minus leg b", first.start_us, first.step_us, first.mean - second.mean, line=3)
    panels = [
        Panel("Legs", "V", (first, second)), Panel("Sum", "V", (total,)), Panel("Difference", "V", (difference,)),
    ]  # fmt: skip
    yield trend(
        "fig-legs", "The two legs, their sum and their difference", panels, material.frame,
        "Three charts on one time axis: the two leg voltages, their sum, and their difference.",
        "A sum that holds still while the difference swings is the sign of a loose or broken neutral.",
    )  # fmt: skip
