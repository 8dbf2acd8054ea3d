"""When something was outside its limits, in clock time: single days, or the pattern of many."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from msgspec import Struct

from pqcheck.findings import Finding, Findings, Verdict
from pqcheck.reports.plain import capital, count_words, date_words, quantity_words, reading, time_words

MOST_DAYS = 3
"""Days told one by one; more of them are told as a pattern."""
_MOST_WINDOWS = 5000


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
    for one in findings.findings:
        if one.kind == "limit" and one.verdict in (Verdict.FAIL, Verdict.WAIVED) and one.quantity is not None:
            failed.setdefault(one.quantity, []).append(one)
    for quantity, members in sorted(failed.items(), key=lambda item: item[0] != "voltage"):
        days = _days(members)
        if not days:
            continue
        name = f"{capital(quantity_words(quantity))}: " if len(failed) > 1 else ""
        if len(days) <= MOST_DAYS:
            made += [name + _single(day, members) for day in days]
        else:
            made.append(name + _pattern(days, members))
    return made


def _days(members: Sequence[Finding]) -> list[_Day]:
    spans: dict[date, list[tuple[datetime, datetime, float, datetime]]] = {}
    for finding in members:
        for window in finding.windows[:_MOST_WINDOWS]:
            start, end, at = (datetime.fromisoformat(text) for text in (window.start, window.end, window.worst_at))
            spans.setdefault(start.date(), []).append((start, end, window.worst, at))
    found = []
    for _, held in sorted(spans.items()):
        held.sort(key=lambda span: span[:2])
        _, _, worst, at = max(held, key=lambda span: _beyond(members, span[2]))
        seconds = _covered([(start, end) for start, end, _, _ in held])
        found.append(_Day(held[0][0], max(span[1] for span in held), seconds, worst, at))
    return found


def _single(day: _Day, members: Sequence[Finding]) -> str:
    whole = (day.last - day.first).total_seconds()
    some = f", {time_words(day.seconds)} of it" if day.seconds < 0.9 * whole else ""
    same = day.last.date() == day.first.date() or whole < 86400
    end = f"{day.last:%H:%M}" if same else f"{date_words(day.last)} {day.last:%H:%M}"
    return f"{date_words(day.first)}, {day.first:%H:%M} to {end}{some}{_worst(day, members, when=not same)}"


def _pattern(days: Sequence[_Day], members: Sequence[Finding]) -> str:
    first, last = days[0], days[-1]
    worst = max(days, key=lambda day: _beyond(members, day.worst))
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
    one = members[0]
    unit = one.statistic.unit if one.statistic is not None and one.statistic.unit != "1" else ""
    at = f" on {date_words(day.worst_at)} at {day.worst_at:%H:%M}" if when else f" at {day.worst_at:%H:%M}"
    return f"; at worst {reading(day.worst, one.limit, unit)}{at}"


def _covered(spans: list[tuple[datetime, datetime]]) -> float:
    total, until = 0.0, None
    for start, end in spans:
        begin = start if until is None or start > until else until
        if end > begin:
            total += (end - begin).total_seconds()
            until = end
        until = end if until is None else max(until, end)
    return total


def _beyond(members: Sequence[Finding], value: float) -> float:
    best = float("-inf")
    for one in members:
        if one.limit is None:
            continue
        if one.limit.high is not None:
            best = max(best, value - one.limit.high)
        if one.limit.low is not None:
            best = max(best, one.limit.low - value)
    return best
