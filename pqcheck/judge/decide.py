"""The verdict: three-valued proof first, then what policy, proxies and bounds allow.

The only place that decides a limit verdict: of a period (`Decider`), of recorded events beside a curve
(`decide_events.py`), of a pass held against tighter limits (`hold_against`). It sees counts, never readings
(docs/method/proof.md). A rule that needs no reading is settled before (`resolve`); trust is taken away after
(`distrust`).
"""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from pqcheck.judge.decision import BoundEvidence, Decision, PeriodCounts, reason, shared_reason
from pqcheck.judge.period_tally import Tallied
from pqcheck.judge.proof import allowed, prove
from pqcheck.judge.tasks import Task
from pqcheck.limit_tables import RuleStatistic
from pqcheck.limit_tables.wording import order_list
from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding, Reason
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Coverage

_SECOND = 1_000_000

SHARE_SAID = Decimal(10)
"""Percent of a period out of the count from which on a pass says so."""
SHARE_LEFT_OPEN = Decimal(50)
"""Percent of a period out of the count beyond which what is left shows no pass (house policy, documents give none)."""


def allowed_exceedances(statistic: RuleStatistic, counted: int, interval_us: int) -> int:
    """A: the number of intervals that may lie outside (for a rule about runs: that one run may hold)."""
    if statistic.kind in ("share_within", "report_only"):
        return allowed(counted, statistic.percent)
    if statistic.kind == "count_at_most":
        return statistic.count
    if statistic.kind == "longest_run_at_most":
        return int(statistic.duration_s * _SECOND // interval_us)
    return 0


def _outcome(task: Task, counts: PeriodCounts, tallied: Tallied, limit: int) -> str:
    if about_runs(task):
        return prove(longest_run(tallied), tallied.longest_possible, limit)
    return prove(counts.outside, counts.outside + counts.missing, limit)


def about_runs(task: Task) -> bool:
    """Whether the rule limits the length of runs, not a number of intervals."""
    return task.rule.statistic.kind == "longest_run_at_most"


def longest_run(tallied: Tallied) -> int:
    """Intervals of the longest run proven outside."""
    return int(tallied.runs.count.max(initial=0))


def _outside_words(task: Task, counts: PeriodCounts, tallied: Tallied, limit: int) -> str:
    """What lies outside and may, of the valid values: a number of intervals, or the length of the longest run."""
    if about_runs(task):
        return f"the longest run outside has {longest_run(tallied)} intervals and may have {limit}"
    return f"{counts.outside} lie outside and {limit} may"


def period_word(task: Task) -> str:
    """The period as a word for sentences."""
    length = task.rule.period.length
    return "recording" if length == "recording" else length


def _would_be(task: Task, counts: PeriodCounts, tallied: Tallied) -> str:
    """What the valid values alone give."""
    if not counts.valid:
        return "there is no value at all"
    limit = allowed_exceedances(task.rule.statistic, counts.valid, task.interval_us)
    if about_runs(task):
        return f"the {counts.valid} valid values alone would {'pass' if longest_run(tallied) <= limit else 'fail'}"
    word = "pass" if counts.outside <= limit else "fail"
    return f"the {counts.valid} valid values alone would {word} ({counts.outside} outside, {limit} allowed)"


class Decider:
    """Decides periods from their counts. Trust in the channel is applied afterwards (`distrust`)."""

    _AT_MOST = 4096

    def __init__(self, coverage: Coverage | None) -> None:
        self._coverage = coverage
        self._known: dict[tuple[object, ...], Decision] = {}

    def decide(
        self, task: Task, counts: PeriodCounts, tallied: Tallied, evidence: BoundEvidence | None = None
    ) -> Decision:
        """Decide one period; `evidence` where no value was recorded at the rule's interval."""
        decision = self._plainly(task, counts, tallied, evidence)
        if _without_limit(task) or counts.counted <= 0:
            return decision
        return _less_exclusions(task, counts, _weaken(task, counts, tallied, decision))

    def _plainly(self, task: Task, counts: PeriodCounts, tallied: Tallied, evidence: BoundEvidence | None) -> Decision:
        """The decision before proxies and bounds: the same for all channels that a rule finds in the same state."""
        if about_runs(task):
            return _decide(task, counts, tallied, self._coverage, evidence)
        key = id(task.rule), task.row.no_limit, task.interval_us, counts, evidence
        settled = self._known.get(key)
        if settled is None:
            if len(self._known) >= self._AT_MOST:
                self._known.clear()
            settled = self._known[key] = _decide(task, counts, tallied, self._coverage, evidence)
        return settled


def _without_limit(task: Task) -> bool:
    rule = task.rule
    return rule.statistic.kind == "report_only" or rule.indicative or task.row.no_limit


def _decide(
    task: Task, counts: PeriodCounts, tallied: Tallied, coverage: Coverage | None, evidence: BoundEvidence | None
) -> Decision:
    limit = allowed_exceedances(task.rule.statistic, counts.counted, task.interval_us)
    if _without_limit(task):
        return _no_limit(task, limit, evidence)
    if counts.counted <= 0:
        why = f"every interval of the {period_word(task)} is excluded by declaration"
        return Decision(Verdict.INCONCLUSIVE, reason("no-readings-left", why=why), False, limit)
    outcome = _outcome(task, counts, tallied, limit)
    if outcome == "pass" and about_runs(task) and counts.counted <= limit:
        text = f"{counts.counted} intervals were recorded, and a run of {limit} may lie outside: none could be too long"
        advice = "Record for longer than the run that is allowed."
        unshown = Reason("too-short", f"{text}, so nothing is shown.", advice)
        return Decision(Verdict.INCONCLUSIVE, unshown, False, limit)
    if outcome == "pass" and about_runs(task) and tallied.open_ended:
        text = (
            f"A run that may lie outside begins or ends where the record does, and may go on beyond it; of the "
            f"{counts.valid} intervals with a value {_outside_words(task, counts, tallied, limit)}."
        )
        advice = "Record from before the excursion until after it."
        return Decision(Verdict.INCONCLUSIVE, Reason("too-short", text, advice), False, limit)
    if evidence is not None:
        return _by_bounds(task, counts, tallied, outcome, limit, evidence)
    if task.rule.time_criterion is not None:
        return _range_only(task, counts, tallied, outcome, limit)
    if outcome == "fail":
        return Decision(Verdict.FAIL, None, True, limit)
    if outcome == "pass":
        return Decision(Verdict.PASS, None, True, limit)
    return _undecided(task, counts, tallied, limit, coverage)


def _no_limit(task: Task, limit: int, evidence: BoundEvidence | None) -> Decision:
    if evidence is not None:
        what = task.rule.not_held or "The document sets no limit"
        why = f"{what}, and {duration_text(task.interval_us)} values were not recorded"
        return Decision(Verdict.NOT_APPLICABLE, reason("no-limit", why=why), False, limit, judged=False)
    why = "The document sets no limit here" if task.row.no_limit else "The document reports this and sets no limit"
    if task.rule.indicative:
        why = "The document calls this value indicative"
    why = task.rule.not_held or why
    text = f"{why}; the statistic is given for information"
    return Decision(Verdict.NOT_APPLICABLE, reason("no-limit", why=text), False, limit)


def _by_bounds(
    task: Task, counts: PeriodCounts, tallied: Tallied, outcome: str, limit: int, evidence: BoundEvidence
) -> Decision:
    """What minimum and maximum columns, or means over a longer interval, prove of values that were not recorded."""
    criterion, needed = task.rule.time_criterion, duration_text(task.interval_us)
    # A range without a time criterion, seen only through longer intervals, can fail but never passes.
    if outcome == "open" or (criterion is not None and (outcome == "pass" or criterion.outside != "fail")):
        if task.rule.period.length == "year" and not counts.complete:
            return Decision(Verdict.NOT_APPLICABLE, _too_short(counts, 0, "none", 0), False, 0, judged=False)
        seen = f"; the {evidence.recorded} value nearest to a limit is {evidence.nearest}" if evidence.nearest else ""
        why = reason("wrong-interval", needed=needed, recorded=f"{evidence.recorded} values", seen=seen)
        return Decision(Verdict.INCONCLUSIVE, why, False, 0, judged=False)
    if outcome == "pass" and about_runs(task):
        run = tallied.longest_possible
        text = f"The recorded extremes leave no run of more than {run} intervals of {needed} outside; {limit} may be"
    elif outcome == "pass":
        inside = counts.valid - counts.outside
        text = f"The recorded extremes show {inside} of {counts.counted} intervals of {needed} inside"
        text += f"; {limit} may lie outside"
    elif about_runs(task):
        run = longest_run(tallied)
        text = f"The recorded extremes show a run of {run} intervals of {needed} outside; {limit} may be"
    elif not evidence.means_outside:
        text = f"The recorded extremes show {counts.outside} intervals of {needed} outside; {limit} may be"
    else:
        text = (
            f"A mean over {evidence.recorded} that lies outside shows that at least one of its {needed} intervals "
            f"does; {counts.outside} such means, {limit} intervals may be outside"
        )
    verdict = Verdict.PASS if outcome == "pass" else Verdict.FAIL
    return Decision(verdict, reason("proven-by-bound", text=text + evidence.assumed), True, limit)


def _range_only(task: Task, counts: PeriodCounts, tallied: Tallied, outcome: str, limit: int) -> Decision:
    """A range without a time criterion (ANSI C84.1)."""
    criterion = task.rule.time_criterion
    assert criterion is not None
    if counts.outside:
        if criterion.outside == "fail":
            return Decision(Verdict.FAIL, None, True, limit)
        why = reason("no-criterion", outside=counts.outside, valid=counts.valid, range=f"range {criterion.range}")
        return Decision(Verdict.INCONCLUSIVE, why, False, limit)
    # Gaps are counted as missing; what was declared out of the count was never there.
    left_us = counts.length_us - counts.excluded * task.interval_us
    if outcome == "pass" and left_us < criterion.shortest_pass_s * _SECOND:
        days = Decimal(left_us) / (86_400 * _SECOND)
        less = ", exclusions not counted" if counts.excluded else ""
        text = (
            f"All {counts.valid} intervals lie inside range {criterion.range}, but only {days:.1f} days were recorded"
            f"{less}; "
            f"{criterion.shortest_pass_s / 86_400:.0f} are asked for a pass (house policy, the document gives none)."
        )
        return Decision(Verdict.INCONCLUSIVE, Reason("too-short", text, "Record at least seven days."), False, limit)
    if outcome == "pass":
        return Decision(Verdict.PASS, None, True, limit)
    return _undecided(task, counts, tallied, limit, None)


def _undecided(
    task: Task, counts: PeriodCounts, tallied: Tallied, limit: int, coverage: Coverage | None
) -> Decision:
    rule = task.rule
    share = rule.coverage_percent if rule.coverage_percent is not None else None
    policy = f"{task.table.standard}" if share is not None else ""
    if share is None and coverage is not None:
        share, policy = coverage.at_least_percent, coverage.policy_of
    if share is not None and not about_runs(task) and counts.valid * 100 >= share * counts.counted and counts.valid:
        within = allowed_exceedances(rule.statistic, counts.valid, task.interval_us)
        verdict = Verdict.PASS if counts.outside <= within else Verdict.FAIL
        why = reason(
            "coverage", valid=counts.valid, counted=counts.counted, outside=counts.outside, share=share, policy=policy
        )
        return Decision(verdict, why, False, within)
    fields = {
        "expected": counts.expected,
        "valid": counts.valid,
        "missing": counts.missing,
        "outside": _outside_words(task, counts, tallied, limit),
        "would": _would_be(task, counts, tallied),
        "period": period_word(task),
        "interrupted": counts.interrupted,
    }
    if counts.bounded and counts.complete:
        return Decision(Verdict.INCONCLUSIVE, reason("bounds-only", bounded=counts.bounded, **fields), False, limit)
    if rule.period.length == "year" and not counts.complete:
        inside = counts.valid - counts.outside
        share_text = f"{Decimal(100 * inside) / counts.valid:.3f} %" if counts.valid else "none"
        why = _too_short(counts, counts.valid, share_text, counts.outside)
        return Decision(Verdict.NOT_APPLICABLE, why, False, limit)
    if not counts.valid:
        return Decision(Verdict.INCONCLUSIVE, reason("no-readings", period=period_word(task)), False, limit)
    if not counts.complete:
        return Decision(Verdict.INCONCLUSIVE, reason("too-short", seen=counts.held, **fields), False, limit)
    # A recorder often dies some time after the supply: the hole behind an interruption is counted with it.
    code = "interruption" if counts.interrupted else "gap"
    return Decision(Verdict.INCONCLUSIVE, reason(code, **fields), False, limit)


def _too_short(counts: PeriodCounts, seen: int, share: str, outside: int) -> Reason:
    return reason(
        "period-longer-than-recording",
        period="year", seen=seen, expected=counts.expected, share=share, outside=outside,
    )  # fmt: skip


def depends_only_on_counts(task: Task) -> bool:
    """Whether the rule, the period and the numbers of valid values and of those outside settle what is decided."""
    source = task.source
    return (
        source is not None and source.exactness not in ("lower bound", "upper bound")
        and not source.indicative_because and not task.caveats
        and not about_runs(task)
    )


def _weaken(task: Task, counts: PeriodCounts, tallied: Tallied, decision: Decision) -> Decision:
    """What a proxy or a lower bound does to a verdict: a pass cannot rest on it, a fail stays."""
    source = task.source
    if source is None:
        return decision
    because = source.indicative_because or "; ".join(task.caveats)
    lower = source.exactness == "lower bound"
    modifiers = ("indicative",) if because else ()
    if lower and decision.verdict is Verdict.PASS:
        where = f" of phase {task.wanted.phase}" if task.wanted.phase else ""
        why = reason("orders-missing", orders=order_list(source.missing_orders), quantity="the distortion", where=where)
        return Decision(Verdict.INCONCLUSIVE, why, False, decision.allowed, modifiers)
    if lower and decision.verdict is Verdict.FAIL:
        text = (
            f"The distortion of the recorded orders alone is outside; {len(source.missing_orders)} orders are missing"
        )
        return Decision(Verdict.FAIL, reason("lower-bound", text=text), decision.proven, decision.allowed, modifiers)
    if source.exactness == "upper bound" and decision.verdict is Verdict.FAIL:
        why = reason(
            "fundamental-not-recorded" if source.summed_to is None else "upper-bound",
            summed=source.summed_to,
            asked=task.wanted.highest_order,
            valid=counts.valid,
            outside=_outside_words(task, counts, tallied, decision.allowed),
        )
        return Decision(Verdict.INCONCLUSIVE, why, False, decision.allowed, modifiers)
    if because and decision.verdict is Verdict.PASS:
        why = reason(
            "indicative",
            valid=counts.valid,
            outside=_outside_words(task, counts, tallied, decision.allowed),
            would="this would pass",
            because=because,
            advice=_advice(task),
        )
        return Decision(Verdict.INCONCLUSIVE, why, False, decision.allowed, modifiers)
    if because:
        return Decision(decision.verdict, decision.reason, decision.proven, decision.allowed, modifiers)
    return decision


def with_unknown_flags(decision: Decision) -> Decision:
    """What is left of a fail of a rule that drops flagged intervals where nobody knows which are: it is not proven."""
    if decision.verdict is not Verdict.FAIL or not decision.proven:
        return decision
    why = reason("flags-not-recorded")
    if decision.reason is not None:
        why = shared_reason(why.code, f"{decision.reason.text} {why.text}", why.advice)
    return replace(decision, reason=why, proven=False)


def beyond_connection(decision: Decision, task: Task, connection: str) -> Decision | None:
    """What a phase that the connection does not have leaves open: a fail is named, all else says nothing (None)."""
    if decision.verdict is not Verdict.FAIL:
        return None
    why = reason("beyond-connection", phase=task.wanted.phase, connection=connection)
    return replace(decision, verdict=Verdict.INCONCLUSIVE, reason=why, proven=False)


def _less_exclusions(task: Task, counts: PeriodCounts, decision: Decision) -> Decision:
    """What exclusions leave of a pass: said from a tenth of the period on, not shown from a half on; a fail stays."""
    share = Decimal(100 * counts.excluded) / counts.expected if counts.expected else Decimal(0)
    if decision.verdict is not Verdict.PASS or share <= SHARE_SAID:
        return decision
    code = "mostly-excluded" if share > SHARE_LEFT_OPEN else "partly-excluded"
    why = reason(
        code, excluded=counts.excluded, expected=counts.expected, share=f"{share:.1f}", period=period_word(task)
    )
    if code == "mostly-excluded":
        return replace(decision, verdict=Verdict.INCONCLUSIVE, reason=why, proven=False)
    if decision.reason is not None:
        before = decision.reason
        why = shared_reason(before.code, f"{why.text} {before.text}", before.advice)
    return replace(decision, reason=why)


def _advice(task: Task) -> str:
    if task.caveats:
        return "Declare the maximum demand current from twelve monthly maxima."
    if task.wanted.quantity.startswith("current"):
        return "Record the harmonic orders in amperes, or at 3 s."
    if "unbalance" in task.wanted.quantity:
        return "Record the unbalance itself, or the line-to-line voltages at 3 s."
    return "Record the quantity in the base the rule asks for."


def hold_against(tight: Finding | None, percent: Decimal) -> Decision | None:
    """The verdict of a pass under limits tighter by `percent`, given the finding under these (None: there is none)."""
    shown = f"{percent.normalize():f}"
    if tight is None:
        why = "the rule was not judged with a tighter limit."
        return Decision(Verdict.INCONCLUSIVE, reason("margin-not-shown", margin=shown, why=why), False, 0)
    if tight.verdict is Verdict.PASS:
        return None
    if tight.verdict is Verdict.FAIL:
        counts, limit, value = tight.intervals, tight.limit, "The reading"
        if tight.statistic is not None and tight.statistic.value is not None:
            value = f"{tight.statistic.value:.6g} {tight.statistic.unit}"
        edges = [edge for edge in (limit.low, limit.high) if edge is not None] if limit is not None else []
        outside = f": {' to '.join(f'{edge:.6g}' for edge in edges)} {limit.unit}" if limit is not None else ""
        if counts is not None and counts.expected > 1:
            outside += f", beyond which {counts.outside} of {counts.expected} intervals lie and {counts.allowed} may"
        return Decision(Verdict.FAIL, reason("margin", value=value, margin=shown, outside=outside), False, 0)
    why = tight.reason.text if tight.reason is not None else ""
    return Decision(Verdict.INCONCLUSIVE, reason("margin-not-shown", margin=shown, why=why), False, 0)
