"""The thresholds of the checks: data in thresholds.json, each with unit, basis and a sentence why.

None of them is taken from a standard; the basis field says whose practice each one is.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any


@functools.cache
def table() -> dict[str, dict[str, dict[str, Any]]]:
    """Check name to threshold name to entry (``value``, ``unit``, ``basis``, ``why``)."""
    text = Path(__file__).with_name("thresholds.json").read_text(encoding="utf-8")
    loaded: dict[str, dict[str, dict[str, Any]]] = json.loads(text)
    return loaded


@functools.cache
def threshold(check: str, name: str) -> float:
    """The value of one threshold, in the unit that thresholds.json states."""
    return float(table()[check][name]["value"])
