"""From recordings, a site and limit tables to a load study: wires the rooms together and decides nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable
from pqcheck.model.errors import SiteError
from pqcheck.model.findings import Findings, in_order
from pqcheck.model.recording import Recording
from pqcheck.site.site_values import Site
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
    from pqcheck.loads.answer import variant_row
    from pqcheck.loads.declared import new_loads
    from pqcheck.loads.study import study
    from pqcheck.loads.variants import varied

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
    declared = study(corrected, place, chosen, measured, only)
    if not place.variants or not declared.loads:
        return declared
    rows = [variant_row("as declared", declared)]
    for variant in place.variants:
        other = varied(place, variant)
        again = _determined_again(measured, chosen, corrected, other)
        try:
            found = study(corrected, other, chosen, again, only, headroom=False)
        except SiteError as error:
            raise SiteError(f"variant {variant['name']!r}: {error}") from None
        rows.append(variant_row(variant["name"], found))
    return replace(declared, variants=tuple(rows))


def _determined_again(measured: Findings, tables: Sequence[LimitTable], recording: Recording, site: Site) -> Findings:
    """The measured findings with the determinations, which count new loads, made for a variant."""
    from pqcheck.loads.existing_load import existing_load_findings

    rules = {(table.id, rule.id) for table in tables for rule in table.load_rules}
    kept = [finding for finding in measured.findings if (finding.table, finding.rule) not in rules]
    if len(kept) == len(measured.findings):
        return measured
    return replace(measured, findings=in_order([*kept, *existing_load_findings(tables, recording, site, kept)]))
