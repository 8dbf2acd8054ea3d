"""Is a recording sound: vetting on its own, without limit tables."""

from __future__ import annotations

from pqcheck.findings import Findings
from pqcheck.pipeline import Recordings, Sites, as_recording, as_site, recording_entry
from pqcheck.vetting import vet
from pqcheck.vetting.examined import Examined


def examine(recordings: Recordings, site: Sites) -> Examined:
    """Vet a recording, corrected as the site declares; no limit is asked.

    `recordings` and `site` are as for `check`. Raises `PqcheckError` when an input cannot be read, when corrections
    contradict each other, or when a spot check lies outside the recording.
    """
    from pqcheck.deriving.corrections import corrected_recording

    declared = as_site(site)
    recording = as_recording(recordings, declared)
    corrected = corrected_recording(recording, declared.corrections) if declared.corrections else recording
    vetted = vet(corrected, declared)
    entries = tuple(recording_entry(recording, number, {}) for number in range(len(recording.files)))
    findings = Findings(vetted.findings, declared.declared, entries, (), vetted.remarks)
    return Examined(findings, vetted.proposals, declared.corrections)
