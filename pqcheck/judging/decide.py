"""The verdict of one period: three-valued proof first, then what policy, proxies and bounds allow.

The only place that decides a limit verdict. It sees counts, never readings (docs/method/proof.md).
"""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from msgspec import Struct

from pqcheck.counting import allowed, prove
from pqcheck.findings import Reason, Verdict
from pqcheck.judging.scope import order_list
from pqcheck.judging.tally import Tallied
from pqcheck.judging.tasks import Task
from pqcheck.limit_tables import Statistic
from pqcheck.reasons import sentence
from pqcheck.site.model import Coverage

_SECOND = 1_000_000


class Counts(NamedTuple):
    """What is known of one period."""

    expected: int
    excluded: int
    valid: int
    outside: int
    interrupted: int
    held: int
    """Slots of the period on the recorded axis."""
    complete: bool
    length_us: int

    @property
    def counted(self) -> int:
        """N = expected - excluded."""
        return self.expected - self.excluded

    @property
    def missing(self) -> int:
        """Slots in the count without a value."""
        return max(0, self.counted - self.valid)


class Decision(Struct, frozen=True):
    """Verdict, reason (None for a plain pass or fail), whether it is proven, modifiers, the allowed number."""

    verdict: Verdict
    reason: Reason | None
    proven: bool
    allowed: int
    modifiers: tuple[str, ...] = ()


@lru_cache(maxsize=4096)
def shared_reason(code: str, text: str, advice: str) -> Reason:
    """A reason that findings with the same sentences share: one doubt refuses thousands of them."""
    return Reason(code, text, advice)


def reason(code: str, **fields: object) -> Reason:
    """A reason of the catalogue, filled in."""
    return shared_reason(code, *sentence(code, **fields))


