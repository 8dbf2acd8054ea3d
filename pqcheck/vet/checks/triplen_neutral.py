"""A neutral that nobody measured, and that the triplen orders of the phases overload."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from msgspec.structs import replace

from pqcheck.model.clock import duration_text
from pqcheck.model.recording import Channel, Stream
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, Check, Threshold, thresholds
from pqcheck.vet.collect import Marks
from pqcheck.vet.danger_signs import (
    ACT_CURRENT,
    RunsOutside,
    SafeRange,
    doubted,
    lasting,
    most_in_a_day,
    neutral_rating,
    when_text,
)
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import PHASES, TimeBase, canonical_factor

TRIPLENS = (3, 9, 15, 21)
"""Orders that add up in the neutral; odd, as rectifiers make them."""
LONG_SECONDS = Threshold(3600, "s", CHOSEN, "Above the rating for this long within a day.")

CHECK = Check(
    name="neutral-triplens",
    question="Neutral overloaded by triplen orders",
    looks_at="Orders 3, 9, 15 and 21 of the currents of a wye whose neutral current was not recorded beside them, and "
             "the declared rating of the neutral, or else of the phases.",
    how="Balanced triplen orders are in phase and add up in the neutral: the magnitudes of the three phases are added "
        "order by order, and the sums as root sum square (common practice; 3 times order 3 where that is all). The "
        "sum is the most that they can make, and near it where rectifiers of one kind run on all phases; what the "
        "fundamentals leave comes on top. Above the rating for an hour within a day.",
    example="The third orders of about 58 A in each phase imply up to 180 A in the neutral, above its rating of 100 A.",
    codes={"neutral-triplens": "Neutral likely overloaded by triplen orders"},
    thresholds=thresholds(globals()),
    danger=True,
)

IMPLIED = Channel("current", "n", unit="A")


class TriplenSums(RunsOutside):
    """Stretches in which the triplen orders of the phases imply more neutral current than the neutral may carry."""

    def __init__(self, stream: Stream, site: Site) -> None:
        means = {channel.key[:3]: channel for channel in stream.channels if channel.reading == "mean"}
        self._orders = [
            (tuple(means["current_harmonic", phase, order] for phase in PHASES))
            for order in TRIPLENS if all(("current_harmonic", phase, order) in means for phase in PHASES)
        ]
        self._rms = {phase: means.get(("current", phase, None)) for phase in PHASES}
        rating = neutral_rating(site)
        asked = site.supply.connection == "wye" and rating is not None and ("current", "n", None) not in means
        self.watched = bool(asked and self._orders)
        super().__init__([SafeRange(IMPLIED, None, rating[0])] if self.watched and rating is not None else [])

    def take(self, slot: int, values: Mapping[Channel, Array], marks: Marks) -> None:
        """Look at one block."""
        if not self.watched:
            return
        squares: Array | float = 0.0
        for phases in self._orders:
            amperes = [self._amperes(channel, values) for channel in phases]
            if any(each is None for each in amperes):
                return
            squares = squares + np.square(np.sum([each for each in amperes if each is not None], axis=0))
        super().take(slot, {IMPLIED: np.sqrt(squares)}, Marks())

    def _amperes(self, channel: Channel, values: Mapping[Channel, Array]) -> Array | None:
        """An order in amperes; a percentage needs the current of its phase."""
        array = values.get(channel)
        if array is None or not channel.unit.startswith("%"):
            return None if array is None else array * canonical_factor("current", channel.unit)
        rms = self._rms[str(channel.phase)]
        base = values.get(rms) if rms is not None else None
        if rms is None or base is None:
            return None
        share = array / 100
        own = base * canonical_factor("current", rms.unit)
        result: Array = own * share if channel.unit == "% of rms" else own * share / np.sqrt(1 + share * share)
        return result


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome where the implied current exceeds the rating for long and no neutral current is known."""
    rating = neutral_rating(base.site)
    sums = base.of(TriplenSums)
    if rating is None or base.grid.get("current", "n") is not None:
        return
    if any(doubted(base, phase) & {"scale", "handheld-mismatch", "spectrum-mismatch"} for phase in PHASES):
        return
    for runs in sums.runs.values():
        spans = tuple(lasting(base, runs, 0, 1.0).values())
        if most_in_a_day(spans) < LONG_SECONDS.value * 1e6:
            continue
        worst = max(spans, key=lambda span: span.worst)
        total = duration_text(sum(span.end_us - span.start_us for span in spans))
        whose = f"its declared rating of {rating[0]:g} A" if rating[1] == "neutral" else \
            f"the {rating[1]} rating of {rating[0]:g} A of the phases (none is declared for the neutral)"
        yield replace(_SIGN, text=(
            "The neutral is likely overloaded: its current was not recorded, and the triplen orders of the phases, "
            f"which add up in it, imply up to {worst.worst:.3g} A, above {whose} for {total} in all, "
            f"{when_text(spans, base.zone)}. The neutral has no breaker of its own: it can overheat unnoticed."
        ), spans=spans, value=worst.worst, high=rating[0])


_SIGN = Outcome(
    CHECK, Verdict.FAIL, "current.n", "current_harmonic", None, 3, code="neutral-triplens", likelihood="likely",
    advice=ACT_CURRENT + " Have the neutral current measured with a clamp that reads true rms.", unit="A",
)
