"""Which current pulls which voltage down: crossed channels shown without angles.

A load step on a phase drops the voltage of that phase most. Regressing the changes of each voltage on the changes of
all three currents gives a 3 x 3 table of apparent impedances; where the most negative entry of every row stands off
the diagonal, channels are crossed.
"""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.vetting.signatures import PHASES
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]


def responses(voltages: Array, currents: Array) -> tuple[Array, Array] | None:
    """Slopes dV/dI and their standard errors.

    `voltages`, `currents` shape (3, n) [V], [A]. Returns two (3, 3) arrays [V/A], row = voltage, column = current;
    None when there are too few changes or the currents move together so much that they cannot be told apart.
    """
    steps_v = np.diff(voltages, axis=1)
    steps_i = np.diff(currents, axis=1)
    known = np.isfinite(steps_v).all(axis=0) & np.isfinite(steps_i).all(axis=0)
    if np.count_nonzero(known) < threshold("polarity", "response_fewest"):
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
    if np.linalg.cond(correlation) > threshold("polarity", "response_condition"):
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
    found = responses(voltages, currents)
    if found is None:
        return None
    slopes, errors = found
    scores = {}
    for order in permutations(range(3)):
        # order[i] = voltage row that answers to current channel i.
        scores[order] = float(sum(slopes[row, channel] for channel, row in enumerate(order)))
    best = min(scores, key=lambda order: (scores[order], order))
    clear = threshold("polarity", "response_clear")
    for channel, row in enumerate(best):
        others = [other for other in range(3) if other != row]
        for other in others:
            gap = slopes[other, channel] - slopes[row, channel]
            if gap <= clear * float(np.hypot(errors[row, channel], errors[other, channel])):
                return None
        own = float(slopes[row, channel])
        # With the common part taken out the own voltage falls and both others rise by half as much. Leading currents
        # through a reactive source do the opposite, and then nothing follows for the phases.
        if own >= 0 or min(float(slopes[other, channel]) for other in others) < threshold(
            "polarity", "response_others"
        ) * own:
            return None
    return tuple(PHASES[row] for row in best)
