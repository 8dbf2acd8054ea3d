"""Clamps whose jaws are not closed."""

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
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import TimeBase

FEWEST_POINTS = Threshold(30, "1", CHOSEN, "Points on each side of the step.")
SMALLEST_FACTOR = Threshold(0.05, "1", CHOSEN, "A smaller share is a clamp that fell off.")
LARGEST_FACTOR = Threshold(0.75, "1", CHOSEN, "A step to more than this share is not looked at.")
TIMES_SCATTER = Threshold(3, "1", CHOSEN,
                          "The step (logarithmic) against the scatter of the ratio to the other phases.")
SUDDEN_SHARE = Threshold(0.7, "1", CHOSEN, "Share of the step that happens from one point to the next.")
LOADED = Threshold(0.3, "1", CHOSEN, "Share of the other phases' median below which the ratio is not looked at.")
OTHERS_WITHIN = Threshold(0.3, "1", CHOSEN, "Change of the other phases at the step: a jaw does not change them.")
SLOPE_WITHIN = Threshold(0.2, "1", CHOSEN,
                         "Distance of the change of slope from the factor: a share is lost at every load.")
LOAD_VARIES = Threshold(0.1, "1", CHOSEN,
                        "Relative variation of the load on each side; without it a share cannot be told from amperes.")

CHECK = Check(
    name="jaw",
    question="Is a jaw open?",
    looks_at="The ratio of each phase current to the two others.",
    how="A lasting step down of the ratio that is the same at every load: a jaw that does not close takes away a "
        "share, a load that is switched off takes away amperes.",
    example="From one moment on current b is 0.6 times what the two other phases say.",
    codes={"jaw-open": "A clamp is not closed"},
    refuses={
        "jaw-open": (
            Refusal(CURRENTS, "same", "The current of the phase is not what flowed."),
            *OF_ITS_CURRENT,
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Per current of a three-phase load: low by one constant factor from a step on."""
    grid = base.grid
    rows = grid.recorded("current")
    if len(rows) < 3:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="A clamp that is not closed shows only beside two other phases.", advice="Nothing to do.")
        return
    for phase, series in rows.items():
        others = np.mean(np.stack([other for name, other in rows.items() if name != phase]), axis=0)
        name = f"current.{phase}.mean"
        step = factor_step(series, others)
        if step is None:
            yield Outcome(CHECK, Verdict.PASS, name, "current", phase)
            continue
        at, factor = step
        span = Extent(grid.time(at), grid.end_us, series.size - at, factor, grid.time(at))
        yield Outcome(
            CHECK, Verdict.REFUSED, name, "current", phase, code="jaw-open", likelihood="likely",
            text=f"From one moment on current {phase} is {factor:.3g} times what the two other phases say, at every "
                 "load: the jaw is not closed or the clamp was moved.",
            advice="Close the clamp, check that nothing sits between the jaws, and measure again.", spans=(span,),
            subjects=(Subject("current", (phase,), start_us=span.start_us),),
        )


def factor_step(series: Array, others: Array) -> tuple[int, float] | None:
    """Point and factor of a lasting step down of series/others that is the same at every load; None without one.

    `others` is the mean of the other phases. The step happens from one point to the next while the others go on. A
    load that is switched off takes away amperes, not a share: then the slope of series against others stays.
    """
    fewest = int(FEWEST_POINTS.value)
    with np.errstate(invalid="ignore"):
        # At night the ratio is noise.
        both = np.isfinite(series) & np.isfinite(others) & (series > 0) & (others > 0)
        usual = np.median(others[both]) if both.any() else 0.0
        known = np.flatnonzero(both & (others > LOADED.value * usual))
    if known.size < 2 * fewest:
        return None
    own, rest = series[known], others[known]
    ratio = np.log(own / rest)
    cut = _best_cut(ratio, fewest)
    drop = np.median(ratio[cut:]) - np.median(ratio[:cut])
    scatter = max(_scatter(ratio[:cut]), _scatter(ratio[cut:]))
    if drop > np.log(LARGEST_FACTOR.value) or -drop < TIMES_SCATTER.value * scatter:
        return None
    near = slice(cut - 5, cut), slice(cut, cut + 5)
    if known[cut + 4] - known[cut - 5] > 20:
        # Across a night nothing is sudden.
        return None
    sudden = np.median(ratio[near[1]]) - np.median(ratio[near[0]])
    level = float(np.float64(np.median(rest[near[1]])) / np.median(rest[near[0]]))
    if sudden > SUDDEN_SHARE.value * drop or abs(level - 1) > OTHERS_WITHIN.value:
        return None
    slopes = []
    for part in (slice(None, cut), slice(cut, None)):
        if float(rest[part].std()) < LOAD_VARIES.value * float(rest[part].mean()):
            return None
        slopes.append(float(np.polyfit(rest[part], own[part], 1)[0]))
    factor = float(np.exp(drop))
    if factor < SMALLEST_FACTOR.value:
        return None
    if slopes[0] <= 0 or abs(slopes[1] / slopes[0] - factor) > SLOPE_WITHIN.value:
        return None
    return int(known[cut]), factor


def _best_cut(values: Array, fewest: int) -> int:
    """Where two levels explain the values best, at least `fewest` from either end."""
    count = np.arange(1, values.size)
    sums = np.cumsum(values)[:-1]
    gain = sums**2 / count + (values.sum() - sums) ** 2 / (values.size - count)
    return int(np.argmax(gain[fewest - 1 : values.size - fewest])) + fewest


def _scatter(values: Array) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
