"""The schema of the store: findings as rows of a Parquet file (docs/method/fleet.md describes every column)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pqcheck.model.findings import Finding, Window

if TYPE_CHECKING:
    import pyarrow

TEXTS = ("site", "feeder", "transformer", "recording", "kind", "table", "rule", "clause", "title", "quantity", "phase")
_AFTER_ORDER = ("period_length", "period_start", "period_end", "verdict", "reason", "reason_text", "modifiers",
                "statistic", "percent", "interval_s", "value", "unit", "low", "high", "margin_percent", "expected",
                "valid", "missing", "excluded", "outside", "below", "allowed", "worst", "worst_at", "proven", "id",
                "fingerprint")  # fmt: skip
COLUMNS = (*TEXTS, "order", *_AFTER_ORDER)

_COUNTS = {"order", "expected", "valid", "missing", "excluded", "outside", "below", "allowed"}
_NUMBERS = {"percent", "interval_s", "value", "low", "high", "margin_percent", "worst"}
_TIMES = {"period_start", "period_end", "worst_at"}


def schema() -> pyarrow.Schema:
    """Names and types of the columns: the same in every file, whatever it holds."""
    import pyarrow

    def kind(name: str) -> Any:
        if name in _COUNTS:
            return pyarrow.int64()
        if name in _NUMBERS:
            return pyarrow.float64()
        if name in _TIMES:
            return pyarrow.timestamp("us", tz="UTC")
        return pyarrow.bool_() if name == "proven" else pyarrow.string()

    return pyarrow.schema([(name, kind(name)) for name in COLUMNS])


def as_parquet(findings: Iterable[Finding], about: Mapping[str, str | None], notes: Mapping[bytes, bytes]) -> bytes:
    """A Parquet file of the findings; `about` fills the columns of the site, `notes` stand in the footer."""
    import pyarrow
    import pyarrow.parquet

    rows = [{**about, **_row(finding)} for finding in findings]
    table = pyarrow.Table.from_pylist(rows, schema=schema().with_metadata(dict(notes)))
    target = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(table, target, compression="zstd")
    return bytes(target.getvalue())


def _row(finding: Finding) -> dict[str, Any]:
    row: dict[str, Any] = {
        "kind": finding.kind, "table": finding.table, "rule": finding.rule, "clause": finding.clause,
        "title": finding.title, "quantity": finding.quantity, "phase": finding.phase, "order": finding.order,
        "verdict": finding.verdict.value, "modifiers": " ".join(finding.modifiers), "proven": finding.proven,
        "id": finding.id, "fingerprint": finding.fingerprint,
    }  # fmt: skip
    if finding.period is not None:
        row |= {
            "period_length": finding.period.length,
            "period_start": datetime.fromisoformat(finding.period.start),
            "period_end": datetime.fromisoformat(finding.period.end),
        }
    if finding.reason is not None:
        row |= {"reason": finding.reason.code, "reason_text": finding.reason.text}
    if finding.statistic is not None:
        read = finding.statistic
        row |= {"statistic": read.kind, "percent": read.percent, "interval_s": read.interval_s, "value": read.value,
                "unit": read.unit}  # fmt: skip
    if finding.limit is not None:
        row |= {"low": finding.limit.low, "high": finding.limit.high}
    if finding.margin is not None:
        row["margin_percent"] = finding.margin.percent_of_limit
    if finding.intervals is not None:
        count = finding.intervals
        row |= {"expected": count.expected, "valid": count.valid, "missing": count.missing,
                "excluded": count.excluded, "outside": count.outside, "below": _below(finding),
                "allowed": count.allowed}  # fmt: skip
    worst = _worst(finding)
    if worst is not None:
        row |= {"worst": worst.worst, "worst_at": datetime.fromisoformat(worst.worst_at)}
    return row


def _below(finding: Finding) -> int | None:
    """Of the intervals outside, those below the band; None where the finding does not tell."""
    if finding.intervals is None or finding.limit is None:
        return None
    if finding.intervals.outside == 0 or finding.limit.low is None:
        return 0
    if finding.limit.high is None:
        return finding.intervals.outside
    below: int | None = getattr(finding.windows, "below", None)
    return below


def _worst(finding: Finding) -> Window | None:
    """The window with the reading farthest outside the limit; the first of equals."""
    windows: Sequence[Window] = finding.windows
    limit = finding.limit
    if not len(windows) or limit is None:
        return None

    def beyond(reading: float) -> float:
        below = limit.low - reading if limit.low is not None else float("-inf")
        above = reading - limit.high if limit.high is not None else float("-inf")
        return max(below, above)

    farthest = getattr(windows, "farthest", None)
    if farthest is not None:
        # Windows that are made only when they are read.
        window: Window = farthest(beyond, len(windows))
        return window
    return max(windows, key=lambda each: beyond(each.worst))
