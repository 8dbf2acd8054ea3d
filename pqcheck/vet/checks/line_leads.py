"""What voltages to neutral and between lines owe each other: leads in the air, displaced star points."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pqcheck.model.quantities import LINE_TO_LINE
from pqcheck.vet.check_definition import PRACTICE, Threshold
from pqcheck.vet.kept_runs import Array, Mask
from pqcheck.vet.time_base import PHASES

HALF = Threshold(0.1, "1", "derived: without a neutral the input floats between the two other leads",
                 "How near two voltages on one lead must be to half of the third.")
LINE_WITHIN = Threshold(0.07, "1", PRACTICE,
                        "How near the line-to-line voltage that the legs imply must be to its nominal.")
AT_GROUND = Threshold(0.02, "1", PRACTICE,
                      "Voltage to ground over that between lines below which a corner of a delta is grounded.")
CORNER_PERCENT = Threshold(3, "%", PRACTICE, "How near the two others must then be to that between lines.")
THROUGHOUT = 0.95
"""Share of the known points from which a lead was off all the time."""


def at_half(lines: Mapping[str, Array]) -> dict[str, Mask]:
    """Points at which both voltages on a lead are half of the third, by lead; `lines` by ab, bc, ca [V]."""
    masks = {}
    for lead in PHASES if set(LINE_TO_LINE) <= lines.keys() else ():
        off = next(line for line in LINE_TO_LINE if lead not in line)
        mask = lines[off] > 0
        with np.errstate(invalid="ignore", divide="ignore"):
            for line in LINE_TO_LINE:
                if lead in line:
                    mask &= np.abs(lines[line] / lines[off] - 0.5) < HALF.value
        masks[lead] = mask
    return masks


def off_throughout(lines: Mapping[str, Array]) -> str:
    """The lead that was off all the time; empty without one."""
    for lead, mask in at_half(lines).items():
        known = np.isfinite(np.stack([lines[line] for line in LINE_TO_LINE])).all(axis=0)
        if known.any() and np.count_nonzero(mask) > THROUGHOUT * np.count_nonzero(known):
            return lead
    return ""


def line_from_legs(legs: Array) -> Array:
    """The line-to-line voltage [V] that three voltages to a star point anywhere inside imply; `legs` shape (3, ...)
    [V].

    The distances a, b, c of a point from the corners of an equilateral triangle of side U obey
    3 (a^4 + b^4 + c^4 + U^4) = (a^2 + b^2 + c^2 + U^2)^2 (plane geometry); NaN where none fits.
    """
    second, fourth = (legs**2).sum(axis=0), (legs**4).sum(axis=0)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.sqrt((second + np.sqrt(3 * second**2 - 6 * fourth)) / 2))
