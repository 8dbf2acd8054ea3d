"""Once the pass is over: every period of every task is decided and becomes a finding, or is left over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache, partial
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.derive.formulas import Combined
from pqcheck.judge import compose_findings as compose
from pqcheck.judge.break_even import BreakEven
from pqcheck.judge.choose_sources import not_covered
from pqcheck.judge.decide import (
    Decider,
    about_runs,
    beyond_connection,
    depends_only_on_counts,
    longest_run,
    with_unknown_flags,
)
from pqcheck.judge.decision import BoundEvidence, Decision, PeriodCounts
from pqcheck.judge.distrust import distrusted, reaches, reaching
from pqcheck.judge.evidence_windows import RunWindows, WindowPlace, in_unit
from pqcheck.judge.interruptions import Span
from pqcheck.judge.judged_series import JudgedPeriod, LongerMeans, SeriesRun, TaskRun, count_slots
from pqcheck.judge.lightest_load import LightestLoad
from pqcheck.judge.period_tally import Tallied
from pqcheck.judge.tasks import Task
from pqcheck.model.clock import duration_text, iso
from pqcheck.model.findings import Finding, Intervals, Period, Window
from pqcheck.model.recording import Axis, Channel, Recording, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vet.trust import Trust


class Remainder(Struct, frozen=True):
    """What was left over after the last full period of a stream."""

    stream: int
    length: str
    start_us: int
    end_us: int
    intervals: int


_Decided = tuple[PeriodCounts, Decision, Intervals]


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
        shares: Callable[[Channel, int, int], str],
        flags_known: Sequence[Stream] = (),
    ) -> None:
        self.findings: list[Finding] = []
        self.remainders: dict[tuple[int, str], Remainder] = {}
        self._recording = recording
        self._site = site
        self._zone = recording.zone
        excluded: list[Span] = [(exclusion.from_us, exclusion.to_us) for exclusion in site.exclusions]
        self._interruptions = interruptions
        self._flagged = flagged
        self._lightest = lightest
        self._trust = trust
        self._shares = shares
        self._flags_known = flags_known
        self._layers: dict[tuple[object, ...], list[_Layer]] = {}
        self._break_even = BreakEven(site)
        self._decider = Decider(site.coverage)
        self._periods: dict[tuple[str, int], _Periods] = {}
        self._decided: dict[tuple[int, bool, int], dict[tuple[int, int, int, int], _Decided]] = {}
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
        template = compose.template_of(task, self._site, self._break_even)
        inputs = run.source.formula.inputs
        place = WindowPlace(
            run.origin_us, run.interval_us, self._zone, template.scale, run.single, stream.index, inputs
        )
        doubts = reaching(self._trust, task, run)
        doubts_of_means = [one for one in doubts if run.longer and reaches(one, task, run.longer.formula)]
        question = task.question
        light = next((each.sentence(self._zone) for each in self._lightest if each.task.question == question), "")
        means = task_run.means
        outside = means.outside() if means is not None else []
        evidence = None if run.recorded else _bound_evidence(stream, run, means, template)
        # Channels that a rule finds in the same state share what is decided of them.
        key = id(task.rule), task.row.no_limit, id(task_run.periods)
        known = self._decided.setdefault(key, {}) if depends_only_on_counts(task) else {}
        layer = _Layer(stream, task, task_run.periods, {}) if task.stands_in or task.next_best is not None else None
        if layer is not None:
            self._layers.setdefault(task.question, []).append(layer)
        unflagged = task.rule.drop_flagged and not any(one is stream for one in self._flags_known)
        combined = isinstance(run.source.formula, Combined)
        for number, (period, tallied) in enumerate(zip(task_run.periods, task_run.results(), strict=True)):
            state = number, tallied.valid, tallied.outside, tallied.bounded
            decided = known.get(state)
            if decided is None:
                proven = evidence
                if evidence is not None and outside and outside[number] > tallied.outside:
                    inside = tallied.valid - tallied.outside
                    tallied = tallied._replace(valid=inside + outside[number], outside=outside[number])
                    proven = evidence._replace(means_outside=outside[number])
                counts = self._counts(task, run, period, tallied)
                decision = self._decider.decide(task, counts, tallied, proven)
                shown = counts._replace(outside=longest_run(tallied)) if about_runs(task) else counts
                decided = known[state] = counts, decision, compose.intervals_of(shown, decision.allowed)
            counts, decision, intervals = decided
            # What means over a longer interval prove needs no trust in extremes.
            by_means = bool(outside) and outside[number] > decision.allowed
            reached = doubts_of_means if by_means else doubts
            if reached:
                decision = distrusted(decision, task, counts, tallied, run, period, reached)
            if unflagged:
                decision = with_unknown_flags(decision)
            if not period.complete and not decision.proven and shared.left_over(period):
                if layer is None:
                    self._left_over(stream, task, period)
                    continue
                # What only this time base saw is not left out: `settle_layers` asks whether another one did.
                if not task.stands_in or decision.reason is None or decision.reason.code != "wrong-interval":
                    continue
            if task.beyond_connection:
                named = beyond_connection(decision, task, self._site.supply.connection)
                if named is None:
                    continue
                decision = named
            if light and decision.reason is not None:
                added = replace(decision.reason, text=decision.reason.text + light)
                decision = replace(decision, reason=added)
            if not decision.judged:
                assert decision.reason is not None
                made = compose.unjudged(template, shared.shown[number], decision.verdict, decision.reason)
            else:
                reading, windows = tallied.reading, _windows(tallied, place)
                if means is not None and task_run.tallies is None:
                    reading = means.farthest
                made = compose.judged(
                    template, shared.shown[number], intervals, decision, reading, windows, single=run.single
                )
            if combined:
                made = self._with_shares(made, inputs[0], period)
            if layer is None:
                self.findings.append(made)
            else:
                layer.findings[number] = made

    def _with_shares(self, made: Finding, channel: Channel, period: JudgedPeriod) -> Finding:
        """The finding with what came from which source."""
        words = self._shares(channel, period.first_slot, period.first_slot + period.expected)
        return made.replaced(title=f"{made.title}; {words}") if words else made

    def settle_layers(self) -> None:
        """Where several tasks answer one question for different spans: one finding for each period."""
        for layers in self._layers.values():
            # The best has the others behind it.
            layers.sort(key=lambda layer: _depth(layer.task), reverse=True)
            best = layers[0]
            for number, period in enumerate(best.periods):
                chosen = best.findings.get(number)
                served = [best.stream.axis]
                for layer in layers[1:]:
                    other = layer.findings.get(number)
                    if other is not None and not period.complete and not other.proven:
                        other = self._alone(layer, other, period, served)
                        chosen = other if chosen is None else chosen
                    chosen = _better(chosen, other)
                    served.append(layer.stream.axis)
                if chosen is not None:
                    self.findings.append(chosen)
                elif not period.complete:
                    self._left_over(best.stream, best.task, period)
        self._layers.clear()

    def _alone(self, layer: _Layer, made: Finding, period: JudgedPeriod, served: Sequence[Axis]) -> Finding | None:
        """The finding of what stands in, with the span of the period that no better source covers; None without one."""
        axis = layer.stream.axis
        start, end = max(axis.start_us, period.start_us), min(axis.end_us, period.end_us)
        held = Axis(start, axis.interval_us, max(0, (end - start) // axis.interval_us))
        beyond = not_covered(held, [(one.start_us, one.end_us) for one in served])
        if not beyond or made.reason is None:
            return None
        spans = ", ".join(f"{iso(first, self._zone)} to {iso(last, self._zone)}" for first, last in beyond)
        words = f"{made.reason.text} Only values over {duration_text(axis.interval_us)} cover {spans}."
        return made.replaced(reason=replace(made.reason, text=words))

    def _shared(self, task: Task, periods: Sequence[JudgedPeriod]) -> _Periods:
        key = task.rule.period.length, id(periods)
        shared = self._periods.get(key)
        if shared is None:
            shown = [compose.period_of(key[0], judged, self._zone) for judged in periods]
            longest = max((judged.recorded for judged in periods), default=0)
            shared = self._periods[key] = _Periods(periods, shown, any(judged.complete for judged in periods), longest)
        return shared

    def _counts(self, task: Task, run: SeriesRun, period: JudgedPeriod, tallied: Tallied) -> PeriodCounts:
        slots = run.origin_us, run.interval_us, period.first_slot, period.first_slot + period.expected
        excluded = period.excluded
        if task.rule.drop_flagged and self._flagged and run.recorded:
            excluded = self._taken_out(*slots)
        interrupted = self._interrupted(*slots) if self._interruptions else 0
        return PeriodCounts(
            period.expected,
            excluded,
            tallied.valid,
            tallied.outside,
            interrupted,
            period.recorded,
            period.complete,
            period.end_us - period.start_us,
            tallied.bounded,
        )

    def _left_over(self, stream: Stream, task: Task, period: JudgedPeriod) -> None:
        number = task.stream
        key = (number, task.rule.period.length)
        first, last = task.span or (stream.axis.start_us, stream.axis.end_us)
        end = min(period.end_us, max(last, stream.axis.end_us))
        if key not in self.remainders:
            start = max(period.start_us, min(first, stream.axis.start_us))
            self.remainders[key] = Remainder(number, task.rule.period.length, start, end, period.recorded)


class _Layer(NamedTuple):
    """What one of several tasks for one question found, by number of the period."""

    stream: Stream
    task: Task
    periods: Sequence[JudgedPeriod]
    findings: dict[int, Finding]


def _depth(task: Task) -> int:
    return 0 if task.next_best is None else 1 + _depth(task.next_best)


def _better(best: Finding | None, other: Finding | None) -> Finding | None:
    """What stands in counts where the better source saw nothing, and where it alone shows that something is outside."""
    if other is None or best is None:
        return other if other is not None and other.verdict is Verdict.FAIL and other.proven else best
    if best.verdict is not Verdict.INCONCLUSIVE:
        return best
    saw_nothing = best.intervals is None or not best.intervals.valid
    if saw_nothing and (other.reason is None or other.reason.code != "no-readings"):
        return other
    shown, beside = (finding.intervals.outside if finding.intervals is not None else 0 for finding in (best, other))
    return other if (other.verdict is Verdict.FAIL and other.proven) or beside > shown == 0 else best


def _bound_evidence(
    stream: Stream, run: SeriesRun, means: LongerMeans | None, template: compose.FindingTemplate
) -> BoundEvidence:
    nearest = ""
    if means is not None and means.farthest is not None:
        task = template.task
        limits = " to ".join(f"{float(side):.6g}" for side in (task.low, task.high) if side is not None)
        reading = in_unit(means.farthest, compose.scale_for(task, means.source), single=False)
        nearest = f"{reading:.6g} {task.unit} (limit {limits} {task.unit})"
    notes = [side.note for side in (run.low, run.high) if side is not None and "assumes" in side.note]
    assumed = "".join(f"; {note}" for note in dict.fromkeys(notes))
    return BoundEvidence(duration_text(stream.axis.interval_us), 0, nearest, assumed)


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


def _windows(tallied: Tallied, place: WindowPlace) -> Sequence[Window]:
    return RunWindows(tallied.runs, place, tallied.below) if len(tallied.runs.first) else ()
