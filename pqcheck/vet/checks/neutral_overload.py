"""A neutral that carries more than it may."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.danger_signs import ACT_CURRENT, conductor_rating, when_text
from pqcheck.vet.kept_runs import starts_and_lengths
from pqcheck.vet.outcome import Extent, Outcome
from pqcheck.vet.time_base import TimeBase

TIMES_PHASE = Threshold(1.2, "1", PRACTICE, "Neutral current over the largest phase current.")
RATING_PERCENT = Threshold(50, "% of the declared neutral rating", PRACTICE, "And above this.")
SHORTEST_SECONDS = Threshold(60, "s", CHOSEN, "For this long at a stretch.")

CHECK = Check(
    name="neutral-overload",
    question="Overloaded neutral",
    looks_at="Neutral current beside the phase currents and the declared neutral rating.",
    how="More than 1.2 times the largest phase current and more than half the declared rating.",
    example="The neutral carries up to 148 A.",
    codes={"neutral-overload": "Overloaded neutral"},
    thresholds=thresholds(globals()),
    danger=True,
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome where the neutral carries more than the phases and more than half its declared rating."""
    grid = base.grid
    if not any(channel.base_name == "current.n" for channel in base.channels):
        # Averaged onto this grid from a finer time base, which says it itself.
        return
    neutral, rows, rating = grid.get("current", "n"), grid.recorded("current"), conductor_rating(base.site, "n")
    if neutral is None or not rows or rating is None:
        return
    largest = np.max(np.stack(list(rows.values())), axis=0)
    highest = RATING_PERCENT.value / 100 * rating[0]
    with np.errstate(invalid="ignore"):
        mask = (neutral > TIMES_PHASE.value * largest) & (neutral > highest)
    spans = []
    for first, size in zip(*(part.tolist() for part in starts_and_lengths(np.asarray(mask))), strict=True):
        if size * grid.step_us < SHORTEST_SECONDS.value * 1e6:
            continue
        top = first + int(np.argmax(neutral[first : first + size]))
        spans.append(Extent(grid.time(first), grid.time(first + size), int(size * grid.step_us // grid.interval_us),
                          float(neutral[top]), grid.time(top)))
    if not spans:
        return
    worst = max(spans, key=lambda span: span.worst)
    yield Outcome(
        CHECK, Verdict.FAIL, "current.n", "current", "n", code="neutral-overload", likelihood="shown",
        text=f"The neutral carries, {when_text(spans, base.zone)}, up to {worst.worst:.5g} A, "
             f"more than {TIMES_PHASE.value:g} times the largest phase "
             f"current and more than half its declared rating of {rating[0]:g} A. The neutral has no breaker of its "
             "own: it can overheat unnoticed.",
        advice=ACT_CURRENT, spans=tuple(spans), value=worst.worst, unit="A",
        high=rating[0] * RATING_PERCENT.value / 100,
    )
