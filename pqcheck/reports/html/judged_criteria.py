"""Criteria as the page shows them: all findings of one rule on one channel, the worst of them, and its mark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from pqcheck.model.findings import Finding, Findings
from pqcheck.model.findings_words import VERDICT_WORDS, margin_percent, rank
from pqcheck.model.verdict import ROLL_UP, Verdict
from pqcheck.reports.html.markup import Markup, tag

SHAPES: Mapping[Verdict, str] = {
    Verdict.PASS: "✓",
    Verdict.FAIL: "✕",
    Verdict.INCONCLUSIVE: "?",
    Verdict.REFUSED: "⊘",
    Verdict.NOT_APPLICABLE: "\u2013",
    Verdict.WAIVED: "◇",
}
STRIP: Mapping[Verdict, str] = {
    Verdict.PASS: "·",
    Verdict.FAIL: "■",
    Verdict.INCONCLUSIVE: "?",
    Verdict.REFUSED: "\u00d7",
    Verdict.NOT_APPLICABLE: "-",
    Verdict.WAIVED: "w",
}
WORST_FIRST = (*ROLL_UP, Verdict.NOT_APPLICABLE)


class JudgedCriterion(Struct, frozen=True):
    """One rule on one channel: its findings in time order and the worst of them."""

    findings: tuple[Finding, ...]
    worst: Finding
    anchor: str


def criteria(findings: Findings) -> list[JudgedCriterion]:
    """Every rule and channel once: worst verdict first, then in the order of the findings file."""
    groups: dict[tuple[object, ...], list[Finding]] = {}
    for finding in findings.findings:
        if finding.kind in ("limit", "prediction"):
            # Findings that judged nothing (missing orders, a missing phase) have no period and stand beside the others.
            key = (
                finding.kind,
                finding.table,
                finding.rule,
                finding.quantity,
                finding.channel,
                finding.phase,
                finding.order,
                finding.period is None,
            )
            groups.setdefault(key, []).append(finding)
    made = [
        JudgedCriterion(tuple(members), _worst(members), f"c{number}")
        for number, members in enumerate(groups.values(), 1)
    ]
    return sorted(made, key=lambda row: rank(row.worst.verdict))


def _worst(members: Sequence[Finding]) -> Finding:
    def key(finding: Finding) -> tuple[int, float]:
        margin = margin_percent(finding)
        return rank(finding.verdict), margin if margin is not None else float("inf")

    return min(members, key=key)


def verdict_mark(verdict: Verdict) -> Markup:
    """Verdict in shape and word; the colour is only a third sign."""
    return tag(
        "span", tag("span", SHAPES[verdict], aria_hidden="true", class_="shape"), f" {VERDICT_WORDS[verdict]}",
        class_=f"verdict v-{verdict.value}",
    )  # fmt: skip
