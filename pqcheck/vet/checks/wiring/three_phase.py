"""Clamps read from active and reactive power of three phases."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.checks.wiring.angles import SOUND, Signature, implied, ranked, wrapped
from pqcheck.vet.checks.wiring.card import CHECK
from pqcheck.vet.checks.wiring.messages import ambiguous, export_seen, fault, mixed, reactive_background, too_little
from pqcheck.vet.checks.wiring.voltage_answers import settled
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import PHASES, Grid

EXPORT = "real export of energy, if there is generation on site (declare [generation])"

DROPS_EXPLAINED = "turned back so, the powers explain the voltage drops, and as recorded they do not"


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


def _plausible(angles: Array) -> Array:
    """Points whose three angles a right connection explains."""
    low, high = card.PLAUSIBLE_LOW.value, card.PLAUSIBLE_HIGH.value
    inside = ((angles >= low) & (angles <= high)).all(axis=0)
    return np.asarray(inside & (angles.max(axis=0) - angles.min(axis=0) <= card.PLAUSIBLE_SPREAD.value))


def _share(mask: Array, weights: Array) -> float:
    total = weights.sum(axis=0)
    return float(total[mask].sum() / total.sum())


def _holds(angles: Array, signature: Signature) -> Array:
    """Points that a wiring explains: the load angles it means are ordinary, with some slack for noise."""
    slack = card.SLACK.value
    load = implied(angles, signature)
    low, high = card.ORDINARY_LOW.value - slack, card.ORDINARY_HIGH.value + slack
    return np.asarray(((load >= low) & (load <= high)).all(axis=0))


def with_reactive(grid: Grid, site: Site, powers: Powers) -> Outcome:
    """The outcome where all three phases have active and reactive power."""
    angles = powers.angles
    if _too_noisy(angles):
        return too_little(PHASES, noisy=True)
    sound = _plausible(angles)
    share = _share(sound, powers.weights)
    if share >= card.STEADY_SHARE.value:
        return _looks_right(grid, powers)
    if share <= 1 - card.STEADY_SHARE.value:
        return _looks_wrong(grid, site, powers)
    return _changes(grid, site, powers, sound, share)


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


def _looks_right(grid: Grid, powers: Powers) -> Outcome:
    """Angles that a right connection explains; at their edges so does a set that is rotated and reversed as a whole."""
    middles = _middles(powers.angles)
    low, high = card.ORDINARY_LOW.value, card.ORDINARY_HIGH.value
    if not ((middles < low).all() or (middles > high).all()):
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


def _looks_wrong(grid: Grid, site: Site, powers: Powers, span: Extent | None = None) -> Outcome:
    """Angles that no ordinary right connection explains."""
    middles = _middles(powers.angles)
    best = [pair for pair in _ranked(middles) if not pair[1].sound]
    chosen = best[0][1]
    forward = _forward(middles)
    if _share(_holds(powers.angles, chosen), powers.weights) < card.HELD_SHARE.value:
        if forward and background(powers):
            return reactive_background(middles)
        return mixed(powers.active, site.generation.declared, grid, powers.points)
    answer = None if span else settled(grid, (SOUND, chosen))
    negative = [phase for phase, angle in zip(PHASES, middles, strict=True) if abs(angle) > 90]
    export = EXPORT if negative and len(negative) != 2 and not site.generation.declared else ""
    if answer == chosen:
        return fault(chosen, grid, likelihood="shown", because=DROPS_EXPLAINED, middles=middles, alternative=export)
    alike = float(middles.max() - middles.min()) < card.ALIKE_SPREAD.value
    if forward and alike and (background(powers) or unvarying(powers) or answer == SOUND):
        return ambiguous(chosen, middles, "capacitors or magnetising current without load")
    odd = [phase for phase, angle in zip(PHASES, middles, strict=True)
           if not card.PLAUSIBLE_LOW.value <= angle <= card.PLAUSIBLE_HIGH.value]
    whole_set = alike or 3 in (len(chosen.moved), len(chosen.backwards))
    if site.generation.declared and (whole_set or len(odd) == 1):
        day_and_night = grid.end_us - grid.start_us >= DAY
        if whole_set or not day_and_night or answer == SOUND or chosen.backwards != tuple(negative):
            return ambiguous(chosen, middles, "real export from the declared generation")
        return fault(chosen, grid, likelihood="likely", middles=middles, span=span,
                     alternative="a single-phase generator that exports day and night")
    close = [signature for cost, signature in best[1:4]
             if cost - best[0][0] < card.RIVAL_COST.value and signature.complexity <= chosen.complexity]
    return fault(
        chosen, grid, likelihood="likely" if forward or close or negative else "shown", middles=middles, span=span,
        rivals=tuple(close), alternative=export,
    )


def _changes(grid: Grid, site: Site, powers: Powers, sound: Array, share: float) -> Outcome:
    """Right for part of the time: a clamp that was moved, angles at the edge of what is plausible, or energy that
    really flows back at times."""
    moved = _moved_clamp(grid, site, powers, sound)
    if moved is not None:
        return moved
    back = float((powers.active < 0).any(axis=0).mean())
    if site.generation.declared and back > card.BACKFLOW_SHARE.value:
        return export_seen(share)
    middles = _middles(powers.angles)
    chosen = next(signature for _, signature in _ranked(middles) if not signature.sound)
    if _share(_holds(powers.angles, chosen), powers.weights) >= card.HELD_SHARE.value:
        return _looks_wrong(grid, site, powers)
    if back < card.BACKFLOW_SHARE.value and background(powers):
        return reactive_background(middles)
    return mixed(powers.active, False, grid, powers.points)


def _moved_clamp(grid: Grid, site: Site, powers: Powers, sound: Array) -> Outcome | None:
    """A wiring that is wrong from, or up to, one moment; None when the angles go back and forth."""
    step = step_at(sound)
    if step is None:
        return None
    cut, right_first = step
    wrong = slice(cut, None) if right_first else slice(None, cut)
    part = Powers(powers.points[wrong], powers.angles[:, wrong], powers.weights[:, wrong], powers.active[:, wrong],
                  None if powers.reactive is None else powers.reactive[:, wrong], powers.currents[:, wrong])
    middles = _middles(part.angles)
    chosen = _ranked(middles)[0][1]
    # Three arrows do not turn by themselves at one moment, and an exporting inverter does not wait for a fitter.
    backflow = len(chosen.backwards) == 3 or (site.generation.declared and len(chosen.backwards) > 0)
    lasting = part.points.size >= card.STEP_POINTS.value
    if not lasting or chosen.sound or backflow or _forward(middles):
        return None
    at = grid.time(int(powers.points[cut]))
    span = Extent(at, grid.end_us) if right_first else Extent(grid.start_us, at)
    return _looks_wrong(grid, site, part, span)


def _ranked(middles: Array) -> list[tuple[float, Signature]]:
    return ranked(middles, card.ORDINARY_LOW.value, card.ORDINARY_HIGH.value)


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
