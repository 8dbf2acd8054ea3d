"""The recorded channels a load study reads: phases that carry current, the mean channel of a name, its values in SI."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.recording import Channel, Stream
from pqcheck.model.units import factor
from pqcheck.site.site_values import Supply

Array = NDArray[np.float64]
Arrays = Mapping[Channel, NDArray[Any]]

PHASES = {"single-phase": ("a",), "split-phase": ("a", "b")}
"""Current-carrying phases by connection; all others have three."""
PAIRS = {"ab": ("a", "b"), "bc": ("b", "c"), "ca": ("c", "a")}
"""The phases that a line-to-line voltage lies between."""


def phases_of(supply: Supply) -> tuple[str, ...]:
    """The current-carrying phases of the connection."""
    return PHASES.get(supply.connection, ("a", "b", "c"))


def voltage_sum(phases: tuple[str, ...], supply: Supply) -> float:
    """Volts by which a line current is multiplied for the apparent power of a load on these phases."""
    neutral = float(supply.line_to_neutral or 0)
    line = float(supply.line_to_line) if supply.line_to_line is not None else neutral
    if len(phases) == 3:
        return math.sqrt(3) * line
    return line if len(phases) == 2 else neutral


def mean_channel(stream: Stream, quantity: str, phase: str | None, order: int | None = None) -> Channel | None:
    """The mean channel of this name in the stream, None where it was not recorded."""
    return next((channel for channel in stream.channels if channel.key == (quantity, phase, order, None, "mean")), None)


@lru_cache(maxsize=256)
def conversion(unit_from: str, unit_to: str) -> float:
    """What a number in one unit is multiplied with to be in another."""
    return float(factor(unit_from or "1", unit_to))


def values_in(arrays: Arrays, channel: Channel, unit: str) -> Array:
    """The array of a channel in `unit`, float64."""
    by = conversion(channel.unit, unit)
    values = np.asarray(arrays[channel], dtype=np.float64)
    return values if by == 1 else values * by


def harmonic_scale(channel: Channel, unit: str, fundamental: Array, rms: Array, nominal: float = 0.0) -> Array | float:
    """What a harmonic channel is multiplied with to be in `unit`, A or V; in which everything a share refers to is."""
    references: Mapping[str, Array | float] = {"%": fundamental, "% of rms": rms, "% of nominal": nominal}
    return references[channel.unit] / 100 if channel.unit in references else conversion(channel.unit, unit)
