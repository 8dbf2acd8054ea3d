"""The answer in plain words: one headline, a sentence with numbers for each kind of limit, and when it was outside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import beyond, has_reading, margin_percent, rank, required
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plain import (
    allowance,
    capital,
    count_words,
    date_words,
    listed,
    quantity_words,
    range_words,
    reading,
    subject_words,
    time_words,
)
from pqcheck.reports.plots.material import Material

VOLTAGE = quantity_words("voltage")
Array = NDArray[np.float64]
MOST_DAYS = 3
"""Days told one by one; more of them are told as a pattern."""
_MOST_WINDOWS = 5000


def headline(findings: Findings) -> str:
    """One sentence that fits any question."""
    asked = [finding for finding in required(findings) if finding.kind == "limit"]
    verdict = findings.verdict
    if verdict is Verdict.FAIL:
        failed = [finding for finding in asked if finding.verdict is Verdict.FAIL]
        if not failed:
            return "The recording shows a danger sign; see above. No limit is broken, but act on the sign first."
        words = {subject_words(finding) for finding in failed}
        names = listed(sorted(words, key=lambda name: (name != VOLTAGE, name)))
        return f"Not every limit was kept: {names} went beyond what is allowed."
    if verdict is Verdict.REFUSED:
        return "The recording cannot be trusted for all of this question. Nothing that can was beyond a limit."
    if verdict is Verdict.INCONCLUSIVE:
        if not asked:
            return "None of the limits applies to this place and recording, so nothing was judged."
        return "The question cannot be answered fully yet. Nothing recorded breaks a limit, but something is missing."
    if verdict is Verdict.WAIVED:
        return "A limit was passed, within an exception that has been agreed."
    return "Every limit that was checked was kept."


def event_sentences(asked: Sequence[Finding]) -> list[str]:
    """What the events recorded are, beside each ride-through curve."""
    sentences = []
    for finding in asked:
        if finding.channel != "events" or finding.intervals is None:
            continue
        counts, curve = finding.intervals, finding.title.split(" (")[0]
        placed = f"Of {counts.valid} dips, swells and interruptions listed, {counts.outside or 'none'}"
        word = "lies" if counts.outside == 1 else "lie"
        more = f" {finding.reason.text}" if finding.reason is not None else ""
        sentences.append(f"{placed} {word} outside the curve '{curve}' of {finding.table}.{more}")
    return sentences


def governing(asked: Sequence[Finding]) -> list[Finding]:
    """One finding with a reading per quantity: failures, then the smallest margin; voltage before others."""
    best: dict[str, Finding] = {}

    def key(finding: Finding) -> tuple[bool, int, float]:
        margin = margin_percent(finding)
        # A rule that was judged says more than one that was not; what could not be judged is told further down.
        return (not has_reading(finding), rank(finding.verdict), margin if margin is not None else float("inf"))

    for finding in asked:
        if finding.kind != "limit" or finding.quantity is None:
            continue
        held = best.get(finding.quantity)
        if held is None or key(finding) < key(held):
            best[finding.quantity] = finding
    chosen = [finding for finding in best.values() if has_reading(finding)]
    return sorted(
        chosen, key=lambda criterion: (rank(criterion.verdict) > 0, criterion.quantity != "voltage", *key(criterion))
    )


def sentence_of(finding: Finding, material: Material) -> str:
    """What was seen against what is allowed."""
    if finding.statistic is None or finding.statistic.value is None or finding.limit is None:
        return f"{capital(quantity_words(finding.quantity))} was not judged."
    if finding.quantity == "voltage":
        return _voltage(finding, material)
    name = capital(_name(finding))
    unit = finding.statistic.unit if finding.statistic.unit != "1" else ""
    value = reading(finding.statistic.value, finding.limit, unit)
    allowed = range_words(finding.limit)
    if finding.verdict in (Verdict.FAIL, Verdict.WAIVED):
        asked = f"the rule asks for it {allowance(finding)}"
        return f"{name} was beyond the allowed range ({allowed}) for {_outside(finding)}; {asked}."
    if finding.limit.low is not None and finding.limit.high is not None:
        return f"{name} stayed within {allowed} {allowance(finding)}, as asked."
    return f"{name} was at most {value} {allowance(finding)}; {allowed} is allowed."


def _name(finding: Finding) -> str:
    if finding.order is not None:
        return f"{quantity_words(finding.quantity)} (number {finding.order})"
    return quantity_words(finding.quantity)


def _outside(finding: Finding) -> str:
    counts, statistic = finding.intervals, finding.statistic
    if counts is None or statistic is None or statistic.interval_s is None:
        return "part of the time"
    return time_words(counts.outside * statistic.interval_s)


def _voltage(finding: Finding, material: Material) -> str:
    assert finding.limit is not None
    allowed = range_words(finding.limit)
    seen = _lowest_and_highest(material, finding.phase)
    if finding.verdict in (Verdict.FAIL, Verdict.WAIVED):
        extent = ""
        if seen is not None:
            low, high = (reading(edge, finding.limit, "") for edge in seen)
            extent = f" It lay between {low} and {high} V."
        return (
            f"The voltage was outside the allowed range of {allowed} for {_outside(finding)}; the rule asks for it to "
            f"be inside {allowance(finding)}.{extent}"
        )
    if seen is not None:
        low, high = (reading(edge, finding.limit, "") for edge in seen)
        return f"The voltage stayed between {low} and {high} V; the allowed range is {allowed}, {allowance(finding)}."
    return f"The voltage kept to the allowed range of {allowed} {allowance(finding)}."


def voltage_seen(material: Material) -> str:
    """What the voltage was, when no rule about it was judged."""
    seen = _lowest_and_highest(material, None)
    return f"The voltage lay between {seen[0]:.4g} and {seen[1]:.4g} V." if seen is not None else ""


def _lowest_and_highest(material: Material, phase: str | None) -> tuple[float, float] | None:
    """Over all phases of one kind (to neutral, or between lines), interruptions left out."""
    if material.gathered is None:
        return None
    kind = LINE_TO_LINE if phase in LINE_TO_LINE else LINE_TO_NEUTRAL
    lows, highs = [], []
    for name in kind:
        judged = material.judged("voltage", name)
        track = material.gathered.find("voltage", name)
        values = judged.values if judged is not None else track.mean.astype(float) if track is not None else None
        nominal = material.site.supply.nominal(name)
        if values is None or nominal is None:
            continue
        start, step = (judged.start_us, judged.interval_us) if judged is not None else (track.start_us, track.step_us)  # type: ignore[union-attr]
        kept = values[values > 0.05 * float(nominal)] if not material.frame.excluded else _kept(
            values, start, step, material, 0.05 * float(nominal)
        )  # fmt: skip
        if len(kept):
            lows.append(float(np.min(kept)))
            highs.append(float(np.max(kept)))
    return (min(lows), max(highs)) if lows else None


def _kept(values: Array, start: int, step: int, material: Material, floor: float) -> Array:
    keep = values > floor
    for first, last in material.frame.excluded:
        a = max((first - start) // step, 0)
        keep[a : max(-(-(last - start) // step), a)] = False
    return values[keep]


class _Day(Struct, frozen=True):
    first: datetime
    last: datetime
    seconds: float
    worst: float
    worst_at: datetime


def when_lines(findings: Findings) -> list[str]:
    """A few lines per quantity that went beyond a limit, voltage first."""
    made: list[str] = []
    failed: dict[str, list[Finding]] = {}
    for finding in findings.findings:
        if (
            finding.kind == "limit"
            and finding.verdict in (Verdict.FAIL, Verdict.WAIVED)
            and finding.quantity is not None
        ):
            failed.setdefault(finding.quantity, []).append(finding)
    for quantity, members in sorted(failed.items(), key=lambda item: item[0] != "voltage"):
        days = _days(members)
        if not days:
            continue
        name = f"{capital(quantity_words(quantity))}: " if len(failed) > 1 else ""
        if len(days) <= MOST_DAYS:
            made += [name + _single(day, members) for day in days]
        else:
            made.append(name + _pattern(days, members))
    return made + [_outside_events(finding) for finding in findings.findings if _failed_events(finding)]


def _failed_events(finding: Finding) -> bool:
    return finding.channel == "events" and finding.verdict in (Verdict.FAIL, Verdict.WAIVED) and bool(finding.windows)


def _outside_events(finding: Finding) -> str:
    """The first events outside a curve: when, how far, how long."""
    shown = []
    for window in finding.windows[:MOST_DAYS]:
        start, end = (datetime.fromisoformat(text) for text in (window.start, window.end))
        length = duration_text(round((end - start).total_seconds() * 1_000_000))
        shown.append(f"{date_words(start)} at {start:%H:%M:%S}, {window.worst:.4g} % for {length}")
    more = len(finding.windows) - len(shown)
    return f"Dips, swells or interruptions outside the curve: {'; '.join(shown)}{f'; and {more} more' if more else ''}."


def _days(members: Sequence[Finding]) -> list[_Day]:
    spans: dict[date, list[tuple[datetime, datetime, float, datetime]]] = {}
    for finding in members:
        for window in finding.windows[:_MOST_WINDOWS]:
            start, end, at = (datetime.fromisoformat(text) for text in (window.start, window.end, window.worst_at))
            spans.setdefault(start.date(), []).append((start, end, window.worst, at))
    days = []
    for _, held in sorted(spans.items()):
        held.sort(key=lambda span: span[:2])
        _, _, worst, at = max(held, key=lambda span: _worst_beyond(members, span[2]))
        seconds = _covered([(start, end) for start, end, _, _ in held])
        days.append(_Day(held[0][0], max(span[1] for span in held), seconds, worst, at))
    return days


def _single(day: _Day, members: Sequence[Finding]) -> str:
    whole = (day.last - day.first).total_seconds()
    some = f", {time_words(day.seconds)} of it" if day.seconds < 0.9 * whole else ""
    same = day.last.date() == day.first.date() or whole < 86400
    end = f"{day.last:%H:%M}" if same else f"{date_words(day.last)} {day.last:%H:%M}"
    return f"{date_words(day.first)}, {day.first:%H:%M} to {end}{some}{_worst(day, members, when=not same)}"


def _pattern(days: Sequence[_Day], members: Sequence[Finding]) -> str:
    first, last = days[0], days[-1]
    worst = max(days, key=lambda day: _worst_beyond(members, day.worst))
    span = (last.first.date() - first.first.date()).days + 1
    working = all(day.first.weekday() < 5 for day in days)
    each = "every day" if len(days) == span else f"on {count_words(len(days))} days"
    if working and len(days) == sum(
        (first.first.date() + timedelta(days=place)).weekday() < 5 for place in range(span)
    ):  # fmt: skip
        each = "on every working day"
    earliest, latest = min(f"{day.first:%H:%M}" for day in days), max(f"{day.last:%H:%M}" for day in days)
    clock = (
        f", between {earliest} and {latest}"
        if all(day.first.date() == day.last.date() for day in days) and (earliest, latest) > ("00:10",)
        else ""
    )
    total = time_words(sum(day.seconds for day in days))
    every = ", counting every phase" if len({finding.phase for finding in members}) > 1 else ""
    return (
        f"{each} from {date_words(first.first)} to {date_words(last.first)}{clock}, {total} in all{every}"
        f"{_worst(worst, members, when=True)}"
    )


def _worst(day: _Day, members: Sequence[Finding], *, when: bool) -> str:
    if len({finding.order for finding in members}) > 1:
        return ""
    first = members[0]
    unit = first.statistic.unit if first.statistic is not None and first.statistic.unit != "1" else ""
    at = f" on {date_words(day.worst_at)} at {day.worst_at:%H:%M}" if when else f" at {day.worst_at:%H:%M}"
    return f"; at worst {reading(day.worst, first.limit, unit)}{at}"


def _covered(spans: list[tuple[datetime, datetime]]) -> float:
    total, until = 0.0, None
    for start, end in spans:
        begin = start if until is None or start > until else until
        if end > begin:
            total += (end - begin).total_seconds()
            until = end
        until = end if until is None else max(until, end)
    return total


def _worst_beyond(members: Sequence[Finding], value: float) -> float:
    return max(
        (beyond(finding.limit, value) for finding in members if finding.limit is not None), default=float("-inf")
    )
