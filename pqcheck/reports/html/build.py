"""From findings, recordings and a site to the page: gather once, observe, draw, write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pqcheck.limit_tables import LimitTable, load_table
from pqcheck.model.errors import InputError, PqcheckError
from pqcheck.model.findings import Findings
from pqcheck.model.recording import Recording
from pqcheck.observe.all_observations import observe
from pqcheck.observe.gather import Gathered, asked_by_findings, asked_by_tables, gather
from pqcheck.reports.html.html_page import page
from pqcheck.reports.plots.material import Material
from pqcheck.site.load_site import load_site, site_from
from pqcheck.site.scenario import judged_site
from pqcheck.site.site_values import Site
from pqcheck.workflows.inputs import as_corrected


def as_html(findings: Findings, recordings: Sequence[Any] | Recording | Gathered, site: Any) -> str:
    """The report.

    `recordings` are files, a `Recording`, or what was gathered of one while it was checked; none leaves out trends.
    `site` is a site file, a mapping or a `Site`; None takes what the findings file says was declared. Raises
    `InputError` when a recording is not the one that was judged.
    """
    return page(material_of(findings, recordings, site))


def material_of(findings: Findings, recordings: Sequence[Any] | Recording | Gathered, site: Any) -> Material:
    """Everything the page is drawn from."""
    declared = _site(findings, site)
    tables = tuple(same_tables(findings, declared))
    if isinstance(recordings, Gathered):
        return Material(findings, declared, recordings, observe(recordings, declared), tables)
    # A spectrum has no time axis, so there are no trends to gather.
    timeless = any(entry["start"] is None for entry in findings.recordings)
    recording = None if timeless else _recording(recordings, declared)
    if recording is None:
        return Material(findings, declared, tables=tables)
    same_recording(findings, recording)
    recording = as_corrected(recording, declared)
    complete = len(tables) == len(findings.limit_tables)
    asked = (
        asked_by_tables(tables, recording, judged_site(declared))
        if complete
        else asked_by_findings(findings, recording)
    )
    gathered = gather(recording, asked)
    return Material(findings, declared, gathered, observe(gathered, declared), tables)


def _site(findings: Findings, site: Any) -> Site:
    if isinstance(site, Site):
        return site
    if site is None:
        # Files named there lay beside the site file, which is not at hand.
        declared = dict(findings.site)
        report = {key: value for key, value in declared.get("report", {}).items() if key not in ("logo", "style_sheet")}
        return site_from({**declared, "report": report}, "the findings file")
    return site_from(site) if isinstance(site, Mapping) else load_site(site)


def _recording(recordings: Sequence[Any] | Recording, site: Site) -> Recording | None:
    if isinstance(recordings, Recording):
        return recordings
    paths = [recordings] if isinstance(recordings, (str, Path)) else list(recordings)
    if not paths:
        return None
    if len(paths) == 1 and isinstance(paths[0], Recording):
        return paths[0]
    from pqcheck.io import read
    from pqcheck.io.spectra.spectrum_head import is_spectrum

    if any(is_spectrum(path, site) for path in paths):
        return None
    return read(paths, site)


def same_recording(findings: Findings, recording: Recording) -> None:
    """InputError when the files are not, byte for byte, those the findings were made from."""
    judged = {str(entry["sha256"]): str(entry["file"]) for entry in findings.recordings}
    for file in recording.files:
        if file.sha256 not in judged:
            other = next((name for sha, name in judged.items() if name == file.name), None)
            known = f"the findings were {'made from another version of it' if other else 'not made from it'}"
            raise InputError(f"{file.name}: {known} (sha256 {file.sha256[:12]}...); give the files that were judged")
    given = {file.sha256 for file in recording.files}
    missing = [name for sha, name in judged.items() if sha not in given]
    if missing:
        raise InputError(f"the findings also rest on {', '.join(missing)}, which was not given; name every file")


def same_tables(findings: Findings, site: Site) -> list[LimitTable]:
    """The tables the findings name, where they are at hand with the same checksum."""
    wanted = {str(entry["id"]): str(entry["sha256"]) for entry in findings.limit_tables}
    loaded: dict[str, LimitTable] = {}
    for name in (*wanted, *site.apply):
        try:
            table = load_table(name)
        except PqcheckError:
            continue
        if wanted.get(table.id) == table.sha256:
            loaded.setdefault(table.id, table)
    return [loaded[identity] for identity in wanted if identity in loaded]
