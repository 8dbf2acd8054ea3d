"""When something lay outside its limits, in plain words: single days, the hours of a pattern, how long in all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import beyond
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plain import capital, count_words, date_words, quantity_words, reading, time_words
from pqcheck.stats.clock_hours import NEARLY_ALL, hours_text, share_within, usual_hours

MOST_DAYS = 3
"""Days told one by one; more of them are told as a pattern."""
MOST_WINDOWS = 5000
"""Windows of one finding that are looked through."""
BEYOND = (Verdict.FAIL, Verdict.WAIVED)


def voltage_kind(finding: Finding) -> str:
    """``to neutral`` or ``between phases``; empty for what is no voltage of phases."""
    if finding.quantity != "voltage":
        return ""
    if finding.phase in LINE_TO_LINE:
        return "between phases"
    return "to neutral" if finding.phase in LINE_TO_NEUTRAL else ""


def name_of(finding: Finding, among: Iterable[Finding]) -> str:
    """The quantity, with the kind of voltage where both kinds are spoken of."""
    name, kind = quantity_words(finding.quantity), voltage_kind(finding)
    kinds = {voltage_kind(other) for other in among if other.quantity == "voltage" and other.kind == "limit"}
    return f"{name} {kind}" if kind and len(kinds - {""}) > 1 else name


def when_lines(findings: Findings) -> list[str]:
    """A few lines for each quantity and kind of voltage that went beyond a limit, voltage first."""
    made: list[str] = []
    failed: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings.findings:
        if finding.kind == "limit" and finding.verdict in BEYOND and finding.quantity is not None:
            failed.setdefault((finding.quantity, voltage_kind(finding)), []).append(finding)
    beside = [finding for members in failed.values() for finding in members]
    for members in sorted(failed.values(), key=_voltage_first):
        days = _days(members)
        lead = f"{capital(name_of(members[0], beside))}: " if len(failed) > 1 else ""
        made += [capital(lead + words) for words in _told(days, members)]
    return made + [_outside_events(finding) for finding in findings.findings if _failed_events(finding)]


def _voltage_first(members: Sequence[Finding]) -> tuple[bool, bool]:
    return members[0].quantity != "voltage", voltage_kind(members[0]) != "to neutral"


def _failed_events(finding: Finding) -> bool:
    return finding.channel == "events" and finding.verdict in BEYOND and bool(finding.windows)


def _outside_events(finding: Finding) -> str:
    """The first events outside a curve: when, how far, how long."""
    shown = []
    for window in finding.windows[:MOST_DAYS]:
        start, end = (datetime.fromisoformat(text) for text in (window.start, window.end))
        length = duration_text(round((end - start).total_seconds() * 1_000_000))
        shown.append(f"{date_words(start)} at {start:%H:%M:%S}, {window.worst:.4g} % for {length}")
    more = len(finding.windows) - len(shown)
    return f"Dips, swells or interruptions outside the curve: {'; '.join(shown)}{f'; and {more} more' if more else ''}."


class Outside(Struct, frozen=True):
    """How long a rule was not kept: on any phase in all, in the worst period, and over how much time it was judged."""

    seconds: float
    worst_period: float
    judged: float
    periods: int


def outside_of(finding: Finding, findings: Findings) -> Outside:
    """What a finding's rule shows over the whole recording, on all phases of its kind of voltage."""
    members = [
        other for other in findings.findings
        if (other.kind, other.table, other.rule, other.quantity, other.order) ==
        (finding.kind, finding.table, finding.rule, finding.quantity, finding.order)
        and voltage_kind(other) == voltage_kind(finding) and other.period is not None and other.intervals is not None
    ]  # fmt: skip
    by_period: dict[tuple[str, str], list[Finding]] = {}
    for member in members:
        if member.period is not None:
            by_period.setdefault((member.period.start, member.period.end), []).append(member)
    each = [_seconds(held) for held in by_period.values()]
    judged = _covered([(datetime.fromisoformat(start), datetime.fromisoformat(end)) for start, end in by_period])
    every = _seconds(members)
    return Outside(every, max(each, default=every), judged, len(by_period))


def _seconds(members: Sequence[Finding]) -> float:
    """Time outside on any of the phases; the longest of one phase where there are too many windows to lay together."""
    if any(len(member.windows) > MOST_WINDOWS for member in members):
        counted: dict[str | None, float] = {}
        for member in members:
            if member.intervals is not None and member.statistic is not None:
                seconds = member.intervals.outside * float(member.statistic.interval_s or 0)
                counted[member.phase] = counted.get(member.phase, 0.0) + seconds
        return max(counted.values(), default=0.0)
    return _covered([
        (datetime.fromisoformat(window.start), datetime.fromisoformat(window.end))
        for member in members for window in member.windows
    ])  # fmt: skip


