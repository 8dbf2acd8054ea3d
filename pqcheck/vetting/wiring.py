"""Clamps on the wrong conductor or against the arrow, read from voltages, currents and powers of the phases."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.recording import DAY
from pqcheck.site.model import Site
from pqcheck.vetting.drops import settled
from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import median
from pqcheck.vetting.outcome import Outcome, Span
from pqcheck.vetting.response import crossing
from pqcheck.vetting.signatures import PHASES, SOUND, Signature, cosine_fit, implied, ranked, wrapped
from pqcheck.vetting.thresholds import threshold
from pqcheck.vetting.wiring_words import ambiguous, export_seen, fault, mixed, reactive_background, too_little

Array = NDArray[Any]

CHECK = "polarity"
EXPORT = "real export of energy, if there is generation on site (declare [generation])"
VOLTAGES = "turned back so, the powers explain the voltage drops, and as recorded they do not"


class Powers(Struct, frozen=True):
    """Significant points of the three phases: angle of P + jQ [degrees], weight V x I [VA], current [A]."""

    points: Array
    angles: Array
    weights: Array
    active: Array
    reactive: Array | None
    currents: Array


def polarity_outcomes(grid: Grid, site: Site) -> Iterator[Outcome]:
    """The outcome for the clamps of a three-phase, split-phase or single-phase service."""
    phases = tuple(phase for phase in PHASES if grid.get("active_power", phase) is not None)
    if not phases:
        yield from _without_phase_powers(grid, site)
        return
    found = significant(grid, phases)
    if found is None:
        yield too_little(phases)
        return
    if len(phases) < 3 or site.supply.connection in ("split-phase", "single-phase"):
        yield from _signs(grid, site, phases, found)
        return
    if found.reactive is None:
        yield _without_reactive(grid, site, found)
        return
    yield _with_reactive(grid, site, found)


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
    floor = threshold(CHECK, "significant_percent") / 100 * np.nanpercentile(load, 95, axis=1)
    with np.errstate(invalid="ignore"):
        enough = np.isfinite(active).all(axis=0) & (load >= floor[:, None]).all(axis=0) & (floor > 0).all()
    reactive = None
    if all(grid.get("reactive_power", phase) is not None for phase in phases):
        reactive = np.stack([grid.data[("reactive_power", phase)] for phase in phases])
        enough &= np.isfinite(reactive).all(axis=0)
    points = np.flatnonzero(enough)
    if points.size < threshold(CHECK, "fewest_points"):
        return None
    most = int(threshold(CHECK, "most_points"))
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


def middle_angle(angles: Array) -> float:
    """Circular median, robustly: the median of the angles turned so that their mean direction is zero [degrees]."""
    mean = float(np.degrees(np.angle(np.exp(1j * np.radians(angles)).sum())))
    return float(wrapped(mean + median(wrapped(angles - mean))))


def _plausible(angles: Array) -> Array:
    """Points whose three angles a right connection explains."""
    low, high = threshold(CHECK, "plausible_low"), threshold(CHECK, "plausible_high")
    inside = ((angles >= low) & (angles <= high)).all(axis=0)
    return np.asarray(inside & (angles.max(axis=0) - angles.min(axis=0) <= threshold(CHECK, "plausible_spread")))


def _share(mask: Array, weights: Array) -> float:
    total = weights.sum(axis=0)
    return float(total[mask].sum() / total.sum())


def _holds(angles: Array, signature: Signature) -> Array:
    """Points that a wiring explains: the load angles it means are ordinary, with some slack for noise."""
    slack = threshold(CHECK, "slack")
    load = implied(angles, signature)
    low, high = threshold(CHECK, "ordinary_low") - slack, threshold(CHECK, "ordinary_high") + slack
    return np.asarray(((load >= low) & (load <= high)).all(axis=0))


def _with_reactive(grid: Grid, site: Site, found: Powers) -> Outcome:
    angles = found.angles
    if _too_noisy(angles):
        return too_little(PHASES, noisy=True)
    sound = _plausible(angles)
    share = _share(sound, found.weights)
    if share >= threshold(CHECK, "steady_share"):
        return _looks_right(grid, found)
    if share <= 1 - threshold(CHECK, "steady_share"):
        return _looks_wrong(grid, site, found)
    return _changes(grid, site, found, sound, share)


def _too_noisy(angles: Array) -> bool:
    """Whether the angles jump from point to point as those of a channel that sees no current do."""
    jumps = np.abs(wrapped(np.diff(angles, axis=1)))
    return bool(np.median(jumps, axis=1).max() > threshold(CHECK, "noisy_jump"))


def _middles(angles: Array) -> Array:
    return np.array([middle_angle(row) for row in angles])


def _crossing(grid: Grid) -> tuple[str, ...] | None:
    volts = [grid.get("voltage", f"{phase}n") for phase in PHASES]
    amps = [grid.get("current", phase) for phase in PHASES]
    if any(series is None for series in (*volts, *amps)):
        return None
    return crossing(np.stack([series for series in volts if series is not None]),
                    np.stack([series for series in amps if series is not None]))


def unvarying(found: Powers) -> bool:
    """Whether the load hardly changes: then nothing tells a capacitor from a fault."""
    load = found.weights.sum(axis=0)
    return float(load.std()) < threshold(CHECK, "constant_load") * float(load.mean())


def background(found: Powers) -> bool:
    """Whether a constant reactive part explains the angle: capacitors or magnetising current beside a varying load.

    Then Q hardly follows the load; behind a wiring fault both are projections of one load and move together.
    """
    if found.reactive is None or unvarying(found):
        return False
    active, reactive, load = (part.sum(axis=0) for part in (found.active, found.reactive, found.weights))
    middle = abs(float(np.mean(reactive)))
    if middle == 0:
        return False
    steady = float(reactive.std()) / middle < threshold(CHECK, "background_scatter") * float(load.std() / load.mean())
    slope, rest = np.polyfit(active, reactive, 1)
    fixed = abs(float(rest)) / middle > threshold(CHECK, "background_share") and float(slope) * reactive.mean() < 0
    return bool(steady or fixed)


def _looks_right(grid: Grid, found: Powers) -> Outcome:
    """Angles that a right connection explains; at their edges so does a set that is rotated and reversed as a whole."""
    middles = _middles(found.angles)
    low, high = threshold(CHECK, "ordinary_low"), threshold(CHECK, "ordinary_high")
    if not ((middles < low).all() or (middles > high).all()):
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    turned = next(signature for _, signature in ranked(middles, 0, high) if len(signature.moved) == 3)
    answer = settled(grid, (SOUND, turned))
    if answer == turned:
        return fault(turned, grid, likelihood="shown", because=VOLTAGES, middles=middles)
    if answer == SOUND:
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    if background(found):
        return reactive_background(middles)
    innocent = "a load that really is leading" if middles.mean() < 0 else "a load that really is so inductive"
    return ambiguous(turned, middles, innocent)


def _looks_wrong(grid: Grid, site: Site, found: Powers, span: Span | None = None) -> Outcome:
    """Angles that no ordinary right connection explains."""
    middles = _middles(found.angles)
    best = [pair for pair in _ranked(middles) if not pair[1].sound]
    chosen = best[0][1]
    forward = _forward(middles)
    if _share(_holds(found.angles, chosen), found.weights) < threshold(CHECK, "held_share"):
        if forward and background(found):
            return reactive_background(middles)
        return mixed(found.active, site.generation.declared, grid, found.points)
    answer = None if span else settled(grid, (SOUND, chosen))
    negative = [phase for phase, angle in zip(PHASES, middles, strict=True) if abs(angle) > 90]
    export = EXPORT if negative and len(negative) != 2 and not site.generation.declared else ""
    if answer == chosen:
        return fault(chosen, grid, likelihood="shown", because=VOLTAGES, middles=middles, alternative=export)
    alike = float(middles.max() - middles.min()) < threshold(CHECK, "alike_spread")
    if forward and alike and (background(found) or unvarying(found) or answer == SOUND):
        return ambiguous(chosen, middles, "capacitors or magnetising current without load")
    odd = [phase for phase, angle in zip(PHASES, middles, strict=True)
           if not threshold(CHECK, "plausible_low") <= angle <= threshold(CHECK, "plausible_high")]
    whole_set = alike or 3 in (len(chosen.moved), len(chosen.backwards))
    if site.generation.declared and (whole_set or len(odd) == 1):
        day_and_night = grid.end_us - grid.start_us >= DAY
        if whole_set or not day_and_night or answer == SOUND or chosen.backwards != tuple(negative):
            return ambiguous(chosen, middles, "real export from the declared generation")
        return fault(chosen, grid, likelihood="likely", middles=middles, span=span,
                     alternative="a single-phase generator that exports day and night")
    close = [signature for cost, signature in best[1:4]
             if cost - best[0][0] < threshold(CHECK, "rival_cost") and signature.complexity <= chosen.complexity]
    return fault(
        chosen, grid, likelihood="likely" if forward or close or negative else "shown", middles=middles, span=span,
        rivals=tuple(close), alternative=export,
    )


def _changes(grid: Grid, site: Site, found: Powers, sound: Array, share: float) -> Outcome:
    """Right for part of the time: a clamp that was moved, angles at the edge of what is plausible, or energy that
    really flows back at times."""
    moved = _moved_clamp(grid, site, found, sound)
    if moved is not None:
        return moved
    back = float((found.active < 0).any(axis=0).mean())
    if site.generation.declared and back > threshold(CHECK, "backflow_share"):
        return export_seen(share)
    middles = _middles(found.angles)
    chosen = next(signature for _, signature in _ranked(middles) if not signature.sound)
    if _share(_holds(found.angles, chosen), found.weights) >= threshold(CHECK, "held_share"):
        return _looks_wrong(grid, site, found)
    if back < threshold(CHECK, "backflow_share") and background(found):
        return reactive_background(middles)
    return mixed(found.active, False, grid, found.points)


def _moved_clamp(grid: Grid, site: Site, found: Powers, sound: Array) -> Outcome | None:
    """A wiring that is wrong from, or up to, one moment; None when the angles go back and forth."""
    step = step_at(sound)
    if step is None:
        return None
    cut, right_first = step
    wrong = slice(cut, None) if right_first else slice(None, cut)
    part = Powers(found.points[wrong], found.angles[:, wrong], found.weights[:, wrong], found.active[:, wrong],
                  None if found.reactive is None else found.reactive[:, wrong], found.currents[:, wrong])
    middles = _middles(part.angles)
    chosen = _ranked(middles)[0][1]
    # Three arrows do not turn by themselves at one moment, and an exporting inverter does not wait for a fitter.
    backflow = len(chosen.backwards) == 3 or (site.generation.declared and len(chosen.backwards) > 0)
    lasting = part.points.size >= threshold(CHECK, "step_points")
    if not lasting or chosen.sound or backflow or _forward(middles):
        return None
    at = grid.time(int(found.points[cut]))
    span = Span(at, grid.end_us) if right_first else Span(grid.start_us, at)
    return _looks_wrong(grid, site, part, span)


def _ranked(middles: Array) -> list[tuple[float, Signature]]:
    return ranked(middles, threshold(CHECK, "ordinary_low"), threshold(CHECK, "ordinary_high"))


def _forward(middles: Array) -> bool:
    return bool((np.abs(middles) < threshold(CHECK, "forward_angle")).all())


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
    needed = threshold(CHECK, "steady_share") * size
    if right_first[first] >= needed and right_first[first] >= wrong_first[second]:
        return first + 1, True
    if wrong_first[second] >= needed:
        return second + 1, False
    return None


def _signs(grid: Grid, site: Site, phases: tuple[str, ...], found: Powers) -> Iterator[Outcome]:
    """Single- and split-phase: a leg whose power is negative all the time."""
    for number, phase in enumerate(phases):
        ratio = found.active[number] / np.maximum(found.weights[number], 1e-12)
        back = ratio < -threshold(CHECK, "negative_ratio")
        share = float(np.mean(back))
        if share <= 1 - threshold(CHECK, "steady_share"):
            yield Outcome(CHECK, Verdict.PASS, f"current.{phase}", "current", phase)
        elif share >= threshold(CHECK, "steady_share"):
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
            yield mixed(found.active[number : number + 1], False, grid, found.points, phase)


def _without_reactive(grid: Grid, site: Site, found: Powers) -> Outcome:
    """Only active power: what P/(V I) of the phases allows."""
    if grid.get("current", "a") is None and grid.get("apparent_power", "a") is None:
        found_signs = list(_signs(grid, site, PHASES, found))
        return max(found_signs, key=lambda outcome: outcome.verdict is not Verdict.PASS)
    ratios = found.active / found.weights
    middle = np.median(ratios, axis=1)
    least = threshold(CHECK, "healthy_ratio")
    if (middle >= least).all():
        return Outcome(CHECK, Verdict.PASS, "current", "current")
    steady = float(np.median(ratios.std(axis=1))) < threshold(CHECK, "ratio_scatter")
    fits = [] if not steady else cosine_fit(middle, threshold(CHECK, "ratio_misfit"),
                                            threshold(CHECK, "ordinary_high"))
    fits = [signature for signature in fits if not signature.sound]
    if not fits:
        return mixed(found.active, site.generation.declared, grid, found.points)
    simplest = [signature for signature in fits if signature.complexity == fits[0].complexity]
    if site.generation.declared and int((middle < 0).sum()) in (1, 3):
        return ambiguous(fits[0], None, "real export from the declared generation")
    return fault(fits[0], grid, likelihood="shown" if len(simplest) == 1 else "likely", middles=None,
                 rivals=tuple(simplest[1:]),
                 alternative="real export, if there is generation on site" if (middle < 0).any() else "")


def _without_phase_powers(grid: Grid, site: Site) -> Iterator[Outcome]:
    """Totals only, or no power at all: a share of the total, or what voltages answer to."""
    from pqcheck.vetting.metering import total_outcome

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
    if any(grid.get("current", phase) is not None for phase in PHASES):
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="No power was recorded, so the arrows and phases of the clamps cannot be checked.",
                      advice="Record active and reactive power of every phase.")

