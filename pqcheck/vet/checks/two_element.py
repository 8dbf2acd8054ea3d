"""Two-element metering of services without neutral."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid, TimeBase

MISFIT = Threshold(0.08, "1", CHOSEN, "Largest deviation of the element powers over V x I from those of a connection.")
ROOT_THREE_WITHIN = Threshold(0.04, "1", "derived", "Distance from the square root of 3 of a computed third current.")

CHECK = Check(
    name="two-element",
    question="Is the two-element metering right?",
    looks_at="Services without neutral.",
    how="Element powers over V x I against those of right, reversed and swapped clamps (30 degrees either side of the "
        "load angle); a computed third current that is the square root of 3 times the others.",
    example="Current b reads 1.732 times the two others, which are equal.",
    codes={"reversed-current": "A clamp is reversed"},
    refuses={"reversed-current": card.WRONG_ANGLES},
    thresholds=thresholds(globals()),
)

ELEMENTS = {
    "connected right": (30.0, -30.0),
    "clamp a reversed": (210.0, -30.0),
    "clamp c reversed": (30.0, 150.0),
    "both clamps reversed": (210.0, 150.0),
    "clamps a and c swapped": (-90.0, 90.0),
}
"""Angles that the two elements (V_ab with I_a, V_cb with I_c) add to the load angle (derived; shares of the true
total: 0.5/0.5 at PF 1, 0/1 at PF 0.5, total 0 when swapped)."""


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Element powers of a two-element meter on a service without neutral, and the third current it computes."""
    grid, site = base.grid, base.site
    if site.supply.connection not in ("delta", "high-leg-delta"):
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="The service is not metered with two elements.", advice="Nothing to do.")
        return
    yield from _third_current(grid)
    known = grid.stack(("active_power", "a"), ("active_power", "c"), ("voltage", "ab"), ("voltage", "bc"),
                       ("current", "a"), ("current", "c"))
    if known is None or grid.get("active_power", "b") is not None:
        return
    loads = np.stack([known[2] * known[4], known[3] * known[5]])
    seen = np.isfinite(known).all(axis=0) & (loads > 0).all(axis=0)
    if np.count_nonzero(seen) < card.FEWEST_POINTS.value:
        return
    middle = np.median(known[:2, seen] / loads[:, seen], axis=1)
    fits = element_fits(middle)
    if not fits or fits[0] == "connected right":
        yield Outcome(CHECK, Verdict.PASS, "current", "current")
        return
    yield Outcome(
        CHECK, Verdict.REFUSED, "current", "current", code="reversed-current", likelihood="likely",
        text=f"Likely: {fits[0]} (element powers are {middle[0]:.2f} and {middle[1]:.2f} of V x I)"
             + (f"; the numbers also fit: {'; '.join(fits[1:])}" if len(fits) > 1 else "") + ".",
        advice="Check both clamps. Below a power factor of 0.5 one element is negative by right.",
        subjects=(Subject("current", PHASES),),
    )


def element_fits(ratios: Array) -> list[str]:
    """Connections of two elements that explain P/(V I) of both, best first."""
    grid = np.radians(np.arange(-15.0, 75.1, 2.5))
    fits = []
    for number, (name, offsets) in enumerate(ELEMENTS.items()):
        model = np.cos(grid[:, None] + np.radians(np.asarray(offsets))[None, :])
        misfit = float(np.abs(model - ratios[None, :]).max(axis=1).min())
        if misfit <= MISFIT.value:
            fits.append((number > 0, misfit, name))
    return [name for _, _, name in sorted(fits)]


def _third_current(grid: Grid) -> Iterator[Outcome]:
    """One current sqrt(3) times two equal ones: the recorder adds up a third current from a reversed clamp."""
    rows = grid.stack(*(("current", phase) for phase in PHASES))
    if rows is None:
        return
    flowing = np.isfinite(rows).all(axis=0) & (rows > 0).all(axis=0)
    if np.count_nonzero(flowing) < card.FEWEST_POINTS.value:
        return
    middle = np.median(rows[:, flowing] / rows[:, flowing].mean(axis=0), axis=1)
    order = np.argsort(middle)
    low, mid, high = middle[order]
    within = ROOT_THREE_WITHIN.value
    if low > 0 and mid / low < 1 + within and abs(high / ((low + mid) / 2) / np.sqrt(3) - 1) < within:
        phase = PHASES[int(order[2])]
        yield Outcome(
            CHECK, Verdict.REFUSED, f"current.{phase}", "current", phase, code="reversed-current",
            likelihood="likely",
            text=f"Likely: current {phase} is computed from the two clamps, and one of them is reversed: it reads "
                 f"{high / ((low + mid) / 2):.3f} times the two others, which are equal (square root of 3 = 1.732).",
            advice="Turn one of the two clamps, or measure all three currents.",
            subjects=(Subject("current", PHASES),),
        )
