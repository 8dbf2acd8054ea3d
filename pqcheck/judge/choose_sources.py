"""What a task is judged by: sources of one strength from every stream that has one, and what stands in where they end.

A recorder that changes its interval leaves two streams, and so do two recorders side by side. All exact sources that
serve a rule are used together, and periods are laid over the union of what all streams of the quantity cover, so that
what only one of them saw is always in the count (docs/method/aggregation.md, "Several time bases").
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec import Struct

from pqcheck.derive.formulas import PercentTimesBase, Unbalance
from pqcheck.derive.sources import SeriesSource, Wanted
from pqcheck.derive.usable_sources import usable
from pqcheck.model.recording import Axis

Pair = tuple[SeriesSource | None, SeriesSource | None]
Spans = Sequence[tuple[int, int]]

_CYCLES_US = 200_000
"""10 cycles of 50 Hz, 12 of 60 Hz."""
_DEMAND = ("current_tdd", "current_trd")


class Choice(Struct, frozen=True):
    """Sources of one strength, at most one from each stream; or what bounds the values in one stream."""

    sources: tuple[SeriesSource, ...] = ()
    bounds: tuple[Pair, ...] = ()
    longer: SeriesSource | None = None

    @property
    def streams(self) -> frozenset[int]:
        """The streams that are read."""
        pairs = (source for pair in self.bounds for source in pair)
        return frozenset(source.stream for source in (*self.sources, *pairs, self.longer) if source is not None)


def choices(
    wanted: Wanted,
    sources: Sequence[SeriesSource],
    bounds: Sequence[Pair],
    rule_us: int,
    also_us: Sequence[int],
    axes: Sequence[Axis],
) -> list[Choice]:
    """What a rule of interval `rule_us` [us] can be judged by, best first; empty where nothing answers.

    Every further choice covers a span, of at least one of its intervals, that those before it do not.
    """
    chosen = usable(sources, rule_us, also_us)
    if chosen and len(axes) == 1:
        return [Choice((chosen[0],))]
    suited = set(map(id, chosen))
    ranked: list[Choice] = []
    for strength in dict.fromkeys(source.exactness for source in chosen):
        alike = [source for source in chosen if source.exactness == strength]
        while alike:
            # Intervals that the rule accepts as recorded may have no common one: then one after the other.
            choice = Choice(_of_each_stream(wanted, alike, rule_us, also_us, axes))
            ranked.append(choice)
            alike = [source for source in alike if source.stream not in choice.streams]
    # Beyond the limit a mean that is an upper bound proves nothing.
    coarse = [source for source in sources if id(source) not in suited and source.exactness != "upper bound"]
    # A mean over a multiple of the rule's interval proves something of its members; the shorter the more.
    coarse.sort(key=lambda mean: (0, mean.interval_us) if _is_multiple(mean.interval_us, rule_us) else (1, 0))
    for low, high in bounds:
        stream = next(source.stream for source in (low, high) if source is not None)
        longer = next((source for source in coarse if source.stream == stream), None)
        ranked.append(Choice(bounds=((low, high),), longer=longer))
    held = {stream for choice in ranked for stream in choice.streams if choice.bounds}
    ranked += [Choice(longer=source) for source in coarse if source.stream not in held]
    kept: list[Choice] = []
    covered: list[tuple[int, int]] = []
    for choice in ranked:
        if not kept or any(reaches_beyond(axes[stream], covered) for stream in choice.streams):
            kept.append(choice)
            covered += [(axes[stream].start_us, axes[stream].end_us) for stream in choice.streams]
    return kept


def _is_multiple(interval_us: int, rule_us: int) -> bool:
    return interval_us > rule_us and interval_us % rule_us == 0


def rivals_of(choice: Choice, sources: Sequence[SeriesSource]) -> tuple[SeriesSource, ...]:
    """Other exact sources of the quantity, which must not contradict; in the same stream also what bounds from below.

    Averaged line-to-line voltages show an unbalance at most as large as its average: where its direction wanders, the
    averages keep less of it. A demand distortion is held roughly against averages of THD and current.
    """
    if len(sources) == 1 or not choice.sources or choice.sources[0].exactness != "exact":
        return ()
    judged = set(map(id, choice.sources))
    return tuple(
        source
        for source in sources
        if id(source) not in judged
        and (source.exactness == "exact" or (
            (bounds_from_below(source) or roughly(source)) and source.stream in choice.streams))
    )


def bounds_from_below(source: SeriesSource) -> bool:
    """Whether the true value is at least that of the source, which may be less."""
    averaged = isinstance(source.formula, Unbalance) and source.formula.negative_sequence
    return source.exactness == "lower bound" or (source.exactness == "indicative" and averaged)


def roughly(source: SeriesSource) -> bool:
    """Whether it is current THD times current, both averaged over more than 3 s, whose product is not the average."""
    formula = source.formula
    return source.exactness == "indicative" and isinstance(formula, PercentTimesBase) and \
        formula.channel.quantity == "current_thd"


def bound_means(extremes_us: int | None, rule_us: int) -> bool:
    """Whether extremes of values over `extremes_us` [us] bound means over `rule_us`: whole windows make them up.

    A mean over 10 min may lie beyond every mean over 7 min. Windows of some cycles have no fixed length; they follow
    each other without gaps (IEC 61000-4-30 4.5).
    """
    if extremes_us is None or extremes_us > rule_us:
        return False
    return extremes_us <= _CYCLES_US or rule_us % extremes_us == 0


def _of_each_stream(
    wanted: Wanted, alike: Sequence[SeriesSource], rule_us: int, also_us: Sequence[int], axes: Sequence[Axis]
) -> tuple[SeriesSource, ...]:
    """The best source of each stream that serves the interval judged, in the order in which they fill slots."""
    judged_us = _judged_interval(alike, rule_us, also_us, axes)
    best: dict[int, SeriesSource] = {}
    for source in alike:
        if _serves(source, judged_us):
            best.setdefault(source.stream, source)

    def place(source: SeriesSource) -> tuple[bool, int, int]:
        # The quantity itself before one formed from others, but for demand distortion (see `Catalogue`).
        formed = source.mean == "cubic" or source.formula.inputs[0].quantity != wanted.quantity
        return formed is (wanted.quantity not in _DEMAND), source.interval_us, source.stream

    return tuple(sorted(best.values(), key=place))


def _judged_interval(
    alike: Sequence[SeriesSource], rule_us: int, also_us: Sequence[int], axes: Sequence[Axis]
) -> int:
    """The interval of the rule, or another it accepts where the sources that serve that one cover more."""
    if all(_serves(source, rule_us) for source in alike):
        return rule_us

    def covered(interval_us: int) -> int:
        return sum(end - start for start, end in joined(
            (axes[source.stream].start_us, axes[source.stream].end_us)
            for source in alike if _serves(source, interval_us)
        ))  # fmt: skip

    # Of equals the first: the rule's own interval.
    return max((rule_us, *also_us), key=covered)


def _serves(source: SeriesSource, interval_us: int) -> bool:
    if source.interval_us == interval_us:
        return source.mean != "cubic"
    return source.interval_us < interval_us and interval_us % source.interval_us == 0 and source.mean != "none"


def joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """The union of half-open spans, in order."""
    union: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if union and start <= union[-1][1]:
            union[-1] = union[-1][0], max(end, union[-1][1])
        else:
            union.append((start, end))
    return union


def reaches_beyond(axis: Axis, covered: Iterable[tuple[int, int]]) -> bool:
    """Whether an axis covers at least one whole interval of its own outside the spans."""
    return bool(not_covered(axis, covered))


def not_covered(axis: Axis, covered: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """The spans of an axis outside others, half-open UTC microseconds, that hold at least one of its intervals."""
    beyond: list[tuple[int, int]] = []
    place = axis.start_us
    for start, end in (*joined(covered), (axis.end_us, axis.end_us)):
        last = min(start, axis.end_us)
        if last - place >= axis.interval_us:
            beyond.append((place, last))
        place = max(place, end)
    return beyond


def span_of_periods(own: Iterable[int], carriers: Iterable[int], axes: Sequence[Axis]) -> tuple[int, int] | None:
    """The span that periods are laid over, half-open UTC microseconds.

    None: that of the judged streams (`own`) themselves, as no other stream of the quantity (`carriers`) saw more.
    """
    spans = [(axes[stream].start_us, axes[stream].end_us) for stream in own]
    beyond = [axes[stream] for stream in carriers if reaches_beyond(axes[stream], spans)]
    if not beyond:
        return None
    spans += [(axis.start_us, axis.end_us) for axis in beyond]
    return min(start for start, _ in spans), max(end for _, end in spans)
