"""Two results side by side as text and Markdown: what changed, and whether the loads were alike."""

from __future__ import annotations

from collections.abc import Iterator

from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import VERDICT_WORDS, answer, clock, has_reading, limit_text, reading_text
from pqcheck.observe.comparable import Comparability
from pqcheck.reports.markdown import cell, table_lines
from pqcheck.reports.text import danger_text, grid
from pqcheck.workflows.compare_findings import FindingChange
from pqcheck.workflows.prediction_and_record import PredictedAndRecorded, predicted_and_recorded
from pqcheck.workflows.two_sides import BeforeAfter, Side

MOST_ROWS = 30


STATE_WORDS = {
    "new": "newly not met", "worse": "worse", "open": "not judged after", "better": "better",
    "unchanged": "unchanged", "gone": "no longer asked",
}  # fmt: skip


_DANGER_WORDS = {
    "new": "danger sign, only after", "gone": "danger sign, not seen after", "unchanged": "danger sign, still",
}  # fmt: skip


def state_words(change: FindingChange) -> str:
    """The state, told truly for danger signs and for questions that are new without failing."""
    if change.shown.kind == "safety":
        return _DANGER_WORDS.get(change.state, STATE_WORDS[change.state])
    if change.state == "new" and (change.after is None or change.after.verdict.value != "fail"):
        return "asked only after"
    return STATE_WORDS[change.state]


def summary(both: BeforeAfter) -> str:
    """One sentence: how many criteria changed which way, and what became of danger signs."""
    counted: dict[str, int] = dict.fromkeys(STATE_WORDS, 0)
    dangers: dict[str, int] = {}
    for change in both.comparison.changes:
        if change.shown.kind == "safety":
            dangers[change.state] = dangers.get(change.state, 0) + 1
        else:
            counted[change.state] += 1
    text = (
        f"{counted['better']} criteria are better, {counted['worse']} worse, {counted['new']} newly "
        f"not met or newly asked, {counted['open']} not judged after, {counted['gone']} no longer asked, "
        f"{counted['unchanged']} unchanged."
    )
    if dangers.get("gone"):
        text += (
            f" {dangers['gone']} danger signs of the record before are not seen after; that none is printed does not "
            "mean that the installation is safe."
        )
    return text


def loads_sentence(loads: Comparability) -> str:
    """Whether the loads were alike, in one word."""
    if loads.alike is None:
        return "Whether the loads were alike is open."
    return "The loads were alike." if loads.alike else "The loads were not alike."


def verdict_and_reading(finding: Finding | None) -> str:
    """Verdict and reading of one side."""
    if finding is None:
        return "not asked"
    word = VERDICT_WORDS[finding.verdict]
    return f"{word} {reading_text(finding)}" if has_reading(finding) else word


def span_text(side: Side) -> str:
    """From when to when a side was recorded."""
    files = side.findings.recordings
    timed = [file for file in files if file.get("start") and file.get("end")]
    if not timed:
        return "no recording over time"
    return f"{clock(min(file['start'] for file in timed))} to {clock(max(file['end'] for file in timed))}"


def _lines(both: BeforeAfter) -> Iterator[str]:
    yield f"Before ({span_text(both.before)}): {answer(both.before.findings)}"
    yield f"After ({span_text(both.after)}): {answer(both.after.findings)}"
    yield summary(both)
    yield " ".join([loads_sentence(both.loads), *both.loads.reasons])
    for line in both.comparison.rule_sets:
        yield f"The limits are not the same: {line}."
    yield from both.comparison.remarks


def prediction_sentence(rows: list[PredictedAndRecorded]) -> str:
    """How the record answers the prediction of a load study."""
    beyond = sum(row.beyond_bound for row in rows)
    text = f"Predicted by a load study and now recorded: {len(rows)} criteria, "
    if not beyond:
        return f"{text}none of them beyond the bound of its prediction."
    return f"{text}{beyond} beyond the bound of the prediction: something else changed, or was declared wrong."


def prediction_rows(rows: list[PredictedAndRecorded]) -> Iterator[tuple[str, ...]]:
    """The cells of `PREDICTION_HEADS`."""
    for row in rows:
        values = (row.without, row.predicted, row.bound, row.recorded)
        cells = ("-" if value is None else f"{value:.4g} {row.unit}".rstrip(" 1") for value in values)
        mark = "beyond the bound" if row.beyond_bound else ""
        yield (row.criterion, row.channel, *cells, f"{row.predicted_verdict} / {row.recorded_verdict}", mark)


PREDICTION_HEADS = (
    "rule", "channel", "without", "predicted", "bound", "recorded", "verdict predicted / recorded", "mark",
)  # fmt: skip


def as_text(both: BeforeAfter) -> str:
    """For the terminal: sentences, then the changes, largest loss of margin first."""
    # A danger sign is the first thing that whoever reads this has to see.
    danger = danger_text(both.after.findings)
    lines = [*([danger, ""] if danger else []), *_lines(both)]
    moved = both.comparison.moved
    if moved:
        rows = [
            (
                state_words(change), f"{change.shown.table} {change.shown.rule}", change.shown.channel,
                verdict_and_reading(change.before), verdict_and_reading(change.after), limit_text(change.shown),
            )
            for change in moved[:MOST_ROWS]
        ]  # fmt: skip
        heads = ("change", "rule", "channel", "before", "after", "limit")
        lines += ["", grid(rows, heads)]
        if len(moved) > MOST_ROWS:
            lines.append(f"{len(moved) - MOST_ROWS} more; --out writes them all.")
    predicted = predicted_and_recorded(both.before.findings, both.after.findings)
    if predicted:
        shown = list(prediction_rows(predicted[:MOST_ROWS]))
        lines += ["", prediction_sentence(predicted), grid(shown, PREDICTION_HEADS)]
        if len(predicted) > MOST_ROWS:
            lines.append(f"{len(predicted) - MOST_ROWS} more; --out writes them all.")
    return "\n".join(lines) + "\n"


def as_markdown(both: BeforeAfter) -> str:
    """Every criterion of both sides."""
    danger = danger_text(both.after.findings)
    head = ["# Before and after", "", *(f"**{line}**\n" for line in danger.splitlines() if line)]
    lines = [*head, *(f"{line}\n" for line in map(cell, _lines(both)))]
    heads = ("change", "rule", "clause", "channel", "before", "after", "limit", "margin lost, % of limit")
    rows = [
        (
            state_words(change), f"{change.shown.table} {change.shown.rule}", change.shown.clause, change.shown.channel,
            verdict_and_reading(change.before), verdict_and_reading(change.after), limit_text(change.shown),
            f"{float(change.loss):.4g}" if change.loss is not None else "-",
        )
        for change in both.comparison.changes
    ]  # fmt: skip
    lines += table_lines(heads, rows)
    predicted = predicted_and_recorded(both.before.findings, both.after.findings)
    if predicted:
        table = table_lines(PREDICTION_HEADS, list(prediction_rows(predicted)))
        lines += ["", "## Predicted and recorded", "", prediction_sentence(predicted), "", *table]
    return "\n".join(lines) + "\n"
