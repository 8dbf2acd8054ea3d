"""From recordings, a site and limit tables to a load study: wires the rooms together and decides nothing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from pqcheck.model.findings import Findings, in_order
from pqcheck.vet import vet
from pqcheck.workflows.check_recording import check
from pqcheck.workflows.inputs import (
    Recordings,
    Sites,
    Tables,
    as_corrected,
    as_recording,
    as_site,
    as_tables,
    recording_entries,
)

if TYPE_CHECKING:
    from pqcheck.loads.study import LoadStudy


def load_study(
    recordings: Recordings,
    site: Sites,
    tables: Tables | None = None,
    *,
    quantities: Iterable[str] | None = None,
) -> LoadStudy:
    """Demand, spare capacity and existing-load determination of a recording, and its verdicts with the declared
    ``[[new_load]]``.

    Arguments as for `check`; without any limit table the study has demand, capacity and predictions for declared
    ratings only. Raises `PqcheckError` when an input cannot be read, or a new load cannot be.
    """
    from pqcheck.loads.declared import new_loads
    from pqcheck.loads.study import study

    place = as_site(site)
    new_loads(place)
    chosen = as_tables(tables, place, may_be_none=True)
    only = tuple(quantities) if quantities is not None else place.quantities
    recording = as_recording(recordings, place)
    corrected = as_corrected(recording, place)
    if chosen:
        measured = check(recording, place, chosen, quantities=only)
    else:
        # What is spare rests on currents that were measured, whether or not a limit is asked for.
        vetted = vet(corrected, place)
        measured = Findings(
            in_order(vetted.findings), place.declared, recording_entries(recording), (), vetted.remarks
        )
    return study(corrected, place, chosen, measured, only)
