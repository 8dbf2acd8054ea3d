"""One task, wherever it runs: read the row's recordings, judge them as `check` does, hand back files of findings.

Nothing here knows of other sites or of the store. Same inputs give the same bytes.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.fleet.recording_places import NoRecording, at_hand, name_of
from pqcheck.fleet.row_facts import FACTS, declared_site, validity
from pqcheck.fleet.tasks_of_registry import Task
from pqcheck.model.errors import PqcheckError
from pqcheck.model.findings import Findings
from pqcheck.model.recording import Axis
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import load_site
from pqcheck.site.site_values import Site

FORMAT = "pqcheck-fleet/1"
NOTES = b"pqcheck"
"""Where in the footer of a result file its notes stand."""


class Question(Struct, frozen=True):
    """What all sites are asked: limit tables by id or path (None: those of each row or site), and quantities."""

    tables: tuple[str, ...] | None = None
    quantities: tuple[str, ...] | None = None


class Notes(Struct, frozen=True):
    """What a result file says about itself: from what it came, and what came of it.

    `made_of` holds a checksum each of the recording, of what is declared, and of the tables and the program. `others`
    are sites whose recordings have the same bytes. `verdict` is that of the site and period.
    """

    site: str
    recording: str
    made_of: Mapping[str, str]
    files: tuple[str, ...]
    verdict: str
    danger: bool = False
    code: str | None = None
    others: tuple[str, ...] = ()
    format: str = FORMAT


class Outcome(Struct, frozen=True):
    """What came of a task: its notes and the bytes of both files, or no bytes when the stored ones still hold."""

    task: Task
    notes: Notes
    table: bytes | None
    document: bytes | None


def judge_site(question: Question, asked: tuple[Task, Notes | None]) -> Outcome:
    """Judge one task unless `asked` comes with the notes of a result that still holds. Never raises for a bad input."""
    task, stored = asked
    if task.refused is not None:
        return refused(task, *task.refused)
    try:
        with at_hand(task.places) as paths:
            return _judge(question, task, paths, stored)
    except NoRecording as error:
        return refused(task, "no-recording", str(error))
    except PqcheckError as error:
        return refused(task, "unreadable", str(error))
    except OSError as error:
        return refused(task, "unreadable", f"{name_of(task.places[0])} cannot be read: {error.strerror or error}")
    except MemoryError:
        return refused(task, "unreadable", f"not enough memory to judge {name_of(task.places[0])}")
    except Exception as error:
        # Whatever it is, the other sites are still judged.
        return refused(task, "unreadable", f"an error of pqcheck itself ({type(error).__name__}: {error}); report it")


def _judge(question: Question, task: Task, paths: Sequence[str], stored: Notes | None) -> Outcome:
    from pqcheck.workflows.check_recording import check
    from pqcheck.workflows.inputs import as_tables, table_entries

    files = tuple(_checksum(path) for path in paths)
    site = _site(task)
    tables = as_tables(_loaded(_tables_asked(question, task) or site.apply), site)
    span = validity(task.cells, site, task.source)
    about = {key: task.cells.get(key) for key in ("feeder", "transformer", "valid_from", "valid_to")}
    made_of = {
        "recording": _digest([[name_of(place) for place in task.places], files, _mappings(paths)]),
        "declared": _digest([site.declared, about, task.recording]),
        "rules": _digest([FORMAT, _version(), table_entries(tables), question.quantities]),
    }
    if stored is not None and stored.made_of == made_of and (stored.code is None or stored.code == "doubled"):
        return Outcome(task, stored, None, None)
    given: Any = paths if span == (None, None) else _within(paths, site, span)
    findings = check(given, site, tables, quantities=question.quantities)
    danger = any(finding.kind == "safety" for finding in findings.findings)
    notes = Notes(task.site, task.recording, made_of, files, findings.verdict.value, danger)
    return as_outcome(task, notes, findings)


def _tables_asked(question: Question, task: Task) -> tuple[str, ...]:
    """Tables of the row before those of the command line; none stands for those of the site file."""
    own = task.cells.get("limits", "").replace(",", " ").split()
    if own:
        return tuple(os.path.join(task.folder, name) if name.endswith(".json") else name for name in own)
    return question.tables or ()


@lru_cache(maxsize=16)
def _loaded(names: tuple[str, ...]) -> tuple[Any, ...]:
    """The tables of many sites are the same ones, which are then read once."""
    from pqcheck.limit_tables import load_table

    return tuple(load_table(name) for name in names)


def _site(task: Task) -> Site:
    facts = task.cells.keys() & FACTS.keys() - {"name"}
    if "declared" in task.cells and not facts:
        return _site_file(os.path.join(task.folder, task.cells["declared"]))
    return declared_site(task.cells, Path(task.folder), task.source)


@lru_cache(maxsize=16)
def _site_file(path: str) -> Site:
    """Rows of many sites may name one site file, which is then read once."""
    return load_site(path)


def _within(paths: Sequence[str], site: Site, span: tuple[int | None, int | None]) -> Any:
    """The part of the recording that lies in the span of the row; `paths` themselves when that is all of it."""
    from pqcheck.derive.corrections import corrected_recording
    from pqcheck.io import read
    from pqcheck.model.clock import iso
    from pqcheck.site.scenario import judged_site
    from pqcheck.site.site_values import Correction

    start, end = span
    recording = read(paths, judged_site(site))
    spans = [(stream.axis.start_us, stream.axis.end_us) for stream in recording.streams]
    spans += [(event.time_us, event.end_us) for event in recording.events]
    first, last = min(begin for begin, _ in spans), max(until for _, until in spans)
    if (start is None or start <= first) and (end is None or last <= end):
        return recording
    inside = tuple(stream for stream in recording.streams if _intervals_within(stream.axis, start, end) > 0)
    event_inside = any(
        (start is None or event.end_us > start) and (end is None or event.time_us < end) for event in recording.events
    )
    if not inside and not event_inside:
        raise NoRecording(
            f"the recording runs from {iso(first, recording.zone)} to {iso(last, recording.zone)}; no interval of it "
            "lies in the span for which the registry row holds"
        )
    kept = Correction("trim", "validity of the registry row", "registry", {"from_us": start, "to_us": end})
    # What lies outside belongs to another row of the registry, which says what is dangerous there.
    return replace(corrected_recording(replace(recording, streams=inside), (kept,)), left_out=recording.left_out)


def _intervals_within(axis: Axis, start: int | None, end: int | None) -> int:
    """Whole intervals of a time base inside a span."""
    first = 0 if start is None else max(0, -(-(start - axis.start_us) // axis.interval_us))
    last = axis.count if end is None else min(axis.count, (end - axis.start_us) // axis.interval_us)
    return last - first


def _checksum(path: str) -> str:
    from pqcheck.io.source_files import open_source, sha256_of

    return sha256_of(open_source(Path(path)).path)


def _mappings(paths: Sequence[str]) -> list[str]:
    """Checksums of the mappings of columns that lie beside the recordings."""
    from pqcheck.io.sidecar import ENDING
    from pqcheck.model.small_files import read_small

    found = []
    for path in paths:
        with contextlib.suppress(FileNotFoundError):
            found.append(hashlib.sha256(read_small(f"{path}{ENDING}")).hexdigest())
    return found


def _digest(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def _version() -> str:
    from pqcheck.version import __version__

    return __version__


def refused(
    task: Task, code: str, sentence: str, *, made_of: Mapping[str, str] | None = None, files: tuple[str, ...] = (),
    others: tuple[str, ...] = (),
) -> Outcome:  # fmt: skip
    """A site that cannot be judged: a finding that says why, and nothing else."""
    from pqcheck.workflows.not_judged import not_judged

    for place in task.places:
        # Folders differ from machine to machine.
        sentence = sentence.replace(place, name_of(place))
    sentence = sentence.replace(task.folder + os.sep, "")
    finding = not_judged(code, sentence, ", ".join(name_of(place) for place in task.places) or task.site)
    made_of = made_of or {"refused": _digest([code, sentence, dict(task.cells), task.recording])}
    notes = Notes(task.site, task.recording, made_of, files, Verdict.REFUSED.value, code=code, others=others)
    return as_outcome(task, notes, Findings((finding,), site={"name": task.cells.get("name", task.site)}))


def as_outcome(task: Task, notes: Notes, findings: Findings) -> Outcome:
    """The bytes of both files of a result: rows of findings, and the findings file, packed without a clock time."""
    import msgspec

    from pqcheck.fleet.findings_table import as_parquet
    from pqcheck.model.findings_file import as_pieces

    about: dict[str, str | None] = {"site": task.site, "recording": task.recording}
    about |= {key: task.cells.get(key) for key in ("feeder", "transformer")}
    table = as_parquet(findings.findings, about, {NOTES: msgspec.json.encode(notes, order="sorted")})
    document = gzip.compress("".join(as_pieces(findings)).encode("utf-8"), 6, mtime=0)
    return Outcome(task, notes, table, document)
