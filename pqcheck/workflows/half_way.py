"""Half-way through a survey: judge what is there and say what it leaves open."""

from __future__ import annotations

from pqcheck.plan.recording_so_far import SoFar, progress
from pqcheck.workflows.check_recording import check
from pqcheck.workflows.inputs import Recordings, Sites, Tables, as_corrected, as_recording, as_site, as_tables


def so_far(recordings: Recordings, site: Sites, tables: Tables | None = None) -> SoFar:
    """What is proven already, what the running periods may still bear, and when the recorder may come down.

    Arguments are as for `check`. Raises `PqcheckError` as `check` does.
    """
    place = as_site(site)
    chosen = as_tables(tables, place)
    recording = as_recording(recordings, place)
    findings = check(recording, place, chosen).findings
    # A trim moves the start from which full periods are counted.
    axes = [stream.axis for stream in as_corrected(recording, place).streams]
    start, end = min(axis.start_us for axis in axes), max(axis.end_us for axis in axes)
    return progress(findings, chosen, start, end, recording.zone)
