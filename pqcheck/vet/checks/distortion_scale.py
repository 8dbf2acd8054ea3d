"""Distortion written as a fraction of one where percent is meant: in a stretch, or in the whole column."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.model.recording import DAY, Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.channel_statistics import stride_of
from pqcheck.vet.check_definition import CHOSEN, ITSELF, PRACTICE, UNBALANCE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.checks.interruption import SupplyOut
from pqcheck.vet.checks.order_sums import PERCENT, STRONG, OrderSet, OrderSets, distortion_of_orders
from pqcheck.vet.checks.scale_steps import flowing
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array, Mask, starts_and_lengths
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

CREDIBLE_PERCENT = Threshold(0.2, "%", PRACTICE, "A loaded supply exceeds this distortion at some time of the day.")
LARGEST_PERCENT = Threshold(0.5, "%", CHOSEN, "Larger readings are no fractions of a distortion that a supply has.")
UNBALANCE_PERCENT = Threshold(0.1, "%", PRACTICE,
                              "The same for an unbalance, which no three-phase supply stays below all day.")
STEP = Threshold(10, "1", CHOSEN, "Middle of the other readings over the middle of those that may be fractions.")
EMPTY = Threshold(3, "1", CHOSEN, "Factor between the two kinds of readings in which none lies.")
STEP_OF_ORDER = Threshold(40, "1", CHOSEN, "The same of a single order: a resonance moves it by less.")
EMPTY_OF_ORDER = Threshold(8, "1", CHOSEN, "Factor in which none lies, of a single order.")
LOADED_SHARE = Threshold(0.2, "1", CHOSEN, "Median of a current over the demand current, from which it is looked at.")
FEWEST_VALUES = Threshold(60, "1", CHOSEN, "Readings from which a whole column is looked at.")
SHORTEST_HOURS = Threshold(1, "h", CHOSEN, "Shortest stretch, and shortest recording, that is looked at.")
FEWEST_POINTS = Threshold(6, "1", CHOSEN, "Readings of such a stretch.")

CHECK = Check(
    name="distortion-scale",
    question="Are distortion and unbalance in percent?",
    looks_at="The distortion of every voltage and current, the root of the sum of squares of orders in percent, means "
             "and maxima, the voltage orders 3 to 13, and recorded unbalance.",
    how="Readings of a tenth of the others and less, with nothing in between, that last an hour or longer are on "
        "another scale: a fraction (0.03) where percent is meant; of a single order, a fortieth and less. That of a "
        "current counts only where the current was recorded and went on. A distortion that never exceeds 0.2 % "
        "leaves the question open: no loaded supply and no load of a fifth of the demand is that clean; so does an "
        "unbalance that never exceeds 0.1 %. A declared scale correction of the quantity, orders in volts or "
        "line-to-line voltages that agree, settle it. "
        "Zeros and hours without supply do not count.",
    example="voltage_thd.an lies between 0.11 and 0.13 % for 67 h, and else nowhere below 2.1 %.",
    codes={"scale-step": "A stretch on another scale", "unit-doubtful": "Percent or a fraction of one"},
    refuses={
        "scale-step": (
            Refusal(ITSELF, "same", "The column is not on one scale."),
        ),
        "unit-doubtful": (
            Refusal(ITSELF, "same", "The numbers may be a hundredth of the distortion."),
        ),
    },
    thresholds=thresholds(globals()),
)

RECORDED = ("voltage_thd", "current_thd", "current_tdd", *UNBALANCE)
ALWAYS_THERE = 5
"""The order without which a sum of orders says nothing of the distortion."""


class Reading(NamedTuple):
    """A distortion: recorded, or formed from orders (`quantity` then is that of the orders), or one order alone."""

    quantity: str
    phase: str | None
    reading: str
    order: int | None = None

    @property
    def name(self) -> str:
        """As findings name it."""
        order = f"h{self.order}" if self.order else None
        return ".".join(part for part in (self.quantity, self.phase, order, self.reading) if part)


class Distortions:
    """Every distortion [%] at about one sample in ten minutes, NaN where nothing was observed."""

    def __init__(self, stream: Stream, site: Site) -> None:
        axis = stream.axis
        self.stride = stride_of(DAY // axis.interval_us) if DAY % axis.interval_us == 0 else 1
        self._members: dict[Reading, list[Channel]] = {}
        for channel in stream.channels:
            if channel.quantity in RECORDED and channel.reading in ("mean", "max"):
                self._members[Reading(channel.quantity, channel.phase, channel.reading)] = [channel]
        for spectrum in OrderSets(stream, site).sets:
            which = spectrum.quantity, spectrum.phase, spectrum.reading
            if spectrum.unit in PERCENT and ALWAYS_THERE in spectrum.orders:
                self._members[Reading(*which)] = list(spectrum.orders.values())
            for order in STRONG if spectrum.quantity == "voltage_harmonic" else ():
                if order in spectrum.orders and spectrum.orders[order].unit in PERCENT:
                    self._members[Reading(*which, order)] = [spectrum.orders[order]]
        size = -(-axis.count // self.stride)
        self.series: dict[Reading, Array] = {of: np.full(size, np.nan, np.float32) for of in self._members}

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        first = -slot % self.stride
        at = (slot + first) // self.stride
        for of, members in self._members.items():
            few = [values[channel][first :: self.stride] for channel in members if channel in values]
            if len(few) == 1:
                self.series[of][at : at + few[0].size] = few[0]
            elif few:
                squares = sum(np.where(np.isnan(part), 0.0, part) ** 2 for part in few)
                self.series[of][at : at + few[0].size] = np.sqrt(squares)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per distortion, and one per order that is on two scales."""
    kept = base.of(Distortions)
    starts, lengths, _ = base.of(SupplyOut).runs.joined()
    for of, series in kept.series.items():
        known = series.copy()
        for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
            known[start // kept.stride : -(-(start + length) // kept.stride)] = np.nan
        known[known <= 0] = np.nan
        outcome = _of_distortion(base, of, known, kept.stride)
        if of.order is None or not outcome.sound:
            yield outcome


def _of_distortion(base: TimeBase, of: Reading, series: Array, stride: int) -> Outcome:
    passed = Outcome(CHECK, Verdict.PASS, of.name, of.quantity, of.phase, of.order)
    subject = Subject(of.quantity, (of.phase,) if of.phase else (), () if of.order is None else (of.order,),
                      readings=() if of.reading == "mean" else (of.reading,))
    known = np.sort(series[~np.isnan(series)])
    point_us = stride * base.interval_us
    points = max(FEWEST_POINTS.value, SHORTEST_HOURS.value * 3600e6 / point_us)
    if known.size < max(FEWEST_VALUES.value, points):
        return passed
    unbalance = of.quantity in UNBALANCE
    of_voltage = unbalance or of.quantity.startswith("voltage")
    if known[-1] <= (UNBALANCE_PERCENT if unbalance else CREDIBLE_PERCENT).value:
        if of.order is not None:
            # A single order may be that small: `order-scale` looks at it beside others.
            return passed
        if _settled(base, of) or (not of_voltage and not _loaded(base, of)):
            return passed
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, of.name, of.quantity, of.phase, code="unit-doubtful", likelihood="likely",
            text=f"{of.name} never exceeds {known[-1]:.3g} %: a {'loaded supply' if of_voltage else 'load'} is not "
                 f"that {'balanced' if unbalance else 'clean'}; the column may hold fractions of one instead of "
                 "percent.",
            advice="Compare with the instrument. For fractions declare a scale correction of the quantity with "
                   "factor = 100; for percent of a supply or a load that is this good the same with factor = 1.",
            subjects=(subject,),
        )
    fractions = _fractions(series, known, (UNBALANCE_PERCENT if unbalance else LARGEST_PERCENT).value, of)
    spans = [(first, first + size) for first, size in
             zip(*(part.tolist() for part in starts_and_lengths(fractions)), strict=True) if size >= points]
    if not of_voltage:
        spans = [span for span in spans if _flows(base, str(of.phase), *(edge * point_us for edge in span))]
    if not spans:
        return passed
    inside = np.concatenate([series[first:end] for first, end in spans])
    other = known[np.searchsorted(known, inside.max(), side="right")]
    first, end = (np.array(edges) * stride for edges in zip(*spans, strict=True))
    extents = base.spans(first, np.minimum(end, base.stream.axis.count) - first)
    total = duration_text(sum(extent.end_us - extent.start_us for extent in extents))
    return Outcome(
        CHECK, Verdict.REFUSED, of.name, of.quantity, of.phase, of.order, code="scale-step",
        likelihood="likely",
        text=f"{of.name} lies between {inside.min():.3g} and {inside.max():.3g} % for {total} in all, and else nowhere "
             f"below {other:.3g} %: these readings are fractions of one, or something else.",
        advice="Look at what was changed at the edges (export, mapping, another file); read the stretch as a file of "
               "its own with a scale correction, or exclude it.",
        spans=extents,
        subjects=tuple(replace(subject, start_us=extent.start_us, end_us=extent.end_us) for extent in extents),
    )


