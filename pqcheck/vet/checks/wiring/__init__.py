"""Clamps on the wrong conductor or against the arrow, read from voltages, currents and powers of the phases."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.checks.wiring import card
from pqcheck.vet.checks.wiring.card import CHECK
from pqcheck.vet.checks.wiring.messages import too_little, too_short
from pqcheck.vet.checks.wiring.partial import by_signs, without_phase_powers, without_reactive
from pqcheck.vet.checks.wiring.three_phase import significant, with_reactive
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import TimeBase

__all__ = ["CHECK", "examine"]


def examine(base: TimeBase) -> Iterator[Outcome]:
    """The outcome for the clamps of a three-phase, split-phase or single-phase service."""
    grid, site = base.grid, base.site
    phases = tuple(grid.recorded("active_power"))
    if not phases:
        yield from without_phase_powers(grid, site)
        return
    if len(phases) < 3 and site.supply.connection in ("delta", "high-leg-delta"):
        yield Outcome(CHECK, Verdict.NOT_APPLICABLE, "current", "current", code="no-input",
                      text="The powers are those of two elements, whose angles another check looks at.",
                      advice="Nothing to do.")
        return
    powers = significant(grid, phases)
    if powers is None:
        points = np.isfinite(np.stack([grid.data["active_power", phase] for phase in phases])).all(axis=0)
        yield too_short(int(points.sum())) if points.sum() < card.FEWEST_POINTS.value else too_little(phases)
    elif len(phases) < 3 or site.supply.connection in ("split-phase", "single-phase"):
        yield from by_signs(grid, site, phases, powers)
    elif powers.reactive is None:
        yield without_reactive(grid, site, powers)
    else:
        yield with_reactive(grid, site, powers)
