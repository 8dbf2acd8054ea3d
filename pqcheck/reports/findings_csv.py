"""Findings as CSV: one row per finding, one per window; the column ``row`` says which."""

from __future__ import annotations

import csv
import io
from typing import Any

from pqcheck.model.findings import Findings
from pqcheck.model.findings_file import finding_as_document

_COLUMNS = (
    "row", "id", "kind", "table", "rule", "clause", "title", "quantity", "phase", "order", "verdict", "modifiers",
    "period_length", "period_start", "period_end", "statistic", "percent", "interval_s", "value", "unit",
    "limit_low", "limit_high", "margin", "margin_percent", "expected", "valid", "missing", "excluded", "outside",
    "allowed", "proven", "reason_code", "reason_text", "reason_advice", "without_corrections", "without_exclusions",
    "start", "end", "intervals", "worst", "worst_at", "file_rows", "fingerprint",
)  # fmt: skip


_PARTS = {
    "period": {"length": "period_length", "start": "period_start", "end": "period_end"},
    "statistic": {"kind": "statistic", "percent": "percent", "interval_s": "interval_s", "value": "value",
                  "unit": "unit"},
    "limit": {"low": "limit_low", "high": "limit_high"},
    "margin": {"value": "margin", "percent_of_limit": "margin_percent"},
    "intervals": {name: name for name in ("expected", "valid", "missing", "excluded", "outside", "allowed")},
    "reason": {"code": "reason_code", "text": "reason_text", "advice": "reason_advice"},
}  # fmt: skip
"""The column of every member of the parts of a finding."""


def as_csv(findings: Findings) -> str:
    """Comma-separated, one header line; a text that a spreadsheet would run as a formula gets an apostrophe."""
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for finding in findings.findings:
        document = finding_as_document(finding)
        line: dict[str, Any] = {name: document[name] for name in _COLUMNS if name in document and name not in _PARTS}
        for part, columns in _PARTS.items():
            line |= {column: (document[part] or {}).get(name) for name, column in columns.items()}
        line |= {"row": "finding", "modifiers": " ".join(document["modifiers"])}
        writer.writerow({name: _safe(value) for name, value in line.items()})
        for window in document["windows"]:
            rows = "; ".join(f"{row['file']}:{row['first']}-{row['last']}" for row in window["rows"])
            line = {name: window[name] for name in ("start", "end", "intervals", "worst", "worst_at")}
            line |= {"row": "window", "id": document["id"], "file_rows": rows, "fingerprint": document["fingerprint"]}
            writer.writerow({name: _safe(value) for name, value in line.items()})
    return out.getvalue()


def _safe(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "@", "\t", "\r"):
        return "'" + value
    return value
