"""What bounds decide when no recorded interval suits the rule (design principle 3)."""

from __future__ import annotations

from functools import lru_cache

from pqcheck.counting import prove
from pqcheck.evidence import Runs, no_runs
from pqcheck.findings import Reason, Verdict
from pqcheck.judging.bound_run import BoundPeriod, BoundRun
from pqcheck.judging.decide import Counts, may_be_outside, reason
from pqcheck.judging.shown import JudgedPeriod

Bounded = tuple[Verdict, Reason, tuple[Counts, int] | None, Runs]


def decide_bound(run: BoundRun, seen: BoundPeriod, needed: str, recorded: str) -> Bounded:
    """(verdict, reason, (counts, allowed) or None when nothing was judged, runs proven outside)."""
    task, period = run.task, seen.period
    statistic = task.rule.statistic
    counted = period.expected - period.excluded
    if statistic.kind == "report_only" or task.rule.indicative or task.row.no_limit:
        why = reason("no-limit", why=f"The document sets no limit, and {needed} values were not recorded")
        return Verdict.NOT_APPLICABLE, why, None, no_runs()
    limit = may_be_outside(statistic, counted, run.interval_us)
    bound = seen.bound
    inside, outside = (bound.inside, bound.outside) if bound is not None else (0, 0)
    outside = max(outside, seen.means_outside)
    criterion = task.rule.time_criterion
    runs = bound.runs() if bound is not None and bound.outside else no_runs()
    if statistic.kind == "longest_run_at_most":
        longest = int(runs.count.max()) if len(runs) else 0
        outcome = "pass" if inside >= counted else "fail" if longest > limit else "open"
    else:
        outcome = prove(outside, counted - inside, limit)
    if criterion is not None and outcome != "open":
        # A range without a time criterion, seen only through longer intervals, can fail but never passes.
        outcome = "fail" if outcome == "fail" and criterion.outside == "fail" else "open"
    if outcome == "open":
        return _open(run, period, needed, recorded)
    valid = inside + outside
    counts = Counts(
        period.expected,
        period.excluded,
        valid,
        outside,
        0,
        period.recorded,
        period.complete,
        period.end_us - period.start_us,
    )
    assumed = _assumed(run)
    if outcome == "pass":
        text = f"The recorded extremes show {inside} of {counted} intervals of {needed} inside; {limit} may lie outside"
        return Verdict.PASS, _proven(text + assumed), (counts, limit), runs
    if bound is not None and bound.outside >= seen.means_outside:
        text = f"The recorded extremes show {outside} intervals of {needed} outside; {limit} may be"
    else:
        text = (
            f"A mean over {recorded} that lies outside shows that at least one of its {needed} intervals does; "
            f"{outside} such means, {limit} intervals may be outside"
        )
    return Verdict.FAIL, _proven(text + assumed), (counts, limit), runs


@lru_cache(maxsize=256)
def _proven(text: str) -> Reason:
    """Every channel and day that is wholly inside says the same."""
    return reason("proven-by-bound", text=text)


def _assumed(run: BoundRun) -> str:
    """What the bounds take for granted, as the tail of a sentence."""
    low, high = (one.note if one is not None and "assumes" in one.note else "" for one in (run.low, run.high))
    return "".join(f"; {note}" for note in (low, "" if high == low else high) if note)


def _open(run: BoundRun, period: JudgedPeriod, needed: str, recorded: str) -> Bounded:
    task = run.task
    if task.rule.period.length == "year" and not period.complete:
        why = reason(
            "period-longer-than-recording", period="year", seen=0, expected=period.expected, share="none", outside=0
        )
        return Verdict.NOT_APPLICABLE, why, None, no_runs()
    seen = ""
    if run.highest_mean is not None:
        from pqcheck.judging.assemble import shown

        nearest = shown(task, run.highest_mean)
        limits = " to ".join(f"{float(one):.6g}" for one in (task.low, task.high) if one is not None)
        seen = f"; the {recorded} value nearest to a limit is {nearest} (limit {limits} {task.unit})"
    why = reason("wrong-interval", needed=needed, recorded=f"{recorded} values", seen=seen)
    return Verdict.INCONCLUSIVE, why, None, no_runs()
