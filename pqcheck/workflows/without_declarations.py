"""The verdict of another run beside each finding: what it would be without corrections, or without exclusions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from msgspec.structs import replace

from pqcheck.model.findings import Finding, Period
from pqcheck.model.findings_words import rank
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

Key = tuple[str, str, str]
_NOTHING = timedelta(0)


def beside(findings: Sequence[Finding], others: Iterable[Finding], field: str) -> list[Finding]:
    """The findings with the other run's verdict in `field` where it differs."""
    differing = verdicts_that_differ(findings, others)
    return [
        finding.replaced(**{field: differing[number].value}) if number in differing else finding
        for number, finding in enumerate(findings)
    ]


def verdicts_that_differ(findings: Sequence[Finding], others: Iterable[Finding]) -> dict[int, Verdict]:
    """The other run's verdict by the number of the finding, where it is not the same.

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
    return {number: verdict for number, verdict in verdicts.items() if verdict != findings[number].verdict}


def without(site: Site, section: str) -> Site:
    """The site without one of the sections that declare something away."""
    return replace(site, **{section: None if section == "coverage" else ()})


def _key(finding: Finding) -> Key:
    return finding.table, finding.rule, finding.channel


def _nearness(period: Period | None, other: Period | None) -> timedelta:
    """Time that two periods share; negative: how far they lie apart."""
    if period is None or other is None:
        return _NOTHING
    start = max(datetime.fromisoformat(period.start), datetime.fromisoformat(other.start))
    return min(datetime.fromisoformat(period.end), datetime.fromisoformat(other.end)) - start
