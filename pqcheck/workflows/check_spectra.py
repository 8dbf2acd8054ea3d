"""Spectra of a design to findings, and what marks every finding of a scenario as an internal criterion."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.model.errors import InputError, SiteError
from pqcheck.model.findings import Finding, Findings, Reason, Snapshot, in_order
from pqcheck.model.verdict import Verdict
from pqcheck.site.scenario import has_virtual_pcc, judged_site
from pqcheck.site.site_values import Site
from pqcheck.workflows.inputs import is_in_memory, table_entries

if TYPE_CHECKING:
    from pqcheck.io.spectra.spectrum_table import Spectra


def spectra_in(recordings: Any, site: Site) -> Spectra | None:
    """The spectra that files, a table in memory or a data frame hold; None when they are recordings over time.

    Raises `InputError` when files of both kinds are mixed.
    """
    from pqcheck.io.spectra.spectrum_head import is_spectrum, is_spectrum_header

    if is_in_memory(recordings):
        if not is_spectrum_header([str(name) for name in recordings], site.recording.columns):
            return None
        from pqcheck.io.spectra.spectrum_table import spectra_of

        return spectra_of({str(name): list(recordings[name]) for name in recordings}, site)
    if isinstance(recordings, (str, Path)):
        recordings = [recordings]
    if not isinstance(recordings, Sequence) or not recordings:
        return None
    kinds = {path: is_spectrum(path, site) for path in recordings}
    if not any(kinds.values()):
        return None
    for path, is_table in kinds.items():
        if not is_table:
            raise InputError(f"{Path(path).name} is no spectrum table while others are; judge them in separate runs")
    from pqcheck.io.spectra.spectrum_table import read_spectra

    return read_spectra(list(recordings), site)


def check_spectra(
    spectra: Spectra,
    site: Site,
    tables: Sequence[LimitTable],
    quantities: Sequence[str] = (),
    as_of: date | None = None,
    remarks: Iterable[str] = (),
) -> Findings:
    """Judge every operating point against every table. `as_of` is the date for tables with effective dates."""
    from pqcheck.judge.steady_state import judge_steady

    if site.exclusions or site.corrections:
        raise SiteError("[[exclusions]] and [[corrections]] have no meaning for a spectrum; remove them")
    judged = judged_site(site)
    findings: list[Finding] = []
    for point in spectra.points:
        findings += judge_steady(point.name, point.amplitudes, point.rows, tables, judged, quantities, as_of)
    findings += list(_soundness(spectra))
    return as_internal(
        Findings(
            findings=in_order(findings),
            site=site.declared,
            recordings=spectra.files,
            limit_tables=table_entries(tables),
            remarks=(*spectra.remarks, *remarks),
        ),
        site,
    )


def as_internal(findings: Findings, site: Site) -> Findings:
    """Every limit finding of a scenario says in its title that it is an internal criterion; others are untouched."""
    if not site.scenario:
        return findings
    at = "a declared virtual PCC" if has_virtual_pcc(site) else "a declared scenario"
    mark = f"internal criterion for {at}, no statement of compliance"
    marked = tuple(
        finding.replaced(title=f"{finding.title} ({mark})") if finding.kind in ("limit", "prediction") else finding
        for finding in findings.findings
    )
    return replace(findings, findings=marked)


def _soundness(spectra: Spectra) -> Iterable[Finding]:
    """What was found about the columns: a finding of kind recording per quantity and phase of each point."""
    from pqcheck.model.reason_codes import sentence

    doubted = {(doubt.operating_point, doubt.quantity, doubt.phase): doubt for doubt in spectra.doubts}
    for point in spectra.points:
        channels = sorted({(channel.quantity, channel.phase or "") for channel in point.amplitudes})
        for quantity, phase in channels:
            doubt = doubted.get((point.name, quantity, phase))
            reason = None
            if doubt is not None:
                code = "rms-or-peak-undeclared"
                text, advice = sentence(code, column=repr(doubt.column), unit=doubt.unit)
                reason = Reason(code, text, advice)
            yield Finding(
                kind="recording",
                table="recording",
                rule="rms-or-peak",
                clause="",
                title="Amplitudes declared as rms or peak, or in percent of the fundamental",
                quantity=quantity,
                phase=phase,
                order=None,
                verdict=Verdict.PASS if doubt is None else Verdict.REFUSED,
                channel=f"{quantity}.{phase}",
                reason=reason,
                proven=doubt is None,
                snapshot=Snapshot(point.name),
            )
