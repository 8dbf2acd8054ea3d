"""Currents that the powers imply, added up: against the neutral, against the third current, or against nothing."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct

from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, OF_ITS_CURRENT, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.two_element import APART as ELEMENTS_APART
from pqcheck.vet.checks.wiring.angles import wrapped
from pqcheck.vet.checks.wiring.three_phase import geometry_of, middle_angle
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid, TimeBase

LOADED = Threshold(0.2, "1", CHOSEN, "Share of the 95th percentile of all currents together from which points count.")
FEWEST_POINTS = Threshold(20, "1", CHOSEN, "Such points needed.")
LEGS_WITHIN = Threshold(0.05, "1", PRACTICE,
                        "Spread of the voltages to neutral beyond which their angles are not known.")
ANGLES_APART = Threshold(75, "degrees", CHOSEN, "Spread of the power angles beyond which a clamp is doubted elsewhere.")
MISSING = Threshold(0.07, "1", CHOSEN,
                    "Median of what is missing in the sum, over all currents together: ratios, angles and the 120 "
                    "degrees between the voltages of good instruments leave 0.03.")
EXPLAINED = Threshold(0.5, "1", CHOSEN, "What is missing must shrink to this when one clamp is scaled.")
CLEAR = Threshold(0.6, "1", CHOSEN, "And to this share of what scaling any other leaves.")
SECOND_PATH = Threshold(4, "1", PRACTICE, "How many times the recorded neutral a second path may leave at most.")
OVER = Threshold(0.05, "1", PRACTICE, "Three wires: a current above the sum of the others beyond instrument errors.")
OVER_SHARE = Threshold(0.2, "1", CHOSEN, "Share of the loaded points in which it is.")

CHECK = Check(
    name="kirchhoff",
    question="Do the currents add up?",
    looks_at="The fundamental currents that active and reactive power and voltage imply, as phasors.",
    how="With a neutral their sum cannot exceed the neutral current; the neutral may exceed it by triplen harmonics, "
        "so that side is not used. Without one, three currents add up to nothing, and the third of two elements is "
        "the sum of the others; no current exceeds the sum of the two others. The clamp is named whose scaling alone "
        "makes the sum fit at all loads; where scaling the neutral fits as well (a second path to earth), it stays a "
        "question. All ratios wrong alike cannot be seen: a handheld reading of the amperes shows it.",
    example="The currents of the phases add up to 48 A, the neutral carries 9 A; with b at 0.5 times what it reads "
            "they agree.",
    codes={"kirchhoff": "The currents do not add up"},
    refuses={
        "kirchhoff": (
            Refusal(("current", "current_tdd", "current_trd", "current_harmonic"), "same",
                    "Amperes carry a wrong ratio, or the jaw is open; a distortion in percent does not."),
            *OF_ITS_CURRENT,
        ),
    },
    thresholds=thresholds(globals()),
)

FACTORS = np.concatenate([np.geomspace(0.02, 0.95, 40), np.geomspace(1.05, 50, 40)])
"""Factors tried on one clamp."""


class Sum(Struct, frozen=True):
    """Phasors that add up to `reference` [A] in magnitude; `names` of the phasors and, last, of the reference."""

    phasors: Array
    reference: Array
    names: tuple[str, ...]
    exact: bool


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome for all currents together."""
    grid, site = base.grid, base.site
    over = _over_the_others(grid, site)
    if over is not None:
        yield over
        return
    added = with_neutral(grid, site) if site.supply.connection in ("wye", "split-phase", "high-leg-delta") else \
        three_wires(grid, site)
    if added is None:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="The neutral current, or active and reactive power of every phase, was not recorded: a "
                           "clamp at a wrong ratio or with an open jaw cannot be seen.",
                      advice="Compare the amperes of every phase with a handheld reading.")
        return
    total = np.abs(added.phasors).sum(axis=0)
    known = np.isfinite(total) & np.isfinite(added.reference)
    known &= total > LOADED.value * (np.percentile(total[known], 95) if known.any() else 0.0)
    if np.count_nonzero(known) < FEWEST_POINTS.value:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="load-too-small",
                      text="Too few intervals with load on all phases to add up the currents.",
                      advice="Look again when there is load.")
        return
    part = Sum(added.phasors[:, known], added.reference[known], added.names, added.exact)
    yield _outcome(part, total[known])


