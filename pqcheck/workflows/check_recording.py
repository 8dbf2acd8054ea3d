"""From recordings, a site and limit tables to findings: wires the rooms together in their order and decides nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from pqcheck.io import progress
from pqcheck.limit_tables import LimitTable
from pqcheck.model.declared_away import KINDS
from pqcheck.model.errors import SiteError
from pqcheck.model.findings import Finding, Findings, in_order
from pqcheck.model.quantities import EVENTS
from pqcheck.model.recording import DAY, Axis, Block, Recording
from pqcheck.site.site_values import Site
from pqcheck.workflows.inputs import (
    Recordings,
    Sites,
    Tables,
    as_corrected,
    as_given,
    as_quantities,
    as_recording,
    as_site,
    as_tables,
    recording_entries,
    table_entries,
)

if TYPE_CHECKING:
    from pqcheck.observe.gather import Gathered


def check(
    recordings: Recordings,
    site: Sites,
    tables: Tables | None = None,
    *,
    quantities: Iterable[str] | None = None,
    as_of: date | None = None,
) -> Findings:
    """Judge recordings taken at a site, or spectra of a design, against limit tables.

    `recordings` are files, a `Recording`, arrays by header (with `time`, or `order` for a spectrum) or a pandas table
    of that shape; `site` is a site file, a mapping like one, or a `Site`; `tables` are ids, paths or loaded tables
    (default: those the site applies). `quantities` narrows the question (default: the site's).
    `as_of` is the date that counts for tables with effective dates (default: the day the recording began); nothing
    reads the clock. Raises `PqcheckError` when an input cannot be read. Results depend on nothing but the inputs.
    """
    return _check(recordings, site, tables, quantities, as_of, gather=False)[0]


def check_and_gather(
    recordings: Recordings,
    site: Sites,
    tables: Tables | None = None,
    *,
    quantities: Iterable[str] | None = None,
    as_of: date | None = None,
) -> tuple[Findings, Gathered | None]:
    """`check`, and in the same pass what a report draws on; None for spectra, which have no course over time."""
    return _check(recordings, site, tables, quantities, as_of, gather=True)


def _check(
    recordings: Recordings,
    site: Sites,
    tables: Tables | None,
    quantities: Iterable[str] | None,
    as_of: date | None,
    *,
    gather: bool,
) -> tuple[Findings, Gathered | None]:
    from pqcheck.site.scenario import judged_site
    from pqcheck.workflows.check_spectra import as_internal, check_spectra, spectra_in

    # The question.
    place = as_site(site)
    chosen = as_tables(tables, place)
    only = as_quantities(quantities, place)
    recordings = as_given(recordings)
    spectra = spectra_in(recordings, place)
    from pqcheck.judge.site_facts import table_remarks
    from pqcheck.judge.tables_not_judged import tables_not_judged

    remarks = [*table_remarks(chosen, judged_site(place)), *_left_out(chosen, only)]
    if spectra is not None:
        return check_spectra(spectra, place, chosen, only, as_of, remarks), None

    # The recording as read, and as the site corrects it.
    place = judged_site(place)
    recording = as_recording(recordings, place)
    _check_exclusions(place, recording)
    corrected = as_corrected(recording, place)
    # Vetted and judged; then once more without what the site declares, to stand beside it.
    judged = _judge_once(corrected, place, chosen, only, as_of, gather=gather)
    findings = judged.findings
    away: dict[str, int] = {}
    for section in KINDS:
        if getattr(place, section):
            from pqcheck.workflows.without_declarations import beside, verdicts_that_differ, without

            before = recording if section == "corrections" else corrected
            plain = _judge_once(before, without(place, section), chosen, only, as_of)
            away[section] = len(verdicts_that_differ(findings, plain.findings))
            if section in ("corrections", "exclusions"):
                findings = beside(findings, plain.findings, f"without_{section}")
    if any(table.load_rules for table in chosen) and (not only or "current" in only):
        from pqcheck.loads.existing_load import existing_load_findings

        findings += existing_load_findings(chosen, corrected, place, findings)
    findings += tables_not_judged(chosen, findings, place)
    result = Findings(
        findings=in_order(findings),
        site=place.declared,
        recordings=recording_entries(recording, judged.remainders),
        limit_tables=table_entries(chosen),
        remarks=(*judged.remarks, *remarks),
        declared_away=away,
    )
    return as_internal(result, place), judged.gathered


def _left_out(tables: Sequence[LimitTable], only: Sequence[str]) -> list[str]:
    asked = {rule.quantity for table in tables for rule in table.rules}
    asked |= {EVENTS for table in tables if table.event_rules}
    left_out = sorted(asked - set(only)) if only else []
    return [f"Left out by the choice of quantities: {', '.join(left_out)}."] if left_out else []


def _check_exclusions(site: Site, recording: Recording) -> None:
    spans = [(stream.axis.start_us, stream.axis.end_us) for stream in recording.streams]
    spans += [(event.time_us, event.end_us) for event in recording.events]
    for exclusion in site.exclusions:
        if not any(exclusion.from_us < end and exclusion.to_us > start for start, end in spans):
            raise SiteError(
                f"the exclusion {exclusion.reason!r} lies outside the recording; correct its times in [[exclusions]]"
            )


class _JudgedOnce(Struct, frozen=True):
    """One pass over a recording: findings, lines for people, what was left over by stream and kind of period."""

    findings: list[Finding]
    remarks: list[str]
    remainders: Mapping[int, Mapping[str, Any]]
    gathered: Gathered | None


def _judge_once(
    recording: Recording,
    site: Site,
    tables: Sequence[LimitTable],
    only: Sequence[str],
    as_of: date | None,
    *,
    gather: bool = False,
) -> _JudgedOnce:
    from pqcheck.judge.judge_recording import judge
    from pqcheck.judge.readings_in_steps import mark_steps
    from pqcheck.judge.rules_that_apply import resolve
    from pqcheck.judge.summed_orders import summed_orders
    from pqcheck.model.clock import iso, to_local
    from pqcheck.vet import Vetted, Vetting
    from pqcheck.vet.into_findings import NOTHING_AGAINST
    from pqcheck.workflows.not_read import advised, not_read, ratings_unseen

    on = as_of
    if on is None and recording.streams:
        # Without a date to count, the table must have been in force when the recording began.
        on = to_local(min(stream.axis.start_us for stream in recording.streams), recording.zone).date()
    tasks, settled = resolve(tables, recording, site, only, on)
    missing = not_read(recording, site, settled)
    settled = advised(settled, missing)
    vetting = Vetting(recording, site)
    excursions = None
    if (not only or EVENTS in only) and any(table.event_rules for table in tables):
        from pqcheck.judge.event_coverage import TrendExcursions

        excursions = TrendExcursions(site, recording.events)
    gatherer = None
    if gather:
        from pqcheck.observe.gather import Gatherer, asked_by_tasks

        gatherer = Gatherer(recording, asked_by_tasks(tasks))
    progress.expect(sum(_days(stream.axis) for stream in recording.streams))

    def observe(number: int, block: Block) -> None:
        progress.step(_days(block.axis))
        vetting.feed(number, block)
        if excursions is not None:
            excursions.feed(block)
        if gatherer is not None:
            gatherer.feed(number, block)

    vetted: list[Vetted] = []

    def trust() -> Any:
        vetted.append(vetting.finish())
        return vetted[0].trust

    judged = judge(tasks, settled, recording, site, observe=observe, trust=trust)
    marked = mark_steps(judged.findings, tasks, recording, site, vetted[0].smallest_moves)
    findings = [*vetted[0].findings, *marked]
    if excursions is not None:
        from pqcheck.judge.judge_events import judge_events

        findings += judge_events(tables, recording, site, on, excursions)
    remainders: dict[int, dict[str, Any]] = {}
    # Time bases end at nearly the same time: one line for each kind of period, the longest leftover.
    named: dict[str, tuple[int, str]] = {}
    for left in judged.remainders:
        start, end = iso(left.start_us, recording.zone), iso(left.end_us, recording.zone)
        remainders.setdefault(left.stream, {})[left.length] = {"start": start, "end": end, "intervals": left.intervals}
        line = f"{start} to {end} is no full {left.length} and was not judged on its own."
        named[left.length] = max(named.get(left.length, (0, "")), (left.end_us - left.start_us, line))
    lines = (line for _, line in named.values())
    contradictions = {doubt.text for doubt in judged.disagreements}
    remarks = sorted({*vetted[0].remarks, *contradictions, *lines, *summed_orders(tasks, site)})
    if contradictions or missing.left_alone or missing.beyond:
        # What contradicts itself, or was never looked at, is no clean recording.
        remarks = [line for line in remarks if not line.startswith(NOTHING_AGAINST)]
    unseen = ratings_unseen(vetted[0].findings, site)
    remarks[:0] = [line for line in (missing.sentence or missing.remark, missing.beyond, unseen) if line]
    return _JudgedOnce(findings, remarks, remainders, gatherer.finish() if gatherer is not None else None)


def _days(axis: Axis) -> int:
    return -(-axis.count * axis.interval_us // DAY)
