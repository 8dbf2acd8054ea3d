"""Vetting on its own: is a recording sound, and half-way through a survey, what does it leave open."""

from __future__ import annotations

from collections.abc import Sequence

from pqcheck.judge.every_source import as_findings, with_rivals
from pqcheck.judge.judge_recording import judge
from pqcheck.judge.rules_that_apply import resolve
from pqcheck.model.errors import InputError
from pqcheck.model.findings import Finding, Findings, in_order
from pqcheck.model.recording import Recording
from pqcheck.plan.recording_so_far import SoFar, progress
from pqcheck.site.site_values import Site
from pqcheck.vet import Trust, Vetted, Vetting
from pqcheck.vet.into_findings import NOTHING_AGAINST
from pqcheck.vet.vetting_result import Examined
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
from pqcheck.workflows.not_read import not_read


def examine(recordings: Recordings, site: Sites) -> Examined:
    """Vet a recording, corrected as the site declares; no limit is asked.

    `recordings` and `site` are as for `check`. Raises `PqcheckError` when an input cannot be read, when corrections
    contradict each other, or when a spot check lies outside the recording.
    """
    place = as_site(site)
    recording = as_recording(recordings, place)
    missing = _not_read(recording, place)
    vetted, contradictions = _vetted_and_compared(as_corrected(recording, place), place)
    remarks = vetted.remarks
    if contradictions:
        remarks = tuple(line for line in remarks if not line.startswith(NOTHING_AGAINST))
    findings = Findings(in_order((*vetted.findings, *contradictions)), place.declared, recording_entries(recording), (),
                        remarks)
    return Examined(findings, vetted.proposals, place.corrections, missing)


def _vetted_and_compared(recording: Recording, site: Site) -> tuple[Vetted, list[Finding]]:
    """What the checks say, and in the same pass what judging would refuse because sources disagree."""
    tasks = with_rivals(as_tables(None, site, may_be_none=True), recording, site)
    vetting = Vetting(recording, site)
    vetted: list[Vetted] = []

    def trust() -> Sequence[Trust]:
        vetted.append(vetting.finish())
        return vetted[0].trust

    judged = judge(tasks, (), recording, site, observe=vetting.feed, trust=trust)
    return vetted[0], as_findings(judged.disagreements, recording)


def _not_read(recording: Recording, site: Site) -> str:
    """What the connection needs and was not read, and then what else the applied rules ask for; empty without."""
    missing = not_read(recording, site, connection=True)
    if not missing.missing or missing.events_alone:
        return missing.sentence
    _, settled = resolve(as_tables(None, site, may_be_none=True), recording, site)
    return not_read(recording, site, settled, connection=True).sentence


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
    if not axes:
        raise InputError("only events were read; give the trend too, whose weeks are counted")
    start, end = min(axis.start_us for axis in axes), max(axis.end_us for axis in axes)
    share = place.coverage.at_least_percent if place.coverage is not None else None
    return progress(findings, chosen, start, end, recording.zone, share)
