"""From recordings, a site and limit tables to a load study: wires the rooms together and decides nothing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from pqcheck.findings import Findings
from pqcheck.pipeline import Recordings, Sites, Tables, as_recording, as_site, as_tables, check, recording_entry
from pqcheck.recording import Recording
from pqcheck.site.model import Site

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
    from pqcheck.deriving.corrections import corrected_recording
    from pqcheck.loads.declared import new_loads
    from pqcheck.loads.study import study

    declared = as_site(site)
    new_loads(declared)
    asked = tables if tables is not None else list(declared.apply)
    chosen = as_tables(asked) if asked else []
    recording = as_recording(recordings, declared)
    only = tuple(quantities) if quantities is not None else declared.quantities
    measured = _unjudged(recording, declared) if not chosen else check(recording, declared, chosen, quantities=only)
    corrected = corrected_recording(recording, declared.corrections) if declared.corrections else recording
    return study(corrected, declared, chosen, measured, only)


def _unjudged(recording: Recording, site: Site) -> Findings:
    """Findings that judged nothing, of a known recording."""
    entries = tuple(recording_entry(recording, number, {}) for number in range(len(recording.files)))
    return Findings((), site=site.declared, recordings=entries)
