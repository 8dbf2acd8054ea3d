"""Annotations that a code host shows at the lines of a merge request: command lines, or a list of JSON entries."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence

from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict
from pqcheck.reports.point_results import (
    OPEN,
    RED_FIRST,
    PointResult,
    body,
    cells_of,
    declared_by_sites,
    folded,
    is_known,
    place_of,
)
from pqcheck.reports.source_location import location
from pqcheck.workflows.run_gate import GateResult

MOST_COMMANDS = 50


def command_lines(gated: GateResult, files: Sequence[str]) -> str:
    """Lines of the form ``::error file=spectrum.csv,line=8,title=...::text``, as one host reads them from a log.

    A fail is an error, what was not judged a warning, what is waived or known a notice. `files` are paths as given on
    the command line; the host is given those in the repository. Worst first, capped.
    """
    lines = []
    for level, finding, channels, cell in _entries(gated):
        path, row = location(finding, files)
        where = f"file={_property(path)},line={row}," if path else ""
        title = _property(place_of(finding, channels))
        lines.append(f"::{level} {where}title={title}::{_data(f'{cell.name}: {body(cell, finding, channels)}')}")
    if len(lines) > MOST_COMMANDS:
        lines[MOST_COMMANDS:] = [f"::notice title=pqcheck::{len(lines) - MOST_COMMANDS} more findings"]
    lines += [f"::notice title=declared by the site file::{_data(line)}" for line in _declared(gated)]
    return "".join(line + "\n" for line in lines)


def entry_list(gated: GateResult, files: Sequence[str]) -> str:
    """A JSON list with one entry a line: description, check_name, fingerprint, severity, location.

    That is the form in which another host reads code quality reports. The fingerprint is the same from run to run.
    """
    severity = {"error": "major", "warning": "minor", "notice": "info"}
    entries = []
    for level, finding, channels, cell in _entries(gated):
        path, row = location(finding, files)
        mark = "/".join((finding.fingerprint, *channels, cell.name, finding.id))
        entry: Mapping[str, object] = {
            "description": f"{place_of(finding, channels)} [{cell.name}]: {body(cell, finding, channels)}",
            "check_name": f"{finding.table}/{finding.rule}",
            "fingerprint": hashlib.sha256(mark.encode()).hexdigest()[:32],
            "severity": "blocker" if finding.kind == "safety" else severity[level],
            "location": {"path": path or "pqcheck", "lines": {"begin": row}},
        }
        entries.append(json.dumps(entry, sort_keys=True, ensure_ascii=False))
    for line in _declared(gated):
        entry = {
            "description": f"Declared by the site file: {line}", "check_name": "declared", "severity": "info",
            "fingerprint": hashlib.sha256(line.encode()).hexdigest()[:32],
            "location": {"path": "pqcheck", "lines": {"begin": 1}},
        }  # fmt: skip
        entries.append(json.dumps(entry, sort_keys=True, ensure_ascii=False))
    return "[\n" + ",\n".join(entries) + ("\n" if entries else "") + "]\n"


def _declared(gated: GateResult) -> list[str]:
    return [line.strip("- ") for line in declared_by_sites(gated)]


def _entries(gated: GateResult) -> Iterator[tuple[str, Finding, tuple[str, ...], PointResult]]:
    cells = cells_of(gated)
    for verdicts in RED_FIRST:
        for cell in cells:
            for finding, channels in folded(cell, cell.with_verdict(*verdicts)):
                level = "warning" if verdicts == OPEN else "notice" if verdicts == (Verdict.WAIVED,) else "error"
                if level == "error" and gated.fail_on == "new" and is_known(cell, finding):
                    level = "notice"
                yield level, finding, channels, cell


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")
