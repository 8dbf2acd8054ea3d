"""Stretches of a voltage at a plain factor of the rest, and stretches in which the column holds something else."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, VOLTAGES, Check, Refusal, Threshold, thresholds
from pqcheck.vet.kept_runs import Array, Mask, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

FACTOR_PERCENT = Threshold(2, "%", PRACTICE, "How near the middle of the stretch must be to the factor.")
AROUND = Threshold(0.15, "1", CHOSEN, "Relative width in which the values of such a stretch lie.")
SHORTEST_HOURS = Threshold(1, "h", CHOSEN, "Shortest stretch at a factor that no supply explains.")
SHORTEST_TOGETHER_HOURS = Threshold(
    6, "h", CHOSEN, "Shortest stretch at one half, the square root of 3 or its inverse, which faults give too."
)
FEWEST_POINTS = Threshold(6, "1", CHOSEN, "Points of such a stretch.")
STANDS = Threshold((0.7, 1.4), "1", PRACTICE, "A voltage between these times its usual level stands.")
OTHER_SPREAD = Threshold(0.3, "1", CHOSEN, "Width of the middle 90 %, relative, which no voltage has for hours.")
LEAD_OFF = Threshold(0.2, "1", PRACTICE, "Of the usual level: below, a lead is in the air.")
FLOWS = Threshold(0.3, "1", CHOSEN, "Share of its usual value from which the current goes on.")

CHECK = Check(
    name="scale-step",
    question="Does a voltage change its scale?",
    looks_at="Stretches of every voltage beside the rest of it, with an edge on both sides.",
    how="A stretch at 2, 10 or 1000 times the rest, or the inverse of 10 and 1000, has another ratio or unit. One "
        "half, the square root of 3 and its inverse count where all voltages of the kind show it together for hours. A "
        "stretch far from the rest whose values scatter as no voltage does, or all voltages gone, while the currents "
        "go on, holds something else.",
    example="voltage.ab stands at 2 times the rest for 48 h.",
    codes={"scale-step": "A stretch on another scale"},
    refuses={
        "scale-step": (
            Refusal((*VOLTAGES, "flicker_pst", "flicker_plt"), "same", "The column is not on one scale."),
        ),
    },
    thresholds=thresholds(globals()),
)

ALONE = ((2.0, "2"), (10.0, "10"), (0.1, "1/10"), (1000.0, "1000"), (0.001, "1/1000"))
TOGETHER = ((0.5, "1/2"), (3**0.5, "the square root of 3"), (3**-0.5, "1/square root of 3"))


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per voltage."""
    grid = base.grid
    for kind in (LINE_TO_NEUTRAL, LINE_TO_LINE):
        levels = {phase: level for phase, series in grid.recorded("voltage", kind).items()
                  if any(channel.name == f"voltage.{phase}.mean" for channel in base.channels)
                  and (level := usual_level(series, base.site.supply.nominal(phase)))}
        ratios = {phase: grid.data["voltage", phase] / level for phase, level in levels.items()}
        for phase, ratio in ratios.items():
            yield _of_voltage(grid, phase, ratio, ratios)


def usual_level(series: Array, nominal: object = None) -> float:
    """Median of a voltage [V], where it stands near its nominal if it does so anywhere; 0.0 without a value."""
    known = series[np.isfinite(series) & (series > 0)]
    if nominal is not None:
        near = known[np.abs(known / float(str(nominal)) - 1) <= 0.25]
        known = near if near.size >= FEWEST_POINTS.value else known
    return float(np.median(known)) if known.size else 0.0


def stretches(ratio: Array, mask: Mask, points: int) -> list[tuple[int, int]]:
    """Runs of a mask of at least so many points, first and end, with an edge: the points beside it stand."""
    low, high = STANDS.value
    kept = []
    for first, size in zip(*(part.tolist() for part in starts_and_lengths(mask)), strict=True):
        end = first + size
        beside = [ratio[at] for at in (first - 1, end) if 0 <= at < ratio.size and np.isfinite(ratio[at])]
        if size >= points and beside and all(low < value < high for value in beside):
            kept.append((first, end))
    return kept


