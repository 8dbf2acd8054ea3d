"""From recordings, a site and limit tables to findings: wires the rooms together and decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from pqcheck import progress
from pqcheck.errors import InputError, SiteError, nearest
from pqcheck.findings import Finding, Findings, in_order
from pqcheck.limit_tables import LimitTable, load_table
from pqcheck.quantities import QUANTITIES
from pqcheck.recording import DAY, Axis, Block, ColumnReading, Recording
from pqcheck.site.model import Site

if TYPE_CHECKING:
    from pqcheck.judging.tasks import Task
    from pqcheck.observing.gather import Gathered, Gatherer

Recordings = Recording | str | Path | Sequence[str | Path] | Mapping[str, Any] | Any
"""Files, a `Recording`, a mapping of headers to arrays, or a pandas table (`Any`, so that pandas is not needed)."""

Sites = Site | str | Path | Mapping[str, Any]
Tables = LimitTable | str | Path | Sequence[LimitTable | str | Path]


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
    return _checked(recordings, site, tables, quantities, as_of, None)


def check_and_gather(
    recordings: Recordings,
    site: Sites,
    tables: Tables | None = None,
    *,
    quantities: Iterable[str] | None = None,
    as_of: date | None = None,
) -> tuple[Findings, Gathered | None]:
    """`check`, and in the same pass what a report draws on; None for spectra, which have no course over time."""
    watch = _Watch()
    findings = _checked(recordings, site, tables, quantities, as_of, watch)
    return findings, watch.gatherer.finish() if watch.gatherer is not None else None


class _Watch:
    """Opens a gatherer for the first pass only: later ones ask what the verdict would be without corrections."""

    def __init__(self) -> None:
        self.gatherer: Gatherer | None = None

    def open(self, recording: Recording, tasks: Sequence[Task]) -> Callable[[int, Block], None] | None:
        from pqcheck.observing.asked import asked_by_tasks
        from pqcheck.observing.gather import Gatherer

        if self.gatherer is not None:
            return None
        self.gatherer = Gatherer(recording, asked_by_tasks(tasks))
        return self.gatherer.feed


def _checked(
    recordings: Recordings,
    site: Sites,
    tables: Tables | None,
    quantities: Iterable[str] | None,
    as_of: date | None,
    watch: _Watch | None,
) -> Findings:
    from pqcheck.pipeline_scenario import as_internal, check_spectra, spectra_in
    from pqcheck.site.scenario import judged_site

    declared = as_site(site)
    chosen = as_tables(tables if tables is not None else list(declared.apply))
    only = _known_quantities(quantities if quantities is not None else declared.quantities)
    spectra = spectra_in(recordings, declared)
    if spectra is not None:
        return check_spectra(spectra, declared, chosen, only, as_of, _left_out(chosen, only))
    from pqcheck.judging.spans import row_remarks

    declared = judged_site(declared)
    recording = corrected = as_recording(recordings, declared)
    _check_declared(declared, recording)
    if declared.corrections:
        from pqcheck.deriving.corrections import corrected_recording

        corrected = corrected_recording(recording, declared.corrections)
    findings, remarks, remainders = _once(corrected, declared, chosen, only, as_of, watch)
    if declared.corrections or declared.exclusions:
        from pqcheck.pipeline_beside import beside

        if declared.corrections:
            plain, _, _ = _once(recording, replace(declared, corrections=()), chosen, only, as_of)
            findings = beside(findings, plain, "without_corrections")
        if declared.exclusions:
            plain, _, _ = _once(corrected, replace(declared, exclusions=()), chosen, only, as_of)
            findings = beside(findings, plain, "without_exclusions")
    if any(table.load_rules for table in chosen) and (not only or "current" in only):
        from pqcheck.loads.existing_load import existing_load_findings

        findings += existing_load_findings(chosen, corrected, declared, findings)
    remarks += [*row_remarks(chosen, declared), *_left_out(chosen, only)]
    result = Findings(
        findings=in_order(findings),
        site=declared.declared,
        recordings=tuple(recording_entry(recording, number, remainders) for number in range(len(recording.files))),
        limit_tables=tuple({"id": one.id, "edition": one.edition, "sha256": one.sha256} for one in chosen),
        remarks=tuple(remarks),
    )
    return as_internal(result, declared)


def _left_out(tables: Sequence[LimitTable], only: Sequence[str]) -> list[str]:
    left_out = sorted({rule.quantity for table in tables for rule in table.rules} - set(only)) if only else []
    return [f"Left out by the choice of quantities: {', '.join(left_out)}."] if left_out else []


def as_site(site: Sites) -> Site:
    """A `Site` from whatever declares one."""
    if isinstance(site, Site):
        return site
    from pqcheck.site.load import load_site, site_from

    if isinstance(site, Mapping):
        return site_from(site, "site")
    return load_site(site)


def as_tables(tables: Tables) -> list[LimitTable]:
    """Loaded tables, each once, in the order asked."""
    if isinstance(tables, (LimitTable, str, Path)):
        tables = [tables]
    found: dict[str, LimitTable] = {}
    for one in tables:
        table = one if isinstance(one, LimitTable) else load_table(str(one))
        found.setdefault(table.id, table)
    if not found:
        raise SiteError("no limit table was asked for; name one with --limits or under [limits] apply in the site file")
    return list(found.values())


def as_recording(recordings: Recordings, site: Site) -> Recording:
    """A `Recording` from files, from arrays or a pandas table in memory, or as it is."""
    if isinstance(recordings, Recording):
        return recordings
    if isinstance(recordings, Mapping) or hasattr(recordings, "columns"):
        return _in_memory(recordings, site)
    from pqcheck.readers import read

    paths = [recordings] if isinstance(recordings, (str, Path)) else list(recordings)
    if not paths:
        raise InputError("no recording was given; name at least one file")
    return read(paths, site)


def _in_memory(table: Any, site: Site) -> Recording:
    """Columns by header, stamps in `time` (a pandas table may have them as its index)."""
    from pqcheck.readers.arrays import from_arrays, from_frame

    reading = site.recording
    stamp, columns, interval_us = reading.stamp or "start", reading.columns, reading.interval_us
    if not isinstance(table, Mapping):
        return from_frame(
            table, zone=site.time_zone, stamp=stamp, name="table", interval_us=interval_us, columns=columns
        )
    if "time" not in table:
        raise InputError("the mapping holds no 'time'; give stamps under 'time', or harmonic orders under 'order'")
    values = {str(name): column for name, column in table.items() if name != "time"}
    return from_arrays(
        table["time"], values, zone=site.time_zone, stamp=stamp, name="table", interval_us=interval_us, columns=columns
    )


def _known_quantities(names: Iterable[str]) -> tuple[str, ...]:
    chosen = tuple(names)
    for name in chosen:
        if name not in QUANTITIES:
            raise SiteError(f"unknown quantity {name!r}{nearest(name, QUANTITIES)}")
    return chosen


def _check_declared(site: Site, recording: Recording) -> None:
    spans = [(stream.axis.start_us, stream.axis.end_us) for stream in recording.streams]
    for one in site.exclusions:
        if not any(one.from_us < end and one.to_us > start for start, end in spans):
            raise SiteError(
                f"the exclusion {one.reason!r} lies outside the recording; correct its times in [[exclusions]]"
            )


def _once(
    recording: Recording, site: Site, tables: Sequence[LimitTable], only: Sequence[str], as_of: date | None,
    watch: _Watch | None = None,
) -> tuple[list[Finding], list[str], Mapping[int, Mapping[str, Any]]]:
    from pqcheck.clock import iso, to_local
    from pqcheck.judging.judge import judge
    from pqcheck.judging.resolve import resolve
    from pqcheck.vetting import Vetting

    on = as_of
    if on is None and recording.streams:
        # Without a date to count, the table must have been in force when the recording began.
        on = to_local(min(stream.axis.start_us for stream in recording.streams), recording.zone).date()
    tasks, settled = resolve(tables, recording, site, only, on)
    vetting = Vetting(recording, site)
    vetted: list[Any] = []

    def trust() -> Any:
        vetted.append(vetting.finish())
        return vetted[0].trust

    also = watch.open(recording, tasks) if watch is not None else None

    progress.expect(sum(_days(stream.axis) for stream in recording.streams))

    def observe(number: int, block: Block) -> None:
        progress.step(_days(block.axis))
        vetting.feed(number, block)
        if also is not None:
            also(number, block)

    judged = judge(tasks, settled, recording, site, observe=observe, trust=trust)
    remarks = list(vetted[0].remarks)
    remainders: dict[int, dict[str, Any]] = {}
    # Time bases end at nearly the same time: one line for each kind of period, the longest leftover.
    named: dict[str, tuple[int, str]] = {}
    for left in judged.remainders:
        start, end = iso(left.start_us, recording.zone), iso(left.end_us, recording.zone)
        remainders.setdefault(left.stream, {})[left.length] = {"start": start, "end": end, "intervals": left.intervals}
        line = f"{start} to {end} is no full {left.length} and was not judged on its own."
        named[left.length] = max(named.get(left.length, (0, "")), (left.end_us - left.start_us, line))
    remarks += [line for _, line in named.values()]
    findings = [*vetted[0].findings, *judged.findings]
    if not only and any(table.event_rules for table in tables):
        from pqcheck.judging.events import judge_events

        findings += judge_events(tables, recording, site, on)
    return findings, sorted(set(remarks)), remainders


def _days(axis: Axis) -> int:
    return -(-axis.count * axis.interval_us // DAY)


def recording_entry(recording: Recording, number: int, remainders: Mapping[int, Mapping[str, Any]]) -> dict[str, Any]:
    """One file as the findings file names it; `remainders` are what was left over, by stream."""
    from pqcheck.clock import iso

    file = recording.files[number]
    left = {
        length: entry
        for stream, lengths in sorted(remainders.items())
        if recording.streams[stream].axis.interval_us == file.interval_us
        for length, entry in lengths.items()
    }
    return {
        "file": file.name,
        "sha256": file.sha256,
        "rows": file.rows,
        "interval_s": _seconds(file.interval_us),
        "start": iso(file.start_us, recording.zone),
        "end": iso(file.end_us, recording.zone),
        "remainder": left or None,
        "columns": _columns(file.columns),
    }


@lru_cache(maxsize=8)
def _columns(columns: tuple[ColumnReading, ...]) -> list[dict[str, str | None]]:
    """The columns of one file; the files of a year have the same ones, which are held once."""
    return [
        {
            "column": column.column,
            "channel": None if column.channel is None else column.channel.name,
            "unit": None if column.channel is None else column.channel.unit,
            "read_as": column.read_as,
        }
        for column in columns
    ]


def _seconds(interval_us: int | None) -> float | int | None:
    if interval_us is None:
        return None
    return interval_us // 1_000_000 if interval_us % 1_000_000 == 0 else interval_us / 1_000_000