def may_be_outside(statistic: Statistic, counted: int, interval_us: int) -> int:
    """A: the number of intervals that may lie outside (for a rule about runs: that one run may hold)."""
    if statistic.kind in ("share_within", "report_only"):
        return allowed(counted, statistic.percent)
    if statistic.kind == "count_at_most":
        return statistic.count
    if statistic.kind == "longest_run_at_most":
        return int(statistic.duration_s * _SECOND // interval_us)
    return 0


def _outcome(task: Task, counts: Counts, tallied: Tallied, limit: int) -> str:
    if task.rule.statistic.kind == "longest_run_at_most":
        longest = int(tallied.runs.count.max()) if len(tallied.runs) else 0
        return prove(longest, tallied.longest_possible, limit)
    return prove(counts.outside, counts.outside + counts.missing, limit)


def period_word(task: Task) -> str:
    """The period as a word for sentences."""
    length = task.rule.period.length
    return "recording" if length == "recording" else length


def would_be(counts: Counts, task: Task, interval_us: int) -> str:
    """What the valid values alone give."""
    if not counts.valid:
        return "there is no value at all"
    limit = may_be_outside(task.rule.statistic, counts.valid, interval_us)
    word = "pass" if counts.outside <= limit else "fail"
    return f"the {counts.valid} valid values alone would {word} ({counts.outside} outside, {limit} allowed)"


class Decider:
    """Decides periods from their counts. Trust in the channel is applied afterwards (`distrust`)."""

    _AT_MOST = 4096

    def __init__(self, coverage: Coverage | None) -> None:
        self._coverage = coverage
        self._known: dict[tuple[int, bool, int, Counts], Decision] = {}

    def decide(self, task: Task, counts: Counts, tallied: Tallied) -> Decision:
        """Decide one period."""
        decision = self._plainly(task, counts, tallied)
        if _without_limit(task) or counts.counted <= 0:
            return decision
        return _weaken(task, counts, decision)

    def _plainly(self, task: Task, counts: Counts, tallied: Tallied) -> Decision:
        """The decision before proxies and bounds: the same for all channels that a rule finds in the same state."""
        if task.rule.statistic.kind == "longest_run_at_most":
            return _decide(task, counts, tallied, self._coverage)
        key = (id(task.rule), task.row.no_limit, task.interval_us, counts)
        found = self._known.get(key)
        if found is None:
            if len(self._known) >= self._AT_MOST:
                self._known.clear()
            found = self._known[key] = _decide(task, counts, tallied, self._coverage)
        return found


def _without_limit(task: Task) -> bool:
    rule = task.rule
    return rule.statistic.kind == "report_only" or rule.indicative or task.row.no_limit


def _decide(task: Task, counts: Counts, tallied: Tallied, coverage: Coverage | None) -> Decision:
    rule = task.rule
    interval_us = task.interval_us
    limit = may_be_outside(rule.statistic, counts.counted, interval_us)
    if _without_limit(task):
        why = "The document sets no limit here" if task.row.no_limit else "The document reports this and sets no limit"
        if rule.indicative:
            why = "The document calls this value indicative"
        return Decision(
            Verdict.NOT_APPLICABLE,
            reason("no-limit", why=f"{why}; the statistic is given for information"),
            False,
            limit,
        )
    outcome = _outcome(task, counts, tallied, limit)
    if counts.counted <= 0:
        why = f"every interval of the {period_word(task)} is excluded by declaration"
        return Decision(Verdict.INCONCLUSIVE, reason("no-readings-left", why=why), False, limit)
    if rule.time_criterion is not None:
        return _range_only(task, counts, outcome, limit)
    if outcome == "fail":
        return Decision(Verdict.FAIL, None, True, limit)
    if outcome == "pass":
        return Decision(Verdict.PASS, None, True, limit)
    return _undecided(task, counts, limit, coverage)


def _range_only(task: Task, counts: Counts, outcome: str, limit: int) -> Decision:
    """A range without a time criterion (ANSI C84.1, design principle 6)."""
    criterion = task.rule.time_criterion
    assert criterion is not None
    if counts.outside:
        if criterion.outside == "fail":
            return Decision(Verdict.FAIL, None, True, limit)
        why = reason("no-criterion", outside=counts.outside, valid=counts.valid, range=f"range {criterion.range}")
        return Decision(Verdict.INCONCLUSIVE, why, False, limit)
    if outcome == "pass" and counts.length_us < criterion.shortest_pass_s * _SECOND:
        days = Decimal(counts.length_us) / (86_400 * _SECOND)
        text = (
            f"All {counts.valid} intervals lie inside range {criterion.range}, but only {days:.1f} days were recorded; "
            f"{criterion.shortest_pass_s / 86_400:.0f} are asked for a pass (house policy, the document gives none)."
        )
        return Decision(Verdict.INCONCLUSIVE, Reason("too-short", text, "Record at least seven days."), False, limit)
    if outcome == "pass":
        return Decision(Verdict.PASS, None, True, limit)
    return _undecided(task, counts, limit, None)


def _undecided(task: Task, counts: Counts, limit: int, coverage: Coverage | None) -> Decision:
    rule = task.rule
    share = rule.coverage_percent if rule.coverage_percent is not None else None
    policy = f"{task.table.standard}" if share is not None else ""
    if share is None and coverage is not None:
        share, policy = coverage.at_least_percent, coverage.policy_of
    runs = rule.statistic.kind == "longest_run_at_most"
    if share is not None and not runs and counts.valid * 100 >= share * counts.counted and counts.valid:
        within = may_be_outside(rule.statistic, counts.valid, task.interval_us)
        verdict = Verdict.PASS if counts.outside <= within else Verdict.FAIL
        why = reason(
            "coverage", valid=counts.valid, counted=counts.counted, outside=counts.outside, share=share, policy=policy
        )
        return Decision(verdict, why, False, within)
    would = would_be(counts, task, task.interval_us)
    fields = {
        "expected": counts.expected,
        "valid": counts.valid,
        "missing": counts.missing,
        "outside": counts.outside,
        "allowed": limit,
        "would": would,
        "period": period_word(task),
        "interrupted": counts.interrupted,
    }
    if rule.period.length == "year" and not counts.complete:
        inside = counts.valid - counts.outside
        share_text = f"{Decimal(100 * inside) / counts.valid:.3f} %" if counts.valid else "none"
        why = reason(
            "period-longer-than-recording",
            period="year",
            seen=counts.valid,
            expected=counts.expected,
            share=share_text,
            outside=counts.outside,
        )
        return Decision(Verdict.NOT_APPLICABLE, why, False, limit)
    if not counts.valid:
        return Decision(Verdict.INCONCLUSIVE, reason("no-readings", period=period_word(task)), False, limit)
    if not counts.complete:
        return Decision(Verdict.INCONCLUSIVE, reason("too-short", seen=counts.held, **fields), False, limit)
    # A recorder often dies some time after the supply: the hole behind an interruption is counted with it.
    code = "interruption" if counts.interrupted else "gap"
    return Decision(Verdict.INCONCLUSIVE, reason(code, **fields), False, limit)


def decided_alike(task: Task) -> bool:
    """Whether the rule, the period and the numbers of valid values and of those outside settle what is decided."""
    source = task.source
    return (
        source is not None and source.exactness != "lower bound" and not source.indicative_because and not task.caveats
        and task.rule.statistic.kind != "longest_run_at_most"
    )


def _weaken(task: Task, counts: Counts, decision: Decision) -> Decision:
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
    if because and decision.verdict is Verdict.PASS:
        why = reason(
            "indicative",
            valid=counts.valid,
            outside=counts.outside,
            allowed=decision.allowed,
            would="this would pass",
            because=because,
            advice=_advice(task),
        )
        return Decision(Verdict.INCONCLUSIVE, why, False, decision.allowed, modifiers)
    if because:
        return Decision(decision.verdict, decision.reason, decision.proven, decision.allowed, modifiers)
    return decision


def _advice(task: Task) -> str:
    if task.caveats:
        return "Declare the maximum demand current from twelve monthly maxima."
    if task.wanted.quantity.startswith("current"):
        return "Record the harmonic orders in amperes, or at 3 s."
    if "unbalance" in task.wanted.quantity:
        return "Record the unbalance itself, or the line-to-line voltages at 3 s."
    return "Record the quantity in the base the rule asks for."
