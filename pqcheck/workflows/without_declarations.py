"""The verdict of another run beside each finding: what it would be without corrections, or without exclusions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from pqcheck.model.findings import Finding, Period
from pqcheck.model.findings_words import rank
from pqcheck.model.verdict import Verdict

Key = tuple[str, str, str]
_NOTHING = timedelta(0)


def beside(findings: Sequence[Finding], others: Iterable[Finding], field: str) -> list[Finding]:
    """The findings with the other run's verdict in `field` where it differs.

    A trim or a shift moves the periods. Every verdict of the other run then goes to the period it shares most time
    with, or that lies nearest when it was cut away; of several the worst is shown.
    """
    by_id = {finding.id: number for number, finding in enumerate(findings) if finding.kind == "limit"}
    by_rule: dict[Key, list[int]] = {}
    for number in by_id.values():
        by_rule.setdefault(_key(findings[number]), []).append(number)
    verdicts: dict[int, Verdict] = {}
    for other in others:
        if other.kind != "limit":
            continue
        candidates = [by_id[other.id]] if other.id in by_id else by_rule.get(_key(other), [])
        if candidates:
            nearest = max(candidates, key=lambda position: _nearness(findings[position].period, other.period))
            verdicts[nearest] = min(verdicts.get(nearest, other.verdict), other.verdict, key=rank)
    return [
        finding.replaced(**{field: verdicts[number].value})
        if verdicts.get(number, finding.verdict) != finding.verdict
        else finding
        for number, finding in enumerate(findings)
    ]


def _key(finding: Finding) -> Key:
    return finding.table, finding.rule, finding.channel


def _nearness(period: Period | None, other: Period | None) -> timedelta:
    """Time that two periods share; negative: how far they lie apart."""
    if period is None or other is None:
        return _NOTHING
    start = max(datetime.fromisoformat(period.start), datetime.fromisoformat(other.start))
    return min(datetime.fromisoformat(period.end), datetime.fromisoformat(other.end)) - start
