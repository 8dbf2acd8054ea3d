"""Wrong ratios and units: apparent power, or the root of P^2 + Q^2, against V x I."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
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
from pqcheck.vet.checks.wiring.partial import three_phase_load
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Proposal, Subject
from pqcheck.vet.time_base import PHASES, Grid, TimeBase

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
LEAD_OFF = Threshold(0.2, "1", PRACTICE, "Voltage over the highest of its kind below which its lead is off.")
SPREAD = Threshold(0.15, "1", CHOSEN, "Width of the middle 90 % of the ratio, relative: a wrong ratio never changes.")

CHECK = Check(
    name="ratio",
    question="Do current, voltage and power agree?",
    looks_at="Per phase: apparent power, or the root of P^2 + Q^2, over V x I.",
    how="The ratio of the larger half of the values is compared with 1. Known factors (clamp ranges, transformer "
        "ratios, prefixes, the square root of 3) are named.",
    example="Apparent power of phase b is 0.1 times V x I, a factor of 1/10.",
    codes={"scale": "Wrong ratio or unit", "totals-only": "Single clamps cannot be checked"},
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
    """Per phase: S, or the root of P^2 + Q^2, against V x I; where only totals were recorded, those."""
    grid = base.grid
    load = three_phase_load(grid) if base.site.supply.connection in ("wye", "delta") else None
    total = grid.get("active_power", "total")
    if load is not None and total is not None and not grid.recorded("active_power"):
        yield _of_totals(total, grid.get("reactive_power", "total"), load)
        return
    outcomes = list(_of_phases(base))
    # Where every phase is off by a factor the powers may be what is wrong: nothing is proposed.
    one_sound = any(outcome.verdict is Verdict.PASS for outcome in outcomes)
    yield from (outcome if one_sound else replace(outcome, proposals=()) for outcome in outcomes)


def _of_phases(base: TimeBase) -> Iterator[Outcome]:
    grid = base.grid
    right = _total_agrees(grid)
    for phase in PHASES:
        current = grid.get("current", phase)
        if current is None:
            continue
        name = f"current.{phase}"
        volts = _volts(grid, base.site.supply.connection, phase)
        apparent = grid.get("apparent_power", phase)
        active, reactive = grid.get("active_power", phase), grid.get("reactive_power", phase)
        if volts is not None and _lead_off(grid, phase):
            yield Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "current", phase, code="no-input",
                          text=f"The voltage lead of phase {phase} is off; its power says nothing of the clamp ratio.",
                          advice="Fit the lead again.")
            continue
        if volts is None or (apparent is None and active is None):
            yield Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "current", phase, code="no-input",
                          text=f"Voltage {phase}n or the power of phase {phase} was not recorded; the clamp ratio "
                               "cannot be checked against them.",
                          advice="Compare the current with a handheld reading.")
            continue
        product = volts * current
        if apparent is not None:
            yield _against_product(name, phase, np.abs(apparent), product, "apparent power",
                                   EXACT_LOW.value, right)
        elif active is not None:
            power = np.abs(active) if reactive is None else np.hypot(active, reactive)
            what = "active power" if reactive is None else "the root of P^2 + Q^2"
            low = (ACTIVE_LOW if reactive is None else VECTOR_LOW).value
            yield _against_product(name, phase, power, product, what, low, right)


def _volts(grid: Grid, connection: str, phase: str) -> Array | None:
    """The voltage that the power of a channel was formed with."""
    if connection != "delta":
        return grid.get("voltage", f"{phase}n")
    powers = grid.recorded("active_power")
    if set(powers) == {"a", "c"}:
        # Two elements: V_ab with I_a, V_cb with I_c.
        return grid.get("voltage", {"a": "ab", "c": "bc"}.get(phase, ""))
    lines = grid.stack(*(("voltage", line) for line in LINE_TO_LINE))
    return None if lines is None else np.asarray(lines.mean(axis=0) / ROOT3)


def _lead_off(grid: Grid, phase: str) -> bool:
    """Whether the voltage of a phase is next to nothing beside the others most of the time."""
    middles = {name: float(np.nanmedian(series)) for name, series in grid.recorded("voltage", LINE_TO_NEUTRAL).items()}
    return middles.get(f"{phase}n", np.inf) < LEAD_OFF.value * max(middles.values(), default=0.0)


def _total_agrees(grid: Grid) -> bool:
    """Whether a recorded total is the sum of the phases: then the powers are on one scale."""
    total, phases = grid.get("active_power", "total"), list(grid.recorded("active_power").values())
    if total is None or len(phases) < 2:
        return False
    typical = typical_ratio(np.abs(total), np.abs(np.sum(np.stack(phases), axis=0)))
    return typical is not None and abs(typical[0] - 1) < FACTOR_WITHIN.value


def _of_totals(active: Array, reactive: Array | None, load: Array) -> Outcome:
    power = np.abs(active) if reactive is None else np.hypot(active, reactive)
    typical = typical_ratio(power, load)
    passed = Outcome(
        CHECK, Verdict.PASS, "current", "current", code="totals-only",
        text="Only the total power was recorded: whether a single clamp is reversed, exchanged or at another ratio "
             "cannot be seen for sure.",
        advice="Compare amperes and kilowatts of every phase with a handheld reading, at hook-up and before removal.",
    )
    if typical is None or typical[0] <= 0:
        return passed
    middle, spread = typical
    known = nearest_factor(middle, 4 * FACTOR_WITHIN.value)
    # A power factor of 0.03 no service has in the larger half of its load, whatever the factor.
    low = middle < ACTIVE_LOW.value / 4 or (middle < ACTIVE_LOW.value and known and spread < SPREAD.value)
    if middle <= HIGH.value and not low:
        return passed
    return Outcome(
        CHECK, Verdict.REFUSED, "current", "current", code="scale", likelihood="likely",
        text=f"The total power of all phases is {middle:.4g} times V x I"
             + (f", about a factor of {known[1]}" if known else "")
             + ": currents, voltages or powers carry a wrong ratio or unit.",
        advice="Check ratios and units; a handheld reading shows which of them is wrong.",
        subjects=(Subject("current", PHASES),), value=middle, unit="1",
    )


def _against_product(
    name: str, phase: str, power: Array, product: Array, what: str, low: float, right: bool
) -> Outcome:
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
                            "only if a handheld reading shows that the current is the wrong one"),)
        if known and right else (),
        value=middle, unit="1",
    )