class _Day(Struct, frozen=True):
    """The stretches that begin on one day."""

    spans: tuple[tuple[datetime, datetime], ...]
    worst: float
    worst_at: datetime

    @property
    def first(self) -> datetime:
        return self.spans[0][0]

    @property
    def last(self) -> datetime:
        return max(end for _, end in self.spans)

    @property
    def seconds(self) -> float:
        return _covered(self.spans)


def _days(members: Sequence[Finding]) -> list[_Day]:
    spans: dict[date, list[tuple[datetime, datetime, float, datetime]]] = {}
    for finding in members:
        for window in finding.windows[:MOST_WINDOWS]:
            start, end, at = (datetime.fromisoformat(text) for text in (window.start, window.end, window.worst_at))
            spans.setdefault(start.date(), []).append((start, end, window.worst, at))
    days = []
    for _, held in sorted(spans.items()):
        held.sort(key=lambda span: span[:2])
        _, _, worst, at = max(held, key=lambda span: _worst_beyond(members, span[2]))
        days.append(_Day(tuple((start, end) for start, end, _, _ in held), worst, at))
    return days


def _told(days: list[_Day], members: Sequence[Finding]) -> Iterator[str]:
    """Days that share their hours as one pattern, largest first; what is left day by day, or as one more pattern."""
    while len(days) > MOST_DAYS:
        starts, ends = _on_the_clock(days)
        hours = usual_hours(starts, ends)
        alike = [day for day in days if hours and share_within(*_on_the_clock([day]), hours) >= NEARLY_ALL]
        if hours is None or 2 * len(alike) < len(days):
            yield _pattern(days, members, "")
            return
        days = [day for day in days if day not in alike]
        yield _pattern(alike, members, f", {hours_text(hours)}")
    for day in days:
        yield _single(day, members)


def _on_the_clock(days: Sequence[_Day]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and ends as the clock shows them, microseconds."""
    def local(moment: datetime) -> int:
        return (moment.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)

    spans = [(local(start), local(end)) for day in days for start, end in _joined(day.spans)]
    starts, ends = np.array(spans, np.int64).reshape(-1, 2).T
    return starts, ends


def _single(day: _Day, members: Sequence[Finding]) -> str:
    whole = (day.last - day.first).total_seconds()
    some = f", {time_words(day.seconds)} of it" if day.seconds < 0.9 * whole else ""
    same = day.last.date() == day.first.date() or whole < 86400
    end = f"{day.last:%H:%M}" if same else f"{date_words(day.last)} {day.last:%H:%M}"
    return f"{date_words(day.first)}, {day.first:%H:%M} to {end}{some}{_worst(day, members, when=not same)}"


def _pattern(days: Sequence[_Day], members: Sequence[Finding], hours: str) -> str:
    first, last = days[0], days[-1]
    worst = max(days, key=lambda day: _worst_beyond(members, day.worst))
    span = (last.first.date() - first.first.date()).days + 1
    working = all(day.first.weekday() < 5 for day in days)
    each = "every day" if len(days) == span else f"on {count_words(len(days))} days"
    if working and len(days) > 1 and len(days) == sum(
        (first.first.date() + timedelta(days=place)).weekday() < 5 for place in range(span)
    ) < span:  # fmt: skip
        each = "on every working day"
    total = time_words(sum(day.seconds for day in days))
    return (
        f"{each} from {date_words(first.first)} to {date_words(last.first)}{hours}, {total} in all"
        f"{_worst(worst, members, when=True)}"
    )


def _worst(day: _Day, members: Sequence[Finding], *, when: bool) -> str:
    if len({finding.order for finding in members}) > 1:
        return ""
    first = members[0]
    unit = first.statistic.unit if first.statistic is not None and first.statistic.unit != "1" else ""
    at = f" on {date_words(day.worst_at)} at {day.worst_at:%H:%M}" if when else f" at {day.worst_at:%H:%M}"
    return f"; at worst {reading(day.worst, first.limit, unit)}{at}"


def _joined(spans: Iterable[tuple[datetime, datetime]]) -> list[tuple[datetime, datetime]]:
    """Stretches of all phases laid together, in time order."""
    merged: list[tuple[datetime, datetime]] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged


def _covered(spans: Iterable[tuple[datetime, datetime]]) -> float:
    return sum((end - start).total_seconds() for start, end in _joined(spans))


def _worst_beyond(members: Sequence[Finding], value: float) -> float:
    return max(
        (beyond(finding.limit, value) for finding in members if finding.limit is not None), default=float("-inf")
    )
