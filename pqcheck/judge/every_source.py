"""Questions to everything that was recorded, so that its sources are compared where no limit table asks for them.

The comparison itself is that of `sources_disagree`, as judging makes it; no finding about a limit comes of these rules.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from pqcheck.judge.rules_that_apply import resolve
from pqcheck.judge.tasks import Task
from pqcheck.limit_tables import LimitRow, LimitTable, Rule
from pqcheck.limit_tables.rules import Reference, RulePeriod, RuleStatistic
from pqcheck.model.clock import iso
from pqcheck.model.findings import Finding, Period, Reason
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Site

if TYPE_CHECKING:
    from pqcheck.vet.trust import Trust

RULE = "sources"
QUESTION = "Do the sources of one quantity agree?"

_REFERENCES: dict[str, Reference] = {
    "voltage": "nominal", "voltage_thd": "fundamental", "voltage_harmonic": "fundamental", "frequency": "none",
    "current_thd": "fundamental", "current_tdd": "maximum_demand_current", "current_trd": "rated_current",
    "current_harmonic": "maximum_demand_current",
    "negative_sequence_unbalance": "none", "voltage_deviation_unbalance": "none",
    "flicker_pst": "none", "flicker_plt": "none",
}
"""What limit tables ask for, with what they refer it to."""
_PLT_US = 7_200_000_000
"""Two hours: a long-term flicker is formed from twelve short-term ones (IEC 61000-4-15)."""


def with_rivals(tables: Sequence[LimitTable], recording: Recording, site: Site) -> list[Task]:
    """Tasks of the tables and of every quantity recorded that have several sources to be compared."""
    intervals = sorted({stream.axis.interval_us for stream in recording.streams} | {_PLT_US})
    orders = tuple(sorted({channel.order for _, channel in recording.channels() if channel.order is not None}))
    rules = tuple(
        _rule(quantity, reference, interval_us, orders if quantity.endswith("_harmonic") else None)
        for interval_us in intervals for quantity, reference in _REFERENCES.items()
        if (interval_us == _PLT_US) is (quantity == "flicker_plt")
    )
    every = LimitTable("every-source", "", "", "", "", "", rules)
    tasks, _ = resolve((*tables, every), recording, site)
    return [task for task in tasks if _rivalled(task)]


def _rivalled(task: Task) -> bool:
    layer: Task | None = task
    while layer is not None and not layer.rivals:
        layer = layer.next_best
    return layer is not None


def _rule(quantity: str, reference: Reference, interval_us: int, orders: tuple[int, ...] | None) -> Rule:
    return Rule(
        id=f"{quantity}-{interval_us}", title=quantity, clause="", confidence="derived", quantity=quantity, phases=(),
        interval_s=Decimal(interval_us) / 1_000_000, also_intervals_s=(), period=RulePeriod("recording"),
        statistic=RuleStatistic("report_only"), reference=reference, unit=QUANTITIES[quantity].unit, strict=False,
        rows=(LimitRow(orders=orders, no_limit=True),),
    )


def as_findings(disagreements: Iterable[Trust], recording: Recording) -> list[Finding]:
    """What contradicts itself as findings about the recording, one per quantity, phase and order."""
    if not recording.streams:
        # Events alone contradict nothing.
        return []
    start = min(stream.axis.start_us for stream in recording.streams)
    end = max(stream.axis.end_us for stream in recording.streams)
    period = Period("recording", iso(start, recording.zone), iso(end, recording.zone))
    kept: dict[tuple[str, str | None, int | None], Finding] = {}
    for doubt in disagreements:
        quantity, phase = doubt.quantities[0], doubt.phases[0] if doubt.phases else None
        order = doubt.orders[0] if doubt.orders else None
        channel = ".".join(part for part in (quantity, phase, f"h{order}" if order else None) if part)
        kept.setdefault((quantity, phase, order), Finding(
            "recording", "recording", RULE, "", QUESTION, quantity, phase, order, doubt.verdict, period, channel,
            reason=Reason(doubt.code, doubt.text, doubt.advice),
        ))
    return list(kept.values())
