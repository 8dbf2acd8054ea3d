"""From a decided period to a finding: statistic, limit, margin, windows, title."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from functools import cache, lru_cache

from msgspec import Struct

from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.break_even import BreakEven, DemandRanges, as_sentence
from pqcheck.judge.decision import Decision, PeriodCounts
from pqcheck.judge.evidence_windows import in_unit
from pqcheck.judge.instrument_uncertainty import uncertainty
from pqcheck.judge.judged_series import JudgedPeriod
from pqcheck.judge.tasks import Settled, Task, scale_of
from pqcheck.limit_tables import Rule
from pqcheck.limit_tables.derating import derating_words
from pqcheck.model.clock import iso
from pqcheck.model.findings import Finding, Intervals, Limit, Margin, Period, Reason, Statistic, StrictLimit, Window
from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

_HUNDRED = Decimal(100)
_JUDGED = (Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE)
_UNVERIFIED = ("unverified_limit",)


def percent_of(rule: Rule) -> float | None:
    """The share of the rule for the findings file: 100 for "every value", null for counts and runs."""
    kind = rule.statistic.kind
    if kind in ("share_within", "report_only"):
        return float(rule.statistic.percent)
    return 100.0 if kind == "all_within" else None


def phase_words(phase: str | None) -> str:
    """A phase as people say it."""
    if phase is None:
        return ""
    if phase == "ng":
        return "neutral to ground"
    if phase in LINE_TO_LINE:
        return f"phases {phase[0]} to {phase[1]}"
    if len(phase) == 2 and phase.endswith("n"):
        return f"phase {phase[0]} to neutral"
    return {"n": "neutral", "total": "total"}.get(phase, f"phase {phase}")


def title_of(task: Task) -> str:
    """Rule, phase, order; whose time criterion; what was converted."""
    words = [task.rule.title]
    if task.wanted.order is not None:
        words.append(f"order {task.wanted.order}")
    if task.wanted.hertz is not None:
        words.append(f"{task.wanted.hertz} Hz")
    if task.wanted.phase is not None:
        words.append(phase_words(task.wanted.phase))
    title = ", ".join(words)
    extras = []
    if task.policy is not None:
        extras.append(f"time criterion: policy of {task.policy}")
    elif task.rule.convention:
        extras.append(task.rule.convention)
    if task.table.standard == "IEEE 519" and task.wanted.phase in LINE_TO_LINE:
        extras.append("line-to-line values judged")
    if task.source is not None and task.source.note:
        extras.append(task.source.note)
    return f"{title} ({'; '.join(extras)})" if extras else title


def of_settled(settled: Settled) -> Finding:
    """A finding that judged nothing."""
    rule = settled.rule
    channel = "-" if settled.phase is None else f"{settled.quantity}.{settled.phase}"
    return Finding(
        kind="limit",
        table=settled.table.id,
        rule=rule.id,
        clause=rule.clause,
        title=", ".join(filter(None, (rule.title, phase_words(settled.phase)))),
        quantity=settled.quantity,
        phase=settled.phase,
        order=None,
        verdict=settled.verdict,
        channel=channel,
        reason=settled.reason,
        statistic=Statistic(rule.statistic.kind, percent_of(rule), float(rule.interval_s), None, _unit(rule)),
    )


def _unit(rule: Rule) -> str:
    from pqcheck.model.quantities import QUANTITIES

    return QUANTITIES[rule.quantity].unit


def limit_of(task: Task) -> Limit:
    """The band in the unit of the finding."""
    low = None if task.low is None else float(task.low)
    high = None if task.high is None else float(task.high)
    return _limit(low, high, task.unit, task.rule.strict)


@lru_cache(maxsize=1024)
def _limit(low: float | None, high: float | None, unit: str, strict: bool) -> Limit:
    """One limit holds for many phases and orders, which then share it."""
    return (StrictLimit if strict else Limit)(low, high, unit)


def margin_of(task: Task, reading: Decimal) -> Margin | None:
    """Distance to the nearer limit (in the middle: the lower), negative outside, in decimals: 253 - 250.1 is 2.9."""
    low, high = task.low, task.high
    if high is not None and (low is None or high - reading < reading - low):
        distance, limit = high - reading, high
    elif low is not None:
        distance, limit = reading - low, low
    else:
        return None
    percent = float(round(_HUNDRED * distance / abs(limit), 6)) if limit else None
    return Margin(float(round(distance, 12)), task.unit, percent)


class FindingTemplate(Struct, frozen=True):
    """What the findings of all periods of one task share, made once.

    `limit` is None where the table sets none, `bounds` is what stands in the row then too. `band` is the uncertainty of
    the declared instrument at the limit, in the unit of the finding.
    """

    task: Task
    table: str
    rule: str
    clause: str
    channel: str
    title: str
    limit: Limit | None
    bounds: Limit
    share: float | None
    interval_s: float
    scale: Fraction
    plain: bool
    """Whether a reading in the unit of the source is one in the unit of the finding."""
    band: Decimal | None
    unverified: bool
    demand: DemandRanges | None
    """For rules about the maximum demand current."""

    def title_at(self, value: float | None) -> str:
        """The title with the demand currents for which the reading passes."""
        if value is None or self.demand is None:
            return self.title
        return f"{self.title}; {as_sentence(self.demand.ranges(Decimal(repr(value))))}"

    def statistic_at(self, value: float | None) -> Statistic:
        """The statistic, in the unit of the finding."""
        task = self.task
        return Statistic(task.rule.statistic.kind, self.share, self.interval_s, value, task.unit)

    def margin_at(self, value: float | None) -> Margin | None:
        """The distance to the nearer limit."""
        return None if value is None else margin_of(self.task, Decimal(repr(value)))


def template_of(task: Task, site: Site, break_even: BreakEven) -> FindingTemplate:
    """The template of a task."""
    limit = task.high if task.high is not None else task.low
    nominal = site.supply.nominal(task.wanted.phase) if task.wanted.phase else None
    band = None
    if limit is not None:
        band = uncertainty(site.instrument, task.wanted.quantity, Decimal(limit), nominal)
    rule, row = task.rule, task.row
    confidence = row.confidence or rule.confidence
    bounds, scale = limit_of(task), _scale(task)
    demand = break_even.of(task) if rule.reference == "maximum_demand_current" else None
    return FindingTemplate(
        task,
        task.table.id,
        rule.id,
        row.clause or rule.clause,
        task.base_name,
        title_of(task),
        None if row.no_limit else bounds,
        bounds,
        percent_of(rule),
        task.interval_us / 1_000_000,
        scale,
        scale == 1,
        band,
        "memory" in (confidence, rule.factor_confidence),
        demand,
    )


def _modifiers(template: FindingTemplate, decision: Decision, margin: Margin | None) -> tuple[str, ...]:
    """Marginal, indicative, unverified limit."""
    if template.band is None and not decision.modifiers:
        return _UNVERIFIED if template.unverified else ()
    marginal = False
    if template.band is not None and decision.verdict in (Verdict.PASS, Verdict.FAIL):
        marginal = margin is not None and abs(Decimal(repr(margin.value))) <= template.band
    return _sorted(decision.modifiers, marginal, template.unverified)


@cache
def _sorted(modifiers: tuple[str, ...], marginal: bool, unverified: bool) -> tuple[str, ...]:
    added = (("marginal", marginal), ("unverified_limit", unverified))
    return tuple(sorted((*modifiers, *(name for name, holds in added if holds))))


def period_of(length: str, period: JudgedPeriod, zone: str) -> Period:
    """A judged period as findings show it."""
    return Period(length, iso(period.start_us, zone), iso(period.end_us, zone))


@lru_cache(maxsize=4096)
def intervals_of(counts: PeriodCounts, allowed: int) -> Intervals:
    """The counts of a day are the same for hundreds of channels, which then share them."""
    return Intervals(counts.expected, counts.valid, counts.missing, counts.excluded, counts.outside, allowed)


def judged(
    template: FindingTemplate,
    period: Period,
    intervals: Intervals,
    decision: Decision,
    reading: float | None,
    windows: Sequence[Window],
    *,
    single: bool,
) -> Finding:
    """The finding of a judged period. `reading` is in the unit of the source."""
    task, verdict, reason = template.task, decision.verdict, decision.reason
    value = reading
    if value is not None and (single or not template.plain):
        value = in_unit(value, template.scale, single=single)
    if value is not None and reason is not None and task.row.derating:
        words = derating_words(task.row, Decimal(repr(value)), task.unit)
        reason = Reason(reason.code, f"{reason.text} {words[0].upper()}{words[1:]}.", reason.advice)
    title = template.title_at(value) if verdict in _JUDGED else template.title
    margin = None if template.limit is None else template.margin_at(value)
    wanted = task.wanted
    return Finding(
        "limit", template.table, template.rule, template.clause, title, wanted.quantity, wanted.phase, wanted.order,
        verdict, period, template.channel, _modifiers(template, decision, margin), reason, template.statistic_at(value),
        template.limit, margin, intervals, decision.proven, windows,
    )  # fmt: skip


def unjudged(template: FindingTemplate, period: Period, verdict: Verdict, reason: Reason) -> Finding:
    """A finding that judged nothing of a recorded channel."""
    wanted = template.task.wanted
    return Finding(
        "limit", template.table, template.rule, template.clause, template.title, wanted.quantity, wanted.phase,
        wanted.order, verdict, period, template.channel, reason=reason,
        statistic=template.statistic_at(None), limit=template.bounds,
    )  # fmt: skip


def _scale(task: Task) -> Fraction:
    low, high = task.samples
    source = high or low or task.longer
    return Fraction(1) if source is None else scale_for(task, source)


def scale_for(task: Task, source: SeriesSource) -> Fraction:
    """How many units of the finding one unit of the source holds."""
    return scale_of(source.formula.unit, task.unit, task.wanted)

