"""The findings file: the written form of `Findings` (docs/reference/findings-file.md)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pqcheck.findings import (
    FORMAT,
    Finding,
    Findings,
    Intervals,
    Limit,
    Margin,
    Period,
    Reason,
    Snapshot,
    Statistic,
    Verdict,
    Window,
)
from pqcheck.recording import RowSpan
from pqcheck.version import __version__

if TYPE_CHECKING:
    import pandas


def as_document(findings: Findings) -> dict[str, Any]:
    """The findings file as plain JSON types."""
    return {
        "format": FORMAT,
        "produced_by": {"name": "pqcheck", "version": __version__},
        "site": dict(findings.site),
        "recordings": [dict(one) for one in findings.recordings],
        "limit_tables": [dict(one) for one in findings.limit_tables],
        "verdict": findings.verdict.value,
        "counts": findings.counts,
        "findings": [finding_as_document(one) for one in findings.findings],
    }


def as_text(findings: Findings) -> str:
    """The findings file as text: keys sorted, one finding, recording and table a line."""
    from pqcheck.findings_text import as_pieces

    return "".join(as_pieces(findings))


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(kind.__struct_fields__)


def plain(value: Any) -> dict[str, Any] | None:
    """A part of a finding that holds nothing but texts and numbers."""
    return None if value is None else {name: getattr(value, name) for name in _names(value.__class__)}


def finding_as_document(finding: Finding) -> dict[str, Any]:
    """One finding as plain JSON types."""
    document = {
        "id": finding.id,
        "kind": finding.kind,
        "table": finding.table,
        "rule": finding.rule,
        "clause": finding.clause,
        "title": finding.title,
        "quantity": finding.quantity,
        "phase": finding.phase,
        "order": finding.order,
        "period": plain(finding.period),
        "verdict": finding.verdict.value,
        "modifiers": list(finding.modifiers),
        "reason": plain(finding.reason),
        "statistic": _statistic(finding.statistic),
        "limit": plain(finding.limit),
        "margin": plain(finding.margin),
        "intervals": plain(finding.intervals),
        "proven": finding.proven,
        "windows": [window_as_document(window) for window in finding.windows],
        "without_corrections": finding.without_corrections,
        "without_exclusions": finding.without_exclusions,
        "waiver": None if finding.waiver is None else dict(finding.waiver),
        "fingerprint": finding.fingerprint,
    }
    if finding.snapshot is not None:
        snapshot = finding.snapshot
        document["snapshot"] = {"operating_point": snapshot.operating_point, "rows": rows_as_documents(snapshot.rows)}
    return document


def rows_as_documents(spans: Sequence[RowSpan]) -> list[dict[str, Any]]:
    """Rows of files as plain JSON types."""
    return [{"file": span.file, "first": span.first, "last": span.last} for span in spans]


def whole(value: float | None) -> float | int | None:
    """Whole numbers without a point, as the contract writes them (95, 600)."""
    return int(value) if value is not None and value == int(value) else value


def _statistic(statistic: Statistic | None) -> dict[str, Any] | None:
    if statistic is None:
        return None
    return {
        "kind": statistic.kind,
        "percent": whole(statistic.percent),
        "interval_s": whole(statistic.interval_s),
        "value": statistic.value,
        "unit": statistic.unit,
    }


def window_as_document(window: Window) -> dict[str, Any]:
    """One window as plain JSON types."""
    return {
        "start": window.start,
        "end": window.end,
        "intervals": window.intervals,
        "worst": window.worst,
        "worst_at": window.worst_at,
        "rows": rows_as_documents(window.rows),
    }


def read_findings(path: str | Path) -> Findings:
    """The findings in a file. Raises `InputError` when it cannot be read or is of another format version."""
    from pqcheck.errors import InputError

    name = Path(path).name
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"the findings file {name!r} cannot be read: {reason}; check the path given") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{name}: not UTF-8 text, so no findings file; write one with check --json") from error
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name}: not JSON, so no findings file ({error}); write one with check --json") from error
    try:
        return from_document(document)
    except InputError as error:
        raise InputError(f"{name}: {error}") from error


def from_document(document: Mapping[str, Any]) -> Findings:
    """Findings from a findings file read as JSON.

    Raises `InputError` when the document is of another format version or does not hold together.
    """
    from pqcheck.errors import InputError

    if not isinstance(document, Mapping) or document.get("format") != FORMAT:
        found = document.get("format") if isinstance(document, Mapping) else None
        raise InputError(f"this is no findings file of format {FORMAT} (found {found!r}); write one with check --json")
    try:
        return Findings(
            findings=tuple(_finding(one) for one in document["findings"]),
            site=document["site"],
            recordings=tuple(document["recordings"]),
            limit_tables=tuple(document["limit_tables"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"the findings file does not hold together: {error!r}; write it again with check") from error


def _finding(one: Mapping[str, Any]) -> Finding:
    channel = str(one["id"]).split("@", 1)[0].split("/")[-1]
    windows = tuple(
        Window(
            window["start"],
            window["end"],
            window["intervals"],
            window["worst"],
            window["worst_at"],
            _spans(window["rows"]),
        )
        for window in one["windows"]
    )
    return Finding(
        kind=one["kind"],
        table=one["table"],
        rule=one["rule"],
        clause=one["clause"],
        title=one["title"],
        quantity=one["quantity"],
        phase=one["phase"],
        order=one["order"],
        verdict=Verdict(one["verdict"]),
        period=None if one["period"] is None else Period(**one["period"]),
        channel=channel,
        modifiers=tuple(one["modifiers"]),
        reason=None if one["reason"] is None else Reason(**one["reason"]),
        statistic=None if one["statistic"] is None else Statistic(**one["statistic"]),
        limit=None if one["limit"] is None else Limit(**one["limit"]),
        margin=None if one["margin"] is None else Margin(**one["margin"]),
        intervals=None if one["intervals"] is None else Intervals(**one["intervals"]),
        proven=one["proven"],
        windows=windows,
        without_corrections=one["without_corrections"],
        without_exclusions=one["without_exclusions"],
        waiver=one["waiver"],
        snapshot=_snapshot(one.get("snapshot")),
    )


def _snapshot(one: Mapping[str, Any] | None) -> Snapshot | None:
    if one is None:
        return None
    return Snapshot(one["operating_point"], _spans(one["rows"]))


def _spans(rows: Sequence[Mapping[str, Any]]) -> tuple[RowSpan, ...]:
    return tuple(RowSpan(row["file"], row["first"], row["last"]) for row in rows)


def as_frame(findings: Findings) -> pandas.DataFrame:
    """One row per finding, nested values flattened with an underscore; windows as their number."""
    import pandas

    rows = []
    for finding in findings.findings:
        flat: dict[str, Any] = {}
        for key, value in finding_as_document(finding).items():
            if key in ("period", "reason", "statistic", "limit", "margin", "intervals"):
                flat |= {f"{key}_{inner}": each for inner, each in (value or {}).items()}
            elif key == "windows":
                flat["windows"] = len(value)
            elif key == "snapshot":
                flat["operating_point"] = value["operating_point"]
            elif key == "modifiers":
                flat["modifiers"] = " ".join(value)
            else:
                flat[key] = value
        rows.append(flat)
    return pandas.DataFrame(rows)
