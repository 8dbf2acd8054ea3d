"""From a decided period to a finding: statistic, limit, margin, windows, title."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from pqcheck.clock import iso
from pqcheck.deriving.sources import Source
from pqcheck.evidence import no_runs
from pqcheck.findings import Finding, Intervals, Limit, Margin, Period, Reason, Statistic, Verdict, Window
from pqcheck.judging.break_even import BreakEven, as_sentence
from pqcheck.judging.decide import Counts, Decision
from pqcheck.judging.marginal import uncertainty
from pqcheck.judging.series import PeriodTally
from pqcheck.judging.tally import Tallied
from pqcheck.judging.tasks import Settled, Task, scale_of
from pqcheck.judging.windows import in_unit
from pqcheck.limit_table_derating import derating_words
from pqcheck.limit_tables import Rule
from pqcheck.quantities import LINE_TO_LINE
from pqcheck.site.model import Site

NOTHING = Tallied(0, 0, None, no_runs(), 0)


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
    from pqcheck.quantities import QUANTITIES

    return QUANTITIES[rule.quantity].unit


def limit_of(task: Task) -> Limit:
    """The band in the unit of the finding."""
    low = None if task.low is None else float(task.low)
    high = None if task.high is None else float(task.high)
    return Limit(low, high, task.unit)


def margin_of(task: Task, value: float) -> Margin | None:
    """Distance to the nearer limit, negative outside, in decimals so that 253 - 250.1 is 2.9."""
    reading = Decimal(repr(value))
    sides = []
    if task.high is not None:
        sides.append((task.high - reading, task.high))
    if task.low is not None:
        sides.append((reading - task.low, task.low))
    if not sides:
        return None
    distance, limit = min(sides)
    percent = None if limit == 0 else float(round(100 * distance / abs(limit), 6))
    return Margin(float(round(distance, 12)), task.unit, percent)


def modifiers_of(task: Task, decision: Decision, margin: Margin | None, site: Site) -> tuple[str, ...]:
    """Marginal, indicative, unverified limit."""
    found = list(decision.modifiers)
    if margin is not None and decision.verdict in (Verdict.PASS, Verdict.FAIL):
        limit = task.high if task.high is not None else task.low
        assert limit is not None
        nominal = site.supply.nominal(task.wanted.phase) if task.wanted.phase else None
        band = uncertainty(site.instrument, task.wanted.quantity, Decimal(limit), nominal)
        if band is not None and abs(Decimal(repr(margin.value))) <= band:
            found.append("marginal")
    confidence = task.row.confidence or task.rule.confidence
    if "memory" in (confidence, task.rule.factor_confidence):
        found.append("unverified_limit")
    return tuple(sorted(found))


def base_finding(task: Task, period: PeriodTally, zone: str) -> Finding:
    """The finding of a task and period before anything was judged."""
    rule = task.rule
    return Finding(
        kind="limit",
        table=task.table.id,
        rule=rule.id,
        clause=task.row.clause or rule.clause,
        title=title_of(task),
        quantity=task.wanted.quantity,
        phase=task.wanted.phase,
        order=task.wanted.order,
        verdict=Verdict.INCONCLUSIVE,
        period=Period(rule.period.length, iso(period.start_us, zone), iso(period.end_us, zone)),
        channel=task.base_name,
        statistic=Statistic(rule.statistic.kind, percent_of(rule), task.interval_us / 1_000_000, None, task.unit),
        limit=limit_of(task),
    )


def judged(
    task: Task,
    period: PeriodTally,
    counts: Counts,
    decision: Decision,
    reading: float | None,
    windows: Sequence[Window],
    site: Site,
    zone: str,
    break_even: BreakEven,
    *,
    single: bool,
) -> Finding:
    """The finding of a judged period. `reading` is in the unit of the source."""
    scale = _scale(task)
    value = None if reading is None else in_unit(reading, scale, single=single)
    margin = None if value is None else margin_of(task, value)
    base = base_finding(task, period, zone)
    title = base.title
    if value is not None and task.rule.reference == "maximum_demand_current" and _judged(decision):
        title = f"{title}; {as_sentence(break_even.ranges(task, Decimal(repr(value))))}"
    reason = decision.reason
    if value is not None and reason is not None and task.row.derating:
        words = derating_words(task.row, Decimal(repr(value)), task.unit)
        reason = Reason(reason.code, f"{reason.text} {words[0].upper()}{words[1:]}.", reason.advice)
    assert base.statistic is not None
    statistic = Statistic(
        base.statistic.kind, base.statistic.percent, base.statistic.interval_s, value, base.statistic.unit
    )
    limit = base.limit
    if task.row.no_limit:
        limit, margin = None, None
    return base.replaced(
        title=title,
        verdict=decision.verdict,
        modifiers=modifiers_of(task, decision, margin, site),
        reason=reason,
        statistic=statistic,
        limit=limit,
        margin=margin,
        intervals=Intervals(
            counts.expected, counts.valid, counts.missing, counts.excluded, counts.outside, decision.allowed
        ),
        proven=decision.proven,
        windows=windows,
    )


def _judged(decision: Decision) -> bool:
    return decision.verdict in (Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE)


def _scale(task: Task) -> Fraction:
    source = task.source or next((one for pair in task.bounds for one in pair if one), None) or task.longer
    return Fraction(1) if source is None else scale_for(task, source)


def scale_for(task: Task, source: Source) -> Fraction:
    """How many units of the finding one unit of the source holds."""
    return scale_of(source.formula.unit, task.unit, task.wanted)


def shown(task: Task, reading: float) -> str:
    """A reading of the longer mean as text, in the unit of the finding."""
    scale = Fraction(1) if task.longer is None else scale_for(task, task.longer)
    return f"{in_unit(reading, scale, single=False):.6g} {task.unit}"


def unjudged(task: Task, period: PeriodTally, verdict: Verdict, reason: Reason, zone: str) -> Finding:
    """A finding that judged nothing of a recorded channel."""
    return base_finding(task, period, zone).replaced(verdict=verdict, reason=reason)
