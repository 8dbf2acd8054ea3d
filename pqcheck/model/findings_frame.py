"""Findings as a table of pandas whose columns and types do not depend on what the findings hold."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from pqcheck.model.findings import Finding, Window
from pqcheck.model.findings_file import finding_as_document, flat

if TYPE_CHECKING:
    import pandas

_COUNTS = ("order", "windows", "intervals_expected", "intervals_valid", "intervals_missing", "intervals_excluded",
           "intervals_outside", "intervals_allowed")  # fmt: skip
_NUMBERS = ("statistic_percent", "statistic_interval_s", "statistic_value", "limit_low", "limit_high", "margin_value",
            "margin_percent_of_limit")  # fmt: skip
_TIMES = ("period_start", "period_end")
_TEXTS = ("id", "kind", "table", "rule", "clause", "title", "quantity", "phase", "verdict", "modifiers",
          "period_length", "operating_point", "reason_code", "reason_text", "reason_advice", "statistic_kind",
          "statistic_unit", "limit_unit", "margin_unit", "without_corrections", "without_exclusions",
          "fingerprint")  # fmt: skip


def frame_of(findings: Sequence[Finding]) -> pandas.DataFrame:
    """One row per finding; every column is there, also where no finding fills it."""
    import pandas

    rows = [flat(finding_as_document(finding)) for finding in findings]

    def column(name: str) -> list[object]:
        return [row.get(name) for row in rows]

    types = dict.fromkeys(_TEXTS, "string") | dict.fromkeys(_COUNTS, "Int64") | dict.fromkeys(_NUMBERS, "float64")
    columns = {name: pandas.Series(column(name), dtype=kind) for name, kind in types.items()}
    columns |= {name: _times(column(name)) for name in _TIMES}
    columns["proven"] = pandas.Series(column("proven"), dtype="bool")
    columns["waiver"] = pandas.Series(column("waiver"), dtype="object")
    others = {name for row in rows for name in row} - columns.keys()
    columns |= {name: pandas.Series(column(name), dtype="object") for name in sorted(others)}
    return pandas.DataFrame(columns)


def windows_frame_of(findings: Sequence[Finding]) -> pandas.DataFrame:
    """One row per window of the findings, in their order."""
    import pandas

    windows = [(finding, window) for finding in findings for window in finding.windows]

    def texts(values: Iterable[str | None]) -> pandas.Series:
        return pandas.Series(list(values), dtype="string")

    def places(window: Window) -> str:
        return "; ".join(f"{row.file}:{row.first}-{row.last}" for row in window.rows)

    units = (finding.statistic.unit if finding.statistic is not None else None for finding, _ in windows)
    return pandas.DataFrame({
        "id": texts(finding.id for finding, _ in windows),
        "table": texts(finding.table for finding, _ in windows),
        "rule": texts(finding.rule for finding, _ in windows),
        "quantity": texts(finding.quantity for finding, _ in windows),
        "phase": texts(finding.phase for finding, _ in windows),
        "order": pandas.Series([finding.order for finding, _ in windows], dtype="Int64"),
        "verdict": texts(finding.verdict.value for finding, _ in windows),
        "start": _times([window.start for _, window in windows]),
        "end": _times([window.end for _, window in windows]),
        "intervals": pandas.Series([window.intervals for _, window in windows], dtype="Int64"),
        "worst": pandas.Series([window.worst for _, window in windows], dtype="float64"),
        "unit": texts(units),
        "worst_at": _times([window.worst_at for _, window in windows]),
        "rows": texts(places(window) for _, window in windows),
    })


def _times(stamps: Sequence[object]) -> pandas.Series:
    import pandas

    times = pandas.to_datetime(pandas.Series(list(stamps), dtype="object"), utc=True)
    return times.astype("datetime64[us, UTC]")
