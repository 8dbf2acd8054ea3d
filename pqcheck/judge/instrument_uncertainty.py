"""Whether a result lies inside the uncertainty band of the instrument: the modifier ``marginal``.

Simple acceptance stays the decision rule (ILAC-G8:09/2019 4.2.1); the mark only says that the instrument could not
have told the two sides apart. What is declared of the instrument gives the band; readings that come in steps show
another one by themselves, since each of them stands for all values within half a step.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import numpy as np
from numpy.typing import NDArray

FEWEST_MOVES = 60
"""Moves from one reading to the next that show a step: fewer could be levels of a load."""
FEWEST_SIZES = 3
"""Different sizes of these moves, counted in steps: a load that switches between two levels has one."""
OFF_THE_STEPS = 0.01
"""Share of moves that may be no whole number of steps: a range that changed, a conversion rounded twice."""
_TOLERANCE = 0.05
"""How far from a whole number of steps a move may lie [steps]; float32 holds 400 V to 0.003 steps of 0.01 V."""

_PERCENT_OF_NOMINAL = {"A": Decimal("0.1"), "S": Decimal("0.5")}
"""Voltage magnitude, IEC 61000-4-30 5.2, percent of the declared voltage (memory)."""
_HERTZ = {"A": Decimal("0.01"), "S": Decimal("0.05")}
"""Frequency, IEC 61000-4-30 5.1 (memory)."""
_UNBALANCE_POINTS = {"A": Decimal("0.15"), "S": Decimal("0.3")}
"""Unbalance, IEC 61000-4-30 5.7, percentage points (memory)."""
_PERCENT_OF_READING = {"A": Decimal(5), "S": Decimal(5)}
"""Harmonics (IEC 61000-4-7 class I and II upper range) and flicker (IEC 61000-4-15), percent of reading (memory)."""
_CURRENT_PERCENT = {"A": Decimal(1), "S": Decimal(2)}
"""Current magnitude, IEC 61000-4-30 5.13, percent of reading (memory)."""


def uncertainty(
    instrument: Mapping[str, Any], quantity: str, limit: Decimal, nominal: Decimal | None
) -> Decimal | None:
    """Expanded uncertainty at the limit, in the unit of the finding; None when the instrument is not declared."""
    if "percent" in instrument:
        text = str(instrument["percent"]).replace("%", "").strip()
        return abs(limit) * Decimal(text) / 100
    kind = str(instrument.get("class", "")).strip().upper().removeprefix("CLASS").strip()
    if kind not in ("A", "S"):
        return None
    if quantity == "voltage":
        return (nominal if nominal is not None else abs(limit)) * _PERCENT_OF_NOMINAL[kind] / 100
    if quantity == "frequency":
        return _HERTZ[kind]
    if "unbalance" in quantity:
        return _UNBALANCE_POINTS[kind]
    if quantity == "current":
        return abs(limit) * _CURRENT_PERCENT[kind] / 100
    if "harmonic" in quantity or "thd" in quantity or "tdd" in quantity or "flicker" in quantity:
        return abs(limit) * _PERCENT_OF_READING[kind] / 100
    return None


def observed_step(readings: NDArray[Any]) -> float | None:
    """The step in which readings come, in their own unit; None where they show none.

    `readings` are those of a channel in time order, NaN where there is none. The step is the smallest move between
    neighbours, if nearly all moves are whole multiples of it.
    """
    known = readings[~np.isnan(readings)].astype(np.float64)
    moves = np.abs(np.diff(known))
    # Noise of the last binary digit is no move.
    moves = moves[moves > 1e-6 * np.abs(known).max(initial=0.0)]
    if moves.size < FEWEST_MOVES:
        return None
    step = float(moves.min())
    multiples = moves / step
    whole = np.round(multiples)
    fits = np.abs(multiples - whole) <= _TOLERANCE
    if np.count_nonzero(~fits) > OFF_THE_STEPS * moves.size or np.unique(whole[fits]).size < FEWEST_SIZES:
        return None
    # Not the smallest move itself, which binary digits may have shortened.
    return float(np.median(moves[whole == 1]))
