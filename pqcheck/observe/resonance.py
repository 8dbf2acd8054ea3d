"""Does a harmonic jump in the minute in which reactive power jumps? Then a capacitor may have met a resonance."""

from __future__ import annotations

import math

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text, iso
from pqcheck.observe.gather import Gathered, Track
from pqcheck.observe.observation import Grade, Observation
from pqcheck.observe.steps import Array, change_at, level_steps, spread, values
from pqcheck.physics.network import resonance_order, star_reactance
from pqcheck.site.site_values import Site

LEAST_STEPS = 3
LEAST_SHARE = 0.8
LEAST_CHANGE = 4.0
"""A harmonic moves with a step when it changes by this many times its own usual change (median absolute)."""
NEAR = 1.5
"""Orders between the estimate and the harmonic that still count as a match; the estimate knows no damping."""


class _Hit(Struct, frozen=True):
    track: Track
    order: int
    size: float
    share: float
    usual: float


def resonance(gathered: Gathered, site: Site) -> list[Observation]:
    """One observation about the order that moves most with the steps of reactive power."""
    reactive = next(iter(gathered.tracks("reactive_power", ("total", *"abc"))), None)
    if reactive is None:
        return []
    power = values(reactive)
    least = 0.25 * spread(power)
    if least <= 0:
        return []
    places = level_steps(power, least)
    if len(places) < LEAST_STEPS:
        return []
    hits = [hit for hit in (_follows(track, reactive, power, places) for track in _orders(gathered)) if hit is not None]
    if not hits:
        return []
    best = max(hits, key=lambda hit: hit.size * hit.share)
    return [_observation(best, reactive, power, places, site, gathered)]


def _orders(gathered: Gathered) -> list[Track]:
    return [
        track
        for channel, track in gathered.detail.items()
        if channel.quantity == "voltage_harmonic" and (channel.order or 0) > 1 and channel.reading == "mean"
    ]


def _follows(track: Track, reactive: Track, power: Array, places: NDArray[np.intp]) -> _Hit | None:
    level = values(track)
    usual = float(np.nanmedian(np.abs(np.diff(level)))) if len(level) > 2 else 0.0
    if not usual > 0:
        usual = max(1e-6, 0.001 * spread(level))
    changes, signs = [], []
    for place in places.tolist():
        instant = reactive.start_us + place * reactive.step_us
        point = (instant - track.start_us) // track.step_us
        if not 0 < point < len(level):
            continue
        # The point in which the step falls mixes both levels when this track is coarser; leave it out.
        coarse = track.step_us > reactive.step_us
        after = level[point + coarse : point + coarse + 3]
        before = level[max(point - 3, 0) : point]
        if not len(before) or not len(after) or np.isnan(before).all() or np.isnan(after).all():
            continue
        changes.append(float(np.nanmedian(after) - np.nanmedian(before)))
        signs.append(math.copysign(1.0, change_at(power, place)))
    if len(changes) < LEAST_STEPS:
        return None
    moved = np.array(changes) * np.array(signs)
    direction = math.copysign(1.0, float(np.median(moved)))
    clear = moved * direction >= LEAST_CHANGE * usual
    share = float(np.count_nonzero(clear)) / len(moved)
    size = float(np.median(np.abs(moved)))
    if share < LEAST_SHARE or size < 0.1 * spread(level):
        return None
    return _Hit(track, track.channel.order or 0, size * direction, share, usual)


def _observation(
    hit: _Hit, reactive: Track, power: Array, places: NDArray[np.intp], site: Site, gathered: Gathered,
) -> Observation:  # fmt: skip
    step = float(np.median([abs(change_at(power, place)) for place in places.tolist()]))
    falls = hit.size < 0
    first = iso(reactive.start_us + int(places[0]) * reactive.step_us, gathered.zone)
    text = (
        f"Whenever reactive power steps by about {step / 1000:.3g} kvar, the voltage harmonic of order {hit.order} "
        f"changes by about {abs(hit.size):.2g} % in the same {duration_text(reactive.step_us)}: it "
        f"{'rises as reactive power falls' if falls else 'rises as reactive power rises'} (first seen "
        f"{first[:16].replace('T', ' ')})."
    )
    evidence = [f"{100 * hit.share:.0f} % of {len(places)} steps; the harmonic's usual change is {hit.usual:.2g} %."]
    against = ["A load that brings both its reactive power and its own harmonics, switched as one, looks the same."]
    numbers = {"order": float(hit.order), "step_var": step, "change_percent": hit.size, "share": hit.share,
               "steps": float(len(places))}  # fmt: skip
    grade: Grade = "possible"
    estimate = estimated_order(site, step)
    if estimate is None:
        against.append("Short-circuit current not declared, so no resonance estimate could be compared.")
        if falls and hit.share >= 0.9:
            grade = "likely"
    else:
        numbers["estimated_order"] = estimate
        near = abs(estimate - hit.order) <= NEAR
        kvar = f"{step / 1000:.3g} kvar"
        words = f"Resonance estimate, square root of short-circuit power over {kvar}: order {estimate:.1f}"
        if near and falls:
            grade = "likely"
            evidence.append(f"{words}, which fits order {hit.order}.")
        else:
            against.append(f"{words}, which is not order {hit.order}.")
    if not falls:
        against.append("The harmonic rises with reactive power, while a capacitor that switches on lowers it.")
    against.append("Other capacitors, cables and the state of the network move a resonance, unknown to the estimate.")
    spans = tuple(
        (reactive.start_us + (place - 1) * reactive.step_us, reactive.start_us + (place + 1) * reactive.step_us)
        for place in places.tolist()
    )
    return Observation("resonance", "A harmonic that moves with reactive power", grade, text, tuple(evidence),
                       tuple(against), "fig-resonance", numbers, spans)  # fmt: skip


def estimated_order(site: Site, capacitor_var: float) -> float | None:
    """Order of parallel resonance with the reactance of the declared short-circuit current; None when undeclared.

    `capacitor_var` in var.
    """
    pcc, supply = site.pcc, site.supply
    if pcc is None or not pcc.short_circuit_current or capacitor_var <= 0:
        return None
    # Per phase of a three-phase service; a single-phase one has its only voltage in both places.
    line = float(supply.line_to_line or supply.line_to_neutral or 0)
    star = line / math.sqrt(3) if supply.line_to_line else line
    return float(resonance_order(star / float(pcc.short_circuit_current), star_reactance(line, capacitor_var)))
