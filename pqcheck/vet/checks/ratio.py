"""Wrong ratios and units: apparent power, or the root of P^2 + Q^2, against V x I."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import (
    CHOSEN,
    OF_ITS_CURRENT,
    PRACTICE,
    Check,
    Refusal,
    Threshold,
    thresholds,
)
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Proposal, Subject
from pqcheck.vet.time_base import PHASES, TimeBase

FACTORS = Threshold(
    (2, 3, 4, 5, 10, 20, 40, 50, 60, 80, 100, 120, 160, 200, 400, 1000), "1", PRACTICE,
    "Factors left by clamp ranges, transformer ratios and prefixes (with the square root of 3 and all inverses).",
)
FACTOR_WITHIN = Threshold(0.04, "1", PRACTICE, "Relative distance within which a ratio counts as a known factor.")
FEWEST_POINTS = Threshold(5, "1", CHOSEN, "Points needed to speak of a ratio.")
HIGH = Threshold(1.1, "1", PRACTICE,
                 "Apparent power, or the root of P^2 + Q^2, cannot exceed V x I by more than the instruments' errors.")
EXACT_LOW = Threshold(
    0.85, "1", PRACTICE,
    "Recorded apparent power over V x I: lower when the load fluctuates within the interval, never steadily lower."
)
VECTOR_LOW = Threshold(0.6, "1", PRACTICE,
                       "Root of P^2 + Q^2 over V x I: distortion lowers it (0.64 at a current THD of 120 %).")
ACTIVE_LOW = Threshold(0.12, "1", PRACTICE, "Active power over V x I: an ordinary power factor lies above.")
SPREAD = Threshold(0.15, "1", CHOSEN, "Width of the middle 90 % of the ratio, relative: a wrong ratio never changes.")

CHECK = Check(
    name="ratio",
    question="Do current, voltage and power agree?",
    looks_at="Per phase: apparent power, or the root of P^2 + Q^2, over V x I.",
    how="The ratio of the larger half of the values is compared with 1. Known factors (clamp ranges, transformer "
        "ratios, prefixes, the square root of 3) are named.",
    example="Apparent power of phase b is 0.1 times V x I, a factor of 1/10.",
    codes={"scale": "Wrong ratio or unit"},
    refuses={
        "scale": (
            Refusal(("current", "current_tdd", "current_trd", "current_harmonic"), "same",
                    "Amperes carry the wrong ratio; a distortion in percent does not."),
            *OF_ITS_CURRENT,
        ),
    },
    thresholds=thresholds(globals()),
)

ROOT3 = 3**0.5


def known_factors() -> tuple[tuple[float, str], ...]:
    """Factors that wrong ratios and units leave behind, with their names; the inverse of each belongs to it."""
    named = [(ROOT3, "the square root of 3")] + [(float(value), f"{value}") for value in FACTORS.value]
    return tuple(pair for value, name in named for pair in ((value, name), (1 / value, f"1/{name}")))


def nearest_factor(ratio: float, within: float) -> tuple[float, str] | None:
    """The known factor within a relative distance of `ratio`, None when there is none."""
    best = min(known_factors(), key=lambda pair: abs(ratio / pair[0] - 1))
    return best if abs(ratio / best[0] - 1) <= within else None


def typical_ratio(upper: Array, lower: Array) -> tuple[float, float] | None:
    """Median of upper/lower over the larger half of `lower`, and its spread (5 to 95 %, relative); None if too few."""
    with np.errstate(invalid="ignore", divide="ignore"):
        known = np.isfinite(upper) & np.isfinite(lower) & (lower > 0)
        if np.count_nonzero(known) < FEWEST_POINTS.value:
            return None
        top, base = upper[known], lower[known]
        large = base >= np.median(base)
        ratio = top[large] / base[large]
    low, middle, high = np.percentile(ratio, (5, 50, 95))
    return float(middle), float((high - low) / middle) if middle else float("inf")


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Per phase: S, or the root of P^2 + Q^2, against V x I."""
    grid = base.grid
    for phase in PHASES:
        current = grid.get("current", phase)
        if current is None:
            continue
        name = f"current.{phase}"
        volts = grid.get("voltage", f"{phase}n")
        apparent = grid.get("apparent_power", phase)
        active, reactive = grid.get("active_power", phase), grid.get("reactive_power", phase)
        if volts is None or (apparent is None and active is None):
            yield Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "current", phase, code="no-input",
                          text=f"Voltage {phase}n or the power of phase {phase} was not recorded; the clamp ratio "
                               "cannot be checked against them.",
                          advice="Compare the current with a handheld reading.")
            continue
        product = volts * current
        if apparent is not None:
            yield _against_product(name, phase, np.abs(apparent), product, "apparent power",
                                   EXACT_LOW.value)
        elif active is not None:
            power = np.abs(active) if reactive is None else np.hypot(active, reactive)
            what = "active power" if reactive is None else "the root of P^2 + Q^2"
            low = (ACTIVE_LOW if reactive is None else VECTOR_LOW).value
            yield _against_product(name, phase, power, product, what, low)


def _against_product(name: str, phase: str, power: Array, product: Array, what: str, low: float) -> Outcome:
    typical = typical_ratio(power, product)
    if typical is None:
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "current", phase, code="load-too-small",
                       text=f"Too few intervals with load on phase {phase} to check the ratio.",
                       advice="Look again when there is load.")
    middle, spread = typical
    steady = spread < SPREAD.value
    # Below: with a fluctuating load the mean of the product is less than the product of the rms values, and active
    # power has its power factor; only a low ratio that never changes is a wrong one.
    if middle <= HIGH.value and (middle >= low or not (steady or middle < low / 4)):
        return Outcome(CHECK, Verdict.PASS, name, "current", phase, value=middle, unit="1")
    known = nearest_factor(middle, FACTOR_WITHIN.value)
    text = f"{what.capitalize()} of phase {phase} is {middle:.4g} times V x I"
    if known:
        text += f", a factor of {known[1]}"
    text += ": the current or the powers carry a wrong ratio or unit (probe ratio, transformer ratio, mA for A, " \
            "kV for V)."
    return Outcome(
        CHECK, Verdict.REFUSED, name, "current", phase, code="scale", likelihood="shown" if steady else "likely",
        text=text,
        advice="Check the clamp range, the transformer ratio set in the recorder and the units of the columns; a "
               "handheld reading shows which of them is wrong.",
        subjects=(Subject("current", (phase,)),),
        proposals=(Proposal("scale", {"quantity": "current", "phases": (phase,), "factor": round(known[0], 6)},
                            "only if a handheld reading shows that the current is the wrong one"),) if known else (),
        value=middle, unit="1",
    )
