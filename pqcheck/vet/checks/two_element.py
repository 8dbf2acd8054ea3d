"""Two-element metering of services without neutral."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.checks.line_leads import off_throughout
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.checks.wiring.angles import wrapped
from pqcheck.vet.checks.wiring.three_phase import middle_angle
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid, TimeBase

MISFIT = Threshold(0.08, "1", CHOSEN, "Largest deviation of the element powers over V x I from those of a connection.")
APART = Threshold(
    (("right", -122, 22), ("one reversed", 60, 150), ("swapped", 150, 215)), "degrees",
    "derived: angle of element c less that of element a; loads on one line only move it by up to 60",
    "Ranges in which a connection is named."
)
BOTH_WAYS = Threshold(0.02, "1", CHOSEN, "Share of the time with power flowing back from which feed-in is looked for.")
ROOT_THREE_WITHIN = Threshold(0.04, "1", "derived", "Distance from the square root of 3 of a computed third current.")

CHECK = Check(
    name="two-element",
    question="Is the two-element metering right?",
    looks_at="Services without neutral.",
    how="Angles of the element powers, or without reactive power their shares of V x I, against those of right, "
        "reversed and swapped clamps: 60 degrees apart where right, 120 the other way with one clamp reversed, 180 "
        "where swapped (derived). Unequal loads between the lines move them; what no connection explains stays a "
        "question. A computed third current that is the square root of 3 times the others.",
    example="Current b reads 1.732 times the two others, which are equal.",
    codes={
        "reversed-current": "A clamp is reversed",
        "swapped-currents": "The clamps are swapped",
        "elements-unclear": "No connection fits",
        "export": "Export, as declared",
    },
    refuses={
        "reversed-current": card.WRONG_ANGLES,
        "swapped-currents": (*card.WRONG_ANGLES, card.WRONG_NAMES),
        "elements-unclear": card.WRONG_ANGLES,
    },
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
    if grid.get("active_power", "b") is not None:
        return
    elements = grid.stack(("active_power", "a"), ("active_power", "c"), ("reactive_power", "a"),
                          ("reactive_power", "c"))
    known = grid.stack(("active_power", "a"), ("active_power", "c"), ("voltage", "ab"), ("voltage", "bc"),
                       ("current", "a"), ("current", "c"))
    if elements is not None and not off_throughout(grid.recorded("voltage", LINE_TO_LINE)):
        yield from _from_angles(grid, site, elements)
    elif known is not None:
        yield from _from_shares(known)


def _from_angles(grid: Grid, site: Site, elements: Array) -> Iterator[Outcome]:
    """Which connection turns the elements so."""
    powers = elements[:2] + 1j * elements[2:]
    size = np.abs(powers)
    with np.errstate(invalid="ignore"):
        loaded = (size > card.SIGNIFICANT_PERCENT.value / 100 * np.nanpercentile(size, 95, axis=1)[:, None]).all(axis=0)
    if np.count_nonzero(loaded) < card.FEWEST_POINTS.value:
        yield Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="too-short-to-tell",
                      text="Too short to tell: too few intervals with load to check the clamps of the two elements.",
                      advice="Record rows of at most 1 min at hook-up, or look again when there is load.")
        return
    powers = powers[:, loaded]
    apart = float(wrapped(middle_angle(np.degrees(np.angle(powers[1] * np.conj(powers[0]))))))
    apart = apart + 360 if apart < APART.value[0][1] else apart
    shown = f"the elements stand {apart:.0f} degrees apart, {{}} where the connection is right"
    kind = next((name for name, low, high in APART.value if low <= apart < high), "")
    total = powers.sum(axis=0)
    back = float((total.real < 0).mean())
    if kind == "right":
        if back <= card.STEADY_SHARE.value:
            yield Outcome(CHECK, Verdict.PASS, "current", "current")
        elif site.generation.declared:
            yield Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="elements-unclear",
                          text="Power flows back all the time: both clamps are reversed, or the declared generation "
                               "exports; the numbers alone cannot tell.",
                          advice="Compare kW with the revenue meter.", subjects=(Subject("current", PHASES),))
        else:
            yield _refused("reversed-current", "both clamps reversed: the power of both elements together is negative "
                           "all the time. Alternative: real export, if there is generation on site (declare "
                           "[generation])")
        return
    if site.generation.declared and BOTH_WAYS.value < back < 1 - BOTH_WAYS.value:
        # With feed-in on one line the elements stand anyhow.
        yield Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="elements-unclear",
                      text=f"Power flows both ways and {shown.format('about -60')}: the declared feed-in stands on "
                           "one line, or a clamp is wrong.",
                      advice="Compare kW with the revenue meter.", subjects=(Subject("current", PHASES),))
        return
    if kind == "one reversed":
        load = middle_angle(np.degrees(np.angle(powers[0]))) - ELEMENTS["clamp a reversed"][0]
        low, high = card.LOAD_ANGLES.value
        which = "a" if low - 15 <= float(wrapped(load)) <= high + 30 else "c"
        yield _refused("reversed-current", f"clamp {which} reversed ({shown.format('about -60')}). If the angles of a "
                                           "load of very unequal lines explain it, compare with the revenue meter")
    elif kind == "swapped":
        yield _refused("swapped-currents", f"clamps a and c swapped, or their voltage leads crossed "
                                           f"({shown.format('about -60')})")
    else:
        yield Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="elements-unclear",
                      text=f"No connection of the two elements fits: {shown.format('about -60')}.",
                      advice="Compare kW with a handheld reading or the revenue meter.",
                      subjects=(Subject("current", PHASES),))


def _refused(code: str, words: str) -> Outcome:
    return Outcome(
        CHECK, Verdict.REFUSED, "current", "current", code=code, likelihood="likely", text=f"Likely: {words}.",
        advice="Check both clamps and both leads; the powers of two elements cannot be put right afterwards by "
               "exchanging currents. Measure again.",
        subjects=(Subject("current", PHASES),),
    )


def _from_shares(known: Array) -> Iterator[Outcome]:
    """The same from active power alone."""
    loads = np.stack([known[2] * known[4], known[3] * known[5]])
    seen = np.isfinite(known).all(axis=0) & (loads > 0).all(axis=0)
    if np.count_nonzero(seen) < card.FEWEST_POINTS.value:
        return
    middle = np.median(known[:2, seen] / loads[:, seen], axis=1)
    fits = element_fits(middle)
    if fits and fits[0] == "connected right":
        yield Outcome(CHECK, Verdict.PASS, "current", "current")
        return
    numbers = f"element powers are {middle[0]:.2f} and {middle[1]:.2f} of V x I"
    if not fits:
        yield Outcome(CHECK, Verdict.INCONCLUSIVE, "current", "current", code="elements-unclear",
                      text=f"No connection of the two elements fits: {numbers}.",
                      advice="Compare kW with a handheld reading; record reactive power.",
                      subjects=(Subject("current", PHASES),))
        return
    more = f"; the numbers also fit: {'; '.join(fits[1:])}" if len(fits) > 1 else ""
    code = "swapped-currents" if fits[0].endswith("swapped") else "reversed-current"
    yield _refused(code, f"{fits[0]} ({numbers}){more}. Below a power factor of 0.5 one element is negative by right")


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
