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
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.scenario import has_virtual_pcc, judged_site
from pqcheck.site.site_values import Site
from pqcheck.workflows.inputs import table_entries

if TYPE_CHECKING:
    from pqcheck.io.spectra.spectrum_table import Spectra


def spectra_in(recordings: Recording | list[str] | Any, site: Site) -> Spectra | None:
    """The spectra in what `as_given` gives; None when they are recordings over time.

    Raises `InputError` when files of both kinds are mixed.
    """
    from pqcheck.io.spectra.spectrum_head import is_spectrum, is_spectrum_header

    if isinstance(recordings, Recording):
        return None
    if not isinstance(recordings, list):
        from pqcheck.io.columns_in_memory import cells_of, columns_of

        columns = columns_of(recordings)
        if not is_spectrum_header(list(columns), site.recording.columns):
            return None
        from pqcheck.io.spectra.spectrum_table import spectra_of

        return spectra_of({name: cells_of(column) for name, column in columns.items()}, site)
    kinds = {path: is_spectrum(path, site) for path in recordings}
    if not any(kinds.values()):
        return None
    for path, is_table in kinds.items():
        if not is_table:
            raise InputError(f"{Path(path).name} is no spectrum table while others are; judge them in separate runs")
    from pqcheck.io.spectra.spectrum_table import read_spectra

    return read_spectra(recordings, site)


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
    from pqcheck.judge.tables_not_judged import tables_not_judged
    from pqcheck.vet import fundamental

    if site.exclusions or site.corrections:
        raise SiteError("[[exclusions]] and [[corrections]] have no meaning for a spectrum; remove them")
    judged = judged_site(site)
    ones = fundamental.fundamentals(spectra.points, site)

    def judge_points(place: Site) -> list[Finding]:
        return [
            finding
            for point in spectra.points
            for finding in judge_steady(
                point.name, point.amplitudes, point.rows, tables, place, quantities, as_of,
                fundamental.doubts_of(ones, point.name),
            )
        ]  # fmt: skip

    findings = judge_points(judged)
    away: dict[str, int] = {}
    for section in ("coverage", "criteria"):
        if getattr(judged, section):
            from pqcheck.workflows.without_declarations import verdicts_that_differ, without

            away[section] = len(verdicts_that_differ(findings, judge_points(without(judged, section))))
    findings += [*_soundness(spectra), *fundamental.findings_of(ones)]
    findings += list(tables_not_judged(tables, findings, judged))
    about = fundamental.remark_of(ones), fundamental.zeros_remark(spectra.points)
    return as_internal(
        Findings(
            findings=in_order(findings),
            site=site.declared,
            recordings=spectra.files,
            limit_tables=table_entries(tables),
            declared_away=away,
            remarks=(*filter(None, about), *spectra.remarks, *remarks),
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
