"""What the record shows at the times the customer complained of, before any statistics."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from pqcheck.clock import iso
from pqcheck.findings import Finding, Limit
from pqcheck.observing.gather import Track
from pqcheck.quantities import LINE_TO_NEUTRAL
from pqcheck.reports.html.markup import Markup, pairs, tag, together
from pqcheck.reports.plain import date_words, range_words, reading, span_words
from pqcheck.reports.plots.labels import phase_label
from pqcheck.reports.plots.material import Material


def reported_part(material: Material) -> Markup:
    """One block per reported time; nothing when none was reported."""
    if not material.site.reported:
        return Markup("")
    blocks = [_block(material, one) for one in material.site.reported]
    return together([tag("h3", "At the times you reported"), *blocks])


def _block(material: Material, one: Mapping[str, Any]) -> Markup:
    start = int(one["from_us"])
    end = int(one["to_us"]) if one["to_us"] is not None else start
    zone = material.gathered.zone if material.gathered is not None else material.site.time_zone or "UTC"
    first, last = iso(start, zone), iso(end, zone)
    when = span_words(first, last) if end > start else f"{date_words(_moment(first))}, {_moment(first):%H:%M}"
    said = tag("p", tag("strong", f"{when}: "), "\u201c", str(one["text"]), "\u201d")
    if material.gathered is None:
        shown = tag("p", "The recording was not at hand for this report.")
        return tag("div", said, shown, class_="reported")
    voltage = list(_extremes(material, "voltage", start, max(end, start + 1)))
    current = list(_extremes(material, "current", start, max(end, start + 1)))
    shown = pairs(
        [
            ("The voltage then", _range(voltage, "V")), ("The current then", _range(current, "A")),
            ("Against the allowed range", _verdict(material, voltage)),
        ]
    )  # fmt: skip
    return tag("div", said, shown, class_="reported")


def _moment(stamp: str) -> Any:
    from datetime import datetime

    return datetime.fromisoformat(stamp)


def _extremes(material: Material, quantity: str, start: int, end: int) -> Iterator[tuple[str | None, float, float]]:
    """(phase, lowest, highest) of each phase within the span, from minimum and maximum columns where recorded."""
    assert material.gathered is not None
    held = material.gathered.phases(quantity)
    to_neutral = [phase for phase in held if phase in LINE_TO_NEUTRAL]
    for phase in to_neutral or held:
        lows, highs = [], []
        for track in (material.gathered.find(quantity, phase, None, r) for r in ("mean", "min", "max")):
            if track is None:
                continue
            low, high = _within(track, start, end)
            if low is not None and high is not None:
                lows.append(low)
                highs.append(high)
        if lows:
            yield phase, min(lows), max(highs)


def _within(track: Track, start: int, end: int) -> tuple[float | None, float | None]:
    place = track.between(start, end)
    low, high = track.low[place], track.high[place]
    if not len(low) or np.isnan(low).all():
        return None, None
    return float(np.nanmin(low)), float(np.nanmax(high))


def _range(found: list[tuple[str | None, float, float]], unit: str) -> str:
    if not found:
        return "not recorded"
    if len(found) == 1:
        return f"{_spread(*found[0][1:])} {unit}"
    return "; ".join(f"{_name(phase)} {_spread(low, high)} {unit}" for phase, low, high in found if phase != "n")


def _spread(low: float, high: float) -> str:
    first, last = f"{low:.3g}", f"{high:.3g}"
    return first if first == last else f"{first}\u2013{last}"


def _name(phase: str | None) -> str:
    """For people: a voltage to neutral is that of its phase."""
    return f"phase {phase[0]}" if phase in LINE_TO_NEUTRAL else phase_label(phase)


def _verdict(material: Material, voltage: list[tuple[str | None, float, float]]) -> Markup | str:
    if not voltage:
        return "no voltage was recorded at this time"
    outside, allowed = [], None
    for phase, low, high in voltage:
        limit = _tightest(material, phase)
        if limit is None:
            continue
        allowed = allowed or limit
        if limit.low is not None and low < limit.low:
            outside.append(f"{_name(phase)} down to {reading(low, limit, 'V')}")
        if limit.high is not None and high > limit.high:
            outside.append(f"{_name(phase)} up to {reading(high, limit, 'V')}")
    if allowed is None:
        return "no limit for the voltage was judged"
    if outside:
        return tag("strong", f"✕ outside {range_words(allowed)}: {', '.join(outside)}")
    return f"✓ inside {range_words(allowed)}"


def _tightest(material: Material, phase: str | None) -> Limit | None:
    found: list[Finding] = [
        one
        for one in material.findings.findings
        if one.kind == "limit" and one.quantity == "voltage" and one.phase == phase and one.limit is not None
        and one.verdict.value != "not_applicable"
    ]  # fmt: skip
    return min(
        (one.limit for one in found if one.limit is not None),
        key=lambda limit: (limit.high or float("inf")) - (limit.low or 0.0),
        default=None,
    )
