"""Short names of phases and quantities for legends, and the limits that a set of findings rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import number
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL, QUANTITIES
from pqcheck.model.recording import Channel
from pqcheck.model.verdict import Verdict
from pqcheck.reports.plots.trend import LimitLines

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


def bands_of(findings: Iterable[Finding]) -> tuple[LimitLines, ...]:
    """Distinct limits of findings, the first few, with their words; which table each comes from is in the criteria."""
    bands: dict[tuple[float | None, float | None], LimitLines] = {}
    for finding in findings:
        if (
            finding.kind != "limit"
            or finding.limit is None
            or (finding.limit.low is None and finding.limit.high is None)
        ):
            continue
        key = (finding.limit.low, finding.limit.high)
        bands.setdefault(key, LimitLines(*key, share_words(finding)))
    return tuple(bands.values())[:MOST_BANDS]


def standing(findings: Sequence[Finding], channel: Channel) -> str:
    """Whether what is described of a channel was judged too, or stands there as a description alone."""
    # What a rule could not judge at all names no phase and no order.
    about = [
        finding for order in dict.fromkeys((channel.order, None))
        for finding in concerning(findings, channel.quantity, (channel.phase, None), order)
    ]
    decided = {finding.verdict for finding in about} & {Verdict.PASS, Verdict.FAIL, Verdict.WAIVED}
    if decided and channel.reading == "mean":
        return "judged"
    return "description only: not judged" if about else "description only: no rule asked"


def concerning(
    findings: Sequence[Finding], quantity: str, phases: Iterable[str | None], order: int | None = None
) -> list[Finding]:
    """Limit findings about a quantity on any of the phases."""
    held = set(phases)
    return [
        finding
        for finding in findings
        if finding.kind == "limit" and finding.quantity == quantity and finding.phase in held and finding.order == order
    ]