def _fractions(series: Array, known: Array, largest: float, of: Reading) -> Mask:
    """Readings far below all others and up to `largest` [%], with nothing in between."""
    step, empty = (STEP.value, EMPTY.value) if of.order is None else (STEP_OF_ORDER.value, EMPTY_OF_ORDER.value)
    below = int(np.searchsorted(known, largest, side="right"))
    steps = known[1 : below + 1] / known[:below][: known.size - 1]
    at = int(np.argmax(steps)) if steps.size else 0
    with np.errstate(invalid="ignore"):
        far = steps.size and steps[at] >= empty \
            and np.median(known[at + 1 :]) >= step * np.median(known[: at + 1])
        return np.asarray(series <= known[at]) if far else np.zeros(series.size, np.bool_)


def _loaded(base: TimeBase, of: Reading) -> bool:
    """Whether a current is large enough, half of the time, for its distortion to show: of an unused phase, or of the
    demand current that TDD refers to, a small part of a small current is left."""
    amperes = base.grid.get("current", of.phase)
    if amperes is None or not np.isfinite(amperes).any():
        return False
    demand = base.site.pcc.maximum_demand_current if base.site.pcc else None
    reference = float(demand) if demand else float(np.nanmax(amperes))
    return float(np.nanmedian(amperes)) >= LOADED_SHARE.value * reference > 0


