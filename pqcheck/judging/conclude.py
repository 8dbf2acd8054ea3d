"""Once the pass is over: every period of every task is decided and becomes a finding, or is left over."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, partial
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.deriving.sources import Source
from pqcheck.evidence import Runs, no_runs
from pqcheck.findings import Finding, Intervals, Period, Verdict, Window
from pqcheck.judging import assemble
from pqcheck.judging.bound_run import BoundRun
from pqcheck.judging.bounds import BoundDecider
from pqcheck.judging.break_even import BreakEven
from pqcheck.judging.decide import Counts, Decider, Decision, decided_alike
from pqcheck.judging.distrust import distrusted, distrusted_bound, reaching, reaching_bounds
from pqcheck.judging.interruptions import Span
from pqcheck.judging.lightest import LightestLoad
from pqcheck.judging.series import SeriesRun, TaskRun, count_slots
from pqcheck.judging.shown import JudgedPeriod
from pqcheck.judging.tally import Tallied
from pqcheck.judging.tasks import Task
from pqcheck.judging.windows import Place, RunWindows
from pqcheck.recording import Recording, Stream
from pqcheck.site.model import Site

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vetting.trust import Trust


class Remainder(Struct, frozen=True):
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
        self._periods: dict[tuple[str, int], _Periods] = {}
        self._decided: dict[tuple[int, bool, int], dict[tuple[int, int, int], tuple[Counts, Decision, Intervals]]] = {}
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
        shared = self._shared(task, task_run.periods)
        frame = assemble.frame_of(task, self._site, self._break_even)
        single = not run.grouped and not run.source.formula.arithmetic and run.single
        inputs = run.source.formula.inputs
        place = Place(run.origin_us, run.interval_us, self._zone, frame.scale, single, stream.index, inputs)
        doubts = reaching(self._trust, task, run.source.formula)
        light = next((one.sentence(self._zone) for one in self._lightest if one.task is task), "")
        # Channels that a rule finds in the same state share what is decided of them.
        key = id(task.rule), task.row.no_limit, id(task_run.periods)
        known = self._decided.setdefault(key, {}) if decided_alike(task) else {}
        for number, (period, tallied) in enumerate(zip(task_run.periods, task_run.results(), strict=True)):
            state = number, tallied.valid, tallied.outside
            found = known.get(state)
            if found is None:
                counts = self._counts(task, run, period, tallied)
                decision = self._decider.decide(task, counts, tallied)
                found = known[state] = counts, decision, assemble.intervals_of(counts, decision.allowed)
            counts, decision, intervals = found
            if doubts:
                decision = distrusted(decision, task, counts, tallied, run, period, doubts)
            if not period.complete and not decision.proven and shared.left_over(period):
                self._left_over(stream, task, period)
                continue
            if light and decision.reason is not None:
                added = replace(decision.reason, text=decision.reason.text + light)
                decision = replace(decision, reason=added)
            windows = _windows(tallied.runs, place)
            self.findings.append(
                assemble.judged(
                    frame, shared.shown[number], intervals, decision, tallied.reading, windows, single=single
                )
            )

    def _shared(self, task: Task, periods: Sequence[JudgedPeriod]) -> _Periods:
        key = task.rule.period.length, id(periods)
        found = self._periods.get(key)
        if found is None:
            shown = [assemble.period_of(key[0], one, self._zone) for one in periods]
            longest = max((one.recorded for one in periods), default=0)
            found = self._periods[key] = _Periods(periods, shown, any(one.complete for one in periods), longest)
        return found

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
        shared = self._shared(task, run.periods)
        frame = assemble.frame_of(task, self._site, self._break_even)
        decider = BoundDecider(run, stream.axis.interval_us)
        source = run.high or run.low or run.mean
        doubts = reaching_bounds(run, self._trust)
        place = None if source is None else self._bound_place(stream, run, source)
        proven = run.tally.result() if run.tally is not None else None
        for number, period in enumerate(run.periods):
            seen = proven[number] if proven is not None else None
            decision, intervals = decider.decide(period, seen, run.means_outside[number] if run.means_outside else 0)
            verdict, runs = decision.verdict, seen.runs if seen is not None else no_runs()
            open_ = verdict in (Verdict.INCONCLUSIVE, Verdict.NOT_APPLICABLE)
            if open_ and not period.complete and shared.left_over(period):
                self._left_over(stream, task, period)
                continue
            if doubts:
                doubt = distrusted_bound(verdict, run, period, runs, decision.allowed, doubts)
                if doubt is not None:
                    self.findings.append(assemble.unjudged(frame, shared.shown[number], Verdict.REFUSED, doubt))
                    continue
            if intervals is None:
                assert decision.reason is not None
                self.findings.append(assemble.unjudged(frame, shared.shown[number], verdict, decision.reason))
                continue
            assert place is not None
            reading = seen.worst if seen is not None else run.highest_mean
            windows = _windows(runs, place)
            self.findings.append(
                assemble.judged(frame, shared.shown[number], intervals, decision, reading, windows, single=False)
            )
        run.tally = None

    def _bound_place(self, stream: Stream, run: BoundRun, source: Source) -> Place:
        scale = assemble.scale_for(run.task, source)
        inputs = source.formula.inputs
        return Place(run.axis.start_us, run.interval_us, self._zone, scale, False, stream.index, inputs)


class _Periods(NamedTuple):
    """Periods that hundreds of tasks share, and what is the same for all of these."""

    periods: Sequence[JudgedPeriod]
    """Held, so that no others can take their place in memory."""
    shown: list[Period]
    """The periods as findings show them."""
    some_complete: bool
    longest: int
    """Recorded slots of the one that holds most."""

    def left_over(self, period: JudgedPeriod) -> bool:
        """Whether an incomplete period is a remainder of others."""
        return self.some_complete or period.recorded < self.longest


def _windows(runs: Runs, place: Place) -> Sequence[Window]:
    return RunWindows(runs, place) if len(runs.first) else ()
