"""The findings file, written and read back (docs/reference/findings-file.md).

It is a `Findings` with its structs as JSON objects, plus what follows from them: ids, fingerprints, verdict and counts.
``pqcheck/findings.schema.json`` describes it to others.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from json.encoder import JSONEncoder
from pathlib import Path
from typing import Any

from msgspec import ValidationError, convert, to_builtins

from pqcheck.model.errors import InputError
from pqcheck.model.findings import Finding, Findings, Number, StrictLimit
from pqcheck.model.small_files import parse_json, read_small
from pqcheck.version import __version__

FORMAT = "pqcheck-findings/1"

_NOT_HELD = {"id", "fingerprint"}
"""Keys of a finding in the file that follow from its fields; `channel`, the other way round, is part of the id."""
_KEYS = {*Finding.__struct_fields__, *_NOT_HELD} - {"channel", "snapshot", "cells", "uncertainty"}
_encode = JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False).encode


def finding_as_document(finding: Finding) -> dict[str, Any]:
    """One finding as plain JSON types, where a list may be a tuple."""
    document: dict[str, Any] = to_builtins(finding, enc_hook=_plain)
    del document["channel"]
    if finding.snapshot is None:
        del document["snapshot"]
    if not finding.cells:
        del document["cells"]
    if finding.uncertainty is None:
        del document["uncertainty"]
    if finding.statistic is not None:
        statistic = document["statistic"]
        statistic |= {name: _whole(statistic[name]) for name in ("percent", "interval_s")}
    return {"id": finding.id, **document, "fingerprint": finding.fingerprint}


def _plain(value: Any) -> dict[Any, Any] | list[Any]:
    """Sequences and mappings of our own: windows that are made only when they are read."""
    return dict(value) if isinstance(value, Mapping) else list(value)


def _whole(value: Number | None) -> Number | None:
    """95 rather than 95.0: shares and interval lengths are usually whole."""
    return int(value) if value is not None and float(value).is_integer() else value


def _rule_of(finding: Finding) -> str:
    return f"{finding.table}/{finding.rule}"


def _as_held(finding: Finding, strict: Collection[str]) -> Finding:
    """The finding with its windows as a tuple, and its limit as what the rule takes it for."""
    finding = finding.replaced(windows=tuple(finding.windows))
    limit = finding.limit
    if limit is None or _rule_of(finding) not in strict:
        return finding
    return finding.replaced(limit=StrictLimit(limit.low, limit.high, limit.unit))


def _around_findings(findings: Findings) -> dict[str, Any]:
    beside: dict[str, Any] = {"declared_away": dict(findings.declared_away)} if findings.declared_away else {}
    beside |= {} if findings.margin_percent is None else {"margin_percent": _whole(findings.margin_percent)}
    strict = {_rule_of(finding) for finding in findings.findings if isinstance(finding.limit, StrictLimit)}
    beside |= {"strict_rules": sorted(strict)} if strict else {}
    return beside | {
        "format": FORMAT,
        "produced_by": {"name": "pqcheck", "version": __version__},
        "site": dict(findings.site),
        "recordings": [dict(recording) for recording in findings.recordings],
        "limit_tables": [dict(table) for table in findings.limit_tables],
        "verdict": findings.verdict.value,
        "counts": findings.counts,
    }


def as_document(findings: Findings) -> dict[str, Any]:
    """The findings file as plain JSON types, where a list may be a tuple."""
    return _around_findings(findings) | {"findings": [finding_as_document(finding) for finding in findings.findings]}


def as_pieces(findings: Findings) -> Iterator[str]:
    """The text of the findings file, one finding, recording and table a line, piece by piece: that of a year is large.

    Raises `ValueError` for a number that is not finite: the file has no word for it.
    """
    values = _around_findings(findings)
    lines: dict[str, Iterable[Iterable[str]]] = {
        name: ([_encode(value)] for value in values[name]) for name in ("limit_tables", "recordings")
    }
    lines["findings"] = (_finding_pieces(finding) for finding in findings.findings)
    before = "{\n"
    for name in sorted({*values, *lines}):
        yield f'{before} "{name}": '
        yield from _one_a_line(lines[name]) if name in lines else [_encode(values[name])]
        before = ",\n"
    yield "\n}\n"


def _one_a_line(values: Iterable[Iterable[str]]) -> Iterator[str]:
    before = "[\n  "
    for pieces in values:
        yield before
        yield from pieces
        before = ",\n  "
    yield "[]" if before[0] == "[" else "\n ]"


def _finding_pieces(finding: Finding) -> Iterator[str]:
    if not finding.windows:
        yield _encode(finding_as_document(finding))
        return
    # A quotation mark inside a text is written with a backslash, so this is the key itself.
    around = _encode(finding_as_document(finding.replaced(windows=())))
    before, after = around.split('"windows": []')
    yield before + '"windows": '
    for number, window in enumerate(finding.windows):
        yield f"{', ' if number else '['}{_encode(to_builtins(window))}"
    yield "]" + after


def from_document(document: Any) -> Findings:
    """Findings from a findings file read as JSON.

    Raises `InputError` when the document is of another format version or does not hold together.
    """
    if not isinstance(document, Mapping) or document.get("format") != FORMAT:
        wrote = document.get("format") if isinstance(document, Mapping) else None
        raise InputError(f"this is no findings file of format {FORMAT} (found {wrote!r}); write one with check --json")
    try:
        findings = convert([_with_channel(finding) for finding in document["findings"]], list[Finding])
        return Findings(
            findings=tuple(_as_held(finding, document.get("strict_rules", ())) for finding in findings),
            site=document["site"],
            recordings=tuple(document["recordings"]),
            limit_tables=tuple(document["limit_tables"]),
            declared_away=dict(document.get("declared_away", {})),
            margin_percent=convert(document.get("margin_percent"), float | None),
        )
    except (KeyError, TypeError, ValueError, ValidationError) as error:
        raise InputError(f"the findings file does not hold together: {error!r}; write it again with check") from error


def _with_channel(finding: Mapping[str, Any]) -> dict[str, Any]:
    missing = _KEYS - finding.keys()
    if missing:
        raise KeyError(min(missing))
    return {**finding, "channel": str(finding["id"]).split("@", 1)[0].split("/")[-1]}


def flat(document: dict[str, Any]) -> dict[str, Any]:
    """One finding as the row of a table."""
    document |= {"windows": len(document["windows"]), "modifiers": " ".join(document["modifiers"])}
    if "snapshot" in document:
        document["operating_point"] = document.pop("snapshot")["operating_point"]
    document.pop("cells", None)
    flat: dict[str, Any] = {}
    for key, value in document.items():
        part = key in ("period", "reason", "statistic", "limit", "margin", "intervals", "uncertainty")
        flat |= {f"{key}_{inner}": each for inner, each in (value or {}).items()} if part else {key: value}
    return flat


def read_findings(path: str | Path) -> Findings:
    """The findings in a file. Raises `InputError` when it cannot be read or is of another format version."""
    name = Path(path).name
    try:
        text = read_small(path).decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"the findings file {name!r} cannot be read: {reason}; check the path given") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{name}: not UTF-8 text, so no findings file; write one with check --json") from error
    try:
        document = parse_json(text)
    except ValueError as error:
        raise InputError(f"{name}: not JSON, so no findings file ({error}); write one with check --json") from error
    try:
        return from_document(document)
    except InputError as error:
        raise InputError(f"{name}: {error}") from error
