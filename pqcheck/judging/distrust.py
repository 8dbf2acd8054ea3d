"""What doubts about the recording leave of a verdict: refused, unless a fail stands on values nobody doubts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pqcheck.counting import prove
from pqcheck.findings import Reason, Verdict
from pqcheck.judging.decide import Counts, Decision
from pqcheck.judging.series import PeriodTally, SeriesRun
from pqcheck.judging.tally import Tallied
from pqcheck.judging.tasks import Task

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vetting.trust import Trust


def distrusted(
    decision: Decision,
    task: Task,
    counts: Counts,
    tallied: Tallied,
    run: SeriesRun,
    period: PeriodTally,
    trust: Sequence[Trust],
) -> Decision:
    """The decision after the doubts that reach the channel, its inputs and the period."""
    if decision.verdict is Verdict.NOT_APPLICABLE:
        return decision
    doubts = [one for one in trust if _reaches(one, task, run) and one.overlaps(period.start_us, period.end_us)]
    for doubt in doubts:
        decision = _one(decision, doubt, task, counts, tallied, run, period)
    return decision


def _reaches(doubt: Trust, task: Task, run: SeriesRun) -> bool:
    if doubt.concerns(task.wanted.quantity, task.wanted.phase):
        return True
    return any(doubt.concerns(channel.quantity, channel.phase) for channel in run.source.formula.inputs)


def _one(
    decision: Decision,
    doubt: Trust,
    task: Task,
    counts: Counts,
    tallied: Tallied,
    run: SeriesRun,
    period: PeriodTally,
) -> Decision:
    refused = Decision(
        Verdict.REFUSED, Reason(doubt.code, doubt.text, doubt.advice), False, decision.allowed, decision.modifiers
    )
    if doubt.allows == "lower bound":
        upper = task.high is not None and task.low is None
        # A reading at the ceiling is not larger than the truth: beyond an upper limit it still shows a fail.
        return decision if decision.verdict is Verdict.FAIL and upper and decision.proven else refused
    if task.rule.statistic.kind == "longest_run_at_most":
        return refused
    first, last = _slots(doubt, run, period)
    trusted = _outside_elsewhere(tallied, first, last)
    doubted = last - first
    outcome = prove(trusted, trusted + counts.missing + doubted, decision.allowed)
    if decision.verdict is Verdict.FAIL and outcome == "fail" and decision.proven:
        return decision
    if decision.verdict is Verdict.PASS and outcome == "pass" and decision.proven:
        return decision
    return refused


def _slots(doubt: Trust, run: SeriesRun, period: PeriodTally) -> tuple[int, int]:
    """Slots of the period that the doubt touches."""
    first, last = period.first_slot, period.first_slot + period.expected
    if doubt.start_us is not None:
        first = max(first, (doubt.start_us - run.origin_us) // run.interval_us)
    if doubt.end_us is not None:
        last = min(last, -(-(doubt.end_us - run.origin_us) // run.interval_us))
    return first, max(first, last)


def _outside_elsewhere(tallied: Tallied, first: int, last: int) -> int:
    runs = tallied.runs
    if not len(runs):
        return 0
    start, end = runs.first, runs.first + runs.count
    doubted = np.clip(np.minimum(end, last) - np.maximum(start, first), 0, None)
    return int(runs.count.sum() - doubted.sum())
