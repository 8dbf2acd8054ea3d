"""Clamps read from active and reactive power of three phases."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.checks.wiring.angles import (
    ALL,
    CROSSED,
    EVEN,
    SOUND,
    Geometry,
    Signature,
    explanations,
    high_leg,
    implied,
    ranked,
    wrapped,
)
from pqcheck.vet.checks.wiring.card import CHECK
from pqcheck.vet.checks.wiring.messages import ambiguous, export_seen, fault, mixed, reactive_background, too_little
from pqcheck.vet.checks.wiring.voltage_answers import settled
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Extent, Outcome, Subject
from pqcheck.vet.time_base import PHASES, Grid

EXPORT = "real export of energy, if there is generation on site (declare [generation])"

DROPS_EXPLAINED = "turned back so, the powers explain the voltage drops, and as recorded they do not"


TURNED_WHOLE = tuple(signature for signature in ALL if signature.complexity == 1
                     and (len(signature.moved) == 3 or len(signature.backwards) == 3))
"""Wirings under which export reads as import on all phases alike."""


class Powers(Struct, frozen=True):
    """Points with load of the phases: angle of P + jQ [degrees], weight V x I [VA], current [A]."""

    points: Array
    angles: Array
    weights: Array
    active: Array
    reactive: Array | None
    currents: Array


def significant(grid: Grid, phases: tuple[str, ...]) -> Powers | None:
    """Points at which every phase carries enough current for its angle to mean anything; None when too few."""
    active = np.stack([grid.data[("active_power", phase)] for phase in phases])
    currents, loads = [], []
    for number, phase in enumerate(phases):
        current = grid.get("current", phase)
        voltage = grid.get("voltage", f"{phase}n")
        apparent = grid.get("apparent_power", phase)
        if voltage is not None and current is not None:
            loads.append(voltage * current)
        elif apparent is not None:
            loads.append(np.abs(apparent))
        else:
            loads.append(np.abs(active[number]))
        currents.append(current if current is not None else loads[-1])
    load = np.stack(loads)
    if not np.isfinite(load).any(axis=1).all():
        return None
    floor = card.SIGNIFICANT_PERCENT.value / 100 * np.nanpercentile(load, 95, axis=1)
    with np.errstate(invalid="ignore"):
        enough = np.isfinite(active).all(axis=0) & (load >= floor[:, None]).all(axis=0) & (floor > 0).all()
        enough &= _voltages_stand(grid, enough.size)
    reactive = None
    if all(grid.get("reactive_power", phase) is not None for phase in phases):
        reactive = np.stack([grid.data[("reactive_power", phase)] for phase in phases])
        enough &= np.isfinite(reactive).all(axis=0)
    points = np.flatnonzero(enough)
    if points.size < card.FEWEST_POINTS.value:
        return None
    most = int(card.MOST_POINTS.value)
    if points.size > most:
        points = points[np.linspace(0, points.size - 1, most).astype(int)]
    with np.errstate(invalid="ignore", divide="ignore"):
        if reactive is not None:
            angles = np.degrees(np.arctan2(reactive[:, points], active[:, points]))
        else:
            ratio = np.clip(active[:, points] / load[:, points], -1, 1)
            angles = np.degrees(np.arccos(ratio))
    return Powers(points, angles, load[:, points], active[:, points],
                  None if reactive is None else reactive[:, points], np.stack(currents)[:, points])


def _voltages_stand(grid: Grid, size: int) -> Array:
    """Points at which no voltage lies far below its like: beside a lead in the air angles mean nothing."""
    standing = np.ones(size, np.bool_)
    for kind, share in ((LINE_TO_NEUTRAL, card.LEGS_STAND.value), (LINE_TO_LINE, card.LINES_STAND.value)):
        rows = list(grid.recorded("voltage", kind).values())
        if len(rows) > 1:
            together = np.stack(rows)
            standing &= ~(together.min(axis=0) < share * together.max(axis=0))
    return standing


def middle_angle(angles: Array) -> float:
    """Circular median, robustly: the median of the angles turned so that their mean direction is zero [degrees]."""
    mean = float(np.degrees(np.angle(np.exp(1j * np.radians(angles)).sum())))
    return float(wrapped(mean + np.median(wrapped(angles - mean))))


def _plausible(angles: Array, geometry: Geometry) -> Array:
    """Points whose three angles a right connection explains."""
    low, high = card.PLAUSIBLE_LOW.value - geometry.slack, card.PLAUSIBLE_HIGH.value + geometry.slack
    load = implied(angles, SOUND, geometry)
    inside = ((load >= low) & (load <= high)).all(axis=0)
    return np.asarray(inside & (load.max(axis=0) - load.min(axis=0) <= card.PLAUSIBLE_SPREAD.value))


def _share(mask: Array, weights: Array) -> float:
    total = weights.sum(axis=0)
    return float(total[mask].sum() / total.sum())


def _holds(angles: Array, signature: Signature, geometry: Geometry) -> Array:
    """Points that a wiring explains: the load angles it means are those that loads have, with some slack for noise."""
    slack = card.SLACK.value + geometry.slack
    load = implied(angles, signature, geometry)
    low, high = card.LOAD_ANGLES.value[0] - slack, card.LOAD_ANGLES.value[1] + slack
    return np.asarray(((load >= low) & (load <= high)).all(axis=0))


def geometry_of(site: Site) -> Geometry:
    """Where voltages and currents stand on the declared service."""
    supply = site.supply
    return high_leg(supply.high_leg or "b") if supply.connection == "high-leg-delta" else EVEN


def with_reactive(grid: Grid, site: Site, powers: Powers) -> Outcome:
    """The outcome where all three phases have active and reactive power."""
    angles = powers.angles
    if _too_noisy(angles):
        return too_little(PHASES, noisy=True)
    geometry = geometry_of(site)
    sound = _plausible(angles, geometry)
    share = _share(sound, powers.weights)
    back = float((powers.active < 0).any(axis=0).mean())
    answer = settled(grid, (SOUND, *TURNED_WHOLE)) if site.generation.declared and geometry == EVEN else None
    if answer is not None and not answer.sound:
        return ambiguous(answer, _middles(angles), "voltages that other sites move with the declared generation")
    if site.generation.declared and back > card.BACKFLOW_SHARE.value:
        return with_feed_in(grid, powers, geometry)
    if share >= card.STEADY_SHARE.value:
        return _looks_right(grid, site, powers, geometry)
    if share <= 1 - card.STEADY_SHARE.value:
        return _looks_wrong(grid, site, powers, geometry)
    return _changes(grid, site, powers, geometry, sound)


def _too_noisy(angles: Array) -> bool:
    """Whether the angles jump from point to point as those of a channel that sees no current do."""
    jumps = np.abs(wrapped(np.diff(angles, axis=1)))
    return bool(np.median(jumps, axis=1).max() > card.NOISY_JUMP.value)


def _middles(angles: Array) -> Array:
    return np.array([middle_angle(row) for row in angles])


def unvarying(powers: Powers) -> bool:
    """Whether the load hardly changes: then nothing tells a capacitor from a fault."""
    load = powers.weights.sum(axis=0)
    return float(load.std()) < card.CONSTANT_LOAD.value * float(load.mean())


def background(powers: Powers) -> bool:
    """Whether a constant reactive part explains the angle: capacitors or magnetising current beside a varying load.

    Then Q hardly follows the load; behind a wiring fault both are projections of one load and move together.
    """
    if powers.reactive is None or unvarying(powers):
        return False
    active, reactive, load = (part.sum(axis=0) for part in (powers.active, powers.reactive, powers.weights))
    middle = abs(float(np.mean(reactive)))
    if middle == 0:
        return False
    steady = float(reactive.std()) / middle < card.BACKGROUND_SCATTER.value * float(load.std() / load.mean())
    if not active.std():
        # A line needs two points: an active power that never moves says nothing about what follows it.
        return steady
    slope, rest = np.polyfit(active, reactive, 1)
    fixed = abs(float(rest)) / middle > card.BACKGROUND_SHARE.value and float(slope) * reactive.mean() < 0
    return bool(steady or fixed)


def _looks_right(grid: Grid, site: Site, powers: Powers, geometry: Geometry) -> Outcome:
    """Angles that a right connection explains; at their edges so does a set that is rotated and reversed as a whole."""
    signed = [correction for correction in site.corrections if correction.kind in ("reverse-current", "swap-currents")]
    if signed:
        return _right_as_corrected(_middles(powers.angles), geometry)
    middles = _middles(powers.angles)
    low, high = card.ORDINARY_LOW.value, card.ORDINARY_HIGH.value
    if geometry != EVEN or not ((middles < low).all() or (middles > high).all()):
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    turned = next(signature for _, signature in ranked(middles, 0, high) if len(signature.moved) == 3)
    answer = settled(grid, (SOUND, turned))
    if answer == turned:
        return fault(turned, grid, likelihood="shown", because=DROPS_EXPLAINED, middles=middles)
    if answer == SOUND:
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    if background(powers):
        return reactive_background(middles)
    innocent = "a load that really is leading" if middles.mean() < 0 else "a load that really is so inductive"
    return ambiguous(turned, middles, innocent)


def _right_as_corrected(middles: Array, geometry: Geometry) -> Outcome:
    """A signed correction leaves angles of loads; what else they fit stays named, and asked where they are unusual."""
    others = [signature.words() for signature in _explained(middles, geometry) if not signature.sound][:3]
    load = implied(middles, SOUND, geometry)
    usual = bool((load >= card.ORDINARY_LOW.value).all() and (load <= card.ORDINARY_HIGH.value).all())
    text = "After the signed corrections the power angles are those of a load"
    if not others:
        return Outcome(CHECK, Verdict.PASS, "current", "current", code="corrected", text=f"{text}.",
                       advice="Keep the photos of arrows and phases.")
    return Outcome(
        CHECK, Verdict.PASS if usual else Verdict.INCONCLUSIVE, "current", "current",
        code="corrected" if usual else "wiring-ambiguous",
        text=f"{text}{'' if usual else ', an unusual one'}; beside what was corrected the numbers also fit: "
             f"{'; '.join(others)}.",
        advice="Compare kW with a handheld reading or the revenue meter.",
        subjects=() if usual else (Subject("current", PHASES),),
    )


def _looks_wrong(
    grid: Grid, site: Site, powers: Powers, geometry: Geometry, span: Extent | None = None
) -> Outcome:
    """Angles that no ordinary right connection explains: the fewest mistakes that leave angles which loads have."""
    middles = _middles(powers.angles)
    forward = _forward(middles)
    fitting = [signature for signature in _explained(middles, geometry) if not signature.sound]
    held = [signature for signature in fitting
            if _share(_holds(powers.angles, signature, geometry), powers.weights) >= card.HELD_SHARE.value]
    if not held:
        if forward and background(powers):
            return reactive_background(middles)
        return mixed(powers.active, site.generation.declared, grid, powers.points)
    chosen = held[0]
    rivals = tuple(signature for signature in (*held[1:], *_at_the_edge(middles, geometry, fitting))
                   if signature.complexity == chosen.complexity)
    answer = None if span or geometry != EVEN else settled(grid, (SOUND, *held[:4]))
    negative = [phase for phase, angle in zip(PHASES, middles, strict=True) if abs(angle) > 90]
    export = EXPORT if negative and len(negative) != 2 and not site.generation.declared else ""
    load = implied(middles, chosen, geometry)
    even = float(load.max() - load.min()) <= card.LOADS_ALIKE.value and geometry == EVEN \
        and chosen.complexity <= card.MOST_MISTAKES.value and _steady(powers.angles)
    others = (*rivals, *(signature for signature in held if signature.complexity > chosen.complexity))
    if answer == chosen:
        return fault(chosen, grid, likelihood="shown", because=DROPS_EXPLAINED, middles=middles, rivals=others,
                     alternative=export, certain=even)
    alike = float(middles.max() - middles.min()) < card.ALIKE_SPREAD.value
    if forward and alike and (background(powers) or unvarying(powers) or answer == SOUND):
        return ambiguous(chosen, middles, "capacitors or magnetising current without load")
    if site.generation.declared and chosen.moved and geometry == EVEN:
        return ambiguous(chosen, middles, "feed-in of the declared generation that differs between the phases")
    doubted = answer is not None and not answer.sound
    return fault(
        chosen, grid, likelihood="likely" if forward or rivals or negative or doubted or not even else "shown",
        middles=middles, span=span, rivals=others, alternative=export,
        certain=even and not rivals and not doubted,
    )


def with_feed_in(grid: Grid, powers: Powers, geometry: Geometry) -> Outcome:
    """Generation is declared and power flows back at times: which wiring lets all phases import while it does not feed.

    A clamp against the arrow turns that round: its phase reads export while the others import.
    """
    sound = _share(_plausible(powers.angles, geometry), powers.weights)
    middles = _middles(powers.angles)
    shares = sorted(
        ((_share(_holds(powers.angles, signature, geometry), powers.weights), signature)
         for signature in (*ALL, *CROSSED) if not signature.sound and signature.complexity == 1),
        key=lambda entry: -entry[0],
    )
    best, chosen = shares[0]
    whole = len(chosen.backwards) == 3 or len(chosen.moved) == 3
    if best <= max(sound, card.FEED_IN_SHARE.value):
        if sound <= card.FEED_IN_SHARE.value:
            return _always_back(powers, chosen, middles)
        importing = _middles(powers.angles[:, _plausible(powers.angles, geometry)])
        if geometry == EVEN and best > card.FEED_IN_SHARE.value and (
                (importing > card.ORDINARY_HIGH.value).all() or (importing < card.ORDINARY_LOW.value).all()):
            return ambiguous(chosen, importing, "unusual loads beside the declared generation")
        return export_seen(sound)
    one_way = float((powers.active[[PHASES.index(phase) for phase in chosen.backwards]] < 0).mean()) \
        if chosen.backwards else 1.0
    long = grid.end_us - grid.start_us >= DAY
    if whole or sound > card.FEED_IN_SHARE.value or (chosen.backwards and not (long or one_way < 1.0)):
        return ambiguous(chosen, middles, "real export from the declared generation")
    if geometry == EVEN and settled(grid, (SOUND, chosen)) == SOUND:
        return export_seen(sound)
    return fault(chosen, grid, likelihood="likely", middles=middles, certain=False,
                 alternative="a single-phase generator that exports day and night")


def _always_back(powers: Powers, chosen: Signature, middles: Array) -> Outcome:
    """No wiring lets all phases import for a while."""
    if (powers.active < 0).all(axis=0).mean() > card.STEADY_SHARE.value:
        return ambiguous(Signature(PHASES, (True, True, True)), middles, "real export from the declared generation")
    return ambiguous(chosen, middles, "feed-in of the declared generation that differs between the phases")


def _changes(
    grid: Grid, site: Site, powers: Powers, geometry: Geometry, sound: Array
) -> Outcome:
    """Right for part of the time: a clamp that was moved, or angles at the edge of what is plausible."""
    moved = _moved_clamp(grid, site, powers, geometry, sound)
    if moved is not None:
        return moved
    back = float((powers.active < 0).any(axis=0).mean())
    middles = _middles(powers.angles)
    fitting = _explained(middles, geometry)
    if fitting and not fitting[0].sound and \
            _share(_holds(powers.angles, fitting[0], geometry), powers.weights) >= card.HELD_SHARE.value:
        return _looks_wrong(grid, site, powers, geometry)
    if back < card.BACKFLOW_SHARE.value and fitting and fitting[0].sound:
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    if back < card.BACKFLOW_SHARE.value and background(powers):
        return reactive_background(middles)
    return mixed(powers.active, False, grid, powers.points)


def _moved_clamp(
    grid: Grid, site: Site, powers: Powers, geometry: Geometry, sound: Array
) -> Outcome | None:
    """A wiring that is wrong from, or up to, one moment; None when the angles go back and forth."""
    step = step_at(sound)
    if step is None:
        return None
    cut, right_first = step
    wrong = slice(cut, None) if right_first else slice(None, cut)
    part = Powers(powers.points[wrong], powers.angles[:, wrong], powers.weights[:, wrong], powers.active[:, wrong],
                  None if powers.reactive is None else powers.reactive[:, wrong], powers.currents[:, wrong])
    middles = _middles(part.angles)
    fitting = _explained(middles, geometry)
    chosen = fitting[0] if fitting else SOUND
    # Three arrows do not turn by themselves at one moment, and an exporting inverter does not wait for a fitter.
    backflow = len(chosen.backwards) == 3 or (site.generation.declared and len(chosen.backwards) > 0)
    lasting = part.points.size >= card.STEP_POINTS.value
    if not lasting or chosen.sound or backflow or _forward(middles):
        return None
    at = grid.time(int(powers.points[cut]))
    span = Extent(at, grid.end_us) if right_first else Extent(grid.start_us, at)
    return _looks_wrong(grid, site, part, geometry, span)


def _steady(angles: Array) -> bool:
    """Whether no angle moves with the load as one beside a constant reactive part does."""
    around = np.stack([wrapped(row - middle_angle(row)) for row in angles])
    low, high = np.percentile(around, (10, 90), axis=1)
    return bool((high - low < card.STEADY_ANGLE.value).all())


def _explained(middles: Array, geometry: Geometry) -> list[Signature]:
    ordinary = card.ORDINARY_LOW.value, card.ORDINARY_HIGH.value
    return explanations(middles, geometry, card.LOAD_ANGLES.value, ordinary, card.LOADS_APART.value)


def _at_the_edge(middles: Array, geometry: Geometry, fitting: list[Signature]) -> list[Signature]:
    """Wirings that would leave angles just beyond those of loads: named beside the one chosen, which is not certain."""
    beyond = card.LOAD_ANGLES.value[0] - card.EDGE.value, card.LOAD_ANGLES.value[1] + card.EDGE.value
    ordinary = card.ORDINARY_LOW.value, card.ORDINARY_HIGH.value
    return [signature for signature in explanations(middles, geometry, beyond, ordinary, card.LOADS_APART.value)
            if not signature.sound and signature not in fitting]


def _forward(middles: Array) -> bool:
    return bool((np.abs(middles) < card.FORWARD_ANGLE.value).all())


def step_at(sound: Array) -> tuple[int, bool] | None:
    """Where a mask changes once and for all, and whether it is true first; None when it changes back and forth."""
    size = sound.size
    good = np.cumsum(sound)
    total = int(good[-1])
    cuts = np.arange(1, size)
    before = good[:-1]
    right_first = before + (size - cuts) - (total - before)
    wrong_first = (cuts - before) + (total - before)
    first = int(np.argmax(right_first))
    second = int(np.argmax(wrong_first))
    needed = card.STEADY_SHARE.value * size
    if right_first[first] >= needed and right_first[first] >= wrong_first[second]:
        return first + 1, True
    if wrong_first[second] >= needed:
        return second + 1, False
    return None
