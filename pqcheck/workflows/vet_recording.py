"""Is a recording sound: vetting on its own, without limit tables."""

from __future__ import annotations

from pqcheck.model.findings import Findings
from pqcheck.vet import vet
from pqcheck.vet.vetting_result import Examined
from pqcheck.workflows.inputs import Recordings, Sites, as_corrected, as_recording, as_site, recording_entries


def examine(recordings: Recordings, site: Sites) -> Examined:
    """Vet a recording, corrected as the site declares; no limit is asked.

    `recordings` and `site` are as for `check`. Raises `PqcheckError` when an input cannot be read, when corrections
    contradict each other, or when a spot check lies outside the recording.
    """
    place = as_site(site)
    recording = as_recording(recordings, place)
    vetted = vet(as_corrected(recording, place), place)
    findings = Findings(vetted.findings, place.declared, recording_entries(recording), (), vetted.remarks)
    return Examined(findings, vetted.proposals, place.corrections)
