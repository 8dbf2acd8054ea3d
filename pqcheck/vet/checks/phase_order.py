"""The order of the phases."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.vet.check_definition import CHOSEN, UNBALANCE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import Grid, TimeBase

REVERSED_PERCENT = Threshold(50, "%", CHOSEN,
                             "Negative over positive sequence from which the order is reversed, not unbalanced.")

CHECK = Check(
    name="phase-order",
    question="Is the phase order right?",
    looks_at="Negative-sequence unbalance.",
    how="A negative sequence as large as the positive one is the other rotation, not unbalance. Magnitudes alone do "
        "not show the order.",
    example="The negative sequence is 98 % of the positive one.",
    codes={"phase-order": "The phase order is reversed"},
    refuses={
        "phase-order": (
            Refusal(UNBALANCE, "all", "Sequence components swap with the order of the phases."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Negative sequence as large as the voltage itself: two voltage leads are crossed, or the rotation is reverse."""
    yield _outcome(base.grid)


def _outcome(grid: Grid) -> Outcome:
    unbalance = grid.get("negative_sequence_unbalance", None)
    if unbalance is None:
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, "voltage", "voltage", code="no-input",
                       text="No negative-sequence unbalance was recorded; magnitudes do not show the phase order.",
                       advice="Check the rotation on the instrument's phasor display.")
    middle = float(np.nanmedian(unbalance))
    if middle < REVERSED_PERCENT.value:
        return Outcome(CHECK, Verdict.PASS, "voltage", "voltage")
    return Outcome(
        CHECK, Verdict.REFUSED, "voltage", "voltage", code="phase-order", likelihood="shown",
        text=f"The negative sequence is {middle:.3g} % of the positive one: two voltage leads are crossed, or the "
             "recorder is set to the other rotation.",
        advice="Check the rotation and swap two voltage leads, or set the recorder to the other rotation.",
        subjects=(Subject("negative_sequence_unbalance"),), value=middle, unit="%",
    )
