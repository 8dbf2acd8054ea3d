"""The recorded power factor against P and S."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks import ratio
from pqcheck.vet.checks.totals import high_end
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid, TimeBase

BEYOND_ONE = Threshold(0.005, "1", PRACTICE, "Rounding beyond 1.")
SHARE = Threshold(0.01, "1", CHOSEN, "Share of intervals beyond 1.")
SIGNIFICANT = Threshold(0.2, "1", PRACTICE,
                        "Share of the 95th percentile of load from which power factors are compared.")
WITHIN = Threshold(0.08, "1", CHOSEN, "Distance of the recorded factor from P/S.")
OFF_SHARE = Threshold(0.5, "1", CHOSEN, "Share of loaded intervals that must disagree.")

CHECK = Check(
    name="power-factor",
    question="Does the power factor agree with P and S?",
    looks_at="Power factor per phase and total.",
    how="Never beyond 1; close to |P|/S in most loaded intervals.",
    example="The power factor differs from P/S by more than 0.08 in 70 % of the loaded intervals.",
    codes={"power-factor-mismatch": "Another factor"},
    refuses={
        "power-factor-mismatch": (
            Refusal(("power_factor", "displacement_power_factor"), "same", "The column is another factor."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Per phase and total: recorded power factor against |P|/S, and never beyond 1."""
    grid = base.grid
    seen = False
    for phase in (*PHASES, "total"):
        factor = grid.get("power_factor", phase)
        if factor is None:
            continue
        seen = True
        name = f"power_factor.{phase}"
        passed = Outcome(CHECK, Verdict.PASS, name, "power_factor", phase)
        with np.errstate(invalid="ignore"):
            known = np.isfinite(factor)
            beyond = float(np.mean(np.abs(factor[known]) > 1 + BEYOND_ONE.value))
        if beyond > SHARE.value:
            yield _refused(name, phase, f"The power factor of {phase} lies beyond 1 in {100 * beyond:.3g} % of the "
                                        "intervals")
            continue
        active, apparent = grid.get("active_power", phase), _apparent(grid, phase)
        if active is None or apparent is None:
            yield passed
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            loaded = known & np.isfinite(active) & np.isfinite(apparent)
            loaded &= apparent > SIGNIFICANT.value * high_end(apparent)
            gap = np.abs(np.abs(factor) - np.minimum(np.abs(active) / apparent, 1.0))
        if np.count_nonzero(loaded) < ratio.FEWEST_POINTS.value:
            yield passed
            continue
        off = float(np.mean(gap[loaded] > WITHIN.value))
        # Averages of a ratio and ratios of averages differ while the load changes; only a lasting difference counts.
        if off <= OFF_SHARE.value:
            yield passed
            continue
        yield _refused(
            name, phase,
            f"The power factor of {phase} differs from P/S by more than {WITHIN.value:g} in "
            f"{100 * off:.3g} % of the loaded intervals (median {np.median(gap[loaded]):.3g})",
        )
    if not seen:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "power_factor", "power_factor", code="no-input",
                      text="No power factor was recorded.", advice="Nothing to do.")


def _apparent(grid: Grid, phase: str) -> Array | None:
    apparent = grid.get("apparent_power", phase)
    if apparent is not None:
        return np.abs(apparent)
    volts, amps = grid.get("voltage", f"{phase}n"), grid.get("current", phase)
    if phase != "total" and volts is not None and amps is not None:
        return np.asarray(volts * amps)
    return None


def _refused(name: str, phase: str, text: str) -> Outcome:
    return Outcome(
        CHECK, Verdict.REFUSED, name, "power_factor", phase, code="power-factor-mismatch", likelihood="shown",
        text=text + ": the column is another factor (displacement), another phase, or in another unit.",
        advice="Check what the column holds.", subjects=(Subject("power_factor", (phase,)),),
    )
