"""Findings as CSV: one row per finding, one per window; the column ``row`` says which."""

from __future__ import annotations

import csv
import io
from typing import Any

from pqcheck.findings import Findings, finding_as_document

_COLUMNS = (
    "row", "id", "kind", "table", "rule", "clause", "title", "quantity", "phase", "order", "verdict", "modifiers",
    "period_length", "period_start", "period_end", "statistic", "percent", "interval_s", "value", "unit",
    "limit_low", "limit_high", "margin", "margin_percent", "expected", "valid", "missing", "excluded", "outside",
    "allowed", "proven", "reason_code", "reason_text", "reason_advice", "without_corrections", "without_exclusions",
    "start", "end", "intervals", "worst", "worst_at", "file_rows", "fingerprint",
)  # fmt: skip


def as_csv(findings: Findings) -> str:
    """Comma-separated, one header line; a text that a spreadsheet would run as a formula gets an apostrophe."""
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for finding in findings.findings:
        one = finding_as_document(finding)
        part = {name: one[name] or {} for name in ("period", "statistic", "limit", "margin", "intervals", "reason")}
        base: dict[str, Any] = {name: one[name] for name in _COLUMNS if name in one and name not in part}
        base |= {
            "row": "finding", "modifiers": " ".join(one["modifiers"]),
            "period_length": part["period"].get("length"), "period_start": part["period"].get("start"),
            "period_end": part["period"].get("end"),
            "statistic": part["statistic"].get("kind"), "percent": part["statistic"].get("percent"),
            "interval_s": part["statistic"].get("interval_s"), "value": part["statistic"].get("value"),
            "unit": part["statistic"].get("unit"),
            "limit_low": part["limit"].get("low"), "limit_high": part["limit"].get("high"),
            "margin": part["margin"].get("value"), "margin_percent": part["margin"].get("percent_of_limit"),
            **{name: part["intervals"].get(name) for name in ("expected", "valid", "missing", "excluded", "outside")},
            "allowed": part["intervals"].get("allowed"),
            "reason_code": part["reason"].get("code"), "reason_text": part["reason"].get("text"),
            "reason_advice": part["reason"].get("advice"), "intervals": "",
        }  # fmt: skip
        writer.writerow({name: _safe(value) for name, value in base.items()})
        for window in one["windows"]:
            rows = "; ".join(f"{row['file']}:{row['first']}-{row['last']}" for row in window["rows"])
            line = {
                "row": "window", "id": one["id"], "start": window["start"], "end": window["end"],
                "intervals": window["intervals"], "worst": window["worst"], "worst_at": window["worst_at"],
                "file_rows": rows, "fingerprint": one["fingerprint"],
            }  # fmt: skip
            writer.writerow({name: _safe(value) for name, value in line.items()})
    return out.getvalue()


def _safe(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "@", "\t", "\r"):
        return "'" + value
    return value
