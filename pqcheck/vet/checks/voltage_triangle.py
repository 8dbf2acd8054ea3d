"""Whether voltages to neutral and between lines are those of one triangle with one neutral point."""

from __future__ import annotations

import math
import operator
from collections.abc import Iterator, Sequence

import numpy as np

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, ITSELF, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.kept_runs import Array, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import TimeBase, canonical_factor

EACH_PERCENT = Threshold(1, "% of the reading", PRACTICE,
                         "Accuracy of each voltage where none is declared; errors of several add up as squares.")
AVERAGED_PERCENT = Threshold(0.3, "%", PRACTICE, "What averages and triplen harmonics leave between the two sets, "
                                                 "however accurate the instrument.")
SHORTEST_HOURS = Threshold(1, "h", CHOSEN, "Shortest stretch, which is shown or not as one.")
FEWEST_POINTS = Threshold(6, "1", CHOSEN, "Points of such a stretch.")
STANDS = Threshold(0.7, "1", PRACTICE, "Of its usual level: a voltage below is a fault, or a lead in the air.")

CLASS_PERCENT = {"A": 0.1, "S": 0.5}
"""Voltage magnitude by instrument class, IEC 61000-4-30 5.2, percent of the declared voltage (memory)."""

CHECK = Check(
    name="voltage-triangle",
    question="Do the voltages to neutral fit those between lines?",
    looks_at="The three voltages to neutral and the three between lines; on 120/240 V services the two legs and the "
             "line between them.",
    how="The lines make a triangle, and the differences of the squares of the voltages to neutral say where in it the "
        "neutral point lies, however unbalanced or displaced. From there the voltages to neutral follow: a mean square "
        "of (ab^2 + bc^2 + ca^2)/9 and the square of the distance from the centre: four points in a plane have five "
        "distances of their own, the sixth follows (Cayley and Menger). Further apart than accuracy and steps of the "
        "six explain, for an hour or longer or on the whole, one of them or one set has a wrong ratio. The two legs of "
        "a 120/240 V service add up.",
    example="The voltages to neutral stand at 1.05 of what those between lines make them, for 168 h.",
    codes={"sources-disagree": "To neutral and between lines contradict each other"},
    refuses={
        "sources-disagree": (
            Refusal(ITSELF, "same", "One of the two sets is not what it reads."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome for all voltages together."""
    phases = _compared(base)
    passed = Outcome(CHECK, Verdict.PASS if phases else Verdict.NOT_APPLICABLE, "voltage", "voltage",
                     code="" if phases else "no-input",
                     text="" if phases else "Voltages to neutral and between lines were not both recorded in full.",
                     advice="" if phases else "Record both sets, and they prove each other.")
    rows = base.grid.stack(*(("voltage", phase) for phase in phases)) if phases else None
    if rows is None:
        yield passed
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        rows = np.where(rows < STANDS.value * np.nanmedian(rows, axis=1, keepdims=True), np.nan, rows)
        ratio = (rows[0] + rows[1]) / rows[2] if len(phases) == 3 else to_neutral_over_lines(rows[:3], rows[3:])
        allowed = explained_percent(base, phases)
        apart = np.abs(ratio - 1) > allowed / 100
    known = ratio[np.isfinite(ratio)]
    if known.size >= FEWEST_POINTS.value and np.median(np.abs(known - 1)) > allowed / 100 \
            and abs(float(np.median(known)) - 1) > allowed / 100:
        # Noise of single points breaks runs; what all of them show together stands.
        apart = np.isfinite(ratio)
    points = max(FEWEST_POINTS.value, SHORTEST_HOURS.value * 3600e6 / base.grid.step_us)
    spans = [(first, first + size) for first, size in
             zip(*(part.tolist() for part in starts_and_lengths(apart)), strict=True) if size >= points]
    yield _contradiction(base, phases, ratio, spans) if spans else passed


def _compared(base: TimeBase) -> tuple[str, ...]:
    """The voltages that must fit each other, those to neutral first; empty where a set is not complete."""
    supply, recorded = base.site.supply, base.grid.recorded("voltage", (*LINE_TO_NEUTRAL, *LINE_TO_LINE))
    if all(phase in recorded for phase in (*LINE_TO_NEUTRAL, *LINE_TO_LINE)):
        return (*LINE_TO_NEUTRAL, *LINE_TO_LINE)
    line, neutral = supply.line_to_line, supply.line_to_neutral
    halves = supply.connection == "split-phase" and line and neutral and abs(line / neutral - 2) < 0.05
    return ("an", "bn", "ab") if halves and all(phase in recorded for phase in ("an", "bn", "ab")) else ()


def explained_percent(base: TimeBase, phases: Sequence[str]) -> float:
    """How far the two sets may be apart [%].

    A declared accuracy bounds every error, so those of a set may point one way; without one single errors of the usual
    size add up as squares, each by its weight in the ratio. Readings in steps add half a step each.
    """
    weights = (0.5, 0.5, 1.0) if len(phases) == 3 else (1 / 3,) * 6
    halves = [_half_step_percent(base, phase) for phase in phases]
    kind = str(base.site.instrument.get("class", "")).upper()
    declared = base.site.instrument.get("percent", CLASS_PERCENT.get(kind[-1:]))
    if declared is not None:
        return max(AVERAGED_PERCENT.value, 2 * float(declared)) + math.hypot(*map(operator.mul, weights, halves))
    return math.hypot(*(weight * math.hypot(EACH_PERCENT.value, half)
                        for weight, half in zip(weights, halves, strict=True)))


def _half_step_percent(base: TimeBase, phase: str) -> float:
    """Half the smallest move of a voltage over its usual level [%]; 0 where it comes from another time base."""
    series = base.grid.get("voltage", phase)
    for channel, statistics in base.channels.items():
        if (channel.quantity, channel.phase, channel.reading) == ("voltage", phase, "mean") and series is not None:
            level = float(np.nanmedian(series)) / canonical_factor("voltage", channel.unit)
            step = statistics.resolution
            return 50 * step / level if 0 < step < math.inf and level > 0 else 0.0
    return 0.0


def to_neutral_over_lines(to_neutral: Array, lines: Array) -> Array:
    """Voltages to neutral over what the lines make them, as root mean squares of the three; 1 where they fit.

    `to_neutral` are an, bn, cn [3, n; V], `lines` ab, bc, ca [3, n; V]. The corners of the triangle are A, B and C;
    the neutral point N follows from the differences of the squares of its distances to them, and for any point
    AN^2 + BN^2 + CN^2 = 3 GN^2 + (AB^2 + BC^2 + CA^2) / 3 with the centroid G (Leibniz). NaN where no triangle exists.
    """
    (a, b, c), (ab, bc, ca) = np.square(to_neutral, dtype=np.float64), np.square(lines, dtype=np.float64)
    base = np.sqrt(ab)
    corner_x = (ca + ab - bc) / (2 * base)
    corner_y = np.sqrt(ca - corner_x**2)
    x = (a - b + ab) / (2 * base)
    y = (a - c + ca - 2 * x * corner_x) / (2 * corner_y)
    displaced = (x - (base + corner_x) / 3) ** 2 + (y - corner_y / 3) ** 2
    return np.asarray(np.sqrt((a + b + c) / (3 * displaced + (ab + bc + ca) / 3)))


def _contradiction(
    base: TimeBase, phases: Sequence[str], ratio: Array, spans: Sequence[tuple[int, int]]
) -> Outcome:
    grid = base.grid
    extents = tuple(
        Extent(grid.time(first), grid.time(end), (end - first) * grid.step_us // grid.interval_us,
               float(np.median(ratio[first:end])), grid.time(first)) for first, end in spans
    )
    middle = float(np.median(np.concatenate([ratio[first:end] for first, end in spans])))
    total = sum(extent.end_us - extent.start_us for extent in extents)
    return Outcome(
        CHECK, Verdict.REFUSED, "voltage", "voltage", code="sources-disagree", likelihood="shown",
        text=f"The voltages to neutral stand at {middle:.3f} of what those between lines make them, for "
             f"{duration_text(total)} in all; instruments explain {explained_percent(base, phases):.2g} %, and no "
             "unbalance or displaced neutral explains the rest: one of them, or one set, has a wrong ratio.",
        advice="Compare every voltage with a handheld reading; correct the ratio or declare a scale "
               "correction.",
        spans=extents, value=middle, unit="1",
        subjects=tuple(Subject("voltage", tuple(phases), start_us=extent.start_us, end_us=extent.end_us)
                       for extent in extents),
    )
