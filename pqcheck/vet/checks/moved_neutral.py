"""A neutral that may be loose: three voltages to neutral lie apart as a moved star point sets them, and no voltages
between lines were recorded that would settle it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from pqcheck.model.clock import duration_text
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.checks.line_leads import line_from_legs
from pqcheck.vet.checks.loose_neutral import ACT_NEUTRAL, NeutralWatch
from pqcheck.vet.collect import Marks
from pqcheck.vet.danger_signs import doubted, when_text
from pqcheck.vet.kept_runs import Array, KeptRuns, Mask
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase, canonical_factor

HIGH_PERCENT = Threshold(110, "% of nominal", CHOSEN, "One leg above this: loads lower a leg and raise none so far.")
APART_PERCENT = Threshold(15, "% of nominal", CHOSEN, "Another leg lower by more than this at the same time.")
LINE_WITHIN = Threshold(0.03, "1", CHOSEN, "How near the line-to-line voltage that the legs imply stays to where it is "
                                           "while they stand together: a moved neutral leaves it.")
SHORTEST_SECONDS = Threshold(1800, "s", CHOSEN, "At a stretch.")
DOUBTS = {"nominal-doubtful", "connection-doubtful", "scale-step", "columns-alike"}

CHECK = Check(
    name="neutral-possible",
    question="A loose or broken neutral is possible",
    looks_at="Three voltages to neutral of a wye without those between lines, interval by interval.",
    how="One leg above 110 % of nominal while another is lower by more than 15 % of nominal, for half an hour at a "
        "stretch, and the line-to-line voltage that the three imply where it was. Where more is recorded or the legs "
        "lie further apart, `neutral-loose` says it.",
    example="269 V, 248 V and 226 V on a 400/230 V service.",
    codes={"neutral-possible": "A loose neutral is possible"},
    thresholds=thresholds(globals()),
    danger=True,
)


def moved(to_neutral: Sequence[Array], nominal: float) -> Mask:
    """Intervals in which one of three line-to-neutral voltages [V] is far too high and another far lower at once, while
    the line-to-line voltage that they imply stays where it is when they stand together; `nominal` line to neutral [V].
    """
    together = np.stack(to_neutral).astype(np.float64)
    top = together.max(axis=0)
    high = HIGH_PERCENT.value / 100 * nominal
    # All three far too high together is another nominal or a regulator, no star point that moves.
    mask = (top > high) & (together.mean(axis=0) < high)
    mask &= top - together.min(axis=0) > APART_PERCENT.value / 100 * nominal
    if mask.any():
        implied = line_from_legs(together)
        quiet = implied[~mask & np.isfinite(implied)]
        mask &= np.abs(implied / (np.median(quiet) if quiet.size else 3**0.5 * nominal) - 1) < LINE_WITHIN.value
    return np.asarray(mask)


class MovedWatch:
    """The stretches, with the lowest and highest leg."""

    def __init__(self, stream: Stream, site: Site) -> None:
        supply = site.supply
        volts = {channel.phase: channel for channel in stream.channels
                 if channel.quantity == "voltage" and channel.reading == "mean"}
        alone = set(LINE_TO_NEUTRAL) <= volts.keys() and not set(LINE_TO_LINE) & volts.keys()
        wye = supply.connection == "wye" and supply.line_to_neutral is not None
        self.legs = tuple(volts[phase] for phase in LINE_TO_NEUTRAL) if alone and wye else ()
        if len({leg.unit for leg in self.legs}) > 1:
            self.legs = ()
        self.scale = canonical_factor("voltage", self.legs[0].unit) if self.legs else 1.0
        self.nominal = float(supply.line_to_neutral or 0) / self.scale
        self.runs = KeptRuns()
        self.lowest, self.highest = float("inf"), float("-inf")

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        if not self.legs or any(leg not in values for leg in self.legs):
            return
        legs = [values[leg] for leg in self.legs]
        mask = moved(legs, self.nominal)
        if mask.any():
            together = np.stack([leg[mask] for leg in legs])
            self.lowest = min(self.lowest, float(together.min()))
            self.highest = max(self.highest, float(together.max()))
            self.runs.add_mask(mask, slot)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome where no surer sign of the neutral was seen."""
    watch = base.of(MovedWatch)
    starts, lengths, _ = watch.runs.joined()
    if not lengths.size or int(lengths.max()) * base.interval_us < SHORTEST_SECONDS.value * 1e6:
        return
    if base.of(NeutralWatch).seen or any(DOUBTS & doubted(base, leg.phase) for leg in watch.legs):
        return
    low, high = watch.lowest * watch.scale, watch.highest * watch.scale
    spans = base.spans(starts, lengths, high)
    yield Outcome(
        CHECK, Verdict.FAIL, "voltage", "voltage", code="neutral-possible", likelihood="possible",
        text=f"One voltage to neutral is far too high while another is much lower (between {low:.4g} and {high:.4g} "
             f"V), for {duration_text(int(lengths.sum()) * base.interval_us)} in all, {when_text(spans, base.zone)}. "
             "A loose or broken neutral makes this, and without the voltages between lines it cannot be told from "
             "another cause. Behind a loose neutral equipment on one phase can get far too much voltage, burn and "
             "start a fire, and metal parts can become live.",
        advice=ACT_NEUTRAL + " Record the voltages between lines as well: if they stay together, it is the neutral.",
        spans=spans, value=high, unit="V",
    )
