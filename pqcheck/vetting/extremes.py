"""min <= mean <= max: an interval's mean cannot lie outside its own extremes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from pqcheck.findings import Verdict
from pqcheck.recording import Channel
from pqcheck.vetting.outcome import Outcome, Span, Subject
from pqcheck.vetting.pieces import Pieces
from pqcheck.vetting.runs import Mask, mask_runs
from pqcheck.vetting.thresholds import threshold

Array = NDArray[Any]

SIGNED_BY_CONVENTION = ("power_factor", "displacement_power_factor", "flag")
"""Quantities whose sign flips by convention, so that their order proves nothing."""

SAMPLES = 500
MOST_DECIMALS = 4


class _Trio(Struct):
    mean: Channel
    low: Channel | None
    high: Channel | None
    compared: int = 0
    crossed: int = 0
    worst: float = 0.0
    runs: Pieces = field(default_factory=Pieces)


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
        slack = max(_step(column) for column in (mean, low, high) if column is not None) * 0.51
        broken &= excess > slack
    return broken, excess


def _step(values: Array) -> float:
    """The last decimal that a column is written with; 0.0 for values that are not rounded."""
    known = values[~np.isnan(values)][:SAMPLES]
    for decimals in range(MOST_DECIMALS + 1):
        tens = known * 10.0**decimals
        if np.abs(tens - np.round(tens)).max(initial=0.0) < 1e-6 * max(1.0, float(np.abs(tens).max(initial=0.0))):
            return float(10.0**-decimals)
    return 0.0


class ExtremesCount:
    """Counts broken orders while the data pass by."""

    def __init__(self, channels: Iterable[Channel]) -> None:
        known = {channel.key: channel for channel in channels}
        self.trios: list[_Trio] = []
        for channel in known.values():
            if channel.reading != "mean" or channel.quantity in SIGNED_BY_CONVENTION:
                continue
            low, high = (known.get((*channel.key[:4], reading)) for reading in ("min", "max"))
            units = {other.unit for other in (low, high) if other is not None}
            if units and units == {channel.unit}:
                self.trios.append(_Trio(channel, low, high))

    def take(self, slot: int, values: Mapping[Channel, Array]) -> None:
        """Count one chunk."""
        for trio in self.trios:
            mean = values.get(trio.mean)
            low = values.get(trio.low) if trio.low else None
            high = values.get(trio.high) if trio.high else None
            if mean is None or (low is None and high is None):
                continue
            trio.compared += mean.size
            if not ((high is not None and (mean > high).any()) or (low is not None and (mean < low).any())):
                continue
            broken, excess = crossed(mean, low, high)
            if broken.any():
                trio.crossed += int(np.count_nonzero(broken))
                trio.worst = max(trio.worst, float(excess[broken].max()))
                starts, lengths = mask_runs(broken)
                trio.runs.add(starts + slot, lengths, lengths)


def extremes_outcomes(count: ExtremesCount, start_us: int, interval_us: int) -> Iterator[Outcome]:
    """One outcome per quantity and phase that has extremes."""
    if not count.trios:
        yield Outcome("extremes", Verdict.NOT_APPLICABLE, code="no-input",
                      text="No minimum and maximum columns were recorded.",
                      advice="Record the extremes of every interval with the mean.")
        return
    groups: dict[tuple[str, str | None], list[_Trio]] = {}
    for trio in count.trios:
        groups.setdefault((trio.mean.quantity, trio.mean.phase), []).append(trio)
    for (quantity, phase), trios in groups.items():
        name = ".".join(part for part in (quantity, phase) if part)
        broken = [trio for trio in trios if trio.crossed]
        if not broken:
            yield Outcome("extremes", Verdict.PASS, name, quantity, phase)
            continue
        worst = max(broken, key=lambda trio: trio.crossed / trio.compared)
        share = 100 * worst.crossed / worst.compared
        starts, lengths, _ = worst.runs.joined()
        spans = tuple(
            Span(start_us + first * interval_us, start_us + (first + size) * interval_us, size, worst.worst)
            for first, size in zip(starts.tolist(), lengths.tolist(), strict=True)
        )
        text = (
            f"The mean of {worst.mean.base_name} lies outside its own minimum and maximum in {worst.crossed} of "
            f"{worst.compared} intervals ({share:.2g} %), by up to {worst.worst:.4g} {worst.mean.unit}"
        )
        many = share >= threshold("extremes", "refuse_share")
        yield Outcome(
            "extremes", Verdict.REFUSED if many else Verdict.INCONCLUSIVE, name, quantity, phase,
            code="extremes-crossed",
            text=text + (": the columns are mislabelled or of different intervals." if many else "."),
            advice="Check which columns hold minimum, mean and maximum, and that they come from one interval.",
            likelihood="shown", spans=spans,
            subjects=(Subject(quantity, (phase,) if phase else ()),) if many else (),
        )