def _flows(base: TimeBase, phase: str, first_us: int, end_us: int) -> bool:
    """Whether the current of the phase goes on in a stretch, given from the start of the time base."""
    grid, shift = base.grid, base.stream.axis.start_us - base.grid.start_us
    points = ((edge + shift) // grid.step_us for edge in (first_us, end_us))
    return grid.get("current", phase) is not None and flowing(grid, phase, *points)


def _settled(base: TimeBase, of: Reading) -> bool:
    """Whether a person signed for the scale of the quantity, or orders in volts or lines agree with it."""
    if signed_for_scale(base, of.quantity, of.phase):
        return True
    if of.quantity in UNBALANCE:
        return _lines_agree(base, of.quantity)
    return any(
        _agrees(spectrum) for spectrum in base.of(OrderSets).sets
        if (spectrum.quantity, spectrum.phase) == ("voltage_harmonic", of.phase)
    )


def signed_for_scale(base: TimeBase, quantity: str, phase: str | None) -> bool:
    """Whether a person declared a scale correction of the quantity."""
    return any(
        correction.kind == "scale" and correction.settings["quantity"] == quantity
        and (not correction.settings["phases"] or phase in correction.settings["phases"])
        for correction in base.site.corrections
    )


def _lines_agree(base: TimeBase, quantity: str) -> bool:
    """Whether recorded line-to-line voltages are as balanced: a negative sequence of 1 % spreads them by up to 1.73 %,
    and each is right to one in a thousand."""
    rows = base.grid.stack(*(("voltage", line) for line in LINE_TO_LINE))
    if rows is None or quantity == "zero_sequence_unbalance":
        return False
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = 100 * (rows.max(axis=0) - rows.min(axis=0)) / rows.mean(axis=0)
    known = spread[np.isfinite(spread)]
    return bool(known.size) and float(np.median(known)) < 1.73 * UNBALANCE_PERCENT.value + 0.2


def _agrees(spectrum: OrderSet) -> bool:
    if not spectrum.samples or spectrum.unit in (*PERCENT, ""):
        return False
    root, thd = distortion_of_orders(spectrum)
    both = np.isfinite(root) & (thd > 0)
    return bool(both.any()) and 0.5 < float(np.median(root[both] / thd[both])) < 2