def _outcome(added: Sum, total: Array) -> Outcome:
    missing = _missing(added.phasors, added.reference, total, added.exact)
    if missing <= MISSING.value:
        return Outcome(CHECK, Verdict.PASS, "current", "current", value=100 * missing, unit="%")
    fits = sorted(_scaled(added, total, number) for number in range(len(added.names)))
    best, factor, name = fits[0]
    clear = best < EXPLAINED.value * missing and best < CLEAR.value * fits[1][0]
    amps = float(np.median(np.abs(added.phasors.sum(axis=0)))), float(np.median(added.reference))
    what = {"n": "the neutral carries", "": "they should add up to"}.get(added.names[-1],
                                                                        f"current {added.names[-1]} is")
    text = f"The currents that the powers imply add up to {amps[0]:.3g} A where {what} {amps[1]:.3g} A"
    advice = "Compare the amperes of every phase with a handheld reading; check jaws, ratios and clamp ranges."
    if clear and name not in ("n", ""):
        return Outcome(
            CHECK, Verdict.REFUSED, f"current.{name}", "current", name, code="kirchhoff", likelihood="likely",
            text=f"{text}; with {name} at {factor:.2g} times what it reads they agree at every load: its ratio is "
                 "wrong or its jaw is open.", advice=advice, subjects=(Subject("current", (name,)),),
        )
    phases = tuple(phase for phase in added.names if phase)
    return Outcome(
        CHECK, Verdict.INCONCLUSIVE, "current", "current", code="kirchhoff", likelihood="likely",
        text=f"{text}: a clamp has a wrong ratio or an open jaw, or part of the current returns another way (a second "
             "conductor, earth); which, the numbers cannot tell.", advice=advice,
        subjects=(Subject("current", phases),),
    )


def _missing(phasors: Array, reference: Array, total: Array, exact: bool) -> float:
    """Median of the sum less the reference over all currents together [1]; both ways where the sum is exact."""
    gap = np.abs(phasors.sum(axis=0)) - reference
    return float(np.median((np.abs(gap) if exact else gap) / total))


def _scaled(added: Sum, total: Array, number: int) -> tuple[float, float, str]:
    """What scaling one current, or the reference, leaves at best [1], the factor and the name."""
    best = (np.inf, 1.0)
    of_reference = number == len(added.phasors)
    for factor in FACTORS[SECOND_PATH.value > FACTORS] if of_reference else FACTORS:
        phasors, reference = added.phasors, added.reference
        if of_reference:
            reference = reference * factor
        else:
            phasors = phasors.copy()
            phasors[number] *= factor
        gap = np.abs(np.abs(phasors.sum(axis=0)) - reference)
        best = min(best, (float(np.median(gap / total)), float(factor)))
    return best[0], best[1], added.names[number]


def with_neutral(grid: Grid, site: Site) -> Sum | None:
    """Fundamental currents of the phases against the neutral; None where something is missing or angles are not
    known."""
    phases = PHASES if site.supply.connection != "split-phase" else PHASES[:2]
    rows = grid.stack(*((quantity, phase) for quantity in ("active_power", "reactive_power") for phase in phases),
                      *(("voltage", f"{phase}n") for phase in phases), ("current", "n"))
    if rows is None:
        return None
    size = len(phases)
    active, reactive, volts, neutral = rows[:size], rows[size : 2 * size], rows[2 * size : 3 * size], rows[-1]
    turns = {"a": 0.0, "b": 180.0} if size == 2 else geometry_of(site).volts
    angles = np.degrees(np.arctan2(reactive, active))
    legs = volts if site.supply.connection == "wye" else volts[[0, size - 1]] if size == 2 else \
        volts[[number for number, phase in enumerate(phases) if phase != (site.supply.high_leg or "b")]]
    with np.errstate(invalid="ignore", divide="ignore"):
        usable = (active > 0).all(axis=0) & (angles.max(axis=0) - angles.min(axis=0) <= ANGLES_APART.value)
        usable &= legs.max(axis=0) < (1 + LEGS_WITHIN.value) * legs.min(axis=0)
        phasors = np.conj((active + 1j * reactive) / volts) * np.exp(
            1j * np.radians([turns[phase] for phase in phases]))[:, None]
    return Sum(phasors, np.where(usable, neutral, np.nan), (*phases, "n"), False)


