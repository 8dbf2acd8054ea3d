"""What bounds decide when no recorded interval suits the rule (design principle 3)."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from pqcheck.clock import duration_text
from pqcheck.counting import prove
from pqcheck.evidence import no_runs
from pqcheck.findings import Intervals, Reason, Verdict
from pqcheck.judging.bound_run import BoundRun
from pqcheck.judging.bound_tally import BoundShown
from pqcheck.judging.decide import Decision, may_be_outside, reason
from pqcheck.judging.shown import JudgedPeriod

_NOTHING = BoundShown(0, 0, None, no_runs())


class Bounded(NamedTuple):
    """What bounds decide; `intervals` is None when nothing was judged."""

    decision: Decision
    intervals: Intervals | None


class BoundDecider:
    """Decides the periods of one task: those that show the same share their decision."""

    def __init__(self, run: BoundRun, recorded_us: int) -> None:
        self._run = run
        self._needed, self._recorded = duration_text(run.interval_us), duration_text(recorded_us)
        self._about_runs = run.task.rule.statistic.kind == "longest_run_at_most"
        self._known: dict[tuple[int, ...], Bounded] = {}

    def decide(self, period: JudgedPeriod, shown: BoundShown | None, means_outside: int) -> Bounded:
        """The decision for one period, of which `means_outside` aligned longer means lie outside."""
        seen = shown or _NOTHING
        longest = int(seen.runs.count.max()) if self._about_runs and len(seen.runs) else 0
        key = seen.inside, seen.outside, longest, means_outside, period.expected, period.excluded, period.complete
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._decide(period, seen, longest, means_outside)
        return known

    def _decide(self, period: JudgedPeriod, seen: BoundShown, longest: int, means_outside: int) -> Bounded:
        task, needed = self._run.task, self._needed
        statistic = task.rule.statistic
        counted = period.expected - period.excluded
        if statistic.kind == "report_only" or task.rule.indicative or task.row.no_limit:
            why = reason("no-limit", why=f"The document sets no limit, and {needed} values were not recorded")
            return _not_judged(Verdict.NOT_APPLICABLE, why)
        limit = may_be_outside(statistic, counted, self._run.interval_us)
        inside, outside = seen.inside, max(seen.outside, means_outside)
        criterion = task.rule.time_criterion
        if self._about_runs:
            outcome = "pass" if inside >= counted else "fail" if longest > limit else "open"
        else:
            outcome = prove(outside, counted - inside, limit)
        if criterion is not None and outcome != "open":
            # A range without a time criterion, seen only through longer intervals, can fail but never passes.
            outcome = "fail" if outcome == "fail" and criterion.outside == "fail" else "open"
        if outcome == "open":
            return self._open(period)
        valid = inside + outside
        missing = max(0, counted - valid)
        intervals = Intervals(period.expected, valid, missing, period.excluded, outside, limit)
        if outcome == "pass":
            text = f"The recorded extremes show {inside} of {counted} intervals of {needed} inside"
            text += f"; {limit} may lie outside"
        elif seen.outside >= means_outside:
            text = f"The recorded extremes show {outside} intervals of {needed} outside; {limit} may be"
        else:
            text = (
                f"A mean over {self._recorded} that lies outside shows that at least one of its {needed} intervals "
                f"does; {outside} such means, {limit} intervals may be outside"
            )
        verdict = Verdict.PASS if outcome == "pass" else Verdict.FAIL
        return Bounded(Decision(verdict, _proven(text + _assumed(self._run)), True, limit), intervals)

    def _open(self, period: JudgedPeriod) -> Bounded:
        run, task, recorded = self._run, self._run.task, self._recorded
        if task.rule.period.length == "year" and not period.complete:
            why = reason(
                "period-longer-than-recording", period="year", seen=0, expected=period.expected, share="none", outside=0
            )
            return _not_judged(Verdict.NOT_APPLICABLE, why)
        seen = ""
        if run.highest_mean is not None:
            from pqcheck.judging.assemble import shown

            nearest = shown(task, run.highest_mean)
            limits = " to ".join(f"{float(one):.6g}" for one in (task.low, task.high) if one is not None)
            seen = f"; the {recorded} value nearest to a limit is {nearest} (limit {limits} {task.unit})"
        why = reason("wrong-interval", needed=self._needed, recorded=f"{recorded} values", seen=seen)
        return _not_judged(Verdict.INCONCLUSIVE, why)


def _not_judged(verdict: Verdict, why: Reason) -> Bounded:
    return Bounded(Decision(verdict, why, False, 0), None)


@lru_cache(maxsize=256)
def _proven(text: str) -> Reason:
    """Every channel and day that is wholly inside says the same."""
    return reason("proven-by-bound", text=text)


def _assumed(run: BoundRun) -> str:
    """What the bounds take for granted, as the tail of a sentence."""
    low, high = (one.note if one is not None and "assumes" in one.note else "" for one in (run.low, run.high))
    return "".join(f"; {note}" for note in (low, "" if high == low else high) if note)
