"""Short names of phases and quantities for legends, and the limits that a set of findings rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import number
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL, QUANTITIES
from pqcheck.reports.plots.trend import Band

MOST_BANDS = 3


def phase_label(phase: str | None) -> str:
    """``a to n``, ``a to b``, ``phase a``, ``total``."""
    if phase is None:
        return "system"
    if phase in LINE_TO_NEUTRAL or phase == "ng" or phase in LINE_TO_LINE:
        return f"{phase[0]} to {phase[1]}"
    return {"n": "neutral", "total": "total"}.get(phase, f"phase {phase}")


def phase_line(quantity: str, phase: str | None) -> int:
    """The place of a phase in the palette: the same phase always looks the same."""
    if phase is None or phase in ("total", "n", "ng"):
        return 3
    return "abc".index(phase[0])


def quantity_title(quantity: str) -> str:
    """The quantity in words."""
    return QUANTITIES[quantity].title


def share_words(finding: Finding) -> str:
    """What share of the values the limit asks for."""
    statistic = finding.statistic
    if statistic is None or statistic.percent is None:
        return "at the allowed number of times"
    if statistic.percent == 100:
        return "all values"
    return f"{number(statistic.percent)} % of values"


def bands_of(findings: Iterable[Finding]) -> tuple[Band, ...]:
    """Distinct limits of findings, the first few, with their words; which table each comes from is in the criteria."""
    found: dict[tuple[float | None, float | None], Band] = {}
    for one in findings:
        if one.kind != "limit" or one.limit is None or (one.limit.low is None and one.limit.high is None):
            continue
        key = (one.limit.low, one.limit.high)
        found.setdefault(key, Band(*key, share_words(one)))
    return tuple(found.values())[:MOST_BANDS]


def concerning(
    findings: Sequence[Finding], quantity: str, phases: Iterable[str | None], order: int | None = None
) -> list[Finding]:
    """Limit findings about a quantity on any of the phases."""
    held = set(phases)
    return [
        one
        for one in findings
        if one.kind == "limit" and one.quantity == quantity and one.phase in held and one.order == order
    ]
