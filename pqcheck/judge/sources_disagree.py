"""Two exact sources of one quantity compared: further apart than instruments explain refuses what rests on them.

Medians that are apart refuse the whole span; single values that are apart are unknown, so that a verdict stands only if
it stands whichever of the two is right. The source that would pass is never simply preferred
(docs/method/soundness.md, "Two sources of one quantity").
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pqcheck.derive.formulas import Arrays
from pqcheck.derive.sources import SeriesSource
from pqcheck.judge.choose_sources import bounds_from_below, roughly
from pqcheck.judge.instrument_uncertainty import uncertainty
from pqcheck.judge.tasks import Task, scale_of
from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.reason_codes import sentence
from pqcheck.model.recording import DAY, Axis, Channel
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.stats.runs import runs

if TYPE_CHECKING:
    # The room of vetting is large and not needed to judge a spectrum.
    from pqcheck.vet.trust import Trust

FEWEST = 6
"""Common values below which nothing is compared."""
SINGLE_VALUES = 2
"""Single values may be so many times further apart than medians: clocks and intervals never fit exactly."""
AVERAGED = 0.3
"""Part of the larger median that the product of two averages may be off besides, where loads switch within them."""
MOST_SPANS = 100
"""Spans of contradicting values that are kept apart; more of them are one span from the first to the last."""
SAMPLES = 2048
"""Values of a stream that two of its own sources are compared by."""
_WEEK = 7 * DAY

_PERCENT_OF_NOMINAL = Decimal(1)
_POINTS = Decimal("0.5")
_PERCENT_OF_READING = Decimal(5)
_ABSOLUTE = {"frequency": Decimal("0.05"), "flicker_pst": Decimal("0.1"), "flicker_plt": Decimal("0.1")}


class Compared(NamedTuple):
    """Values of two sources in the unit of the finding, one pair for each instant of `times_us`."""

    task: Task
    first: SeriesSource
    second: SeriesSource
    times_us: NDArray[np.int64]
    of_first: NDArray[np.float64]
    of_second: NDArray[np.float64]


def apart_at_most(task: Task, reading: float, site: Site) -> float:
    """How far the medians of two sources may be apart, in the unit of the finding.

    Twice the accuracy of the declared instrument, as each source has its own; without one 1 % of nominal for voltages,
    0.5 percentage points plus 5 % of the reading for distortions and orders (points: of the demand current, for
    amperes), and 5 % of the reading for the rest.
    """
    wanted = task.wanted
    nominal = site.supply.nominal(wanted.phase) if wanted.phase else None
    size = Decimal(repr(abs(reading)))
    floor = _ABSOLUTE.get(wanted.quantity, Decimal(0))
    declared = uncertainty(site.instrument, wanted.quantity, size, nominal)
    if declared is not None:
        # Readings are written with a few digits only.
        points = Decimal("0.1") if task.unit == "%" else Decimal(0)
        if wanted.quantity == "negative_sequence_unbalance":
            # The voltages that it is formed from have an accuracy of their own, and were averaged.
            points = _POINTS
        return float(2 * declared + max(floor, points))
    if wanted.quantity == "voltage" and nominal is not None:
        return float(nominal * _PERCENT_OF_NOMINAL / 100)
    if wanted.quantity == "frequency":
        return float(floor)
    points = Decimal(0)
    if task.unit == "%":
        points = _POINTS
    elif wanted.quantity == "current_harmonic" and wanted.demand is not None:
        points = _POINTS * wanted.demand / 100
    return float(points + floor + size * _PERCENT_OF_READING / 100)


class RivalsOfStream:
    """Samples of the sources of one stream that are ways to the same quantity. Feed it the blocks, then `compared`."""

    def __init__(self, tasks: Iterable[Task], stream: int, axis: Axis) -> None:
        pairs: dict[tuple[int, int], tuple[Task, SeriesSource, SeriesSource]] = {}
        for task in tasks:
            for source in task.sources or (task.source,):
                for rival in task.rivals:
                    if source is not None and source.stream == rival.stream == stream:
                        pairs.setdefault((id(source), id(rival)), (task, source, rival))
        self._pairs = list(pairs.values())
        self._axis = axis
        self._step = max(1, axis.count // SAMPLES)
        self._fed = 0
        self._times: list[NDArray[np.int64]] = []
        self._values: list[list[tuple[NDArray[np.float64], NDArray[np.float64]]]] = [[] for _ in self._pairs]

    @property
    def inputs(self) -> set[Channel]:
        """Channels that are read."""
        return {one for _, *both in self._pairs for source in both for one in source.formula.inputs}

    def feed(self, arrays: Arrays, count: int) -> None:
        """The next block of `count` intervals; every so many-th of them is kept."""
        if not self._pairs:
            return
        first = -self._fed % self._step
        few = {channel: arrays[channel][first :: self._step] for channel in self.inputs}
        slots = np.arange(first, count, self._step) + self._fed
        self._times.append(self._axis.start_us + slots * self._axis.interval_us)
        self._fed += count
        scratch: dict[Any, NDArray[Any]] = {}
        for kept, (task, *both) in zip(self._values, self._pairs, strict=True):
            first_values, second_values = (
                np.array(source.formula.compute(few, scratch), np.float64)
                * float(scale_of(source.formula.unit, task.unit, task.wanted))
                for source in both
            )
            kept.append((first_values, second_values))

    def compared(self) -> Iterator[Compared]:
        """The pairs over all blocks."""
        for kept, (task, first, second) in zip(self._values, self._pairs, strict=True):
            if kept:
                values = (np.concatenate(part) for part in zip(*kept, strict=True))
                yield Compared(task, first, second, np.concatenate(self._times), *values)


def disagreements(compared: Iterable[Compared], site: Site) -> list[Trust]:
    """Doubts about quantities whose sources disagree: over the whole recording, or in weeks of their common span."""
    doubts: dict[tuple[object, ...], Trust] = {}
    for pair in compared:
        both = ~np.isnan(pair.of_first) & ~np.isnan(pair.of_second)
        times, first, second = pair.times_us[both], pair.of_first[both], pair.of_second[both]
        text = _disagreement(pair, first, second, site)
        spans: list[tuple[int | None, int | None, str]] = [(None, None, text)] if text else []
        if not text and len(times) and times[-1] - times[0] >= _WEEK:
            edges = np.arange(int(times[0]), int(times[-1]) + 1, _WEEK)
            cuts = [*np.searchsorted(times, edges).tolist(), len(times)]
            for number, start in enumerate(edges.tolist()):
                part = slice(cuts[number], cuts[number + 1])
                text = _disagreement(pair, first[part], second[part], site)
                if text:
                    spans.append((start, start + _WEEK, text))
        if not spans and not roughly(pair.second):
            spans += _contradictions(pair, times, first, second, site)
        wanted = pair.task.wanted
        for start_us, end_us, words in spans:
            key = wanted.quantity, wanted.phase, wanted.order, start_us, end_us
            if key not in doubts:
                doubts[key] = _doubt(pair, start_us, end_us, words)
    return list(doubts.values())


def _doubt(pair: Compared, start_us: int | None, end_us: int | None, text: str) -> Trust:
    from pqcheck.vet.trust import Trust

    wanted = pair.task.wanted
    _, advice = sentence("sources-disagree", text="")
    return Trust(
        (wanted.quantity,), (wanted.phase,) if wanted.phase else (), start_us, end_us, "nothing", "sources-disagree",
        text, advice, () if wanted.order is None else (wanted.order,),
        # What averaging may explain is a question only.
        Verdict.INCONCLUSIVE if roughly(pair.second) else Verdict.REFUSED,
    )  # fmt: skip


def _disagreement(
    pair: Compared, first: NDArray[np.float64], second: NDArray[np.float64], site: Site
) -> str:
    """The sentence; empty where the two agree, or too few values are common."""
    if len(first) < FEWEST:
        return ""
    middle, other = float(np.median(first)), float(np.median(second))
    allowed = apart_at_most(pair.task, max(abs(middle), abs(other)), site)
    if roughly(pair.second):
        allowed += AVERAGED * max(middle, other)
    # A sum over some of the orders may be smaller than the whole, never larger.
    apart = other - middle if bounds_from_below(pair.second) else abs(middle - other)
    if not apart > allowed:
        return ""
    which = f"medians of {len(first)} common values"
    return _sentence(pair, middle, other, which, allowed, _implied_demand(pair, middle, other))


def _contradictions(
    pair: Compared, times: NDArray[np.int64], first: NDArray[np.float64], second: NDArray[np.float64], site: Site
) -> list[tuple[int | None, int | None, str]]:
    """Spans of single values that are apart, and the sentence about all of them."""
    if not len(first):
        return []
    apart = second - first if bounds_from_below(pair.second) else np.abs(first - second)
    sizes = np.maximum(np.abs(first), np.abs(second))
    # What is allowed grows with the reading along a straight line.
    at_zero, at_one = (SINGLE_VALUES * apart_at_most(pair.task, reading, site) for reading in (0.0, 1.0))
    allowed = at_zero + (at_one - at_zero) * sizes
    beyond = apart > allowed
    if not beyond.any():
        return []
    worst = int(np.argmax(np.where(beyond, apart - allowed, -np.inf)))
    which = f"the worst of {np.count_nonzero(beyond)} of {len(first)} common values that contradict each other"
    text = _sentence(pair, float(first[worst]), float(second[worst]), which, float(allowed[worst]), "")
    step = int(np.diff(pair.times_us).min()) if len(pair.times_us) > 1 else pair.first.interval_us
    # Values between two samples, and slots that only one of the two holds, break a run.
    starts, ends = runs(beyond)
    spans = [(int(times[a]), int(times[b - 1]) + step) for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]
    if len(spans) > MOST_SPANS:
        spans = [(spans[0][0], spans[-1][1])]
    return [(start_us, end_us, text) for start_us, end_us in spans]


def _sentence(pair: Compared, one_value: float, other_value: float, which: str, allowed: float, more: str) -> str:
    wanted = pair.task.wanted
    unit = "" if pair.task.unit == "1" else f" {pair.task.unit}"
    where = "".join((
        f" of order {wanted.order}" if wanted.order is not None else "",
        f" on {wanted.phase}" if wanted.phase else "",
    ))  # fmt: skip
    by_first, by_second = (_described(source, wanted.quantity) for source in (pair.first, pair.second))
    explained = "instruments and loads that switch" if roughly(pair.second) else "instruments"
    words = (
        f"{QUANTITIES[wanted.quantity].title}{where} is {one_value:.4g}{unit} by {by_first} and {other_value:.4g}"
        f"{unit} by {by_second} ({which}); {explained} explain {allowed:.2g}{unit}{more}"
    )
    return sentence("sources-disagree", text=words)[0]


def _described(source: SeriesSource, quantity: str) -> str:
    every = duration_text(source.interval_us)
    if source.formula.inputs[0].quantity == quantity:
        return f"the column recorded every {every}"
    return f"{source.note or 'other columns'} every {every}"


def _implied_demand(pair: Compared, middle: float, other: float) -> str:
    """For a recorded demand distortion: the demand current that its ratio to the amperes implies."""
    wanted = pair.task.wanted
    if wanted.quantity not in ("current_tdd", "current_trd") or wanted.demand is None:
        return ""
    recorded = [source.formula.inputs[0].quantity == wanted.quantity for source in (pair.first, pair.second)]
    if recorded == [False, True]:
        middle, other = other, middle
    elif recorded != [True, False]:
        return ""
    if not middle:
        return ""
    implied = float(wanted.demand) * other / middle
    declared = float(wanted.demand)
    return f"; the recorded column belongs to a demand current of {implied:.4g} A, and {declared:.4g} A is declared"
