"""What there is to judge, known before any number is read: tasks, and rules already settled."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from functools import cached_property, lru_cache

from msgspec import Struct

from pqcheck.derive.sources import SeriesSource, Wanted
from pqcheck.limit_tables import LimitRow, LimitTable, Rule
from pqcheck.model.findings import Reason
from pqcheck.model.verdict import Verdict


class Settled(Struct, frozen=True):
    """A rule (for a phase) that needs no reading: not applicable, a missing fact, not recorded."""

    table: LimitTable
    rule: Rule
    verdict: Verdict
    reason: Reason
    quantity: str | None
    phase: str | None = None


class Task(Struct, frozen=True, dict=True):
    """One rule for one channel.

    `low`/`high` are the limits in `unit`, the unit of the finding. `source` is None when no stream suits the rule's
    interval; then `bounds` (pairs of minimum and maximum columns) and `longer` (means over longer intervals) are all
    there is.
    """

    table: LimitTable
    rule: Rule
    row: LimitRow
    wanted: Wanted
    low: Decimal | None
    high: Decimal | None
    unit: str
    source: SeriesSource | None
    bounds: tuple[tuple[SeriesSource | None, SeriesSource | None], ...] = ()
    longer: SeriesSource | None = None
    policy: str | None = None
    """Whose time criterion is applied, when the site declared one."""
    caveats: tuple[str, ...] = ()
    sources: tuple[SeriesSource, ...] = ()
    """Where several streams serve the rule: all of them, `source` first, in the order in which they fill slots."""
    rivals: tuple[SeriesSource, ...] = ()
    """Other ways to the same quantity in the streams judged, which must not contradict these."""
    span: tuple[int, int] | None = None
    """What periods are laid over where other streams of the quantity saw more, half-open UTC microseconds."""
    next_best: Task | None = None
    """The same question to what stands in where the sources of this task saw nothing."""
    stands_in: bool = False
    """Whether it is the `next_best` of another task."""
    beyond_connection: bool = False
    """Whether the phase is none of the declared connection."""

    @cached_property
    def interval_us(self) -> int:
        """Interval judged: the rule's, or the recorded one where the rule accepts it."""
        rule_us = int(self.rule.interval_s * 1_000_000)
        sources = self.sources or (() if self.source is None else (self.source,))
        return max(rule_us, *(source.interval_us for source in sources)) if sources else rule_us

    @property
    def samples(self) -> tuple[SeriesSource | None, SeriesSource | None]:
        """What bounds every sample from below and from above: the same source for one that was recorded or derived."""
        if self.source is not None:
            return self.source, self.source
        return self.bounds[0] if self.bounds else (None, None)

    @property
    def stream(self) -> int:
        """The stream that the task is judged by."""
        sources = (*self.samples, self.longer)
        return next((source.stream for source in sources if source is not None), 0)

    @property
    def question(self) -> tuple[object, ...]:
        """The same for all tasks that stand in for one another."""
        return id(self.rule), id(self.row), self.wanted

    @property
    def base_name(self) -> str:
        """Contract name of the channel without the reading."""
        parts = [self.wanted.quantity]
        if self.wanted.phase is not None:
            parts.append(self.wanted.phase)
        if self.wanted.order is not None:
            parts.append(f"h{self.wanted.order}")
        if self.wanted.hertz is not None:
            parts.append(f"f{self.wanted.hertz}")
        return ".".join(parts)


def scale_of(unit: str, task_unit: str, wanted: Wanted) -> Fraction:
    """How many units of the finding one `unit` of a source holds."""
    return _scale(unit, task_unit, wanted.nominal if wanted.base == "nominal" else None)


@lru_cache(maxsize=256)
def _scale(unit: str, task_unit: str, nominal: Decimal | None) -> Fraction:
    from pqcheck.model.units import factor

    if nominal is not None and unit in ("V", "kV") and task_unit == "%":
        return Fraction(factor(unit, "V")) * 100 / Fraction(nominal)
    if unit.startswith("%") and task_unit == "%":
        return Fraction(1)
    return Fraction(factor(unit or "1", task_unit))
