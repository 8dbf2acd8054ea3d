"""Do the selector rows of a limit cover every case exactly once?

Each fact of the declared domain is cut at every edge that a row names; the edges themselves and one value between two
neighbours stand for all values, so a gap or an overlap of any size is found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import pairwise, product

from pqcheck.limit_tables import Condition, Span
from pqcheck.limit_tables.written import plain

Cell = Mapping[str, Decimal | str]


def holds(condition: Condition, value: Decimal | str) -> bool:
    """Whether a condition holds for a known value of its fact."""
    if condition.span is not None:
        return isinstance(value, Decimal) and condition.span.holds(value)
    return value in condition.values


def cells(domain: Sequence[Condition], selectors: Sequence[Sequence[Condition]]) -> Iterator[Cell]:
    """Cases that stand for every case of the domain."""
    axes: dict[str, Sequence[Decimal | str]] = {}
    for condition in domain:
        if condition.span is None:
            axes[condition.fact] = condition.values
        else:
            spans = [one.span for row in selectors for one in row if one.fact == condition.fact and one.span]
            axes[condition.fact] = representatives(condition.span, spans)
    for combination in product(*axes.values()):
        yield dict(zip(axes, combination, strict=True))


def representatives(domain: Span, spans: Sequence[Span]) -> list[Decimal]:
    """Every edge inside the domain, and one value on either side of each."""
    edges = sorted({edge for one in (domain, *spans) for edge in (one.low, one.high) if edge is not None})
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
        found = [place for place, conditions in selectors if all(holds(one, cell[one.fact]) for one in conditions)]
        case = " and ".join(f"{fact} = {_shown(value)}" for fact, value in cell.items())
        if not found:
            yield f"no row covers {case}; close the gap, or narrow the domain under 'over'."
        elif len(found) > 1:
            yield f"{' and '.join(found)} both cover {case}; let exactly one row do so."


def _shown(value: Decimal | str) -> str:
    return value if isinstance(value, str) else plain(value)
