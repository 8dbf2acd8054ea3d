"""The times the customer complained of: means against limits of means, extremes and events for what they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from msgspec import Struct

from pqcheck.model.clock import duration_text, iso
from pqcheck.model.findings import Finding, Limit
from pqcheck.model.findings_words import beyond
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.recording import Event
from pqcheck.model.verdict import Verdict
from pqcheck.reports.html.markup import Markup, pairs, tag, together
from pqcheck.reports.html.moments import within
from pqcheck.reports.plain import allowance, date_words, listed, range_words, reading, span_words
from pqcheck.reports.plots.labels import phase_label
from pqcheck.reports.plots.material import Material

MOST_EVENTS = 6


class Readings(Struct, frozen=True):
    """Lowest and highest mean of a phase within a span, over what interval they are means."""

    phase: str
    low: float
    high: float
    interval_us: int


def reported_part(material: Material) -> Markup:
    """One block per reported time; nothing when none was reported."""
    if not material.site.reported:
        return Markup("")
    blocks = [_block(material, report) for report in material.site.reported]
    return together([tag("h3", "At the times you reported"), *blocks])


def _block(material: Material, reported: Mapping[str, Any]) -> Markup:
    start = int(reported["from_us"])
    end = int(reported["to_us"]) if reported["to_us"] is not None else start
    zone = material.gathered.zone if material.gathered is not None else material.site.time_zone or "UTC"
    first, last = iso(start, zone), iso(end, zone)
    moment = datetime.fromisoformat(first)
    when = span_words(first, last) if end > start else f"{date_words(moment)}, {moment:%H:%M}"
    paragraph = tag("p", tag("strong", f"{when}: "), "\u201c", str(reported["text"]), "\u201d")
    if material.gathered is None:
        shown = tag("p", "The recording was not at hand for this report.")
        return tag("div", paragraph, shown, class_="reported")
    end = max(end, start + 1)
    rows: list[tuple[str, Markup | str]] = []
    kinds = [kind for kind in (LINE_TO_NEUTRAL, LINE_TO_LINE) if _means(material, kind, start, end)]
    for kind in kinds:
        between = " between phases" if kind is LINE_TO_LINE and len(kinds) > 1 else ""
        means = _means(material, kind, start, end)
        rows += [
            (f"The voltage{between} then ({duration_text(max(each.interval_us for each in means))} values)",
             _listed([(each.phase, each.low, each.high) for each in means], "V")),
            (f"Against the allowed range{between}", _against(material, means)),
        ]  # fmt: skip
    if not kinds:
        rows.append(("The voltage then", "not recorded"))
    rows += _extremes(material, start, end)
    current = [(phase, low, high) for phase, low, high in _recorded(material, "current", "mean", start, end)]
    rows.append(("The current then", _listed(current, "A") if current else "not recorded"))
    events = [event for event in material.gathered.events if event.time_us < end and event.end_us > start]
    if material.gathered.events:
        rows.append(("Dips, swells and interruptions listed then", _events(events, zone)))
    return tag("div", paragraph, pairs(rows), class_="reported")


def _means(material: Material, phases: Sequence[str], start: int, end: int) -> list[Readings]:
    """The means that rules judge, at the rule's own interval where it was formed."""
    assert material.gathered is not None
    made = []
    for phase in phases:
        finding = _tightest(material, phase)
        interval = round(float(finding.statistic.interval_s) * 1e6) if finding is not None \
            and finding.statistic is not None and finding.statistic.interval_s else None
        held = (each for each in material.gathered.judged if (each.quantity, each.phase) == ("voltage", phase))
        series = next((each for each in held if each.interval_us == interval), None)
        if series is not None:
            first = max((start - series.start_us) // series.interval_us, 0)
            values = series.values[first : max(-(-(end - series.start_us) // series.interval_us), first)]
            if len(values) and not np.isnan(values).all():
                made.append(Readings(phase, float(np.nanmin(values)), float(np.nanmax(values)), series.interval_us))
            continue
        track = material.gathered.find("voltage", phase)
        low, high = within(track, start, end) if track is not None else (None, None)
        if track is not None and low is not None and high is not None:
            made.append(Readings(phase, low, high, track.interval_us))
    return made


def _recorded(
    material: Material, quantity: str, kind: str, start: int, end: int
) -> Iterator[tuple[str, float, float]]:
    assert material.gathered is not None
    for phase in material.gathered.phases(quantity):
        track = material.gathered.find(quantity, phase, None, kind)
        low, high = within(track, start, end) if track is not None else (None, None)
        if low is not None and high is not None and phase != "n":
            yield phase, low, high


def _extremes(material: Material, start: int, end: int) -> Iterator[tuple[str, str]]:
    """What the minimum and maximum columns show: dips always, rises where they leave the allowed range."""
    window = material.site.recording.extremes_of_us
    values = f" ({duration_text(window)} values)" if window else ""
    for kind, words, of in (("min", "Short dips down to", 1), ("max", "Short rises up to", 2)):
        held = list(_recorded(material, "voltage", kind, start, end))
        neutral = [each for each in held if each[0] in LINE_TO_NEUTRAL]
        findings = [(_tightest(material, each[0]), each) for each in neutral or held]
        if kind == "max" and not any(
            finding is not None and beyond(finding.limit, high) > 0 for finding, (_, _, high) in findings
        ):
            continue
        shown = [f"{_name(each[0])} {each[of]:.3g} V" for each in neutral or held]
        if shown:
            yield f"{words}{values}", "; ".join(shown)


def _events(events: Sequence[Event], zone: str) -> str:
    if not events:
        return "none"
    shown = []
    for event in events[:MOST_EVENTS]:
        at = datetime.fromisoformat(iso(event.time_us, zone))
        depth = f" to {float(event.residual_percent):.4g} %" if event.residual_percent is not None else ""
        on = f" on {event.phase}" if event.phase else ""
        shown.append(f"{at:%H:%M:%S} {event.kind}{on}{depth} for {duration_text(int(event.duration_s * 1_000_000))}")
    more = len(events) - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more else "")


def _listed(ranges: Sequence[tuple[str, float, float]], unit: str) -> str:
    if len(ranges) == 1:
        return f"{_spread(*ranges[0][1:])} {unit}"
    return "; ".join(f"{_name(phase)} {_spread(low, high)} {unit}" for phase, low, high in ranges)


def _spread(low: float, high: float) -> str:
    first, last = f"{low:.3g}", f"{high:.3g}"
    return first if first == last else f"{first}\u2013{last}"


def _name(phase: str | None) -> str:
    """For people: a voltage to neutral is that of its phase."""
    return f"phase {phase[0]}" if phase in LINE_TO_NEUTRAL else phase_label(phase)


def _against(material: Material, means: Sequence[Readings]) -> Markup | str:
    """Means against the limits of means; a value outside that a kept rule allows is said to be allowed."""
    outside, judged, kept = [], None, True
    for each in means:
        finding = _tightest(material, each.phase)
        if finding is None or finding.limit is None:
            continue
        judged = judged or finding
        limit, edges = finding.limit, []
        if limit.low is not None and beyond(Limit(limit.low, None, limit.unit), each.low) > 0:
            edges.append(f"down to {reading(each.low, limit, 'V')}")
        if limit.high is not None and beyond(Limit(None, limit.high, limit.unit), each.high) > 0:
            edges.append(f"up to {reading(each.high, limit, 'V')}")
        if edges:
            kept = kept and finding.verdict is Verdict.PASS
            outside.append(f"{_name(each.phase)} {' and '.join(edges)}")
    if judged is None or judged.limit is None:
        return "no limit for the voltage was judged"
    band = range_words(judged.limit)
    if outside and kept:
        return f"outside {band}: {listed(outside)}; the rule asks for that range only {allowance(judged)}, and was kept"
    if outside:
        return tag("strong", f"✕ outside {band}: {listed(outside)}")
    return f"✓ inside {band}"


def _tightest(material: Material, phase: str | None) -> Finding | None:
    """The finding with the narrowest band for the voltage of a phase, a failed one first among equals."""
    findings = [
        finding
        for finding in material.findings.findings
        if finding.kind == "limit" and finding.quantity == "voltage" and finding.phase == phase
        and finding.limit is not None and finding.verdict is not Verdict.NOT_APPLICABLE
    ]  # fmt: skip

    def width(finding: Finding) -> tuple[float, bool]:
        limit = finding.limit
        assert limit is not None
        return (limit.high or float("inf")) - (limit.low or 0.0), finding.verdict is not Verdict.FAIL

    return min(findings, key=width, default=None)
