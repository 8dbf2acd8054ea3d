"""Wrong ratios and units: apparent power against V x I, active against apparent, phases against totals, energy."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.site.model import Site
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import median, nan_percentile, percentile
from pqcheck.vetting.outcome import Outcome, Proposal, Subject
from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import table, threshold

Array = NDArray[Any]

ROOT3 = 3**0.5


def known_factors() -> tuple[tuple[float, str], ...]:
    """Factors that wrong ratios and units leave behind, with their names; the inverse of each belongs to it."""
    plain = [float(text) for text in table()["ratio"]["factors"]["value"]]
    named = [(ROOT3, "the square root of 3")] + [(value, f"{value:g}") for value in plain]
    return tuple(pair for value, name in named for pair in ((value, name), (1 / value, f"1/{name}")))


def nearest_factor(ratio: float, within: float) -> tuple[float, str] | None:
    """The known factor within a relative distance of `ratio`, None when there is none."""
    best = min(known_factors(), key=lambda pair: abs(ratio / pair[0] - 1))
    return best if abs(ratio / best[0] - 1) <= within else None


def typical_ratio(upper: Array, lower: Array) -> tuple[float, float] | None:
    """Median of upper/lower over the larger half of `lower`, and its spread (5 to 95 %, relative); None if too few."""
    with np.errstate(invalid="ignore", divide="ignore"):
        known = np.isfinite(upper) & np.isfinite(lower) & (lower > 0)
        if np.count_nonzero(known) < threshold("ratio", "fewest_points"):
            return None
        top, base = upper[known], lower[known]
        large = base >= median(base)
        ratio = top[large] / base[large]
    low, middle, high = (percentile(ratio, percent) for percent in (5, 50, 95))
    return float(middle), float((high - low) / middle) if middle else float("inf")


def ratio_outcomes(grid: Grid) -> Iterator[Outcome]:
    """Per phase: S, or the root of P^2 + Q^2, against V x I."""
    for phase in PHASES:
        current = grid.get("current", phase)
        if current is None:
            continue
        name = f"current.{phase}"
        volts = grid.get("voltage", f"{phase}n")
        apparent = grid.get("apparent_power", phase)
        active, reactive = grid.get("active_power", phase), grid.get("reactive_power", phase)
        if volts is None or (apparent is None and active is None):
            yield Outcome("ratio", Verdict.NOT_APPLICABLE, name, "current", phase, code="no-input",
                          text=f"Voltage {phase}n or the power of phase {phase} was not recorded; the clamp ratio "
                               "cannot be checked against them.",
                          advice="Compare the current with a handheld reading.")
            continue
        product = volts * current
        if apparent is not None:
            yield _against_product(name, phase, np.abs(apparent), product, "apparent power",
                                   threshold("ratio", "exact_low"))
        elif active is not None:
            power = np.abs(active) if reactive is None else np.hypot(active, reactive)
            what = "active power" if reactive is None else "the root of P^2 + Q^2"
            low = threshold("ratio", "active_low" if reactive is None else "vector_low")
            yield _against_product(name, phase, power, product, what, low)


def _against_product(name: str, phase: str, power: Array, product: Array, what: str, low: float) -> Outcome:
    found = typical_ratio(power, product)
    if found is None:
        return Outcome("ratio", Verdict.NOT_APPLICABLE, name, "current", phase, code="load-too-small",
                       text=f"Too few intervals with load on phase {phase} to check the ratio.",
                       advice="Look again when there is load.")
    middle, spread = found
    steady = spread < threshold("ratio", "spread")
    # Below: with a fluctuating load the mean of the product is less than the product of the rms values, and active
    # power has its power factor; only a low ratio that never changes is a wrong one.
    if middle <= threshold("ratio", "high") and (middle >= low or not (steady or middle < low / 4)):
        return Outcome("ratio", Verdict.PASS, name, "current", phase, value=middle, unit="1")
    known = nearest_factor(middle, threshold("ratio", "factor_within"))
    text = f"{what.capitalize()} of phase {phase} is {middle:.4g} times V x I"
    if known:
        text += f", a factor of {known[1]}"
    text += ": the current or the powers carry a wrong ratio or unit (probe ratio, transformer ratio, mA for A, kV " \
            "for V)."
    return Outcome(
        "ratio", Verdict.REFUSED, name, "current", phase, code="scale", likelihood="shown" if steady else "likely",
        text=text,
        advice="Check the clamp range, the transformer ratio set in the recorder and the units of the columns; a "
               "handheld reading shows which of them is wrong.",
        subjects=(Subject("current", (phase,)),),
        proposals=(Proposal("scale", {"quantity": "current", "phases": (phase,), "factor": round(known[0], 6)},
                            "only if a handheld reading shows that the current is the wrong one"),) if known else (),
        value=middle, unit="1",
    )


def totals_outcomes(grid: Grid, site: Site) -> Iterator[Outcome]:
    """P <= S per phase and in total; the sum of the phases against the total."""
    seen = False
    for phase in (*PHASES, "total"):
        active, apparent = grid.get("active_power", phase), grid.get("apparent_power", phase)
        if active is None or apparent is None:
            continue
        seen = True
        yield _active_below_apparent(phase, active, apparent)
    total = grid.get("active_power", "total")
    parts = [grid.get("active_power", phase) for phase in PHASES]
    held = [part for part in parts if part is not None]
    needed = {"wye": 3, "split-phase": 2, "high-leg-delta": 3}.get(site.supply.connection)
    if total is not None and needed == len(held):
        seen = True
        yield _sum_outcome(total, np.sum(np.stack(held), axis=0))
    if not seen:
        yield Outcome("totals", Verdict.NOT_APPLICABLE, "active_power", "active_power", code="no-input",
                      text="No apparent or total power was recorded beside the phases.", advice="Nothing to do.")


def _active_below_apparent(phase: str, active: Array, apparent: Array) -> Outcome:
    name = f"active_power.{phase}"
    with np.errstate(invalid="ignore"):
        size = np.abs(apparent)
        known = np.isfinite(active) & (size > threshold("totals", "significant") * nan_percentile(size, 95))
        over = known & (np.abs(active) > (1 + threshold("totals", "above_apparent")) * size)
    share = float(np.count_nonzero(over)) / max(1, int(np.count_nonzero(known)))
    if share <= threshold("totals", "above_share"):
        return Outcome("totals", Verdict.PASS, name, "active_power", phase)
    return Outcome(
        "totals", Verdict.REFUSED, name, "active_power", phase, code="power-mismatch", likelihood="shown",
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
        known &= np.nan_to_num(size) > threshold("totals", "significant") * percentile(size[known], 95)
    if np.count_nonzero(known) < threshold("ratio", "fewest_points"):
        return Outcome("totals", Verdict.NOT_APPLICABLE, name, "active_power", "total", code="load-too-small",
                       text="Too little power to compare the sum of the phases with the total.",
                       advice="Nothing to do.")
    relative = (total[known] - added[known]) / size[known]
    off = float(np.mean(np.abs(relative) > threshold("totals", "sum_within")))
    if off <= threshold("totals", "share"):
        return Outcome("totals", Verdict.PASS, name, "active_power", "total")
    ratio = median(total[known] / added[known])
    known_factor = nearest_factor(abs(ratio), threshold("ratio", "factor_within"))
    magnitude = median(np.abs(total[known]) / np.abs(size[known]))
    text = f"The total active power differs from the sum of the phases in {100 * off:.3g} % of the loaded intervals " \
           f"(typically {ratio:.3g} times the sum"
    text += f", a factor of {known_factor[1]})" if known_factor and abs(ratio - 1) > 0.05 else ")"
    text += ": mixed scaling, a meter with two elements on a service with neutral, or an average of values without " \
            "sign."
    return Outcome(
        "totals", Verdict.REFUSED, name, "active_power", "total", code="sum-mismatch", likelihood="shown", text=text,
        advice="Check how the recorder forms the total and which wiring it is set to.",
        subjects=(Subject("active_power", ("total",)),), value=magnitude, unit="1",
    )


def energy_outcome(grid: Grid) -> Outcome:
    """The increase of the energy registers against the integral of power."""
    name = "active_energy_import"
    power = grid.get("active_power", "total")
    register = grid.get("active_energy_import", "total")
    if power is None:
        single = [grid.get("active_power", phase) for phase in PHASES]
        held = [part for part in single if part is not None]
        power = np.sum(np.stack(held), axis=0) if held else None
    if register is None or power is None:
        return Outcome("energy", Verdict.NOT_APPLICABLE, name, name, "total", code="no-input",
                       text="No energy register was recorded beside power.", advice="Nothing to do.")
    known = np.flatnonzero(np.isfinite(register))
    hours = grid.step_us / 3.6e9
    if known.size < 2:
        return Outcome("energy", Verdict.NOT_APPLICABLE, name, name, "total", code="no-input",
                       text="The energy register holds fewer than two values.", advice="Nothing to do.")
    first, last = int(known[0]), int(known[-1])
    between = power[first:last]
    holes = int(np.count_nonzero(np.isnan(between)))
    rise = float(register[last] - register[first])
    integral = float(np.nansum(np.maximum(between, 0.0))) * hours
    backward = float(np.mean(np.diff(register[known]) < 0))
    if holes > 0.02 * between.size or integral <= 0 or (rise <= 0 and backward > 0):
        return Outcome("energy", Verdict.NOT_APPLICABLE, name, name, "total", code="no-input",
                       text="Power has holes or the register went backwards; they cannot be compared.",
                       advice="Nothing to do.")
    ratio = rise / integral
    # The end of the last interval is not in the register yet.
    slack = threshold("energy", "within") + 2 / max(1, last - first)
    if abs(ratio - 1) <= slack:
        return Outcome("energy", Verdict.PASS, name, name, "total", value=ratio, unit="1")
    factor = nearest_factor(ratio, threshold("ratio", "factor_within"))
    return Outcome(
        "energy", Verdict.REFUSED, name, name, "total", code="energy-mismatch", likelihood="shown",
        text=f"The register rose by {rise:.6g} Wh while the power adds up to {integral:.6g} Wh ({ratio:.3g} times"
             + (f", a factor of {factor[1]}" if factor else "") + "): a wrong ratio, a shifted label, or values "
                                                                  "without sign.",
        advice="Check ratio and unit of register and power.", subjects=(Subject(name, ("total",)),),
        value=ratio, unit="1",
    )
