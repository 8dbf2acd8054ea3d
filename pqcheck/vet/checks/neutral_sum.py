"""The neutral current against the phase currents."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, CURRENTS, PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

OVER = Threshold(0.05, "1", PRACTICE, "Neutral current above the sum of the phases beyond instrument errors.")
SIGNIFICANT = Threshold(0.1, "1", CHOSEN, "Share of the 95th percentile of the sum below which the neutral is noise.")
SHARE = Threshold(0.02, "1", CHOSEN, "Share of intervals that may disagree.")

CHECK = Check(
    name="neutral-sum",
    question="Can the neutral current be?",
    looks_at="Neutral current against the sum of the phase currents.",
    how="The neutral cannot carry more than the sum of the phases, whatever their angles and harmonics.",
    example="The neutral exceeds the sum of the phases in 40 % of the intervals.",
    codes={"neutral-sum": "The neutral exceeds the sum of the phases"},
    refuses={
        "neutral-sum": (
            Refusal(CURRENTS, "same", "The neutral clamp or a ratio is wrong."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """The neutral current cannot exceed the sum of the phase currents, whatever their angles and harmonics."""
    yield _outcome(base.grid, base.site)


def _outcome(grid: Grid, site: Site) -> Outcome:
    neutral = grid.get("current", "n")
    rows = list(grid.recorded("current").values())
    if neutral is None or len(rows) < (2 if site.supply.connection == "split-phase" else 3):
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, "current.n", "current", "n", code="no-input",
                       text="No neutral current was recorded beside all phases.", advice="Nothing to do.")
    total = np.sum(np.stack(rows), axis=0)
    known = np.isfinite(neutral) & np.isfinite(total)
    if not known.any():
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, "current.n", "current", "n", code="no-input",
                       text="Neutral and phase currents were never observed together.", advice="Nothing to do.")
    with np.errstate(invalid="ignore"):
        # Without load both are noise.
        known &= neutral > SIGNIFICANT.value * np.nanpercentile(total, 95)
        over = known & (neutral > (1 + OVER.value) * total)
    share = float(np.count_nonzero(over)) / max(1, int(np.count_nonzero(known)))
    if share <= SHARE.value:
        return Outcome(CHECK, Verdict.PASS, "current.n", "current", "n")
    return Outcome(
        CHECK, Verdict.REFUSED, "current.n", "current", "n", code="neutral-sum", likelihood="shown",
        text=f"The neutral current exceeds the sum of the phase currents in {100 * share:.3g} % of the intervals, "
             "which cannot be: a clamp misses a conductor, or a ratio is wrong.",
        advice="Check the clamp on the neutral and the ratios; look for a parallel conductor that is not clamped.",
        subjects=(Subject("current", ("n",)),), value=100 * share, unit="%",
    )
