"""Half-way through a survey: what is proven already, what the rest may still bear, when the recorder may come down."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from msgspec import Struct

from pqcheck.limit_tables import LimitTable
from pqcheck.model.clock import DAY, iso
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict

LENGTHS = {"day": DAY, "week": 7 * DAY}
"""Periods that a survey can complete, microseconds."""

NEVER = frozenset(
    {
        "wrong-interval",
        "not-recorded",
        "phase-missing",
        "orders-missing",
        "neutral-not-seen",
        "no-criterion",
        "pcc-not-declared",
        "demand-not-declared",
        "fact-not-declared",
        "base-unknown",
        "indicative",
    }
)
"""Reasons that more time does not remove."""


class Allowance(Struct, frozen=True):
    """What one rule may still bear on its worst channel of a running period."""

    table: str
    rule: str
    channel: str
    start: str
    end: str
    expected: int
    outside: int
    missing: int
    lost: int
    allowed: int

    @property
    def left(self) -> int:
        """Further intervals that may lie outside before the fail is certain."""
        return self.allowed - self.outside

    @property
    def proof_left(self) -> int:
        """Further intervals that may lie outside or be lost while a pass can still be proven; below zero: none can."""
        return self.allowed - self.outside - self.lost


class Removal(Struct, frozen=True):
    """When the first, or the next, full period of a length is complete."""

    length: str
    complete: int
    first: str
    next: str


class SoFar(Struct, frozen=True):
    """The state half-way."""

    seen_until: str
    failed: tuple[Finding, ...]
    passed: tuple[Finding, ...]
    room: tuple[Allowance, ...]
    removal: tuple[Removal, ...]
    never: tuple[Finding, ...]
    refused: tuple[Finding, ...]


def progress(findings: Sequence[Finding], tables: Sequence[LimitTable], start_us: int, end_us: int, zone: str) -> SoFar:
    """The state half-way, from the limit findings of what was recorded from `start_us` to `end_us` (UTC)."""
    own = [finding for finding in findings if finding.kind == "limit"]
    open_ = [finding for finding in own if finding.verdict is Verdict.INCONCLUSIVE]
    return SoFar(
        iso(end_us, zone),
        tuple(finding for finding in own if finding.verdict is Verdict.FAIL and finding.proven),
        tuple(finding for finding in own if finding.verdict is Verdict.PASS and finding.proven),
        tuple(rooms(open_, end_us)),
        tuple(removals(tables, start_us, end_us, zone)),
        tuple(finding for finding in open_ if finding.reason is not None and finding.reason.code in NEVER),
        tuple(finding for finding in own if finding.verdict is Verdict.REFUSED),
    )


def rooms(open_: Sequence[Finding], last_us: int) -> list[Allowance]:
    """The tightest channel of every rule with a count that is still running."""
    worst: dict[tuple[str, str, str], Allowance] = {}
    for finding in open_:
        period, counts, statistic = finding.period, finding.intervals, finding.statistic
        if counts is None or period is None or statistic is None or not statistic.interval_s:
            continue
        if (finding.reason is not None and finding.reason.code in NEVER) or statistic.kind == "longest_run_at_most":
            # What a rule about runs can still bear is no number of intervals.
            continue
        to_come = _to_come(finding, last_us)
        room = Allowance(
            finding.table,
            finding.rule,
            finding.channel,
            period.start,
            period.end,
            counts.expected,
            counts.outside,
            counts.missing,
            max(0, counts.missing - to_come),
            counts.allowed,
        )
        key = (finding.table, finding.rule, period.start)
        if key not in worst or (room.proof_left, room.channel) < (worst[key].proof_left, worst[key].channel):
            worst[key] = room
    return [worst[key] for key in sorted(worst)]


def _to_come(finding: Finding, last_us: int) -> int:
    """Intervals of the period that lie after the last one recorded: not lost, only not yet there."""
    if finding.period is None or finding.statistic is None or not finding.statistic.interval_s:
        return 0
    end_us = round(datetime.fromisoformat(finding.period.end).timestamp() * 1e6)
    return max(0, (end_us - last_us) // round(finding.statistic.interval_s * 1e6))


def removals(tables: Sequence[LimitTable], start_us: int, end_us: int, zone: str) -> list[Removal]:
    """When the recorder may come down: the first and the next full period of every length asked."""
    asked = {rule.period.length for table in tables for rule in table.rules}
    if any(rule.time_criterion is not None for table in tables for rule in table.rules):
        asked.add("week")
    removals = []
    for length, size in LENGTHS.items():
        if length in asked:
            done = (end_us - start_us) // size
            removals.append(Removal(length, done, iso(start_us + size, zone), iso(start_us + (done + 1) * size, zone)))
    return removals
