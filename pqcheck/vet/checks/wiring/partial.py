"""Clamps where less than active and reactive power of three phases was recorded."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.checks.wiring.angles import Signature, cosine_fit
from pqcheck.vet.checks.wiring.card import CHECK
from pqcheck.vet.checks.wiring.messages import ambiguous, export_seen, fault, mixed
from pqcheck.vet.checks.wiring.three_phase import Powers
from pqcheck.vet.checks.wiring.voltage_answers import crossing
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid


def by_signs(grid: Grid, site: Site, phases: tuple[str, ...], powers: Powers) -> Iterator[Outcome]:
    """Single- and split-phase: a leg whose power is negative all the time."""
    for number, phase in enumerate(phases):
        ratio = powers.active[number] / np.maximum(powers.weights[number], 1e-12)
        back = ratio < -card.NEGATIVE_RATIO.value
        share = float(np.mean(back))
        if share <= 1 - card.STEADY_SHARE.value:
            yield Outcome(CHECK, Verdict.PASS, f"current.{phase}", "current", phase)
        elif share >= card.STEADY_SHARE.value:
            signature = Signature(PHASES, tuple(name == phase for name in PHASES))  # type: ignore[arg-type]
            long = grid.end_us - grid.start_us >= DAY
            if site.generation.declared and not long:
                yield ambiguous(signature, np.array([180.0]), "real export from the declared generation")
            else:
                declared = site.generation.declared
                yield fault(signature, grid, likelihood="likely" if declared else "shown", middles=None,
                            alternative="real export" + ("" if declared else
                                                         ", if there is generation on site (declare [generation])"))
        elif site.generation.declared:
            yield export_seen(1 - share, phase)
        else:
            yield mixed(powers.active[number : number + 1], False, grid, powers.points, phase)


def without_reactive(grid: Grid, site: Site, powers: Powers) -> Outcome:
    """Only active power: what P/(V I) of the phases allows."""
    if grid.get("current", "a") is None and grid.get("apparent_power", "a") is None:
        legs = list(by_signs(grid, site, PHASES, powers))
        return max(legs, key=lambda outcome: outcome.verdict is not Verdict.PASS)
    ratios = powers.active / powers.weights
    middle = np.median(ratios, axis=1)
    least = card.HEALTHY_RATIO.value
    if (middle >= least).all():
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    steady = float(np.median(ratios.std(axis=1))) < card.RATIO_SCATTER.value
    fits = [] if not steady else cosine_fit(middle, card.RATIO_MISFIT.value,
                                            card.ORDINARY_HIGH.value)
    fits = [signature for signature in fits if not signature.sound]
    if not fits:
        return mixed(powers.active, site.generation.declared, grid, powers.points)
    simplest = [signature for signature in fits if signature.complexity == fits[0].complexity]
    if site.generation.declared and int((middle < 0).sum()) in (1, 3):
        return ambiguous(fits[0], None, "real export from the declared generation")
    return fault(fits[0], grid, likelihood="shown" if len(simplest) == 1 else "likely", middles=None,
                 rivals=tuple(simplest[1:]),
                 alternative="real export, if there is generation on site" if (middle < 0).any() else "")


def without_phase_powers(grid: Grid, site: Site) -> Iterator[Outcome]:
    """Totals only, or no power at all: a share of the total, or what voltages answer to."""
    outcome = total_outcome(grid, site)
    if outcome is not None:
        yield outcome
        return
    answer = _crossing(grid)
    if answer is not None and answer != PHASES:
        signature = Signature((answer[0], answer[1], answer[2]), (False, False, False))
        yield ambiguous(signature, None, "loads between phases", code="channels-crossed")
        return
    if answer == PHASES:
        yield Outcome(CHECK, Verdict.PASS, "current", "current", code="own-phase",
                      text="Every voltage answers most to the current of its own phase.", advice="Nothing to do.")
        return
    if grid.recorded("current"):
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="No power was recorded, so the arrows and phases of the clamps cannot be checked.",
                      advice="Record active and reactive power of every phase.")


def _crossing(grid: Grid) -> tuple[str, ...] | None:
    rows = grid.stack(*(("voltage", f"{phase}n") for phase in PHASES), *(("current", phase) for phase in PHASES))
    return None if rows is None else crossing(rows[:3], rows[3:])


def three_phase_load(grid: Grid) -> Array | None:
    """Apparent power from voltages and currents, arithmetic [VA]; None when they were not recorded."""
    amps = grid.recorded("current")
    legs = grid.recorded("voltage", (f"{phase}n" for phase in PHASES))
    if len(amps) == 3 and len(legs) == 3:
        return np.asarray(sum(legs[f"{phase}n"] * current for phase, current in amps.items()))
    lines = list(grid.recorded("voltage", LINE_TO_LINE).values())
    if len(amps) < 2 or not lines:
        return None
    return np.asarray(np.sqrt(3) * np.mean(np.stack(lines), axis=0) * np.mean(np.stack(list(amps.values())), axis=0))


def total_outcome(grid: Grid, site: Site) -> Outcome | None:
    """The clamps from the totals alone; None when there is no total or nothing to hold it against."""
    active, reactive, load = grid.get("active_power", "total"), grid.get("reactive_power", "total"), None
    if active is not None and site.supply.connection in ("wye", "delta"):
        load = three_phase_load(grid)
    if active is None or load is None:
        return None
    with np.errstate(all="ignore"):
        known = load[~np.isnan(load)]
        floor = card.SIGNIFICANT_PERCENT.value / 100 * float(np.percentile(known, 95)) if known.size else 0.0
        enough = np.isfinite(active) & np.isfinite(load) & (load > max(floor, 0.0))
    if reactive is not None:
        enough &= np.isfinite(reactive)
    if np.count_nonzero(enough) < card.FEWEST_POINTS.value:
        return None
    power = active if reactive is None else np.hypot(active, reactive)
    ratios = power[enough] / load[enough]
    share = float(np.median(ratios))
    low, high = np.percentile(np.abs(ratios), (5, 95))
    if abs(share) > card.TOTAL_MOST.value or (
            abs(share) <= card.TOTAL_ZERO.value and high - low < card.TOTAL_STEADY.value * high):
        # Another ratio or unit, which is another question; what swapped clamps leave of a load is never steady.
        return None
    backward = float(np.mean(active[enough] < 0)) >= card.STEADY_SHARE.value
    return _total_words(share, backward, reactive is not None, site)


def _total_words(share: float, backward: bool, vector: bool, site: Site) -> Outcome:
    size = abs(share)
    what = "sqrt(P^2 + Q^2)" if vector else "P"
    fault = code = ""
    # Three clamps: one reversed leaves a third; two elements: the inverse square root of 3.
    third = abs(size - 1 / 3) <= card.TOTAL_WITHIN.value
    element = site.supply.connection == "delta" and abs(size - 1 / np.sqrt(3)) <= card.TOTAL_WITHIN.value / 2
    if size <= card.TOTAL_ZERO.value:
        fault, code = "two clamps swapped", "swapped-currents"
    elif third or element:
        fault = "one clamp reversed, or with unequal loads two swapped" if element or not backward else \
            "two clamps reversed"
        code = "reversed-current"
    elif backward:
        fault, code = "all clamps reversed", "reversed-current"
    elif vector and size < card.FULL_SHARE.value and not site.generation.declared:
        return Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="wiring-unclear",
                       text=f"{what} of all phases is {size:.2f} of V x I, less than unequal loads explain: a clamp is "
                            "reversed or swapped, or capacitors and loads of several phases cancel.",
                       advice="Record the powers of every phase, or compare with the revenue meter.",
                       subjects=(Subject("current", PHASES),))
    if not fault:
        return Outcome(CHECK, Verdict.PASS, "current", "current", code="totals-only",
                       text=f"Only total powers were recorded; {what} is {size:.2f} of V x I, as it should be. Faults "
                            "that keep the total cannot be seen.",
                       advice="Record active and reactive power of every phase.")
    text = f"{what} of all phases is {share:.2f} of the sum of V x I: {fault}"
    if not vector or (backward and site.generation.declared):
        innocent = "real export from the declared generation" if backward else "a load of very low power factor"
        return Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="wiring-ambiguous",
                       text=f"Ambiguous: {text}, or {innocent}.",
                       advice="Record active and reactive power of every phase, or compare with a handheld reading.")
    return Outcome(CHECK, Verdict.REFUSED, "current", "current", code=code, likelihood="likely",
                   text=f"Likely: {text}; which one, the totals cannot tell.",
                   advice="Check every clamp; record the powers of every phase.",
                   subjects=(Subject("current", PHASES),))