def _of_voltage(grid: Grid, phase: str, ratio: Array, ratios: dict[str, Array]) -> Outcome:
    name = f"voltage.{phase}.mean"
    spans: list[tuple[int, int]] = []
    words: dict[str, None] = {}
    hour = max(1, round(3600e6 / grid.step_us))
    with np.errstate(invalid="ignore"):
        for factor, text in (*ALONE, *TOGETHER):
            together = (factor, text) in TOGETHER
            hours = (SHORTEST_TOGETHER_HOURS if together else SHORTEST_HOURS).value
            points = max(int(FEWEST_POINTS.value), hours * hour)
            for first, end in stretches(ratio, np.abs(ratio / factor - 1) < AROUND.value, points):
                alike = ratios.values() if together else (ratio,)
                middles = [float(np.nanmedian(other[first:end])) for other in alike
                           if np.isfinite(other[first:end]).any()]
                if all(abs(middle / factor - 1) <= FACTOR_PERCENT.value / 100 for middle in middles):
                    spans.append((first, end))
                    words[f"{text} times the rest"] = None
        low, high = STANDS.value
        fallen = np.isfinite(ratio) & ((ratio < low) | (ratio > high))
        for first, end in stretches(ratio, fallen, max(int(FEWEST_POINTS.value), SHORTEST_TOGETHER_HOURS.value * hour)):
            inside = ratio[first:end]
            bottom, middle, top = np.percentile(inside, (5, 50, 95))
            gone = all(float(np.nanmax(other[first:end], initial=0.0)) < 0.05 for other in ratios.values())
            # Near zero beside standing voltages a lead is off, which is another doubt.
            scatters = middle > LEAD_OFF.value and (top - bottom) / middle > OTHER_SPREAD.value
            if (gone or scatters) and (first, end) not in spans and flowing(grid, phase, first, end):
                spans.append((first, end))
                words["a level that is no voltage of this supply while the current goes on"] = None
    if not spans:
        return Outcome(CHECK, Verdict.PASS, name, "voltage", phase)
    extents = tuple(
        Extent(grid.time(first), grid.time(end), int((end - first) * grid.step_us // grid.interval_us),
               float(np.nanmedian(ratio[first:end])), grid.time(first)) for first, end in sorted(spans)
    )
    total = sum(extent.end_us - extent.start_us for extent in extents)
    return Outcome(
        CHECK, Verdict.REFUSED, name, "voltage", phase, code="scale-step", likelihood="likely",
        text=f"voltage.{phase} stands at {' and '.join(words)} for {duration_text(total)} in all, with an edge on both "
             "sides: another ratio, unit or quantity was recorded or exported there.",
        advice="Look at what was changed at the edges (ratio of a transformer, export, mapping), and correct or "
               "exclude the stretch.",
        spans=extents,
        subjects=tuple(Subject("voltage", (phase,), start_us=extent.start_us, end_us=extent.end_us)
                       for extent in extents),
    )


def flowing(grid: Grid, phase: str, first: int, end: int) -> bool:
    """Whether the currents of a phase, or without any the powers, go on in a stretch of points."""
    rows = list(grid.recorded("current", [letter for letter in "abc" if letter in phase]).values()) \
        or list(grid.recorded("active_power", ("total", "a", "b", "c")).values())
    outside = np.ones(grid.size, np.bool_)
    outside[first:end] = False
    for series in rows:
        inside, usual = np.abs(series[first:end]), np.abs(series[outside[: series.size]])
        if not np.isfinite(inside).any() or not np.isfinite(usual).any() \
                or not float(np.nanmedian(inside)) > FLOWS.value * float(np.nanmedian(usual)) > 0:
            return False
    return bool(rows)
