"""One pass over the recording: blocks in, findings out (`conclude`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.deriving.sources import Source
from pqcheck.findings import Finding
from pqcheck.judging.assemble import of_settled
from pqcheck.judging.batch import Lot, lots_of
from pqcheck.judging.bound_run import BoundRun
from pqcheck.judging.bound_tally import BoundTally
from pqcheck.judging.conclude import Conclusions, Remainder
from pqcheck.judging.interruptions import Interruptions, Span, add_spans
from pqcheck.judging.lightest import LightestLoad
from pqcheck.judging.series import SeriesRun, band_of, open_series, periods_of, slots_of
from pqcheck.judging.tasks import Settled, Task
from pqcheck.recording import Block, Channel, Recording, Stream
from pqcheck.site.model import Site

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vetting.trust import Trust

Observer = Callable[[int, Block], None]

_WORTH_A_THREAD = 1_000_000
"""Values of a block from which on whoever observes it does so beside the judging, which mostly is compiled passes."""


class Judged(Struct, frozen=True):
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
        spans = tuple(self.interruptions.spans)
        concluded = Conclusions(
            self.recording,
            self.site,
            interruptions=spans,
            flagged=self.flagged,
            lightest=self.lightest,
            trust=trust(),
        )
        for stream, series, bounds in self._done:
            for run in series:
                concluded.of_series(stream, run)
            for bound in bounds:
                concluded.of_bound(stream, bound)
        settled = [of_settled(one) for one in self.settled]
        return Judged((*concluded.findings, *settled), tuple(concluded.remainders.values()), spans)

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
        lots: list[Lot] = []
        bounds: list[BoundRun] = []
        lightest: list[LightestLoad] = []
        with ThreadPoolExecutor(1) as beside:
            for block in stream.blocks(wanted):
                if series is None:
                    dtypes = {channel: values.dtype for channel, values in block.values.items()}
                    series = self._open(stream, direct, dtypes)
                    lots = lots_of(series, stream.axis)
                    lightest = self._open_lightest(stream, direct)
                    bounds = [self._open_bound(stream, task) for task in bounded]
                seen: Future[None] | None = None
                if observe is not None:
                    if block.axis.count * len(block.values) < _WORTH_A_THREAD:
                        observe(number, block)
                    else:
                        seen = beside.submit(observe, number, block)
                mask = self.interruptions.mask(block)
                flagged = block.flagged
                if flagged is not None:
                    add_spans(self.flagged, flagged, block)
                scratch: dict[Any, NDArray[Any]] = {}
                for lot in lots:
                    lot.feed(block.values, scratch, block.axis.count, mask, flagged)
                for bound in bounds:
                    bound.feed(block.values, scratch, mask)
                for one in lightest:
                    one.feed(block.values, scratch, mask)
                if seen is not None:
                    # The arrays of the block are used again for the next one.
                    seen.result()
        for lot in lots:
            lot.finish()
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
        made = periods_of(task, axis.start_us, axis.end_us, interval, self.zone, self.excluded)
        if shown is None:
            limits = band_of(task, _any_source(task), dtype=double, arithmetic=True)
        else:
            limits = band_of(task, shown, dtype=double, arithmetic=shown.formula.arithmetic)
        mean_band = None
        if task.longer is not None:
            mean_band = band_of(task, task.longer, dtype=double, arithmetic=task.longer.formula.arithmetic)
        ratio = axis.interval_us // interval if axis.interval_us % interval == 0 else 1
        whole = ratio == 1 or all(one.first_slot % ratio == 0 and one.expected % ratio == 0 for one in made)
        # With exclusions a recorded interval can be partly in the count: then every slot is looked at by itself.
        times = ratio if whole and not self.excluded else 1
        tally = BoundTally(made, times) if low is not None or high is not None else None
        count = (axis.end_us - axis.start_us) // interval
        ranges = slots_of(self.excluded, axis.start_us, interval, 0, max(count, 1))
        return BoundRun(task, axis, interval, low, high, task.longer, made, tally, limits, mean_band, ranges, times)


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
