"""Totals against V x I, two-element metering, and the order of the phases."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.quantities import LINE_TO_LINE
from pqcheck.site.model import Site
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import median, nan_median, nan_percentile
from pqcheck.vetting.outcome import Outcome, Subject
from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]

CHECK = "polarity"

ELEMENTS = {
    "connected right": (30.0, -30.0),
    "clamp a reversed": (210.0, -30.0),
    "clamp c reversed": (30.0, 150.0),
    "both clamps reversed": (210.0, 150.0),
    "clamps a and c swapped": (-90.0, 90.0),
}
"""Angles that the two elements (V_ab with I_a, V_cb with I_c) add to the load angle (derived; fractions of the true
total in the project notes on field practice: 0.5/0.5 at PF 1, 0/1 at PF 0.5, total 0 when swapped)."""


def three_phase_load(grid: Grid) -> Array | None:
    """Apparent power from voltages and currents, arithmetic [VA]; None when they were not recorded."""
    amps = [grid.get("current", phase) for phase in PHASES]
    held = [series for series in amps if series is not None]
    if len(held) < 2:
        return None
    to_neutral = [grid.get("voltage", f"{phase}n") for phase in PHASES]
    if len(held) == 3 and all(series is not None for series in to_neutral):
        pairs = zip(to_neutral, amps, strict=True)
        return np.asarray(sum(volts * current for volts, current in pairs if volts is not None and current is not None))
    lines = [series for series in (grid.get("voltage", phase) for phase in LINE_TO_LINE) if series is not None]
    if not lines:
        return None
    return np.asarray(np.sqrt(3) * np.mean(np.stack(lines), axis=0) * np.mean(np.stack(held), axis=0))


def total_outcome(grid: Grid, site: Site) -> Outcome | None:
    """The clamps from the totals alone; None when there is no total or nothing to hold it against."""
    active, reactive, load = grid.get("active_power", "total"), grid.get("reactive_power", "total"), None
    if active is not None and site.supply.connection in ("wye", "delta"):
        load = three_phase_load(grid)
    if active is None or load is None:
        return None
    with np.errstate(all="ignore"):
        floor = threshold(CHECK, "significant_percent") / 100 * nan_percentile(load, 95)
        enough = np.isfinite(active) & np.isfinite(load) & (load > max(floor, 0.0))
    if reactive is not None:
        enough &= np.isfinite(reactive)
    if np.count_nonzero(enough) < threshold(CHECK, "fewest_points"):
        return None
    power = active if reactive is None else np.hypot(active, reactive)
    share = median(power[enough] / load[enough])
    backward = float(np.mean(active[enough] < 0)) >= threshold(CHECK, "steady_share")
    return _total_words(share, backward, reactive is not None, site)


def _total_words(share: float, backward: bool, vector: bool, site: Site) -> Outcome:
    size = abs(share)
    what = "sqrt(P^2 + Q^2)" if vector else "P"
    delta = site.supply.connection == "delta"
    found = ""
    if size <= threshold(CHECK, "total_zero"):
        found, code = "two clamps swapped", "swapped-currents"
    elif abs(size - (1 / np.sqrt(3) if delta else 1 / 3)) <= threshold(CHECK, "total_within") / (2 if delta else 1):
        one = "one clamp reversed" if delta or not backward else "two clamps reversed"
        found, code = one, "reversed-current"
    elif backward:
        found, code = "all clamps reversed", "reversed-current"
    if not found:
        return Outcome(CHECK, Verdict.PASS, "current", "current", code="totals-only",
                       text=f"Only total powers were recorded; {what} is {size:.2f} of V x I, as it should be. Faults "
                            "that keep the total cannot be seen.",
                       advice="Record active and reactive power of every phase.")
    text = f"{what} of all phases is {share:.2f} of the sum of V x I: {found}"
    if not vector or (backward and site.generation.declared):
        innocent = "real export from the declared generation" if backward else "a load of very low power factor"
        return Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="wiring-ambiguous",
                       text=f"Ambiguous: {text}, or {innocent}.",
                       advice="Record active and reactive power of every phase, or compare with a handheld reading.")
    return Outcome(CHECK, Verdict.REFUSED, "current", "current", code=code, likelihood="likely",
                   text=f"Likely: {text}; which one, the totals cannot tell.",
                   advice="Check every clamp; record the powers of every phase.",
                   subjects=(Subject("current", PHASES),))


def two_element_outcomes(grid: Grid, site: Site) -> Iterator[Outcome]:
    """Element powers of a two-element meter on a service without neutral, and the third current it computes."""
    check = "two-element"
    if site.supply.connection not in ("delta", "high-leg-delta"):
        yield Outcome(check, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="The service is not metered with two elements.", advice="Nothing to do.")
        return
    yield from _third_current(grid)
    powers = [grid.get("active_power", phase) for phase in PHASES]
    if powers[0] is None or powers[2] is None or powers[1] is not None:
        return
    lines = [grid.get("voltage", phase) for phase in ("ab", "bc")]
    amps = [grid.get("current", phase) for phase in ("a", "c")]
    if any(series is None for series in (*lines, *amps)):
        return
    known = [series for series in (powers[0], powers[2], *lines, *amps) if series is not None]
    loads = np.stack([known[2] * known[4], known[3] * known[5]])
    seen = np.isfinite(np.stack(known)).all(axis=0) & (loads > 0).all(axis=0)
    if np.count_nonzero(seen) < threshold(CHECK, "fewest_points"):
        return
    middle = np.median(np.stack([known[0], known[1]])[:, seen] / loads[:, seen], axis=1)
    fits = element_fits(middle)
    if not fits or fits[0] == "connected right":
        yield Outcome(check, Verdict.PASS, "current", "current")
        return
    yield Outcome(
        check, Verdict.REFUSED, "current", "current", code="reversed-current", likelihood="likely",
        text=f"Likely: {fits[0]} (element powers are {middle[0]:.2f} and {middle[1]:.2f} of V x I)"
             + (f"; the numbers also fit: {'; '.join(fits[1:])}" if len(fits) > 1 else "") + ".",
        advice="Check both clamps. Below a power factor of 0.5 one element is negative by right.",
        subjects=(Subject("current", PHASES),),
    )


def element_fits(ratios: Array) -> list[str]:
    """Connections of two elements that explain P/(V I) of both, best first."""
    grid = np.radians(np.arange(-15.0, 75.1, 2.5))
    found = []
    for number, (name, offsets) in enumerate(ELEMENTS.items()):
        model = np.cos(grid[:, None] + np.radians(np.asarray(offsets))[None, :])
        misfit = float(np.abs(model - ratios[None, :]).max(axis=1).min())
        if misfit <= threshold("two-element", "misfit"):
            found.append((number > 0, misfit, name))
    return [name for _, _, name in sorted(found)]


def _third_current(grid: Grid) -> Iterator[Outcome]:
    """One current sqrt(3) times two equal ones: the recorder adds up a third current from a reversed clamp."""
    amps = [grid.get("current", phase) for phase in PHASES]
    if any(series is None for series in amps):
        return
    rows = np.stack([series for series in amps if series is not None])
    flowing = np.isfinite(rows).all(axis=0) & (rows > 0).all(axis=0)
    if np.count_nonzero(flowing) < threshold(CHECK, "fewest_points"):
        return
    middle = np.median(rows[:, flowing] / rows[:, flowing].mean(axis=0), axis=1)
    order = np.argsort(middle)
    low, mid, high = middle[order]
    within = threshold("two-element", "root_three_within")
    if low > 0 and mid / low < 1 + within and abs(high / ((low + mid) / 2) / np.sqrt(3) - 1) < within:
        phase = PHASES[int(order[2])]
        yield Outcome(
            "two-element", Verdict.REFUSED, f"current.{phase}", "current", phase, code="reversed-current",
            likelihood="likely",
            text=f"Likely: current {phase} is computed from the two clamps, and one of them is reversed: it reads "
                 f"{high / ((low + mid) / 2):.3f} times the two others, which are equal (square root of 3 = 1.732).",
            advice="Turn one of the two clamps, or measure all three currents.",
            subjects=(Subject("current", PHASES),),
        )


def phase_order_outcome(grid: Grid) -> Outcome:
    """Negative sequence as large as the voltage itself: two voltage leads are crossed, or the rotation is reverse."""
    check = "phase-order"
    unbalance = grid.get("negative_sequence_unbalance", None)
    if unbalance is None:
        return Outcome(check, Verdict.NOT_APPLICABLE, "voltage", "voltage", code="no-input",
                       text="No negative-sequence unbalance was recorded; magnitudes do not show the phase order.",
                       advice="Check the rotation on the instrument's phasor display.")
    middle = nan_median(unbalance)
    if middle < threshold(check, "reversed_percent"):
        return Outcome(check, Verdict.PASS, "voltage", "voltage")
    return Outcome(
        check, Verdict.REFUSED, "voltage", "voltage", code="phase-order", likelihood="shown",
        text=f"The negative sequence is {middle:.3g} % of the positive one: two voltage leads are crossed, or the "
             "recorder is set to the other rotation.",
        advice="Check the rotation and swap two voltage leads, or set the recorder to the other rotation.",
        subjects=(Subject("negative_sequence_unbalance"),), value=middle, unit="%",
    )
