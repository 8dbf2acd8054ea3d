"""One pass over the recording: blocks in, findings out (`conclude`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.judge.bounded_readings import bounded_readings
from pqcheck.judge.combined_sources import CombinedSources
from pqcheck.judge.compose_findings import of_settled
from pqcheck.judge.conclude_periods import Conclusions, Remainder
from pqcheck.judge.interruptions import Interruptions, Span, add_spans, touched
from pqcheck.judge.judged_series import LongerMeans, SeriesRun, open_series
from pqcheck.judge.lightest_load import LightestLoad
from pqcheck.judge.series_groups import SeriesGroup, groups_of
from pqcheck.judge.sources_disagree import Compared, RivalsOfStream, disagreements
from pqcheck.judge.tasks import Settled, Task
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Block, Recording, Stream
from pqcheck.site.site_values import Site

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vet.trust import Trust

Observer = Callable[[int, Block], None]

_WORTH_A_THREAD = 1_000_000
"""Values of a block from which on whoever observes it does so beside the judging, which mostly is compiled passes."""


class JudgedRecording(Struct, frozen=True):
    """Limit findings, leftovers that were not judged on their own, and spans in which the supply was interrupted."""

    findings: tuple[Finding, ...]
    remainders: tuple[Remainder, ...]
    interruptions: tuple[Span, ...]
    disagreements: tuple[Trust, ...] = ()
    """What contradicts itself, also where a verdict stands whichever source is right."""


def judge(
    tasks: Sequence[Task],
    settled: Sequence[Settled],
    recording: Recording,
    site: Site,
    *,
    observe: Observer | None = None,
    trust: Callable[[], Sequence[Trust]] = tuple,
) -> JudgedRecording:
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
        self.excluded: list[Span] = [(exclusion.from_us, exclusion.to_us) for exclusion in site.exclusions]
        # The lowest threshold of all tables; of equal ones the strict.
        thresholds = [(task.table.interruption_below_percent, task.table.interruption_closed) for task in tasks]
        self.interruptions = Interruptions(site, *min(thresholds, default=(Decimal(5), False)))
        self.tasks: list[list[Task]] = [[] for _ in recording.streams]
        self.combined = CombinedSources(recording.streams, recording.zone)
        self.rivalled: list[Task] = []
        for task in tasks:
            layer: Task | None = task
            while layer is not None:
                if layer.sources:
                    self.combined.add(layer)
                else:
                    self.tasks[layer.stream].append(layer)
                if layer.rivals:
                    self.rivalled.append(layer)
                    self.combined.compare(layer)
                layer = layer.next_best
        self.combined.open()
        self.compared: list[Compared] = []
        # What falls into an interval flags it (IEC 61000-4-30 4.7), whether a column or an event table shows it.
        self.events: list[Span] = [
            (event.time_us, event.end_us) for event in recording.events
            if event.certain and event.kind != "rapid change"
        ]
        self.flagged: list[Span] = list(self.events)
        self.lightest: list[LightestLoad] = []
        self.flags_known: list[Stream] = []
        """Streams of which a column or an event table shows which intervals are flagged."""
        self._done: list[tuple[Stream, list[SeriesRun]]] = []

    def run(self, observe: Observer | None, trust: Callable[[], Sequence[Trust]]) -> JudgedRecording:
        streams = self.recording.streams
        # Streams with voltages first: an interruption seen there counts for the others too.
        voltages = [any(channel.quantity == "voltage" for channel in stream.channels) for stream in streams]
        order = sorted(range(len(streams)), key=lambda index: (not voltages[index], index))
        for number in order:
            self._stream(number, streams[number], observe)
        for stream, tasks in self.combined.streams():
            # These were seen and masked before.
            self._judge(len(streams), stream, tasks, None)
        spans = tuple(self.interruptions.spans)
        apart = disagreements((*self.combined.compared, *self.compared), self.site)
        concluded = Conclusions(
            self.recording,
            self.site,
            interruptions=spans,
            flagged=self.flagged,
            lightest=self.lightest,
            trust=[*trust(), *apart],
            shares=self.combined.shares,
            flags_known=self.flags_known,
        )
        for stream, series in self._done:
            # What was recorded first: the first task of a length says how many intervals are left over.
            for run in sorted(series, key=lambda run: not run.recorded):
                concluded.of_series(stream, run)
        concluded.settle_layers()
        settled = [of_settled(rule) for rule in self.settled]
        return JudgedRecording(
            (*concluded.findings, *settled), tuple(concluded.remainders.values()), spans, tuple(apart)
        )

    def _stream(self, number: int, stream: Stream, observe: Observer | None) -> None:
        self._judge(number, stream, self.tasks[number], observe)

    def _judge(self, number: int, stream: Stream, tasks: Sequence[Task], observe: Observer | None) -> None:
        """Walk a stream once."""
        sources = {id(one): one for task in tasks for one in (*task.samples, task.longer) if one is not None}
        rivals = RivalsOfStream(self.rivalled, number, stream.axis)
        inputs = {channel for source in sources.values() for channel in source.formula.inputs}
        inputs |= self.combined.inputs(number) | rivals.inputs
        inputs |= {channel for channel in stream.channels if channel.quantity in ("voltage", "current")}
        if not inputs and observe is None:
            return
        wanted = None if observe is not None else sorted(inputs, key=str)
        flags_known = bool(self.events)
        series: list[SeriesRun] | None = None
        groups: list[SeriesGroup] = []
        means: list[LongerMeans] = []
        lightest: list[LightestLoad] = []
        with ThreadPoolExecutor(1) as beside:
            for block in stream.blocks(wanted):
                if series is None:
                    dtypes = {channel: values.dtype for channel, values in block.values.items()}
                    series = open_series(tasks, stream.axis, dtypes, self.zone, self.excluded)
                    groups = groups_of(series, stream.axis)
                    means = [run.means for one in series for run in one.runs if run.means is not None]
                    lightest = self._open_lightest(stream, [*tasks, *self.combined.led_by(number)])
                seen: Future[None] | None = None
                if observe is not None:
                    if block.axis.count * len(block.values) < _WORTH_A_THREAD:
                        observe(number, block)
                    else:
                        seen = beside.submit(observe, number, block)
                mask = self.interruptions.mask(block)
                flagged = block.flagged
                if flagged is not None:
                    flags_known = True
                    add_spans(self.flagged, flagged, block)
                events = touched(self.events, block) if self.events else None
                if events is not None:
                    flagged = events if flagged is None else flagged | events
                scratch: dict[Any, NDArray[Any]] = {}
                mask_or_flags = mask if flagged is None else flagged if mask is None else mask | flagged
                bounded = bounded_readings(block)
                for group in groups:
                    group.feed(block.values, scratch, block.axis.count, mask, mask_or_flags, bounded)
                self.combined.feed(number, block.values, scratch, mask, mask_or_flags, bounded)
                rivals.feed(block.values, block.axis.count)
                for mean in means:
                    mean.feed(block.values, scratch, mask, bounded)
                for one in lightest:
                    one.feed(block.values, scratch, mask, bounded)
                if seen is not None:
                    # The arrays of the block are used again for the next one.
                    seen.result()
        for group in groups:
            group.finish()
        self.compared += rivals.compared()
        self.lightest += lightest
        if flags_known or (number == len(self.recording.streams) and len(self.flags_known) == number):
            self.flags_known.append(stream)
        self._done.append((stream, series or []))

    def _open_lightest(self, stream: Stream, tasks: Sequence[Task]) -> list[LightestLoad]:
        currents = tuple(
            channel
            for channel in stream.channels
            if channel.quantity == "current" and channel.reading == "mean" and channel.phase != "n"
        )
        asked = [task for task in tasks if task.rule.best_evidence == "lightest load"] if currents else []
        return [LightestLoad(task, task.source, stream.axis, currents) for task in asked if task.source is not None]
