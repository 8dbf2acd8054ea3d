"""Data quality, how the columns were read, and what was declared about the place."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pqcheck.model.clock import duration_text
from pqcheck.model.findings_words import clock
from pqcheck.model.verdict import Verdict
from pqcheck.observe.gather import Track
from pqcheck.reports.html.judged_criteria import verdict_mark
from pqcheck.reports.html.markup import Child, Markup, lines, pairs, table, tag
from pqcheck.reports.plots.labels import phase_label, quantity_title
from pqcheck.reports.plots.material import Material
from pqcheck.reports.soundness_lines import shared_remarks

MOST_CHECKS = 60


def quality_part(material: Material) -> Markup:
    """Soundness of the recording, availability, and how each column was read."""
    return tag(
        "section", tag("h2", "The recording", id="recording"), _files(material), _soundness(material),
        _availability(material), _columns(material), aria_labelledby="recording",
    )  # fmt: skip


def _files(material: Material) -> Markup:
    rows = []
    for recording in material.findings.recordings:
        interval = duration_text(round(recording["interval_s"] * 1e6)) if recording.get("interval_s") else "-"
        rows.append((recording["file"], clock(recording["start"] or "-"), clock(recording["end"] or "-"), interval,
                     str(recording["rows"]), tag("code", recording["sha256"])))  # fmt: skip
    remarks = lines(material.findings.remarks)
    heads = ("File", "From", "To", "Interval", "Rows", "sha256")
    return tag("div", table(heads, rows, label="Files read"), remarks)


def _soundness(material: Material) -> Markup:
    checks = [finding for finding in material.findings.findings if finding.kind == "recording"]
    if not checks:
        return tag("p", "No check of the recording's soundness was made.")
    counted = {verdict: sum(finding.verdict is verdict for finding in checks) for verdict in Verdict}
    remarked = [
        finding
        for finding in checks
        if finding.reason is not None or finding.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)
    ]
    parts: list[Child] = [
        tag("h3", "Is it sound?"),
        tag("p", f"{len(checks)} checks: {counted[Verdict.PASS]} found nothing against the recording, "
                 f"{counted[Verdict.REFUSED]} make part of it unusable, {counted[Verdict.INCONCLUSIVE]} could not be "
                 f"decided, {counted[Verdict.NOT_APPLICABLE]} do not apply."),
    ]  # fmt: skip
    rows = shared_remarks(
        check for check in remarked if check.verdict is not Verdict.NOT_APPLICABLE and check.reason is not None
    )
    if rows:
        shown = [(verdict_mark(remark.verdict), remark.sentence, remark.advice) for remark in rows[:MOST_CHECKS]]
        parts.append(table(("Result", "What was seen", "What to do"), shown, label="Checks of the recording",
                           row_heads=False))  # fmt: skip
    if len(rows) > MOST_CHECKS:
        parts.append(tag("p", f"{len(rows) - MOST_CHECKS} more are in the findings file."))
    return tag("div", *parts)


def _availability(material: Material) -> Markup:
    gathered = material.gathered
    if gathered is None:
        return tag(
            "p", "The recording was not at hand when this report was written: no availability and no trends are shown."
        )
    excluded = sum(exclusion.to_us - exclusion.from_us for exclusion in material.site.exclusions)
    groups: dict[tuple[str, str | None, int], list[Track]] = {}
    for channel, track in gathered.plots.items():
        if channel.reading == "mean":
            groups.setdefault((channel.quantity, channel.phase, track.interval_us), []).append(track)
    folded: dict[tuple[str, ...], list[str]] = {}
    for (quantity, phase, interval), tracks in groups.items():
        expected = sum(_slots(track, material) for track in tracks)
        valid = sum(int(track.valid.sum()) for track in tracks)
        name = quantity_title(quantity) + (f", {len(tracks)} columns" if len(tracks) > 1 else "")
        share = f"{100 * valid / expected:.2f} %" if expected else "-"
        counts = (duration_text(interval), str(expected), str(valid), str(max(expected - valid, 0)), share)
        folded.setdefault((name, *counts), []).append(phase_label(phase) if phase else "-")
    rows = [(name, ", ".join(phases), *counts) for (name, *counts), phases in folded.items()]
    heads = ("Quantity", "Phase", "Interval", "Expected", "With a value", "Without", "Available")
    note = (
        f"Declared excluded: {duration_text(excluded)} in all; excluded time is counted as recorded here. "
        if excluded
        else ""
    )
    return tag(
        "div", tag("h3", "Availability"), tag("p", note + "Counts of recorded intervals, each channel on its own."),
        table(heads, rows, label="Availability by channel"),
    )  # fmt: skip


def _slots(track: Track, material: Material) -> int:
    assert material.gathered is not None
    length = len(track.mean) * track.step_us
    return min(length, material.gathered.end_us - track.start_us) // track.interval_us


def _columns(material: Material) -> Markup:
    columns = [column for recording in material.findings.recordings for column in recording["columns"]]
    folded: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for column in columns:
        # Phases and orders that are read alike are one row.
        channel = re.sub(r"\.(h\d+|[abc]{1,2}|[abc]n)\b", "", column["channel"] or "left alone")
        read_as = re.sub(r"\b(order \d+|phases? [abc]\b( to (neutral|[abc]\b))?)", "", column["read_as"])
        folded.setdefault((channel, column["unit"] or "-", read_as), []).append(column)
    rows = [
        (_spanned(held, "column"), _spanned(held, "channel"), unit, held[0]["read_as"] + _alike(held))
        for (_, unit, _), held in folded.items()
    ]
    body = table(("Column", "Channel", "Unit", "Read as"), rows, label="How each column was read")
    return tag("details", tag("summary", f"How each of the {len(columns)} columns was read"), body, open=True)


def _alike(columns: Sequence[Mapping[str, Any]]) -> str:
    return " (the first of them)" if len(columns) > 1 else ""


def _spanned(columns: Sequence[Mapping[str, Any]], key: str) -> str:
    """The first and the last of columns that are read alike."""
    names = [str(column[key] or "left alone") for column in columns]
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]} ({len(names)} columns)"


def declared_part(material: Material) -> Markup:
    """Declared facts, each as the site file says it, with its basis where one was given."""
    declared = material.findings.site
    parts: list[Child] = [tag("h2", "What was declared", id="declared")]
    parts.append(tag("p", "These are statements of the people named, not measurements. Every verdict rests on them."))
    for section, title in _SECTIONS:
        value = declared.get(section)
        if isinstance(value, Mapping) and value:
            parts += [tag("h3", title), pairs(_facts(value))]
        elif isinstance(value, list) and value:
            parts.append(tag("h3", title))
            parts += [pairs(_facts(entry)) for entry in value if isinstance(entry, Mapping)]
    if "generation" not in declared:
        parts.append(tag("p", "Generation on site: none declared, so none was assumed."))
    if "pcc" not in declared:
        parts.append(tag("p", "Point of common coupling: not declared."))
    return tag("section", *parts, aria_labelledby="declared")


_SECTIONS = (
    ("supply", "Supply"), ("pcc", "Point of common coupling"), ("generation", "Generation on site"),
    ("instrument", "Instrument"), ("ratings", "Ratings"), ("spot_checks", "Readings of another instrument"),
    ("scenario", "Scenario"), ("coverage", "Coverage policy"), ("criteria", "Time criteria"),
    ("limits", "Limits asked for"),
)  # fmt: skip


def _facts(section: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for key, value in sorted(section.items()):
        if isinstance(value, Mapping):
            value = ", ".join(f"{inner}: {each}" for inner, each in sorted(value.items()))
        elif isinstance(value, list):
            value = ", ".join(map(str, value))
        elif isinstance(value, bool):
            value = "yes" if value else "no"
        yield key.replace("_", " "), str(value)
