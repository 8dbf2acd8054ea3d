"""The facts a condition of a limit table may test; do written conditions make sense, alone and as selectors of rows?

The selector rows of a limit must cover every case exactly once: each fact of the declared domain is cut at every edge
that a row names; the edges and a value between two neighbours stand for all values, so no gap or overlap is missed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import pairwise, product
from typing import Any

from pqcheck.limit_tables.rules import Condition, ValueRange
from pqcheck.limit_tables.written import Problem, condition, plain
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


def check_condition(
    written: Mapping[str, Any], path: str, options: Mapping[str, Mapping[str, Any]]
) -> Iterator[Problem]:
    """What does not hold together in one condition."""
    fact = written["fact"]
    known: Iterable[str] = TEXT_FACTS.get(fact, ())
    if fact.startswith("option:"):
        name = fact.removeprefix("option:")
        if name not in options:
            near = nearest(name, options) or "."
            yield Problem(f"{path}.fact", f"the option {name!r} is not declared under 'options'{near}")
            return
        known = options[name]["values"]
    if (fact in NUMERIC_FACTS) != ("in" in written):
        wanted = "a span under 'in'" if fact in NUMERIC_FACTS else "values under 'is'"
        yield Problem(path, f"{fact} is tested with {wanted}.")
        return
    for value in written.get("is", ()):
        if value not in known:
            yield Problem(f"{path}.is", f"{value!r} is not a value of {fact}{nearest(value, known) or '.'}")
    if fact in NUMERIC_FACTS and "default" in written and not _NUMBER.fullmatch(written["default"]):
        yield Problem(f"{path}.default", f"{written['default']!r} is no number, which {fact} is.")
    span = condition(written, {}).span
    if span is not None and span.low is not None and span.high is not None:
        closed = span.low_closed and span.high_closed
        if span.low > span.high or (span.low == span.high and not closed):
            text = f"the span {written['in']} holds no value; the first edge must lie below the second."
            yield Problem(f"{path}.in", text)


_NUMBER = re.compile(r"-?[0-9]{1,12}(\.[0-9]{1,12})?")

Cell = Mapping[str, Decimal | str]


def holds(condition: Condition, value: Decimal | str) -> bool:
    """Whether a condition holds for a known value of its fact."""
    if condition.span is not None:
        return isinstance(value, Decimal) and condition.span.holds(value)
    return value in condition.values


def holds_by_default(condition: Condition) -> bool:
    """Whether a condition holds as far as options go, where the site declares none."""
    return not condition.fact.startswith("option:") or condition.default in condition.values


def cells(domain: Sequence[Condition], selectors: Sequence[Sequence[Condition]]) -> Iterator[Cell]:
    """Cases that stand for every case of the domain."""
    axes: dict[str, Sequence[Decimal | str]] = {}
    for axis in domain:
        if axis.span is None:
            axes[axis.fact] = axis.values
        else:
            tested = [selector for row in selectors for selector in row if selector.fact == axis.fact]
            axes[axis.fact] = representatives(axis.span, [each.span for each in tested if each.span])
    for combination in product(*axes.values()):
        yield dict(zip(axes, combination, strict=True))


def representatives(domain: ValueRange, spans: Sequence[ValueRange]) -> list[Decimal]:
    """Every edge inside the domain, and one value on either side of each."""
    edges = sorted({edge for span in (domain, *spans) for edge in (span.low, span.high) if edge is not None})
    if not edges:
        return [Decimal(0)]
    between = [(low + high) / 2 for low, high in pairwise(edges)]
    values = sorted([edges[0] - 1, *edges, *between, edges[-1] + 1])
    return [value for value in values if domain.holds(value)]


def gaps_and_overlaps(
    domain: Sequence[Condition], selectors: Sequence[tuple[str, Sequence[Condition]]]
) -> Iterator[str]:
    """A sentence for each case of the domain that no selector, or more than one, covers.

    `selectors` are pairs of the place in the file and the conditions that must all hold there.
    """
    for cell in cells(domain, [conditions for _, conditions in selectors]):
        covering = [place for place, tested in selectors if all(holds(each, cell[each.fact]) for each in tested)]
        case = " and ".join(f"{fact} = {_shown(value)}" for fact, value in cell.items())
        if not covering:
            yield f"no row covers {case}; close the gap, or narrow the domain under 'over'."
        elif len(covering) > 1:
            yield f"{' and '.join(covering)} both cover {case}; let exactly one row do so."


def _shown(value: Decimal | str) -> str:
    return value if isinstance(value, str) else plain(value)