def three_wires(grid: Grid, site: Site) -> Sum | None:
    """Currents without a neutral: three that add up to nothing, or two elements and the third current."""
    lines = grid.stack(*(("voltage", line) for line in LINE_TO_LINE))
    powers = {phase: active + 1j * reactive for phase in PHASES
              if (active := grid.get("active_power", phase)) is not None
              and (reactive := grid.get("reactive_power", phase)) is not None}
    if lines is None:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        even = lines.max(axis=0) < (1 + LEGS_WITHIN.value) * lines.min(axis=0)
        if len(powers) == 3:
            angles = np.degrees(np.angle(np.stack(list(powers.values()))))
            even &= (np.abs(angles) < 90).all(axis=0) \
                & (angles.max(axis=0) - angles.min(axis=0) <= ANGLES_APART.value)
            leg = lines.mean(axis=0) / 3**0.5
            turns = np.exp(1j * np.radians([geometry_of(site).volts[phase] for phase in PHASES]))[:, None]
            phasors = np.conj(np.stack(list(powers.values())) / leg) * turns
            return Sum(phasors, np.where(even, 0.0, np.nan), (*PHASES, ""), True)
        third = grid.get("current", "b")
        if set(powers) != {"a", "c"} or third is None:
            return None
        # V_ab stands at 30 degrees, V_cb at 90, where the phases stand at 0, -120 and 120.
        first = np.conj(powers["a"] / lines[0]) * np.exp(1j * np.radians(30))
        last = np.conj(powers["c"] / lines[1]) * np.exp(1j * np.radians(90))
        turn = np.degrees(np.angle(powers["c"] * np.conj(powers["a"])))
    known = turn[np.isfinite(turn)]
    apart = float(wrapped(middle_angle(known))) if known.size else 180.0
    low, high = ELEMENTS_APART.value[0][1:]
    return Sum(np.stack([first, last]), np.where(even, third, np.nan), ("a", "c", "b"), True) \
        if low <= apart <= high else None


def _over_the_others(grid: Grid, site: Site) -> Outcome | None:
    """Three wires: a current above the sum of the two others; None where that is not so."""
    rows = grid.stack(*(("current", phase) for phase in PHASES))
    if rows is None or site.supply.connection != "delta":
        return None
    known = np.isfinite(rows).all(axis=0)
    total = rows.sum(axis=0)
    known &= total > LOADED.value * (np.percentile(total[known], 95) if known.any() else 0.0)
    if np.count_nonzero(known) < FEWEST_POINTS.value:
        return None
    part, all_of = rows[:, known], total[known]
    share = (part > (1 + OVER.value) * (all_of - part)).mean(axis=1)
    worst = int(np.argmax(share))
    if share[worst] <= OVER_SHARE.value:
        return None
    name = PHASES[worst]
    return Outcome(
        CHECK, Verdict.REFUSED, f"current.{name}", "current", name, code="kirchhoff", likelihood="shown",
        text=f"On three wires current {name} exceeds the sum of the two others in {100 * share[worst]:.3g} % of the "
             f"loaded intervals, which cannot be: {name} reads too much, or one of the others too little.",
        advice="Compare the amperes of every phase with a handheld reading; check jaws, ratios and clamp ranges.",
        subjects=(Subject("current", PHASES),), value=100 * float(share[worst]), unit="%",
    )
