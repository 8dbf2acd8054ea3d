"""Clamps that fell off."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import (
    CHOSEN,
    CURRENTS,
    OF_ITS_CURRENT,
    Check,
    Refusal,
    Threshold,
    thresholds,
)
from pqcheck.vet.kept_runs import Array, starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

GONE = Threshold(0.01, "1", CHOSEN,
                 "Share of its own usual value (or of the other phases) below which a current is nothing.")
NOTHING = Threshold(0.04, "1", CHOSEN, "Share of the other phases' current (from the start), or of its own usual value "
                                       "(from a step on), that the noise of a large range can be; a question, not a "
                                       "refusal.")
FEWEST_POINTS = Threshold(20, "1", CHOSEN, "Points before and after the step.")
NEVER_BELOW = Threshold(0.1, "1", CHOSEN,
                        "A load that fell below this share of its median before is switched now and then.")
OTHERS_WITHIN = Threshold(0.3, "1", CHOSEN, "Change of the other phases at the step.")

CHECK = Check(
    name="dead-clamp",
    question="Did a clamp fall off?",
    looks_at="Every phase current beside the others.",
    how="A current that drops to nothing at one moment and stays there while the other phases go on, and that never "
        "was so low before; or one that is nothing from the start (a question: nothing passes on it).",
    example="Current c falls from about 120 A to 0.1 A at one moment and stays there.",
    codes={"dead-clamp": "A clamp sees nothing"},
    refuses={
        "dead-clamp": (
            Refusal(CURRENTS, "same", "The current of the phase is not what flowed."),
            *OF_ITS_CURRENT,
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Per current: gone to nothing from a step on, or from the start, while the other phases carry load."""
    grid = base.grid
    rows = grid.recorded("current")
    for phase, series in rows.items():
        others = [other for name, other in rows.items() if name != phase]
        name = f"current.{phase}.mean"
        if not others:
            yield Outcome(CHECK, Verdict.PASS, name, "current", phase)
            continue
        yield _dead_clamp(grid, phase, name, series, np.mean(np.stack(others), axis=0))


def _dead_clamp(grid: Grid, phase: str, name: str, series: Array, others: Array) -> Outcome:
    passed = Outcome(CHECK, Verdict.PASS, name, "current", phase)
    known = np.isfinite(series) & np.isfinite(others)
    if np.count_nonzero(known) < FEWEST_POINTS.value:
        return passed
    usual = np.nanpercentile(series, 90)
    around = float(np.nanmedian(others[known]))
    if around <= 0:
        return passed
    if usual < NOTHING.value * around:
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, "current", phase, code="dead-clamp", likelihood="likely",
            text=f"Current {phase} never rises above {usual:.3g} A while the other phases carry about {around:.3g} "
                 "A: the clamp sees nothing, or the phase has no load.",
            advice="Compare with a handheld reading; close the clamp and check its plug and range.",
            subjects=(Subject("current", (phase,)),),
        )
    points = np.flatnonzero(known)
    fewest = int(FEWEST_POINTS.value)
    for share in (GONE.value, NOTHING.value):
        gone = series[points] < share * usual
        starts, lengths = starts_and_lengths(gone)
        if gone[-1] and lengths[-1] >= fewest and starts[-1] >= fewest:
            break
    else:
        return passed
    cut, size = int(starts[-1]), int(lengths[-1])
    first = int(points[cut])
    # Only while the other phases carry load does a missing current mean anything, and a present one before.
    loaded = others[points] >= 0.5 * around
    before = series[points[:cut]][loaded[:cut]]
    if np.count_nonzero(loaded[cut:]) < fewest:
        return passed
    near = others[points[cut - 5 : cut]], others[points[cut : cut + 5]]
    # The noise of a large range is more than nothing: then it may as well be a small load that stayed.
    sudden = share == GONE.value and before.size >= fewest \
        and np.percentile(before, 5) >= NEVER_BELOW.value * np.median(before) \
        and abs(float(np.float64(np.median(near[1])) / np.median(near[0])) - 1) <= OTHERS_WITHIN.value
    span = Extent(grid.time(first), grid.end_us, size, float(series[first]), grid.time(first))
    if not sudden:
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, name, "current", phase, code="dead-clamp", likelihood="likely",
            text=f"Current {phase} sees nothing from one moment on, to the end, while the other phases carry load: the "
                 "clamp fell off, or the load of this phase was switched off.",
            advice="Check the clamp and its plug; ask what was switched.", spans=(span,),
            subjects=(Subject("current", (phase,), start_us=span.start_us),),
        )
    return Outcome(
        CHECK, Verdict.REFUSED, name, "current", phase, code="dead-clamp", likelihood="likely",
        text=f"Current {phase} falls from about {np.median(before):.3g} A to "
             f"{np.median(series[first:]):.3g} A "
             "at one moment and stays there while the other phases go on: the clamp fell off or was unplugged. "
             "Alternative: all load of this phase was switched off for good.",
        advice="Check the clamp and its plug; ask what was switched.", spans=(span,),
        subjects=(Subject("current", (phase,), start_us=span.start_us),),
    )
