"""Before and after on one page: the answer, the loads, every criterion side by side, duration curves of both."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pqcheck.model.findings_words import limit_text, number
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.reports.before_after import (
    PREDICTION_HEADS,
    loads_sentence,
    prediction_rows,
    prediction_sentence,
    span_text,
    state_words,
    summary,
)
from pqcheck.reports.html.html_page import danger_box, page_of
from pqcheck.reports.html.judged_criteria import verdict_mark
from pqcheck.reports.html.markup import Child, Markup, figure_element, lines, table, tag
from pqcheck.reports.plain_answer import headline
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.labels import bands_of, concerning, phase_label
from pqcheck.reports.plots.shapes import duration_curve
from pqcheck.workflows.compare_findings import FindingChange
from pqcheck.workflows.prediction_and_record import predicted_and_recorded
from pqcheck.workflows.two_sides import BeforeAfter, Side

_MARKS = {"new": "▲", "worse": "▲", "open": "?", "better": "▼", "unchanged": "=", "gone": "-"}


def compare_page(both: BeforeAfter) -> str:
    """The whole page as HTML text."""
    name = str(both.after.findings.site.get("name") or both.before.findings.site.get("name") or "")
    title = f"Before and after: {name}" if name else "Before and after"
    danger = danger_box(both.after.findings, "Danger sign in the recording after: read this first")
    main = (danger, _answer(both), _loads(both), _criteria(both), _predictions(both), _plots(both), _limits(both))
    return page_of(title, "answer", [tag("h1", title)], main)


def _answer(both: BeforeAfter) -> Markup:
    return tag(
        "section",
        tag("h2", "What changed", id="answer"),
        tag("p", tag("strong", f"Before, {span_text(both.before)}: "), headline(both.before.findings)),
        tag("p", tag("strong", f"After, {span_text(both.after)}: "), headline(both.after.findings),
            class_=f"headline v-{both.after.findings.verdict.value}"),
        tag("p", summary(both)),
        tag("p", tag("strong", loads_sentence(both.loads))),
        *[tag("p", f"The limits are not the same: {line}.", class_="danger") for line in both.comparison.rule_sets],
        *[tag("p", line) for line in both.comparison.remarks],
        class_="first", aria_labelledby="answer",
    )  # fmt: skip


def _loads(both: BeforeAfter) -> Markup:
    rows = [
        (row.name, _value(row.middle[0], row.unit), _value(row.middle[1], row.unit), _value(row.high[0], row.unit),
         _value(row.high[1], row.unit))
        for row in both.loads.rows
    ]  # fmt: skip
    heads = ("Load", "Middle, before", "Middle, after", "High, before", "High, after")
    return tag(
        "section", tag("h2", "Were the loads comparable?", id="loads"), lines(both.loads.reasons),
        table(heads, rows, label="Loads before and after") if rows else None,
        tag("p", "High is the value that the load stays below for 95 % of the time.") if rows else None,
        aria_labelledby="loads",
    )  # fmt: skip


def _value(value: float | None, unit: str) -> str:
    return number(float(f"{value:.4g}"), unit) if value is not None else "not recorded"


def _criteria(both: BeforeAfter) -> Markup:
    heads = ("Change", "Criterion", "Limit", "Before", "Reading before", "After", "Reading after", "Margin lost")
    moved, same = both.comparison.moved, [change for change in both.comparison.changes if change.state == "unchanged"]
    parts: list[Child] = [
        table(heads, [_row(change) for change in moved], label="Criteria that changed", class_="both", row_heads=False)
        if moved
        else tag("p", "No criterion changed.")
    ]
    if same:
        rows = [_row(change) for change in same]
        inner = table(heads, rows, label="Criteria that did not change", class_="both", row_heads=False)
        parts.append(tag("details", tag("summary", f"{len(same)} criteria did not change"), inner, open=True))
    return tag(
        "section", tag("h2", "Every criterion, side by side", id="criteria"),
        tag("p", "Largest loss of margin first. Margin lost is in percent of the limit; a negative loss is a gain."
                 " Where a rule was judged over several periods, the worst one of each side stands here."),
        *parts,
        aria_labelledby="criteria",
    )  # fmt: skip


def _row(change: FindingChange) -> list[Child]:
    shown = change.shown
    sides: list[Child] = []
    for finding in (change.before, change.after):
        read = finding.statistic if finding is not None else None
        sides.append(verdict_mark(finding.verdict) if finding is not None else "not asked")
        sides.append(number(read.value, read.unit) if read is not None and read.value is not None else "-")
    mark = tag("span", _MARKS[change.state], aria_hidden="true")
    name = tag("span", shown.title, tag("small", f" {shown.table} {shown.rule}, {shown.clause}"))
    lost = f"{float(change.loss):.3g} %" if change.loss is not None else "-"
    return [tag("span", mark, f" {state_words(change)}"), name, limit_text(shown), *sides, lost]


def _predictions(both: BeforeAfter) -> Markup | None:
    rows = predicted_and_recorded(both.before.findings, both.after.findings)
    if not rows:
        return None
    inner = table(list(PREDICTION_HEADS), [list(row) for row in prediction_rows(rows)], label="Predicted and recorded")
    head = tag("h2", "Predicted and recorded", id="predicted")
    return tag("section", head, tag("p", prediction_sentence(rows)), inner, aria_labelledby="predicted")


def _plots(both: BeforeAfter) -> Markup | None:
    drawn = list(_curves(both))
    if not drawn:
        return None
    return tag(
        "section", tag("h2", "How much of the time, before and after", id="plots"),
        *[figure_element(figure, heading=figure.title) for figure in drawn], aria_labelledby="plots",
    )  # fmt: skip


def _curves(both: BeforeAfter) -> Iterator[Drawn]:
    sides = (("before", both.before), ("after", both.after))
    for phase in (*LINE_TO_NEUTRAL, *LINE_TO_LINE)[:6]:
        held = {words: series for words, side in sides if (series := _series(side, phase)) is not None}
        if len(held) < 2:
            continue
        about = concerning(both.after.findings.findings, "voltage", [phase])
        label = phase_label(phase)
        yield duration_curve(
            f"fig-both-{phase}", f"Voltage, {label}", "V", held, bands_of(about),
            f"Duration curves of the voltage {label} before and after.",
            "All judged values of each recording, sorted from high to low.",
        )  # fmt: skip


def _series(side: Side, phase: str) -> NDArray[np.float64] | None:
    if side.gathered is None:
        return None
    for series in side.gathered.judged:
        if series.quantity == "voltage" and series.phase == phase and not np.isnan(series.values).all():
            kept = series.values.copy()
            kept[kept < 0.3 * np.nanmedian(kept)] = np.nan
            return kept
    return None


def _limits(both: BeforeAfter) -> Markup:
    rows = []
    for words, side in (("before", both.before), ("after", both.after)):
        for entry in side.findings.limit_tables:
            rows.append((words, str(entry["id"]), str(entry["edition"]), tag("code", str(entry["sha256"]))))
        for file in side.findings.recordings:
            rows.append((words, str(file["file"]), "-", tag("code", str(file["sha256"]))))
    counted = sum(change.shown.verdict is Verdict.NOT_APPLICABLE for change in both.comparison.changes)
    return tag(
        "section", tag("h2", "What was compared", id="compared"),
        table(("Side", "Table or file", "Edition", "sha256"), rows, label="Tables and files"),
        tag("p", f"Findings are matched by rule, quantity, phase and order, never by time; {counted} of them do not"
                 " apply. Two recordings show a difference, not its cause."),
        aria_labelledby="compared",
    )  # fmt: skip
