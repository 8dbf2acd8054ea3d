"""What doubts about the recording leave of a verdict: refused, unless it stands on values nobody doubts.

All doubts that reach a period are taken together: two stretches that are harmless one by one may not be so together.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pqcheck.derive.formulas import Combined, Formula
from pqcheck.judge.decision import Decision, PeriodCounts, shared_reason
from pqcheck.judge.judged_series import JudgedPeriod, SeriesRun
from pqcheck.judge.period_tally import Tallied
from pqcheck.judge.tasks import Task
from pqcheck.model.verdict import Verdict

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vet.trust import Trust

Mask = NDArray[np.bool_]


def reaching(trust: Sequence[Trust], task: Task, run: SeriesRun) -> list[Trust]:
    """The doubts that reach what a task judges, at any time; those that refuse come before open questions."""
    reached = [doubt for doubt in trust if any(reaches(doubt, task, source.formula) for source in run.sources)]
    return sorted(reached, key=lambda doubt: doubt.verdict is not Verdict.REFUSED)


def distrusted(
    decision: Decision,
    task: Task,
    counts: PeriodCounts,
    tallied: Tallied,
    run: SeriesRun,
    period: JudgedPeriod,
    doubts: Sequence[Trust],
) -> Decision:
    """The decision after those `doubts` (all of them reach the task) that overlap the period."""
    if decision.verdict is Verdict.NOT_APPLICABLE or not decision.judged:
        return decision
    # A run that goes on beyond the period counts whole, so that what is doubted there counts as well.
    beyond_us = run.origin_us + tallied.rests_to * run.interval_us
    if beyond_us > period.end_us:
        for doubt in doubts:
            if doubt.overlaps(period.end_us, beyond_us):
                return _taken_back(decision, doubt, run)
    doubts = [doubt for doubt in doubts if doubt.overlaps(period.start_us, period.end_us)]
    if not run.recorded and decision.verdict is Verdict.FAIL and task.low is None:
        # Extremes at a ceiling still are bounds of the right kind: beyond an upper limit they stay beyond it.
        doubts = [doubt for doubt in doubts if doubt.allows == "nothing"]
    if not doubts or not period.expected:
        return decision
    if not run.recorded and decision.verdict is Verdict.PASS:
        # Whatever a doubt leaves of a minimum or maximum, it bounds nothing any more.
        return _taken_back(decision, doubts[0], run)
    if not run.excluded and any(_whole(doubt, run, period) for doubt in doubts):
        # Nothing is left to trust: the common case, and no slot needs to be looked at.
        passes = decision.verdict is Verdict.PASS and task.rule.statistic.kind != "longest_run_at_most"
        if decision.proven and passes and counts.missing + period.expected <= decision.allowed:
            return decision
        return _taken_back(decision, doubts[0], run)
    nothing, lower = np.zeros(period.expected, np.bool_), np.zeros(period.expected, np.bool_)
    for doubt in doubts:
        mask = lower if doubt.allows == "lower bound" and _grows(run.source.formula, doubt) else nothing
        start, end = _slots(doubt, run.origin_us, run.interval_us, period)
        mask[start:end] = True
    for start, end in run.excluded:
        # What the site file takes out of the count needs no trust.
        part = slice(max(start - period.first_slot, 0), max(end - period.first_slot, 0))
        nothing[part] = lower[part] = False
    lower &= ~nothing
    if not nothing.any() and not lower.any():
        return decision
    if decision.proven and _stands(decision, task, counts, tallied, run, period, nothing, lower):
        return decision
    return _taken_back(decision, doubts[0], run)


def _whole(doubt: Trust, run: SeriesRun, period: JudgedPeriod) -> bool:
    """Whether the doubt leaves nothing of the period."""
    if doubt.allows == "lower bound" and _grows(run.source.formula, doubt):
        return False
    return _slots(doubt, run.origin_us, run.interval_us, period) == (0, period.expected)


def _taken_back(decision: Decision, doubt: Trust, run: SeriesRun) -> Decision:
    why = shared_reason(doubt.code, doubt.text, doubt.advice)
    return Decision(doubt.verdict, why, False, decision.allowed, decision.modifiers, judged=run.recorded)


def reaches(doubt: Trust, task: Task, formula: Formula) -> bool:
    """Whether the doubt concerns what is judged, or anything it is formed from."""
    wanted = task.wanted
    if doubt.recorded_us is not None and task.interval_us % doubt.recorded_us == 0:
        return False
    return doubt.concerns(wanted.quantity, wanted.phase, wanted.order) or any(
        doubt.concerns(channel.quantity, channel.phase, channel.order, channel.reading)
        for part in _parts(formula)
        for channel in part.inputs
    )


def _parts(formula: Formula) -> tuple[Formula, ...]:
    return formula.of if isinstance(formula, Combined) else (formula,)


def _grows(formula: Formula, doubt: Trust) -> bool:
    """Whether a lower bound of the inputs in doubt is a lower bound of the result."""
    return all(
        channel in part.grows_with
        for part in _parts(formula)
        for channel in part.inputs
        if doubt.concerns(channel.quantity, channel.phase, channel.order, channel.reading)
    )


def _stands(
    decision: Decision,
    task: Task,
    counts: PeriodCounts,
    tallied: Tallied,
    run: SeriesRun,
    period: JudgedPeriod,
    nothing: Mask,
    lower: Mask,
) -> bool:
    """Whether a proven verdict is still proven when doubted values may be anything, or anything larger."""
    if task.rule.statistic.kind == "longest_run_at_most":
        return decision.verdict is Verdict.FAIL and not nothing.any() and task.low is None
    trusted = _outside(tallied, period, run, task, nothing, lower)
    if decision.verdict is Verdict.FAIL:
        return trusted > decision.allowed
    # A value that may be larger than it reads may lie outside, as one may that is not known at all.
    doubted = int(np.count_nonzero(nothing | lower))
    return decision.verdict is Verdict.PASS and trusted + counts.missing + doubted <= decision.allowed


def _outside(tallied: Tallied, period: JudgedPeriod, run: SeriesRun, task: Task, nothing: Mask, lower: Mask) -> int:
    """Outside intervals nobody doubts; a reading at the ceiling above the upper limit is one of them."""
    runs = tallied.runs
    if not len(runs):
        return 0
    start = runs.first - period.first_slot
    end = start + runs.count
    before = np.concatenate([[0], np.cumsum(nothing | lower)])
    doubted = int((before[end] - before[start]).sum())
    high = next(own.band.high for own in run.runs if own.task is task)
    if high is not None and lower.any():
        above = runs.worst > high
        before = np.concatenate([[0], np.cumsum(lower)])
        doubted -= int((before[end] - before[start])[above].sum())
    return int(runs.count.sum()) - doubted


def _slots(doubt: Trust, origin_us: int, interval_us: int, period: JudgedPeriod) -> tuple[int, int]:
    """Slots that the doubt touches, counted from the start of the period."""
    first, last = 0, period.expected
    if doubt.start_us is not None:
        first = max(first, (doubt.start_us - origin_us) // interval_us - period.first_slot)
    if doubt.end_us is not None:
        last = min(last, -(-(doubt.end_us - origin_us) // interval_us) - period.first_slot)
    return first, max(first, last)
