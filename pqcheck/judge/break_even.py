"""For which maximum demand current a current rule would pass, the short-circuit current held fixed.

A larger demand current loosens the percentages and can drop the site into a stricter row, so the answer is a set of
ranges: in each row IL must lie in the row's span and above value / limit(row).
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from operator import itemgetter
from typing import NamedTuple

from pqcheck.judge.site_facts import ask
from pqcheck.judge.tasks import Task
from pqcheck.limit_tables import LimitRow, ValueRange
from pqcheck.site.site_values import Site

Range = tuple[Decimal, Decimal | None]

_SURELY = Decimal("1.000001")
"""Keeps a reading that only rounding tells from the edge of a row out of the short ways."""


class _Governed(NamedTuple):
    """A row that governs an order: its limit in amperes per ampere of demand, and the demand currents it is for.

    Readings up to `always_to` pass from the first of these currents on, those beyond `never_from` for none of them.
    """

    share: Decimal
    start: Decimal
    end: Decimal | None
    always_to: Decimal
    never_from: Decimal


class DemandRanges(NamedTuple):
    """What tells for one task which maximum demand currents a reading would pass for."""

    rows: list[_Governed]
    percent_of: Decimal | None
    """The declared demand current in amperes, where readings are in percent of it."""

    def ranges(self, reading: Decimal) -> list[Range]:
        """Ranges (from, to) of the maximum demand current in amperes for which the reading passes; to None = no end."""
        amperes = reading if self.percent_of is None else reading * self.percent_of / 100
        passing: list[Range] = []
        for share, start, end, always_to, never_from in self.rows:
            if amperes < always_to:
                low = start
            elif amperes <= never_from:
                low = max(amperes / share, start)
                if end is not None and low >= end:
                    continue
            else:
                continue
            if passing and passing[-1][1] is not None and passing[-1][1] >= low >= passing[-1][0]:
                # Nearly always the spans of the rows adjoin, and the ranges come in order.
                last = passing[-1][1]
                passing[-1] = passing[-1][0], None if end is None else max(last, end)
            else:
                passing.append((low, end))
        return passing if len(passing) < 2 else _merged(passing)


class BreakEven:
    """The rows of each rule by the span of Isc/IL they govern, sorted out once for a site."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._rows: dict[int, list[tuple[LimitRow, ValueRange]]] = {}
        self._governed: dict[tuple[int, int | None], list[_Governed]] = {}

    def of(self, task: Task) -> DemandRanges:
        """What holds for the readings of one task (in A, or % of the declared demand current)."""
        pcc = self._site.pcc
        if pcc is None or pcc.short_circuit_current is None or not pcc.maximum_demand_current:
            return DemandRanges([], None)
        percent_of = None if task.unit == "A" else pcc.maximum_demand_current
        return DemandRanges(self._of_order(task, pcc.short_circuit_current), percent_of)

    def _of_order(self, task: Task, short_circuit: Decimal) -> list[_Governed]:
        """The rows that govern the task's order, by the demand currents they are for."""
        key = (id(task.rule), task.wanted.order)
        governed = self._governed.get(key)
        if governed is None:
            governed = self._governed[key] = []
            for row, span in self._by_ratio(task):
                if row.high is None or (row.orders is not None and task.wanted.order not in row.orders):
                    continue
                share = row.high * task.rule.factor / 100
                start = Decimal(0) if span.high is None else short_circuit / span.high
                end = None if span.low is None or span.low == 0 else short_circuit / span.low
                if end is None or start < end:
                    never_from = Decimal("Infinity") if end is None else share * end * _SURELY
                    governed.append(_Governed(share, start, end, share * start / _SURELY, never_from))
            governed.sort(key=lambda entry: entry.start)
        return governed

    def _by_ratio(self, task: Task) -> list[tuple[LimitRow, ValueRange]]:
        governing = self._rows.get(id(task.rule))
        if governing is None:
            governing = []
            # The rows of one column of a table are written under the same conditions.
            spans: dict[int, ValueRange | None] = {}
            for row in task.rule.rows:
                key = id(row.where)
                if key not in spans:
                    spans[key] = self._span(row)
                span = spans[key]
                if span is not None:
                    governing.append((row, span))
            self._rows[id(task.rule)] = governing
        return governing

    def _span(self, row: LimitRow) -> ValueRange | None:
        """The span of Isc/IL that a row governs; None where its other conditions do not hold at the site."""
        others = [condition for condition in row.where if condition.fact != "short_circuit_ratio"]
        if not ask(self._site, others).holds:
            return None
        ratios = [condition for condition in row.where if condition.fact == "short_circuit_ratio"]
        spans = [condition.span for condition in ratios if condition.span is not None]
        return spans[0] if spans else ValueRange()


def _merged(ranges: Sequence[Range]) -> list[Range]:
    merged: list[Range] = []
    for low, high in sorted(ranges, key=itemgetter(0)):
        if merged and (merged[-1][1] is None or low <= merged[-1][1]):
            last_low, last_high = merged[-1]
            top = None if last_high is None or high is None else max(last_high, high)
            merged[-1] = (last_low, top)
        else:
            merged.append((low, high))
    return merged


def as_sentence(ranges: Sequence[Range]) -> str:
    """``passes for a maximum demand current of 312 A to 600 A, or 655 A and more``."""
    if not ranges:
        return "passes for no maximum demand current at this short-circuit current"
    parts = [
        f"{_amperes(low)} and more" if high is None else f"{_amperes(low)} to {_amperes(high)}" for low, high in ranges
    ]
    return f"at this short-circuit current it passes for a maximum demand current of {', or '.join(parts)}"


def _amperes(value: Decimal) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".") + " A"
