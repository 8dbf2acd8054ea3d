"""Findings as a table of pandas whose columns and types do not depend on what the findings hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pqcheck.model.findings import Finding
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
    for name in _TIMES:
        times = pandas.to_datetime(pandas.Series(column(name), dtype="object"), utc=True)
        columns[name] = times.astype("datetime64[us, UTC]")
    columns["proven"] = pandas.Series(column("proven"), dtype="bool")
    columns["waiver"] = pandas.Series(column("waiver"), dtype="object")
    others = {name for row in rows for name in row} - columns.keys()
    columns |= {name: pandas.Series(column(name), dtype="object") for name in sorted(others)}
    return pandas.DataFrame(columns)
