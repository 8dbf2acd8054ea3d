"""Active against apparent power, and the phases against the total."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, POWERS, PRACTICE, REGISTERS, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks import ratio
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import PHASES, TimeBase

SIGNIFICANT = Threshold(0.1, "1", PRACTICE, "Share of the 95th percentile below which intervals are not compared.")
ABOVE_APPARENT = Threshold(0.03, "1", PRACTICE, "Active power above apparent power beyond instrument errors.")
ABOVE_SHARE = Threshold(0.2, "1", CHOSEN,
                        "Share of loaded intervals with active above apparent power; a wrong scale shows in most.")
SHARE = Threshold(0.02, "1", CHOSEN, "Share of loaded intervals that may disagree.")
SUM_WITHIN = Threshold(0.05, "1", PRACTICE, "Relative distance of the total from the sum of the phases.")

CHECK = Check(
    name="totals",
    question="Do the phases add up?",
    looks_at="P against S, and the sum of the phases against the total.",
    how="P cannot exceed S; the total is the sum of the phases, signs included.",
    example="The total is 0.333 times the sum of the phases.",
    codes={"power-mismatch": "P exceeds S", "sum-mismatch": "Sum and total differ"},
    refuses={
        "power-mismatch": (
            Refusal(POWERS, "same", "Active and apparent power contradict each other."),
            Refusal(REGISTERS, "total", "Registers come from the same powers."),
        ),
        "sum-mismatch": (
            Refusal(POWERS, "total", "The total is not formed as read."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """P <= S per phase and in total; the sum of the phases against the total."""
    grid, site = base.grid, base.site
    seen = False
    for phase in (*PHASES, "total"):
        active, apparent = grid.get("active_power", phase), grid.get("apparent_power", phase)
        if active is None or apparent is None:
            continue
        seen = True
        yield _active_below_apparent(phase, active, apparent)
    total = grid.get("active_power", "total")
    held = list(grid.recorded("active_power").values())
    needed = {"wye": 3, "split-phase": 2, "high-leg-delta": 3}.get(site.supply.connection)
    if total is not None and needed == len(held):
        seen = True
        yield _sum_outcome(total, np.sum(np.stack(held), axis=0))
    if not seen:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "active_power", "active_power", code="no-input",
                      text="No apparent or total power was recorded beside the phases.", advice="Nothing to do.")


def _active_below_apparent(phase: str, active: Array, apparent: Array) -> Outcome:
    name = f"active_power.{phase}"
    with np.errstate(invalid="ignore"):
        size = np.abs(apparent)
        known = np.isfinite(active) & (size > SIGNIFICANT.value * high_end(size))
        over = known & (np.abs(active) > (1 + ABOVE_APPARENT.value) * size)
    share = float(np.count_nonzero(over)) / max(1, int(np.count_nonzero(known)))
    if share <= ABOVE_SHARE.value:
        return Outcome(CHECK, Verdict.PASS, name, "active_power", phase)
    return Outcome(
        CHECK, Verdict.REFUSED, name, "active_power", phase, code="power-mismatch", likelihood="shown",
        text=f"Active power of {phase} exceeds apparent power in {100 * share:.3g} % of the loaded intervals, which "
             "cannot be: one of them carries a wrong ratio or unit.",
        advice="Check units and ratios of both columns.", subjects=(Subject("active_power", (phase,)),),
        value=100 * share, unit="%",
    )


def _sum_outcome(total: Array, added: Array) -> Outcome:
    name = "active_power.total"
    size = np.abs(added)
    known = np.isfinite(total) & np.isfinite(added)
    if known.any():
        known &= np.nan_to_num(size) > SIGNIFICANT.value * np.percentile(size[known], 95)
    if np.count_nonzero(known) < ratio.FEWEST_POINTS.value:
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, name, "active_power", "total", code="load-too-small",
                       text="Too little power to compare the sum of the phases with the total.",
                       advice="Nothing to do.")
    relative = (total[known] - added[known]) / size[known]
    off = float(np.mean(np.abs(relative) > SUM_WITHIN.value))
    if off <= SHARE.value:
        return Outcome(CHECK, Verdict.PASS, name, "active_power", "total")
    middle = float(np.median(total[known] / added[known]))
    known_factor = ratio.nearest_factor(abs(middle), ratio.FACTOR_WITHIN.value)
    magnitude = float(np.median(np.abs(total[known]) / np.abs(size[known])))
    text = f"The total active power differs from the sum of the phases in {100 * off:.3g} % of the loaded intervals " \
           f"(typically {middle:.3g} times the sum"
    text += f", a factor of {known_factor[1]})" if known_factor and abs(middle - 1) > 0.05 else ")"
    text += ": mixed scaling, a meter with two elements on a service with neutral, or an average of values " \
            "without sign."
    return Outcome(
        CHECK, Verdict.REFUSED, name, "active_power", "total", code="sum-mismatch", likelihood="shown", text=text,
        advice="Check how the recorder forms the total and which wiring it is set to.",
        subjects=(Subject("active_power", ("total",)),), value=magnitude, unit="1",
    )


def high_end(size: Array) -> float:
    """The 95th percentile, 0.0 of nothing."""
    known = size[~np.isnan(size)]
    return float(np.percentile(known, 95)) if known.size else 0.0
