"""Many recordings, each judged by itself at the same site file, on all cores.

Findings files are written one by one as they are ready. A recording that cannot be read is a result of its own and not
the end of the run. Results do not depend on the number of processes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct

from pqcheck.io.source_files import printable_name
from pqcheck.io.write_files import refuse_inputs, write_pieces
from pqcheck.model.errors import OutputError, PqcheckError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.model.exit_status import exit_status as status_of
from pqcheck.model.findings import Findings
from pqcheck.model.findings_file import as_pieces
from pqcheck.model.verdict import Verdict, roll_up
from pqcheck.workflows.not_judged import not_judged
from pqcheck.workflows.processes import cores, spread


class Each(Struct, frozen=True):
    """What came of one recording: a verdict and a line, or why it could not be judged."""

    recording: str
    verdict: Verdict | None
    line: str
    findings_file: str | None

    @property
    def readable(self) -> bool:
        """Whether the recording could be judged at all."""
        return self.verdict is not None


class _Job(Struct, frozen=True):
    """What every recording is judged by."""

    site: Any
    tables: Sequence[Any]
    quantities: tuple[str, ...] | None
    folder: str | None


def check_each(
    recordings: Sequence[str | Path],
    site: Any,
    tables: Any = None,
    *,
    quantities: Iterable[str] | None = None,
    folder: str | Path | None = None,
    processes: int | None = None,
) -> Iterator[Each]:
    """Judge each recording by itself and yield results in the order of `recordings`.

    `folder` receives one findings file per recording, named after it. `processes` defaults to the cores at hand.
    Raises `PqcheckError` before the first recording when the site, a table or the folder is no good.
    """
    from pqcheck.workflows.inputs import as_site, as_tables, files_read

    if folder is not None:
        paths = [tables] if isinstance(tables, (str, Path)) else tables or ()
        read = files_read(
            recordings,
            [site] if isinstance(site, (str, Path)) else [],
            [str(path) for path in paths if isinstance(path, (str, Path))],
        )
        refuse_inputs([Path(folder) / target_name(recording) for recording in recordings], read)
    declared = as_site(site)
    chosen = as_tables(tables, declared)
    if folder is not None:
        _prepare(Path(folder), recordings)
    only = None if quantities is None else tuple(quantities)
    job = _Job(declared, chosen, only, None if folder is None else str(folder))
    return _run([str(recording) for recording in recordings], job, processes or cores())


def _prepare(folder: Path, recordings: Sequence[str | Path]) -> None:
    """The folder for findings files; two recordings of one name would overwrite each other."""
    twice = [name for name, count in Counter(target_name(recording) for recording in recordings).items() if count > 1]
    if twice:
        raise OutputError(
            f"two recordings would both be written to {twice[0]}; give them different names or check them apart"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot make the folder {folder}: {error.strerror}; choose another place") from error


def target_name(recording: str | Path) -> str:
    """Name of the findings file of a recording: its own name without the ending of a table."""
    name = Path(recording).name
    for ending in (".csv.gz", ".csv", ".parquet", ".gz"):
        if name.lower().endswith(ending):
            name = name[: -len(ending)]
            break
    return f"{name}.json"


def _run(recordings: list[str], job: _Job, processes: int) -> Iterator[Each]:
    from concurrent.futures.process import BrokenProcessPool

    try:
        yield from spread(_judge_file, job, recordings, processes)
    except BrokenProcessPool as error:
        raise OutputError(
            "a worker process was ended from outside, perhaps for want of memory; findings written so far are whole; "
            "run the rest again"
        ) from error


def _judge_file(job: _Job, recording: str) -> Each:
    from pqcheck.model.findings_words import answer, signs_text
    from pqcheck.workflows.check_recording import check

    try:
        findings = check([recording], job.site, job.tables, quantities=job.quantities)
    except PqcheckError as error:
        return _unreadable(recording, job, str(error))
    except OSError as error:
        return _unreadable(recording, job, f"{recording}: {error.strerror or error}; check the place and try again")
    signs, line = signs_text(findings), answer(findings)
    line = f"DANGER SIGN: {signs} seen, act on it first. {line}" if signs and line.startswith("FAIL") else line
    return Each(recording, findings.verdict, line, _write(recording, job, findings))


def _write(recording: str, job: _Job, findings: Findings) -> str | None:
    if job.folder is None:
        return None
    target = str(Path(job.folder) / target_name(recording))
    write_pieces(target, as_pieces(findings))
    return target


def _unreadable(recording: str, job: _Job, sentence: str) -> Each:
    """A recording that cannot be read has a findings file too, which says so and judges nothing."""
    finding = not_judged("unreadable", sentence, printable_name(recording))
    findings = Findings((finding,), site=job.site.declared)
    return Each(recording, None, sentence, _write(recording, job, findings))


def exit_status(results: Sequence[Each]) -> ExitStatus:
    """1 when any recording fails, else 3 when any is not shown or could not be read, else 0."""
    return status_of(roll_up(result.verdict or Verdict.REFUSED for result in results))
