"""Limit tables: the frozen form that judging works with. Numbers are `Decimal`, never float.

`pqcheck.limit_tables.load_limit_table` finds and loads ``limits/*.json`` into these values.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from msgspec import Struct, field

if TYPE_CHECKING:
    from pqcheck.limit_tables.event_rules import EventRule
    from pqcheck.limit_tables.existing_load_rules import LoadRule

CONFIDENCE = ("two sources", "one source", "derived", "memory")
"""Marks of a value, best first; a derived value carries the weakest mark of what it derives from."""

Reference = Literal["none", "nominal", "nominal_frequency", "fundamental", "maximum_demand_current", "rated_current"]


class ValueRange(Struct, frozen=True):
    """A range over a site fact. A missing edge is open to that side; `*_closed` says whether the edge belongs."""

    low: Decimal | None = None
    low_closed: bool = True
    high: Decimal | None = None
    high_closed: bool = True

    def holds(self, value: Decimal) -> bool:
        """Whether `value` lies inside."""
        if self.low is not None and (value < self.low or (value == self.low and not self.low_closed)):
            return False
        return not (self.high is not None and (value > self.high or (value == self.high and not self.high_closed)))


class Condition(Struct, frozen=True):
    """When a table, rule or row governs. `fact` names a site fact (list in docs/reference/limit-tables.md).

    Numeric facts are tested with `span`, others with `values` (texts; "true"/"false" for declarations).
    `reason` is the sentence printed when the condition does not hold. A fact ``option:<name>`` is declared by the
    site under ``[limits.options]``. `default`, when given, is the value of any fact where the site says nothing.
    """

    fact: str
    values: tuple[str, ...] = ()
    span: ValueRange | None = None
    reason: str = ""
    default: str | None = None


class LimitRow(Struct, frozen=True):
    """One row of a rule's limits.

    `low`/`high` are in percent of the rule's reference, or absolute in the rule's unit when the reference is "none".
    `orders` (None = the rule has no orders) are the harmonic orders the row covers. Formulas and factors by order
    are worked out by the loader, so judging only sees numbers. `nominal` is the designation a row of
    a per-nominal table belongs to; `line` says whether it limits line-to-line or line-to-neutral voltages.
    `no_limit` rows exist on purpose: the document sets no limit there (verdict not_applicable, code no-limit).
    """

    low: Decimal | None = None
    high: Decimal | None = None
    orders: tuple[int, ...] | None = None
    hertz: tuple[tuple[Decimal, Decimal], ...] = ()
    """Points (frequency, limit) of a curve, interpolated linearly in log-log."""
    where: tuple[Condition, ...] = ()
    nominal: str | None = None
    line: Literal["line_to_line", "line_to_neutral"] | None = None
    phases: tuple[str, ...] = ()
    no_limit: bool = False
    clause: str | None = None
    confidence: str | None = None
    sources: tuple[str, ...] = ()
    """Ids of the sources of the table that state the value of this row; empty: those of the rule."""
    label: str | None = None
    derating: tuple[tuple[Decimal, Decimal], ...] = ()
    """Points (value of the quantity, factor on the rating) of a derating curve, interpolated linearly; `high`, when
    given, is where the curve ends. Information beside a report-only statistic, never a verdict."""
    derating_uncertainty: Decimal = Decimal(0)


class RuleStatistic(Struct, frozen=True):
    """How the intervals of a period decide.

    share_within: at least `percent` of the intervals inside. all_within: every one. count_at_most: at most `count`
    outside. longest_run_at_most: no run outside longer than `duration_s`. report_only: a number and no verdict;
    `percent` is then the share whose reading is shown.
    """

    kind: Literal["share_within", "all_within", "count_at_most", "longest_run_at_most", "report_only"]
    percent: Decimal = Decimal(100)
    count: int = 0
    duration_s: Decimal = Decimal(0)


class RulePeriod(Struct, frozen=True):
    """day, week, year, or the whole recording; back to back, by local calendar, or sliding by one day."""

    length: Literal["day", "week", "year", "recording"]
    alignment: Literal["back_to_back", "calendar", "sliding"] = "back_to_back"


class TimeCriterion(Struct, frozen=True):
    """The document gives a range and no time criterion; the site declares one in ``[[criteria]]``.

    `range` is the name under which a site refers to it ("A"). Undeclared: all inside passes, and an interval outside
    is `outside` ("fail" or "inconclusive"); a recording shorter than `shortest_pass_s` never passes.
    """

    range: str
    outside: Literal["fail", "inconclusive"]
    shortest_pass_s: Decimal


class Rule(Struct, frozen=True):
    """One rule: what is judged, over which interval and period, by which statistic, against which rows."""

    id: str
    title: str
    clause: str
    confidence: str
    quantity: str
    phases: tuple[str, ...]
    """Empty: those the connection asks for; else exactly these."""
    interval_s: Decimal
    also_intervals_s: tuple[Decimal, ...]
    """Longer intervals judged as recorded (C84.1 house policy: 900)."""
    period: RulePeriod
    statistic: RuleStatistic
    reference: Reference
    unit: str
    """Unit of absolute limits ("V", "Hz", "%", "1"); "%" whenever the reference is not "none"."""
    strict: bool
    """True: a value equal to the limit is outside (IEEE 519 ``<``)."""
    rows: tuple[LimitRow, ...]
    factor: Decimal = Decimal(1)
    """Multiplies every limit of the rule (1.5 for the daily statistic ...)."""
    factor_confidence: str | None = None
    highest_order: int | None = None
    """For THD and TDD rules: the highest order that belongs in the sum."""
    drop_flagged: bool = False
    coverage_percent: Decimal | None = None
    applies_if: tuple[Condition, ...] = ()
    time_criterion: TimeCriterion | None = None
    indicative: bool = False
    """The document calls the value indicative: reported, never judged (code no-limit)."""
    not_held: str | None = None
    """The document has a limit of its own here that the table does not hold, in words: reported, never judged."""
    convention: str | None = None
    """Whose convention the statistic is, when the document gives none ("assessor's convention")."""
    sources: tuple[str, ...] = ()
    """Ids of the sources of the table that state what the rule says."""
    best_evidence: Literal["", "lightest load"] = ""
    """Where a recording supports the figure best: named beside the statistic."""
    note: str | None = None


class Nominal(Struct, frozen=True):
    """A nominal voltage that a table lists, in V; line to line, line to neutral, or both."""

    connections: tuple[str, ...]
    line_to_line: Decimal | None
    line_to_neutral: Decimal | None


class Remark(Struct, frozen=True):
    """What a reader of the findings must know where all conditions hold; it decides nothing."""

    where: tuple[Condition, ...]
    text: str


class LimitTable(Struct, frozen=True):
    """One standard, one edition."""

    id: str
    standard: str
    edition: str
    title: str
    source: str
    sha256: str
    rules: tuple[Rule, ...]
    applies_if: tuple[Condition, ...] = ()
    interruption_below_percent: Decimal = Decimal(5)
    interruption_closed: bool = False
    """Whether a voltage equal to the threshold is an interruption too."""
    base: str | None = None
    effective_from: str | None = None
    effective_to: str | None = None
    nominals: Mapping[str, Nominal] = field(default_factory=dict)
    """The nominal voltages listed, by designation."""
    only_these_nominals: bool = False
    """Whether the table governs no other nominal voltage."""
    options: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The options a site may declare for this table, with their values; the first value is the default."""
    option_meanings: Mapping[str, str] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)
    """Where numbers come from, by id."""
    load_rules: tuple[LoadRule, ...] = ()
    """Determinations of an existing load and what may be added to it (`pqcheck.limit_tables.existing_load_rules`)."""
    event_rules: tuple[EventRule, ...] = ()
    """Ride-through curves and classes for events (`pqcheck.limit_tables.event_rules`)."""
    remarks: tuple[Remark, ...] = ()
    id_of_shipped: bool = False
    """Whether a shipped table of other content has this id: a copy that was edited and not renamed."""
