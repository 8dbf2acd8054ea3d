"""min <= mean <= max: an interval's mean cannot lie outside its own extremes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from msgspec import Struct, field

from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, ITSELF, Check, Refusal, Threshold, thresholds
from pqcheck.vet.collect import Marks
from pqcheck.vet.kept_runs import Array, KeptRuns, Mask
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase

REFUSE_SHARE = Threshold(1.0, "%", CHOSEN, "Share of broken orders from which the columns are doubted.")

CHECK = Check(
    name="extremes",
    question="Is min <= mean <= max?",
    looks_at="Channels with extremes.",
    how="A mean outside its own extremes, or a minimum above its maximum where no mean was recorded, beyond rounding.",
    example="The mean lies outside in 100 % of the intervals: the columns are mislabelled.",
    codes={"extremes-crossed": "Minimum, mean and maximum out of order"},
    refuses={
        "extremes-crossed": (
            Refusal(ITSELF, "same", "Minimum, mean and maximum are mixed up, so none of them is known."),
        ),
    },
    thresholds=thresholds(globals()),
)

SIGNED_BY_CONVENTION = ("power_factor", "displacement_power_factor", "flag")
"""Quantities whose sign flips by convention, so that their order proves nothing."""

SAMPLES = 500

MOST_DECIMALS = 4


class Trio(Struct):
    """A mean beside its minimum and maximum: intervals compared, those with a broken order, and by how much at most.

    Where no mean was observed the minimum stands in its place: it cannot lie above the maximum either.
    """

    mean: Channel
    low: Channel | None
    high: Channel | None
    compared: int = 0
    broken: int = 0
    worst: float = 0.0
    runs: KeptRuns = field(default_factory=KeptRuns)


def crossed(mean: Array, low: Array | None, high: Array | None) -> tuple[Mask, Array]:
    """Intervals in which the order is broken beyond rounding, and by how much.

    A missing value breaks nothing. Rounding: half the last decimal of the coarser column, at least a millionth.
    """
    excess = np.full(mean.shape, -np.inf)
    if high is not None:
        excess = np.fmax(excess, mean - high)
    if low is not None:
        excess = np.fmax(excess, low - mean)
    broken = excess > 1e-6 * np.abs(mean)
    if broken.any():
        slack = max(last_decimal(column) for column in (mean, low, high) if column is not None) * 0.51
        broken &= excess > slack
    return broken, excess


def last_decimal(values: Array) -> float:
    """The last decimal that a column is written with; 0.0 for values that are not rounded."""
    known = values[~np.isnan(values)][:SAMPLES]
    for decimals in range(MOST_DECIMALS + 1):
        tens = known * 10.0**decimals
        if np.abs(tens - np.round(tens)).max(initial=0.0) < 1e-6 * max(1.0, float(np.abs(tens).max(initial=0.0))):
            return float(10.0**-decimals)
    return 0.0


class Trios:
    """Every mean of a stream that has a minimum or a maximum."""

    def __init__(self, stream: Stream, site: Site) -> None:
        known = {channel.key: channel for channel in stream.channels}
        self.trios: list[Trio] = []
        for channel in known.values():
            mean, low, high = (known.get((*channel.key[:4], reading)) for reading in ("mean", "min", "max"))
            if channel not in (mean, low) or channel.quantity in SIGNED_BY_CONVENTION:
                continue
            if channel is low:
                if mean is not None:
                    continue
                low = None
            if {bound.unit for bound in (low, high) if bound is not None} == {channel.unit}:
                self.trios.append(Trio(channel, low, high))

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        for trio in self.trios:
            mean = values.get(trio.mean)
            low = values.get(trio.low) if trio.low else None
            high = values.get(trio.high) if trio.high else None
            if mean is None or (low is None and high is None):
                continue
            if low is not None and high is not None and np.isnan(mean).any():
                mean = np.where(np.isnan(mean), low, mean)
            trio.compared += mean.size
            if not ((high is not None and (mean > high).any()) or (low is not None and (mean < low).any())):
                continue
            broken, excess = crossed(mean, low, high)
            if broken.any():
                trio.broken += int(np.count_nonzero(broken))
                trio.worst = max(trio.worst, float(excess[broken].max()))
                trio.runs.add_mask(broken, slot)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per quantity and phase that has extremes."""
    groups: dict[tuple[str, str | None], list[Trio]] = {}
    for trio in base.of(Trios).trios:
        groups.setdefault((trio.mean.quantity, trio.mean.phase), []).append(trio)
    if not groups:
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, code="no-input",
                      text="No minimum and maximum columns were recorded.",
                      advice="Record the extremes of every interval with the mean.")
    for (quantity, phase), trios in groups.items():
        name = ".".join(part for part in (quantity, phase) if part)
        broken = [trio for trio in trios if trio.broken]
        if not broken:
            yield Outcome(CHECK, Verdict.PASS, name, quantity, phase)
            continue
        worst = max(broken, key=lambda trio: trio.broken / trio.compared)
        share = 100 * worst.broken / worst.compared
        starts, lengths, _ = worst.runs.joined()
        order = "The mean of {} lies outside its own minimum and maximum" if worst.mean.reading == "mean" else \
            "The minimum of {} lies above its maximum"
        text = f"{order.format(worst.mean.base_name)} in {worst.broken} of {worst.compared} intervals " \
               f"({share:.2g} %), by up to {worst.worst:.4g} {worst.mean.unit}"
        many = share >= REFUSE_SHARE.value
        yield Outcome(
            CHECK, Verdict.REFUSED if many else Verdict.INCONCLUSIVE, name, quantity, phase,
            code="extremes-crossed",
            text=text + (": the columns are mislabelled or of different intervals." if many else "."),
            advice="Check which columns hold minimum, mean and maximum, and that they come from one interval.",
            likelihood="shown", spans=base.spans(starts, lengths, worst.worst),
            subjects=(Subject(quantity, (phase,) if phase else ()),) if many else (),
        )
