"""Findings as a workbook: sheets of findings, windows, percentiles by channel, and what they rest on."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from pqcheck.model.clock import duration_text
from pqcheck.model.errors import OutputError
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_file import finding_as_document
from pqcheck.model.findings_words import answer, danger_signs
from pqcheck.observe.percentiles import PERCENTS, Distribution
from pqcheck.reports.plots.labels import standing
from pqcheck.version import __version__

MOST_ROWS = 1_048_575
"""Of a sheet, its header left out."""
_FORBIDDEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")
_MOST_TEXT = 32_000
_WHEN = (2000, 1, 1, 0, 0, 0)
_WIDE = frozenset({"text", "title", "reason", "what would settle it"})

_FINDINGS = (
    "verdict", "marks", "kind", "table", "rule", "clause", "title", "quantity", "phase", "order",
    "period from", "period to", "reading [unit]", "low limit [unit]", "high limit [unit]", "margin [unit]", "unit",
    "margin [% of limit]", "share asked [%]", "interval [s]", "expected [intervals]", "valid [intervals]",
    "missing [intervals]", "excluded [intervals]", "outside [intervals]", "allowed [intervals]", "proven", "windows",
    "reason", "what would settle it", "id",
)  # fmt: skip
_WINDOWS = (
    "verdict", "table", "rule", "quantity", "phase", "order", "from", "to", "intervals", "worst [unit]", "unit",
    "worst at", "from with offset", "file", "first row", "last row", "id",
)  # fmt: skip
_PERCENTILES = (
    "channel [unit]", "quantity", "phase", "order", "reading", "unit", "values over", "readings counted",
    "minimum [unit]", *(f"{percent} % [unit]" for percent in PERCENTS), "maximum [unit]", "standing",
)  # fmt: skip


def as_workbook(findings: Findings, distributions: Sequence[Distribution] | None) -> bytes:
    """The workbook (.xlsx), the same bytes for the same findings. Times are local times of the site.

    `distributions` is None where the recording is not at hand. Raises `OutputError` without the package for workbooks.
    """
    check_can_write()
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    windows = (row for finding in findings.findings for row in _window_rows(finding))
    described = (_percentile_row(each, findings) for each in distributions or ())
    cut = {
        "findings": _sheet(book, "findings", _FINDINGS, map(_finding_row, findings.findings)),
        "windows": _sheet(book, "windows", _WINDOWS, windows),
        "percentiles": _sheet(book, "percentiles", _PERCENTILES, described),
    }
    _sheet(book, "about", ("about", "text"), _about(findings, cut, described=distributions is not None))
    out = io.BytesIO()
    book.save(out)
    return _without_times(out.getvalue())


def check_can_write() -> None:
    """Raise `OutputError` when the package for workbooks is not installed."""
    from importlib.util import find_spec

    if find_spec("openpyxl") is None:
        raise OutputError("a workbook needs a further package: pip install 'pqcheck-power[excel]', or write .csv")


def _about(findings: Findings, cut: Mapping[str, int], *, described: bool) -> Iterator[tuple[str, str]]:
    """What the other sheets rest on, and what they leave out."""
    for sign in danger_signs(findings):
        yield "danger sign", f"{sign.title}. {sign.reason.text if sign.reason is not None else ''}"
    yield "answer", answer(findings)
    yield "site", str(findings.site.get("name", "-"))
    yield "times", f"local times, {findings.site.get('time_zone', 'UTC')}; with their offset where a header says so"
    for recording in findings.recordings:
        yield "recording", f"{recording['file']}, sha256 {recording['sha256']}"
    for table in findings.limit_tables:
        yield "limit table", f"{table['id']}, sha256 {table['sha256']}"
    if described:
        yield "percentiles", "Descriptions of what was recorded, without declared exclusions. No verdict rests on them."
    else:
        yield "percentiles", "No recording with a course over time was at hand: nothing is described."
    for name, left in cut.items():
        if left:
            yield name, f"{left} more rows are in the findings file (.json)."
    yield "written by", f"pqcheck {__version__}"


def _sheet(book: Any, name: str, heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    """Write a sheet; how many rows did not fit."""
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(name)
    sheet.freeze_panes = "A2"
    for at, head in enumerate(heads, start=1):
        width = 60 if head in _WIDE else 20 if "from" in head or head.endswith((" to", " at")) or head == "to" else 14
        sheet.column_dimensions[get_column_letter(at)].width = width
    sheet.append([_cell(sheet, head, Font(bold=True)) for head in heads])
    count, left = 0, 0
    for row in rows:
        if count < MOST_ROWS:
            sheet.append([_cell(sheet, value) for value in row])
            count += 1
        else:
            left += 1
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(heads))}{count + 1}"
    return left


def _cell(sheet: Any, value: Any, font: Any = None) -> Any:
    """A text is never a formula, whatever it begins with."""
    from openpyxl.cell import WriteOnlyCell

    if isinstance(value, str):
        value = _FORBIDDEN.sub(" ", value)[:_MOST_TEXT]
    cell = WriteOnlyCell(sheet, value=value)
    if isinstance(value, str):
        cell.data_type = "s"
    if isinstance(value, datetime):
        cell.number_format = "yyyy-mm-dd hh:mm:ss"
    if font is not None:
        cell.font = font
    return cell


def _local(text: str | None) -> datetime | None:
    """The local time that a stamp with offset shows: cells know no zone."""
    return datetime.fromisoformat(text).replace(tzinfo=None) if text else None


def _finding_row(finding: Finding) -> list[Any]:
    document = finding_as_document(finding.replaced(windows=()))
    part = {name: document[name] or {} for name in ("period", "statistic", "limit", "margin", "intervals", "reason")}
    statistic, limit, margin, counts = part["statistic"], part["limit"], part["margin"], part["intervals"]
    return [
        document["verdict"], " ".join(document["modifiers"]), finding.kind, finding.table, finding.rule,
        finding.clause, finding.title, finding.quantity, finding.phase, finding.order,
        _local(part["period"].get("start")), _local(part["period"].get("end")), statistic.get("value"),
        limit.get("low"), limit.get("high"), margin.get("value"),
        statistic.get("unit") or limit.get("unit"), margin.get("percent_of_limit"), statistic.get("percent"),
        statistic.get("interval_s"),
        *(counts.get(name) for name in ("expected", "valid", "missing", "excluded", "outside", "allowed")),
        finding.proven, len(finding.windows), part["reason"].get("text"), part["reason"].get("advice"), finding.id,
    ]  # fmt: skip


def _window_rows(finding: Finding) -> Iterator[list[Any]]:
    unit = finding.statistic.unit if finding.statistic is not None else None
    for window in finding.windows:
        for place in window.rows or (None,):
            rows = (place.file, place.first, place.last) if place is not None else (None, None, None)
            yield [
                finding.verdict.value, finding.table, finding.rule, finding.quantity, finding.phase, finding.order,
                _local(window.start), _local(window.end), window.intervals, window.worst, unit,
                _local(window.worst_at), window.start, *rows, finding.id,
            ]  # fmt: skip


def _percentile_row(each: Distribution, findings: Findings) -> list[Any]:
    channel = each.channel
    over = duration_text(each.step_us) + ("" if each.step_us == each.interval_us else
                                          f" means of {duration_text(each.interval_us)} readings")
    return [
        f"{channel.name} [{each.unit}]", channel.quantity, channel.phase, channel.order, channel.reading, each.unit,
        over, each.count, each.low, *each.at, each.high, standing(findings.findings, channel),
    ]  # fmt: skip


def _without_times(data: bytes) -> bytes:
    """The same archive without the time of writing, which the package puts into it."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as made, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as kept:
        for name in made.namelist():
            content = made.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2000-01-01T00:00:00Z", content)
            kept.writestr(zipfile.ZipInfo(name, _WHEN), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()
