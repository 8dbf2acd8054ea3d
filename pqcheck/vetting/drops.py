"""Which wiring the voltages believe: a load pulls its own voltage down, by R P + X Q.

Turned back by the right wiring, the powers explain the changes of the three voltages with one resistance and one
reactance, both as a source has them. Turned back by a wrong one they explain little, or with a negative resistance.
This settles what angles alone cannot: leading load or rotated clamps, export or reversed clamps.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.vetting.grid import Grid
from pqcheck.vetting.middle import nan_median
from pqcheck.vetting.signatures import PHASES, Signature
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]


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
    nominal = nan_median(volts)
    if not nominal > 0:
        return None
    change = np.diff(volts, axis=1)
    load = np.diff(true, axis=1) / nominal
    known = np.isfinite(change).all(axis=0) & np.isfinite(load).all(axis=0)
    if np.count_nonzero(known) < threshold("polarity", "drop_fewest"):
        return None
    change, load = change[:, known], load[:, known]
    change = (change - change.mean(axis=0)).ravel()
    load = load - load.mean(axis=0)
    left = np.stack([load.real.ravel(), load.imag.ravel()], axis=1)
    total = float(change @ change)
    if total <= 0:
        return None
    # At a constant power factor P and Q move together and only their common effect can be known.
    fit, *_ = np.linalg.lstsq(left, -change, rcond=threshold("polarity", "drop_collinear"))
    rest = change + left @ fit
    return Drop(float(fit[0]), float(fit[1]), 1 - float(rest @ rest) / total)


def settled(grid: Grid, candidates: Sequence[Signature]) -> Signature | None:
    """The one wiring among the candidates that the voltages believe; None when they do not tell."""
    rows = [grid.get(quantity, phase) for quantity, phases in
            (("voltage", ("an", "bn", "cn")), ("active_power", PHASES), ("reactive_power", PHASES)) for phase in phases]
    if any(series is None for series in rows):
        return None
    series = np.stack([row for row in rows if row is not None])
    volts, powers = series[:3], series[3:6] + 1j * series[6:9]
    scores: list[tuple[float, Signature]] = []
    for candidate in candidates:
        drop = drop_of(volts, powers, candidate)
        if drop is None:
            return None
        physical = drop.resistance + drop.reactance > 0 and drop.resistance > -threshold(
            "polarity", "drop_negative"
        ) * abs(drop.reactance)
        scores.append((drop.explained if physical else 0.0, candidate))
    scores.sort(key=lambda pair: -pair[0])
    best, second = scores[0], scores[1]
    if best[0] < threshold("polarity", "drop_explained") or best[0] - second[0] < threshold("polarity", "drop_clear"):
        return None
    return best[1]
