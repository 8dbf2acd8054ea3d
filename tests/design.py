"""Spectra and scenarios of an invented drive, for the tests of the gate."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

SITE: dict[str, Any] = {
    "name": "Kestrel drive, frame 4",
    "supply": {"nominal_voltage": "480Y/277 V", "connection": "wye", "frequency": "60 Hz", "measured_at": "equipment"},
    "scenario": {
        "name": "weak grid", "short_circuit_current": "40 kA", "maximum_demand_current": "600 A",
        "fundamental_current": "600 A", "balanced": True,
    },
    "limits": {"apply": ["ieee519-2022"], "quantities": ["current_harmonic", "current_tdd"]},
}  # fmt: skip
"""Isc/IL = 66.7: the row 50 < 100 of IEEE 519 Table 2, so 10 % of 600 A up to order 10 (standards value)."""

WEEK_95 = "current-harmonics-week-95"
RULE = f"ieee519-2022/{WEEK_95}"
PERCENT = "current_harmonic [% of fundamental]"


def site(**scenario: Any) -> dict[str, Any]:
    """The scenario with other keys; None takes a key away."""
    changed = {**SITE["scenario"], **scenario}
    return {**SITE, "scenario": {key: value for key, value in changed.items() if value is not None}}


def shares(h7: float, last: int = 50, **others: float) -> dict[int, float]:
    """Percent of the fundamental by order; `others` as ``h5=3``."""
    given = {1: 100.0, 7: h7} | {int(name[1:]): value for name, value in others.items()}
    return {order: given.get(order, 0.02) for order in range(1, last + 1)}


def percent(h7: float, last: int = 50, **others: float) -> dict[str, list[float]]:
    """A spectrum in percent, as a table in memory."""
    found = shares(h7, last, **others)
    return {"order": [float(order) for order in found], PERCENT: list(found.values())}


def write(path: Path, columns: Mapping[str, list[Any]]) -> Path:
    """A table in memory as CSV."""
    rows = [",".join(columns), *(",".join(map(str, row)) for row in zip(*columns.values(), strict=True))]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def toml(document: Mapping[str, Any]) -> str:
    """A site document as TOML: texts, numbers, booleans and lists of texts, one level of sections."""
    lines, sections = [], []
    for key, value in document.items():
        if isinstance(value, Mapping):
            sections += [f"\n[{key}]", *(f"{name} = {_value(one)}" for name, one in value.items())]
        else:
            lines.append(f"{key} = {_value(value)}")
    return "\n".join([*lines, *sections]) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)
