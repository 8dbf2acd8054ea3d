"""One pass over the recording: blocks in, findings out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pqcheck.clock import duration_text
from pqcheck.deriving.sources import Source
from pqcheck.evidence import Runs
from pqcheck.findings import Finding, Verdict, Window
from pqcheck.judging import assemble
from pqcheck.judging.bounds import decide_bound
from pqcheck.judging.break_even import BreakEven
from pqcheck.judging.decide import Counts, Decision, decide
from pqcheck.judging.distrust import distrusted, distrusted_bound
from pqcheck.judging.interruptions import Interruptions, Span, add_spans
from pqcheck.judging.lightest import LightestLoad
from pqcheck.judging.series import (
    BoundRun,
    PeriodTally,
    SeriesRun,
    TaskRun,
    band_of,
    count_slots,
    make_periods,
    open_series,
    slots_of,
)
from pqcheck.judging.tally import BoundTally
from pqcheck.judging.tasks import Settled, Task
from pqcheck.judging.windows import RunWindows
from pqcheck.recording import Block, Channel, Recording, RowSpan, Stream
from pqcheck.site.model import Site

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vetting.trust import Trust

Observer = Callable[[int, Block], None]


@dataclass(frozen=True)
class Remainder:
    """What was left over after the last full period of a stream."""

    stream: int
    length: str
    start_us: int
    end_us: int
    intervals: int


@dataclass(frozen=True)
class Judged:
    """Limit findings, leftovers that were not judged on their own, and spans in which the supply was interrupted."""

    findings: tuple[Finding, ...]
    remainders: tuple[Remainder, ...]
    interruptions: tuple[Span, ...]


def judge(
    tasks: Sequence[Task],
    settled: Sequence[Settled],
    recording: Recording,
    site: Site,
    *,
    observe: Observer | None = None,
    trust: Callable[[], Sequence[Trust]] = tuple,
) -> Judged:
    """Judge every task in one pass over the streams.

    `observe` sees every block once (vetting); `trust` is asked once the pass is over.
    """
    return _Pass(tasks, settled, recording, site).run(observe, trust)


class _Pass:
    def __init__(self, tasks: Sequence[Task], settled: Sequence[Settled], recording: Recording, site: Site) -> None:
        self.recording = recording
        self.site = site
        self.zone = recording.zone
        self.settled = settled
        self.excluded: list[Span] = [(one.from_us, one.to_us) for one in site.exclusions]
        percents = [task.table.interruption_below_percent for task in tasks]
        self.interruptions = Interruptions(site, min(percents, default=Decimal(5)))
        self.direct: list[list[Task]] = [[] for _ in recording.streams]
        self.bounded: list[list[Task]] = [[] for _ in recording.streams]
        for task in tasks:
            if task.source is not None:
                self.direct[task.source.stream].append(task)
            else:
                self.bounded[_bound_stream(task)].append(task)
        self.break_even = BreakEven(site)
        self.findings: list[Finding] = []
        self.remainders: dict[tuple[int, str], Remainder] = {}
        self.trust: Sequence[Trust] = ()
        self.flagged: list[Span] = []
        self.lightest: list[LightestLoad] = []
        self._done: list[tuple[Stream, list[SeriesRun], list[BoundRun]]] = []

    def run(self, observe: Observer | None, trust: Callable[[], Sequence[Trust]]) -> Judged:
        streams = self.recording.streams
        # Streams with voltages first: an interruption seen there counts for the others too.
        order = sorted(
            range(len(streams)), key=lambda one: (not any(c.quantity == "voltage" for c in streams[one].channels), one)
        )
        for number in order:
            self._stream(number, streams[number], observe)
        self.trust = trust()
        for stream, series, bounds in self._done:
            for run in series:
                for task_run in run.runs:
                    self._series_findings(stream, run, task_run)
            for bound in bounds:
                self._bound_findings(stream, bound)
        self.findings += [assemble.of_settled(one) for one in self.settled]
        return Judged(tuple(self.findings), tuple(self.remainders.values()), tuple(self.interruptions.spans))

    def _stream(self, number: int, stream: Stream, observe: Observer | None) -> None:
        direct, bounded = self.direct[number], self.bounded[number]
        inputs = {channel for task in direct if task.source for channel in task.source.formula.inputs}
        for task in bounded:
            inputs |= {channel for source in _bound_sources(task) for channel in source.formula.inputs}
        inputs |= {channel for channel in stream.channels if channel.quantity in ("voltage", "current")}
        if not inputs and observe is None:
            return
        wanted = None if observe is not None else sorted(inputs, key=str)
        series: list[SeriesRun] | None = None
        bounds: list[BoundRun] = []
        lightest: list[LightestLoad] = []
        for block in stream.blocks(wanted):
            if series is None:
                dtypes = {channel: values.dtype for channel, values in block.values.items()}
                series = self._open(stream, direct, dtypes)
                lightest = self._open_lightest(stream, direct)
                bounds = [self._open_bound(stream, task) for task in bounded]
            if observe is not None:
                observe(number, block)
            mask = self.interruptions.mask(block)
            flagged = block.flagged
            if flagged is not None:
                add_spans(self.flagged, flagged, block)
            scratch: dict[Any, NDArray[Any]] = {}
            for run in series:
                drop = run.runs[0].task.rule.drop_flagged and flagged is not None
                run.feed(block.values, scratch, _either(mask, flagged) if drop else mask)
            for bound in bounds:
                bound.feed(block.values, scratch, mask)
            for one in lightest:
                one.feed(block.values, scratch, mask)
        for run in series or ():
            run.finish()
        for bound in bounds:
            bound.finish()
        self.lightest += lightest
        self._done.append((stream, series or [], bounds))

    def _open(self, stream: Stream, tasks: Sequence[Task], dtypes: dict[Channel, np.dtype[Any]]) -> list[SeriesRun]:
        groups: dict[tuple[Source, int, bool], list[Task]] = {}
        for task in tasks:
            assert task.source is not None
            groups.setdefault((task.source, task.interval_us, task.rule.drop_flagged), []).append(task)
        return [
            open_series(source, group, stream.axis, dtypes, self.zone, self.excluded)
            for (source, _, _), group in groups.items()
        ]

    def _open_lightest(self, stream: Stream, tasks: Sequence[Task]) -> list[LightestLoad]:
        currents = tuple(
            one for one in stream.channels if one.quantity == "current" and one.reading == "mean" and one.phase != "n"
        )
        asked = [task for task in tasks if task.rule.best_evidence == "lightest load"] if currents else []
        return [LightestLoad(task, task.source, stream.axis, currents) for task in asked if task.source is not None]

    def _open_bound(self, stream: Stream, task: Task) -> BoundRun:
        low, high = task.bounds[0] if task.bounds else (None, None)
        axis, interval = stream.axis, task.interval_us
        shown = high or low or task.longer
        double = np.dtype(np.float64)
        made = make_periods(task, axis.start_us, axis.end_us, interval, self.zone, self.excluded)
        if shown is None:
            limits = band_of(task, _any_source(task), dtype=double, arithmetic=True)
        else:
            limits = band_of(task, shown, dtype=double, arithmetic=shown.formula.arithmetic)
        mean_band = None
        if task.longer is not None:
            mean_band = band_of(task, task.longer, dtype=double, arithmetic=task.longer.formula.arithmetic)
        ratio = axis.interval_us // interval if axis.interval_us % interval == 0 else 1
        whole = all(period.first_slot % ratio == 0 and period.expected % ratio == 0 for period in made)
        # With exclusions a recorded interval can be partly in the count: then every slot is looked at by itself.
        times = ratio if whole and not self.excluded else 1
        for period in made:
            if low is not None or high is not None:
                period.bound = BoundTally(limits, period.first_slot, period.expected, times)
        count = (axis.end_us - axis.start_us) // interval
        ranges = slots_of(self.excluded, axis.start_us, interval, 0, max(count, 1))
        return BoundRun(task, axis, interval, low, high, task.longer, made, limits, mean_band, ranges, times)

    def _series_findings(self, stream: Stream, run: SeriesRun, task_run: TaskRun) -> None:
        some_complete = any(period.complete for period in task_run.periods)
        longest = max((period.recorded for period in task_run.periods), default=0)
        frame = assemble.frame_of(task_run.task, self.site, self.break_even)
        for number, period in enumerate(task_run.periods):
            tallied = task_run.result(number)
            interrupted = count_slots(
                self.interruptions.spans,
                run.origin_us,
                run.interval_us,
                period.first_slot,
                period.first_slot + period.expected,
            )
            excluded = period.excluded
            if task_run.task.rule.drop_flagged and self.flagged:
                excluded = count_slots(
                    [*self.excluded, *self.flagged],
                    run.origin_us,
                    run.interval_us,
                    period.first_slot,
                    period.first_slot + period.expected,
                )
            counts = Counts(
                period.expected,
                excluded,
                tallied.valid,
                tallied.outside,
                interrupted,
                period.recorded,
                period.complete,
                (period.end_us - period.start_us),
            )
            decision = decide(task_run.task, counts, tallied, self.site.coverage)
            decision = distrusted(decision, task_run.task, counts, tallied, run, period, self.trust)
            if not period.complete and not decision.proven and (some_complete or period.recorded < longest):
                self._left_over(stream, task_run.task, period, run.interval_us)
                continue
            light = next((one.sentence(self.zone) for one in self.lightest if one.task is task_run.task), "")
            if light and decision.reason is not None:
                added = replace(decision.reason, text=decision.reason.text + light)
                decision = replace(decision, reason=added)
            single = run.grouper is None and not run.source.formula.arithmetic and run.single
            finding = assemble.judged(
                frame,
                period,
                counts,
                decision,
                tallied.reading,
                self._windows(
                    stream, run.source, frame.scale, tallied.runs, run.origin_us, run.interval_us, single=single
                ),
                self.zone,
                single=single,
            )
            self.findings.append(finding)
        # What a period has shown now stands in its finding; of a year there are as many as of findings.
        task_run.periods.clear()

    def _windows(
        self,
        stream: Stream,
        source: Source,
        scale: Fraction,
        runs: Runs,
        origin_us: int,
        interval_us: int,
        *,
        single: bool,
    ) -> Sequence[Window]:
        if not len(runs):
            return ()
        inputs = source.formula.inputs

        def rows(start_us: int, end_us: int) -> tuple[RowSpan, ...]:
            found = dict.fromkeys(
                span for channel in _one_per_file(inputs) for span in stream.index.rows(channel, start_us, end_us)
            )
            return tuple(found)

        return RunWindows(runs, origin_us, interval_us, self.zone, scale, rows, single=single)

    def _left_over(self, stream: Stream, task: Task, period: PeriodTally, interval_us: int) -> None:
        number = self.recording.streams.index(stream)
        key = (number, task.rule.period.length)
        end = min(period.end_us, stream.axis.end_us)
        if key not in self.remainders:
            start = max(period.start_us, stream.axis.start_us)
            self.remainders[key] = Remainder(number, task.rule.period.length, start, end, period.recorded)

    def _bound_findings(self, stream: Stream, run: BoundRun) -> None:
        task = run.task
        some_complete = any(period.complete for period in run.periods)
        longest = max((period.recorded for period in run.periods), default=0)
        frame = assemble.frame_of(task, self.site, self.break_even)
        needed, recorded = duration_text(run.interval_us), duration_text(stream.axis.interval_us)
        for period in run.periods:
            verdict, reason, counts, runs = decide_bound(run, period, needed, recorded)
            open_ = verdict in (Verdict.INCONCLUSIVE, Verdict.NOT_APPLICABLE)
            if not period.complete and open_ and (some_complete or period.recorded < longest):
                self._left_over(stream, task, period, run.interval_us)
                continue
            doubt = distrusted_bound(verdict, run, period, runs, counts[1] if counts else 0, self.trust)
            if doubt is not None:
                self.findings.append(assemble.unjudged(frame, period, Verdict.REFUSED, doubt, self.zone))
                continue
            if counts is None:
                self.findings.append(assemble.unjudged(frame, period, verdict, reason, self.zone))
                continue
            source = run.high or run.low or run.mean
            assert source is not None
            scale = assemble.scale_for(task, source)
            windows = self._windows(stream, source, scale, runs, run.axis.start_us, run.interval_us, single=False)
            worst = period.bound.worst if period.bound is not None else run.highest_mean
            decision = Decision(verdict, reason, True, counts[1])
            self.findings.append(
                assemble.judged(
                    frame,
                    period,
                    counts[0],
                    decision,
                    worst,
                    windows,
                    self.zone,
                    single=False,
                )
            )


def _either(mask: NDArray[np.bool_] | None, other: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    if mask is None or other is None:
        return mask if other is None else other
    return mask | other


def _one_per_file(inputs: Sequence[Channel]) -> Sequence[Channel]:
    """Inputs of one formula nearly always share their rows; a few of them name every file concerned."""
    return inputs if len(inputs) <= 4 else (inputs[0], inputs[-1])


def _bound_sources(task: Task) -> list[Source]:
    found = [source for pair in task.bounds[:1] for source in pair if source is not None]
    if task.longer is not None:
        found.append(task.longer)
    return found


def _any_source(task: Task) -> Source:
    return _bound_sources(task)[0]


def _bound_stream(task: Task) -> int:
    sources = _bound_sources(task)
    return sources[0].stream if sources else 0
