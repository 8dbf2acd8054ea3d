"""Once the pass is over: every period of every task is decided and becomes a finding, or is left over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache, partial
from typing import TYPE_CHECKING

from pqcheck.deriving.sources import Source
from pqcheck.evidence import Runs, no_runs
from pqcheck.findings import Finding, Verdict, Window
from pqcheck.judging import assemble
from pqcheck.judging.bound_run import BoundRun
from pqcheck.judging.bounds import BoundDecider
from pqcheck.judging.break_even import BreakEven
from pqcheck.judging.decide import Counts, Decider
from pqcheck.judging.distrust import distrusted, distrusted_bound, reaching, reaching_bounds
from pqcheck.judging.interruptions import Span
from pqcheck.judging.lightest import LightestLoad
from pqcheck.judging.series import SeriesRun, TaskRun, count_slots
from pqcheck.judging.shown import JudgedPeriod
from pqcheck.judging.tally import Tallied
from pqcheck.judging.tasks import Task
from pqcheck.judging.windows import Place, RunWindows
from pqcheck.recording import Recording, Stream
from pqcheck.records import dataclass
from pqcheck.site.model import Site

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vetting.trust import Trust


@dataclass(frozen=True)
class Remainder:
    """What was left over after the last full period of a stream."""

    stream: int
    length: str
    start_us: int
    end_us: int
    intervals: int


class Conclusions:
    """Findings and leftovers, task by task; what a period has shown is let go once it stands in its finding."""

    def __init__(
        self,
        recording: Recording,
        site: Site,
        *,
        interruptions: Sequence[Span],
        flagged: Sequence[Span],
        lightest: Sequence[LightestLoad],
        trust: Sequence[Trust],
    ) -> None:
        self.findings: list[Finding] = []
        self.remainders: dict[tuple[int, str], Remainder] = {}
        self._recording = recording
        self._site = site
        self._zone = recording.zone
        excluded: list[Span] = [(one.from_us, one.to_us) for one in site.exclusions]
        self._interruptions = interruptions
        self._flagged = flagged
        self._lightest = lightest
        self._trust = trust
        self._break_even = BreakEven(site)
        self._decider = Decider(site.coverage)
        # Hundreds of channels share their periods: what lies in one is counted once for all of them.
        self._taken_out = cache(partial(count_slots, [*excluded, *flagged]))
        self._interrupted = cache(partial(count_slots, interruptions))

    def of_series(self, stream: Stream, run: SeriesRun) -> None:
        """Conclude every task of a series."""
        for task_run in run.runs:
            self._of_task(stream, run, task_run)
        run.runs.clear()

    def _of_task(self, stream: Stream, run: SeriesRun, task_run: TaskRun) -> None:
        task = task_run.task
        some_complete, longest = _extent(task_run.periods)
        frame = assemble.frame_of(task, self._site, self._break_even)
        single = run.grouper is None and not run.source.formula.arithmetic and run.single
        inputs = run.source.formula.inputs
        place = Place(run.origin_us, run.interval_us, self._zone, frame.scale, single, stream.index, inputs)
        doubts = reaching(self._trust, task, run.source.formula)
        light = next((one.sentence(self._zone) for one in self._lightest if one.task is task), "")
        for number, period in enumerate(task_run.periods):
            tallied = task_run.result(number)
            counts = self._counts(task, run, period, tallied)
            decision = self._decider.decide(task, counts, tallied)
            if doubts:
                decision = distrusted(decision, task, counts, tallied, run, period, doubts)
            if not period.complete and not decision.proven and (some_complete or period.recorded < longest):
                self._left_over(stream, task, period)
                continue
            if light and decision.reason is not None:
                added = replace(decision.reason, text=decision.reason.text + light)
                decision = replace(decision, reason=added)
            self.findings.append(
                assemble.judged(
                    frame,
                    period,
                    counts,
                    decision,
                    tallied.reading,
                    _windows(tallied.runs, place),
                    self._zone,
                    single=single,
                )
            )

    def _counts(self, task: Task, run: SeriesRun, period: JudgedPeriod, tallied: Tallied) -> Counts:
        slots = run.origin_us, run.interval_us, period.first_slot, period.first_slot + period.expected
        excluded = period.excluded
        if task.rule.drop_flagged and self._flagged:
            excluded = self._taken_out(*slots)
        interrupted = self._interrupted(*slots) if self._interruptions else 0
        return Counts(
            period.expected,
            excluded,
            tallied.valid,
            tallied.outside,
            interrupted,
            period.recorded,
            period.complete,
            period.end_us - period.start_us,
        )

    def _left_over(self, stream: Stream, task: Task, period: JudgedPeriod) -> None:
        number = self._recording.streams.index(stream)
        key = (number, task.rule.period.length)
        end = min(period.end_us, stream.axis.end_us)
        if key not in self.remainders:
            start = max(period.start_us, stream.axis.start_us)
            self.remainders[key] = Remainder(number, task.rule.period.length, start, end, period.recorded)

    def of_bound(self, stream: Stream, run: BoundRun) -> None:
        """Conclude a task that is judged by bounds."""
        task = run.task
        some_complete, longest = _extent(run.periods)
        frame = assemble.frame_of(task, self._site, self._break_even)
        decider = BoundDecider(run, stream.axis.interval_us)
        source = run.high or run.low or run.mean
        doubts = reaching_bounds(run, self._trust)
        place = None if source is None else self._bound_place(stream, run, source)
        shown = run.tally.result() if run.tally is not None else None
        for number, period in enumerate(run.periods):
            seen = shown[number] if shown is not None else None
            decision, counts = decider.decide(period, seen, run.means_outside[number] if run.means_outside else 0)
            verdict, runs = decision.verdict, seen.runs if seen is not None else no_runs()
            open_ = verdict in (Verdict.INCONCLUSIVE, Verdict.NOT_APPLICABLE)
            if open_ and not period.complete and (some_complete or period.recorded < longest):
                self._left_over(stream, task, period)
                continue
            if doubts:
                doubt = distrusted_bound(verdict, run, period, runs, decision.allowed, doubts)
                if doubt is not None:
                    self.findings.append(assemble.unjudged(frame, period, Verdict.REFUSED, doubt, self._zone))
                    continue
            if counts is None:
                assert decision.reason is not None
                self.findings.append(assemble.unjudged(frame, period, verdict, decision.reason, self._zone))
                continue
            assert place is not None
            reading = seen.worst if seen is not None else run.highest_mean
            windows = _windows(runs, place)
            self.findings.append(
                assemble.judged(frame, period, counts, decision, reading, windows, self._zone, single=False)
            )
        run.tally = None

    def _bound_place(self, stream: Stream, run: BoundRun, source: Source) -> Place:
        scale = assemble.scale_for(run.task, source)
        inputs = source.formula.inputs
        return Place(run.axis.start_us, run.interval_us, self._zone, scale, False, stream.index, inputs)


def _extent(periods: Sequence[JudgedPeriod]) -> tuple[bool, int]:
    """Whether any period is complete, and the recorded slots of the one that holds most."""
    return any(period.complete for period in periods), max((period.recorded for period in periods), default=0)


def _windows(runs: Runs, place: Place) -> Sequence[Window]:
    return RunWindows(runs, place) if len(runs.first) else ()
