"""The facts a condition of a limit table may test, and whether a written condition makes sense."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pqcheck.limit_tables.written import condition, refuse
from pqcheck.model.errors import nearest

NUMERIC_FACTS = ("nominal_voltage", "nominal_frequency", "short_circuit_ratio", "inverter_share")
"""Facts that are numbers: volts line to line, hertz, Isc/IL, percent."""

TEXT_FACTS: Mapping[str, tuple[str, ...]] = {
    "measured_at": ("service", "utilization", "equipment"),
    "is_pcc": ("true", "false"),
    "generating_facility": ("true", "false"),
    "connection": ("single-phase", "split-phase", "wye", "delta", "high-leg-delta"),
}
"""Facts that are words, with all their values."""


def check_condition(written: Mapping[str, Any], path: str, options: Mapping[str, Mapping[str, Any]]) -> None:
    """Raise `LimitTableError` for the first thing that does not hold together in one condition."""
    fact = written["fact"]
    known: Iterable[str] = TEXT_FACTS.get(fact, ())
    if fact.startswith("option:"):
        name = fact.removeprefix("option:")
        if name not in options:
            near = nearest(name, options) or "."
            refuse(f"{path}.fact", f"the option {name!r} is not declared under 'options'{near}")
        known = options[name]["values"]
    if (fact in NUMERIC_FACTS) != ("in" in written):
        wanted = "a span under 'in'" if fact in NUMERIC_FACTS else "values under 'is'"
        refuse(path, f"{fact} is tested with {wanted}.")
    for value in written.get("is", ()):
        if value not in known:
            refuse(f"{path}.is", f"{value!r} is not a value of {fact}{nearest(value, known) or '.'}")
    one = condition(written, {}).span
    if one is not None and one.low is not None and one.high is not None:
        closed = one.low_closed and one.high_closed
        if one.low > one.high or (one.low == one.high and not closed):
            refuse(f"{path}.in", f"the span {written['in']} holds no value; the first edge must lie below the second.")
