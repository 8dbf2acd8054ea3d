"""Whether a result lies inside the uncertainty band of the instrument: the modifier ``marginal``.

Simple acceptance stays the decision rule (ILAC-G8:09/2019 4.2.1); the mark only says that the instrument could not
have told the two sides apart. Without a declared instrument nothing is marked.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

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
