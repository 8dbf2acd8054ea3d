"""Danger signs in what is not judged: what was cut off, excluded, contradicts itself or has a wrong clock.

A person in danger is not helped by the reason for which a verdict does without these rows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

from msgspec.structs import replace

from pqcheck.model.findings import Finding
from pqcheck.site.site_values import Site
from pqcheck.vet.outcome import Outcome

WITHHELD = "sign-withheld"


def signs_within(outcomes: Iterable[Outcome], spans: Sequence[tuple[int, int]], why: str) -> Iterator[Outcome]:
    """The danger signs, also those withheld, that touch one of the spans; `why` is said behind each."""
    for outcome in outcomes:
        if (outcome.check.danger or outcome.code == WITHHELD) and _touches(outcome, spans):
            yield replace(outcome, text=f"{outcome.text} {why}")


def excluded_named(outcomes: Iterable[Outcome], site: Site) -> list[Outcome]:
    """The outcomes; a danger sign that touches an exclusion says that nothing is judged there."""
    spans = [(exclusion.from_us, exclusion.to_us) for exclusion in site.exclusions]
    return [
        replace(outcome, text=f"{outcome.text} All or part of it lies in time that [[exclusions]] leave out of the "
                              "judging.")
        if outcome.check.danger and _touches(outcome, spans) else outcome for outcome in outcomes
    ]


def with_signs(findings: Iterable[Finding], signs: Iterable[Finding]) -> dict[str, Finding]:
    """Findings and the signs of what was left out, by id.

    A sign takes the place of one about the same channel whose windows lie in its own; two of one id become one with the
    windows of both.
    """
    kept = {finding.id: finding for finding in findings}
    for sign in signs:
        alike = [other for other in kept.values() if other.kind == sign.kind and other.about == sign.about]
        for other in alike:
            if _covers(sign, other):
                del kept[other.id]
        other_reading = kept.get(sign.id)
        if other_reading is not None and other_reading.reason is not None and sign.reason is not None:
            sign = other_reading.replaced(
                windows=tuple(dict.fromkeys((*other_reading.windows, *sign.windows))),
                reason=replace(other_reading.reason, text=f"{other_reading.reason.text} {sign.reason.text}"),
            )
        kept[sign.id] = sign
    return kept


def _covers(sign: Finding, other: Finding) -> bool:
    """Whether every window of the other lies in one of the sign's."""
    own = [(datetime.fromisoformat(window.start), datetime.fromisoformat(window.end)) for window in sign.windows]
    return all(
        any(start <= datetime.fromisoformat(window.start) and datetime.fromisoformat(window.end) <= end
            for start, end in own)
        for window in other.windows
    )


def _touches(outcome: Outcome, spans: Sequence[tuple[int, int]]) -> bool:
    return any(start < extent.end_us and extent.start_us < end for extent in outcome.spans for start, end in spans)
