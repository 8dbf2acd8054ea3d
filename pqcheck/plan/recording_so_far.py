"""Half-way through a survey: what is proven already, what the rest may still bear, when the recorder may come down."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

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
    coverage_left: int | None = None
    """Further intervals that may be lost under the declared coverage; None where none is declared."""

    @property
    def left(self) -> int:
        """Further intervals that may lie outside before the fail is certain."""
        return self.allowed - self.outside

    @property
    def proof_left(self) -> int:
        """Further intervals that may lie outside or be lost while a pass can still be proven; below zero: none can."""
        return self.allowed - self.outside - self.lost


class Removal(Struct, frozen=True):
    """When the first, or the next, full period of a length is complete; `after_hole` when one without a hole is,
    counted from the end of the last hole, empty without one."""

    length: str
    complete: int
    first: str
    next: str
    after_hole: str = ""


class SoFar(Struct, frozen=True):
    """The state half-way."""

    seen_until: str
    failed: tuple[Finding, ...]
    passed: tuple[Finding, ...]
    room: tuple[Allowance, ...]
    removal: tuple[Removal, ...]
    never: tuple[Finding, ...]
    refused: tuple[Finding, ...]


def progress(
    findings: Sequence[Finding],
    tables: Sequence[LimitTable],
    start_us: int,
    end_us: int,
    zone: str,
    coverage_percent: Decimal | None = None,
) -> SoFar:
    """The state half-way, from the findings of what was recorded from `start_us` to `end_us` (UTC).

    `coverage_percent` is the declared share of data from which valid values may decide.
    """
    own = [finding for finding in findings if finding.kind == "limit"]
    open_ = [finding for finding in own if finding.verdict is Verdict.INCONCLUSIVE]
    return SoFar(
        iso(end_us, zone),
        tuple(finding for finding in own if finding.verdict is Verdict.FAIL and finding.proven),
        tuple(finding for finding in own if finding.verdict is Verdict.PASS and finding.proven),
        tuple(rooms(open_, end_us, coverage_percent)),
        tuple(removals(tables, start_us, end_us, zone, last_hole_us(findings, end_us))),
        tuple(finding for finding in open_ if finding.reason is not None and finding.reason.code in NEVER),
        tuple(finding for finding in own if finding.verdict is Verdict.REFUSED),
    )


def rooms(open_: Sequence[Finding], last_us: int, coverage_percent: Decimal | None = None) -> list[Allowance]:
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
            None if coverage_percent is None else
            int(counts.expected * (100 - coverage_percent) / 100) - max(0, counts.missing - to_come),
        )
        key = (finding.table, finding.rule, period.start)
        if key not in worst or (room.proof_left, room.channel) < (worst[key].proof_left, worst[key].channel):
            worst[key] = room
    return [worst[key] for key in sorted(worst)]


def _to_come(finding: Finding, last_us: int) -> int:
    """Intervals of the period that end after the last value recorded: not lost, only not yet there; so is the running
    one."""
    if finding.period is None or finding.statistic is None or not finding.statistic.interval_s:
        return 0
    end_us = round(datetime.fromisoformat(finding.period.end).timestamp() * 1e6)
    return max(0, -(-(end_us - last_us) // round(finding.statistic.interval_s * 1e6)))


def last_hole_us(findings: Sequence[Finding], end_us: int) -> int | None:
    """End of the last hole that voltages or currents have before the end of the recording; None without one."""
    ends = [
        round(datetime.fromisoformat(window.end).timestamp() * 1e6)
        for finding in findings
        if finding.kind == "recording" and finding.rule == "completeness" and finding.quantity in ("voltage", "current")
        for window in finding.windows
    ]
    return max((end for end in ends if end < end_us), default=None)


def removals(
    tables: Sequence[LimitTable], start_us: int, end_us: int, zone: str, hole_us: int | None = None
) -> list[Removal]:
    """When the recorder may come down: the first and the next full period of every length asked.

    A period begins with the first full interval on the grid, of the longest interval that its rules ask; an hourly or
    two-hourly value does not count from the middle of its block.
    """
    removals = []
    for length, size in LENGTHS.items():
        rules = [rule for table in tables for rule in table.rules
                 if rule.period.length == length or (length == "week" and rule.time_criterion is not None)]
        if not rules:
            continue
        grid = max(round(float(rule.interval_s) * 1e6) for rule in rules)
        first = -(-start_us // grid) * grid
        done = max(0, end_us - first) // size
        gap_free = "" if hole_us is None else iso(-(-hole_us // grid) * grid + size, zone)
        removals.append(Removal(length, done, iso(first + size, zone), iso(first + (done + 1) * size, zone), gap_free))
    return removals
