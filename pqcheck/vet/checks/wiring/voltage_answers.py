"""What the voltages say about the clamps: a load pulls its own voltage down.

By R P + X Q: turned back by the right wiring, the powers explain the changes of the three voltages with one resistance
and one reactance, both as a source has them; turned back by a wrong one they explain little, or with a negative
resistance. This settles what angles alone cannot: leading load or rotated clamps, export or reversed clamps.

Without angles: regressing the changes of each voltage on the changes of all three currents gives a 3 x 3 table of
apparent impedances; where the most negative entry of every row stands off the diagonal, channels are crossed.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import numpy as np
from msgspec import Struct

from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.checks.wiring.angles import Signature
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.time_base import PHASES, Grid


class Drop(Struct, frozen=True):
    """Apparent source impedance [ohm] under one wiring, and the share of the voltage changes it explains [1]."""

    resistance: float
    reactance: float
    explained: float


def drop_of(volts: Array, powers: Array, signature: Signature) -> Drop | None:
    """Fit of dV = -(R dP + X dQ)/V under a wiring.

    `volts` line to neutral, shape (3, n) [V]; `powers` P + jQ as measured [VA]. What moves all three voltages alike
    comes from upstream and is taken out. None when there are too few changes.
    """
    turn = np.exp(-1j * np.radians(np.asarray(signature.offsets)))
    true = np.empty_like(powers)
    for channel, conductor in enumerate(signature.source):
        true[PHASES.index(conductor)] = powers[channel] * turn[channel]
    volts = volts[[signature.leads.index(phase) for phase in PHASES]]
    observed = volts[~np.isnan(volts)]
    nominal = float(np.median(observed)) if observed.size else 0.0
    if not nominal > 0:
        return None
    change = np.diff(volts, axis=1)
    load = np.diff(true, axis=1) / nominal
    known = np.isfinite(change).all(axis=0) & np.isfinite(load).all(axis=0)
    if np.count_nonzero(known) < card.DROP_FEWEST.value:
        return None
    change, load = change[:, known], load[:, known]
    change = (change - change.mean(axis=0)).ravel()
    load = load - load.mean(axis=0)
    left = np.stack([load.real.ravel(), load.imag.ravel()], axis=1)
    total = float(change @ change)
    if total <= 0:
        return None
    # At a constant power factor P and Q move together and only their common effect can be known.
    fit, *_ = np.linalg.lstsq(left, -change, rcond=card.DROP_COLLINEAR.value)
    rest = change + left @ fit
    return Drop(float(fit[0]), float(fit[1]), 1 - float(rest @ rest) / total)


def to_the_centre(lines: Array) -> Array:
    """Voltages of three conductors to the centre of gravity of their triangle [V]; `lines` ab, bc, ca [V, (3, n)].

    Two thirds of its medians: a^2 = (2 ab^2 + 2 ca^2 - bc^2) / 9 (plane geometry). Where there is no neutral, a meter
    of three elements forms the powers against this point.
    """
    ab, bc, ca = np.square(lines, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return np.sqrt(np.stack([2 * ab + 2 * ca - bc, 2 * ab + 2 * bc - ca, 2 * bc + 2 * ca - ab]) / 9)


def settled(grid: Grid, candidates: Sequence[Signature]) -> Signature | None:
    """The one wiring among the candidates that the voltages believe; None when they do not tell."""
    volts, neutral = grid.stack(*(("voltage", f"{phase}n") for phase in PHASES)), True
    if volts is None and (lines := grid.stack(*(("voltage", line) for line in LINE_TO_LINE))) is not None:
        volts, neutral = to_the_centre(lines), False
    parts = grid.stack(*((quantity, phase) for quantity in ("active_power", "reactive_power") for phase in PHASES))
    if volts is None or parts is None:
        return None
    powers = parts[:3] + 1j * parts[3:]
    scores: list[tuple[float, Signature]] = []
    for candidate in candidates:
        drop = drop_of(volts, powers, candidate)
        if drop is None:
            return None
        scores.append((drop.explained if _physical(drop, neutral) else 0.0, candidate))
    scores.sort(key=lambda pair: -pair[0])
    best, second = scores[0], scores[1]
    if best[0] < card.DROP_EXPLAINED.value or best[0] - second[0] < card.DROP_CLEAR.value:
        return None
    return best[1]


def _physical(drop: Drop, neutral: bool) -> bool:
    """Whether a source can have this impedance; nothing couples the phases where there is no neutral."""
    resistance, reactance = drop.resistance, drop.reactance
    if neutral:
        return resistance + reactance > 0 and resistance > -card.DROP_NEGATIVE.value * abs(reactance)
    least = card.DROP_NEGATIVE_DELTA.value
    return resistance + reactance > 0 and resistance > -least * reactance and reactance > -least * resistance


def responses(voltages: Array, currents: Array) -> tuple[Array, Array] | None:
    """Slopes dV/dI and their standard errors.

    `voltages`, `currents` shape (3, n) [V], [A]. Returns two (3, 3) arrays [V/A], row = voltage, column = current;
    None when there are too few changes or the currents move together so much that they cannot be told apart.
    """
    steps_v = np.diff(voltages, axis=1)
    steps_i = np.diff(currents, axis=1)
    known = np.isfinite(steps_v).all(axis=0) & np.isfinite(steps_i).all(axis=0)
    if np.count_nonzero(known) < card.RESPONSE_FEWEST.value:
        return None
    left, right = steps_i[:, known].T, steps_v[:, known].T
    # The upstream voltage moves all phases together; what one load step does differs between them.
    right = right - right.mean(axis=1, keepdims=True)
    left = left - left.mean(axis=0)
    right = right - right.mean(axis=0)
    scatter = left.T @ left
    spread = np.sqrt(np.diag(scatter))
    if (spread == 0).any():
        return None
    correlation = scatter / np.outer(spread, spread)
    if np.linalg.cond(correlation) > card.RESPONSE_CONDITION.value:
        return None
    inverse = np.linalg.inv(scatter)
    slopes = (inverse @ (left.T @ right)).T
    residual = right - left @ slopes.T
    freedom = max(1, left.shape[0] - 4)
    variance = (residual**2).sum(axis=0) / freedom
    errors = np.sqrt(np.outer(variance, np.diag(inverse)))
    return slopes, errors


def crossing(voltages: Array, currents: Array) -> tuple[str, ...] | None:
    """The conductor each current channel measures, by the voltages that answer: ("b", "a", "c") = a and b crossed.

    None when the answer is not clear for all three. `voltages` line to neutral, shape (3, n) [V]; `currents` [A].
    """
    slopes_and_errors = responses(voltages, currents)
    if slopes_and_errors is None:
        return None
    slopes, errors = slopes_and_errors
    scores = {}
    for order in permutations(range(3)):
        # order[i] = voltage row that answers to current channel i.
        scores[order] = float(sum(slopes[row, channel] for channel, row in enumerate(order)))
    best = min(scores, key=lambda order: (scores[order], order))
    clear = card.RESPONSE_CLEAR.value
    for channel, row in enumerate(best):
        others = [other for other in range(3) if other != row]
        for other in others:
            gap = slopes[other, channel] - slopes[row, channel]
            if gap <= clear * float(np.hypot(errors[row, channel], errors[other, channel])):
                return None
        own = float(slopes[row, channel])
        # With the common part taken out the own voltage falls and both others rise by half as much. Leading currents
        # through a reactive source do the opposite, and then nothing follows for the phases.
        if own >= 0 or min(float(slopes[other, channel]) for other in others) < card.RESPONSE_OTHERS.value * own:
            return None
    return tuple(PHASES[row] for row in best)
