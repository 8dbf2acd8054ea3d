"""The energy register against the integral of power."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import PRACTICE, REGISTERS, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks import ratio
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

WITHIN = Threshold(0.03, "1", PRACTICE, "Relative distance of the register's rise from the integral of power.")

CHECK = Check(
    name="energy",
    question="Does the register agree with the power?",
    looks_at="Energy registers against the integral of power.",
    how="Rise of the register over the recording divided by the sum of positive power times the interval.",
    example="The register rose by half of what the power adds up to: current-transformer ratio.",
    codes={"energy-mismatch": "Register and power differ"},
    refuses={
        "energy-mismatch": (
            Refusal(REGISTERS, "total", "Register and power contradict each other."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """The increase of the energy registers against the integral of power."""
    yield _outcome(base.grid)


def _outcome(grid: Grid) -> Outcome:
    name = "active_energy_import"
    power = grid.get("active_power", "total")
    register = grid.get("active_energy_import", "total")
    if power is None:
        held = grid.recorded("active_power")
        power = np.sum(np.stack(list(held.values())), axis=0) if held else None
    if register is None or power is None:
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, name, name, "total", code="no-input",
                       text="No energy register was recorded beside power.", advice="Nothing to do.")
    known = np.flatnonzero(np.isfinite(register))
    hours = grid.step_us / 3.6e9
    if known.size < 2:
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, name, name, "total", code="no-input",
                       text="The energy register holds fewer than two values.", advice="Nothing to do.")
    first, last = int(known[0]), int(known[-1])
    between = power[first:last]
    holes = int(np.count_nonzero(np.isnan(between)))
    rise = float(register[last] - register[first])
    integral = float(np.nansum(np.maximum(between, 0.0))) * hours
    backward = float(np.mean(np.diff(register[known]) < 0))
    if holes > 0.02 * between.size or integral <= 0 or (rise <= 0 and backward > 0):
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, name, name, "total", code="no-input",
                       text="Power has holes or the register went backwards; they cannot be compared.",
                       advice="Nothing to do.")
    times = rise / integral
    # The end of the last interval is not in the register yet.
    slack = WITHIN.value + 2 / max(1, last - first)
    if abs(times - 1) <= slack:
        return Outcome(CHECK, Verdict.PASS, name, name, "total", value=times, unit="1")
    factor = ratio.nearest_factor(times, ratio.FACTOR_WITHIN.value)
    return Outcome(
        CHECK, Verdict.REFUSED, name, name, "total", code="energy-mismatch", likelihood="shown",
        text=f"The register rose by {rise:.6g} Wh while the power adds up to {integral:.6g} Wh ({times:.3g} times"
             + (f", a factor of {factor[1]}" if factor else "") + "): a wrong ratio, a shifted label, or values "
                                                                  "without sign.",
        advice="Check ratio and unit of register and power.", subjects=(Subject(name, ("total",)),),
        value=times, unit="1",
    )
