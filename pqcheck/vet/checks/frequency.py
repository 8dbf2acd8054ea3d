"""Whether the frequency can be one."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import PRACTICE, Check, Refusal, Threshold, thresholds
from pqcheck.vet.kept_runs import Array
from pqcheck.vet.outcome import Outcome, Subject
from pqcheck.vet.time_base import TimeBase, canonical_factor

WITHIN_HZ = Threshold(2.0, "Hz", PRACTICE, "Distance from the declared frequency.")

CHECK = Check(
    name="frequency",
    question="Can the frequency be one?",
    looks_at="Median frequency.",
    how="Within 2 Hz of the declared one, or of 50 or 60 Hz.",
    example="The frequency is typically 50 Hz, not near the declared 60 Hz.",
    codes={"frequency-doubtful": "No such frequency"},
    refuses={
        "frequency-doubtful": (
            Refusal(("frequency",), "all", "The column cannot be the frequency of the supply."),
        ),
    },
    thresholds=thresholds(globals()),
)


def examine(base: TimeBase) -> Iterator[Outcome]:
    """One outcome per frequency: whether it is near the declared one, or near 50 or 60 Hz."""
    for channel, series in base.coarse.items():
        if channel.quantity == "frequency":
            yield _outcome(series * canonical_factor("frequency", channel.unit), base.site)


def _outcome(series: Array, site: Site) -> Outcome:
    if not np.isfinite(series).any():
        return Outcome(CHECK, Verdict.NOT_APPLICABLE, "frequency", "frequency", code="no-input",
                       text="No frequency was recorded.", advice="Nothing to do.")
    middle = float(np.nanmedian(series))
    declared = float(site.supply.frequency) if site.supply.frequency is not None else None
    known = [declared] if declared else [50.0, 60.0]
    if any(abs(middle - hertz) <= WITHIN_HZ.value for hertz in known):
        return Outcome(CHECK, Verdict.PASS, "frequency", "frequency", value=middle, unit="Hz")
    expected = f"the declared {declared:g} Hz" if declared else "50 or 60 Hz"
    return Outcome(
        CHECK, Verdict.REFUSED, "frequency", "frequency", code="frequency-doubtful", likelihood="shown",
        text=f"The frequency is typically {middle:.4g} Hz, not near {expected}: wrong declaration, unit or column.",
        advice="Correct [supply] frequency or the column mapping.", subjects=(Subject("frequency"),), value=middle,
        unit="Hz",
    )
