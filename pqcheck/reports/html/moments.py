"""The worst hour on the first page."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from pqcheck.model.clock import HOUR, iso, parse_iso
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import by_loss, required, worst_window
from pqcheck.model.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.model.verdict import Verdict
from pqcheck.observe.gather import Track
from pqcheck.reports.html.markup import Markup, figure_element, tag, together
from pqcheck.reports.plain import date_words, quantity_words
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.labels import bands_of, phase_label, phase_line, quantity_title
from pqcheck.reports.plots.material import Material
from pqcheck.reports.plots.trend import Curve, Frame, Panel, trend

_SEARCHED = 20_000
_LEAST_POINTS = 24


def worst_instant(material: Material) -> tuple[Finding, int] | None:
    """The finding and the moment furthest beyond (or nearest to) a limit; None when nothing tells."""
    asked = [finding for finding in required(material.findings) if finding.kind == "limit" and finding.windows]
    failed = [finding for finding in asked if finding.verdict in (Verdict.FAIL, Verdict.WAIVED)]
    # The voltage is what people feel; other quantities only where no voltage is outside.
    # An event has its place in the figure of events; the hour around it shows nothing of so short a time.
    of_trends = [finding for finding in failed or asked if finding.quantity is not None]
    for finding in sorted(by_loss(of_trends), key=lambda candidate: candidate.quantity != "voltage"):
        return finding, parse_iso(worst_window(finding, _SEARCHED).worst_at)[0]
    return None


def worst_hour_figure(material: Material) -> Drawn | None:
    """The hour around the worst moment, at the finest resolution kept, with what it is about and the current."""
    worst = worst_instant(material)
    gathered = material.gathered
    if worst is None or gathered is None:
        return None
    finding, instant = worst
    tracks = _tracks(material, finding)
    if not tracks:
        return None
    step = max(track.step_us for track in tracks)
    half = max(HOUR // 2, _LEAST_POINTS // 2 * step)
    frame = Frame(instant - half, instant + half, gathered.zone)
    unit = finding.statistic.unit if finding.statistic is not None else ""
    hour = ((instant - HOUR // 2, instant + HOUR // 2),)
    fits = all(track.unit == unit for track in tracks)
    floor = 0.3 * float(material.site.supply.line_to_neutral or 0) if finding.quantity == "voltage" else None
    panels = [
        Panel(
            _title(finding), tracks[0].unit, tuple(_curve(track, frame) for track in tracks),
            bands_of([finding]) if fits else (), hour, floor,
        )
    ]  # fmt: skip
    currents = gathered.tracks("current", "abc")
    if currents and finding.quantity != "current":
        panels.append(Panel("Current", "A", tuple(_curve(track, frame) for track in currents), (), hour))
    name = quantity_words(finding.quantity)
    return trend(
        "fig-worst-hour", "The worst hour", panels, frame,
        f"Line chart of {name} around the worst moment, {_when(instant, gathered.zone)}"
        + (", with the current below." if len(panels) > 1 else "."),
        f"The tinted hour is the worst one; {'broken lines are the limits' if fits else 'values as recorded'}.",
    )  # fmt: skip


def _title(finding: Finding) -> str:
    return quantity_title(finding.quantity or "voltage") + (f", order {finding.order}" if finding.order else "")


def _tracks(material: Material, finding: Finding) -> list[Track]:
    gathered = material.gathered
    assert gathered is not None and finding.quantity is not None
    if finding.phase is None:
        return gathered.tracks(finding.quantity, [None])
    same = LINE_TO_LINE if finding.phase in LINE_TO_LINE else (*LINE_TO_NEUTRAL, *"abc")
    return gathered.tracks(finding.quantity, same, finding.order)


def _curve(track: Track, frame: Frame) -> Curve:
    place = track.between(frame.start_us, frame.end_us)
    phase = track.channel.phase
    return Curve(
        phase_label(phase), track.start_us + place.start * track.step_us, track.step_us, track.mean[place],
        track.low[place], track.high[place], phase_line(track.channel.quantity, phase),
    )  # fmt: skip


def _when(instant_us: int, zone: str) -> str:
    moment = datetime.fromisoformat(iso(instant_us, zone))
    return f"{date_words(moment)} at {moment:%H:%M}"


def worst_hour_part(material: Material, drawn: Drawn | None) -> Markup:
    """Heading, sentence, figure; nothing when no time was outside a limit."""
    worst = worst_instant(material)
    if worst is None or drawn is None or material.gathered is None:
        return Markup("")
    finding, instant = worst
    text = f"It was worst on {_when(instant, material.gathered.zone)}."
    words = [_between(material, finding, instant)]
    current = _current(material, instant)
    if current:
        words.append(current)
    paragraph = tag("p", " ".join([text, *words]))
    return together([tag("h3", "The worst hour"), paragraph, figure_element(drawn, small=True)])


def _between(material: Material, finding: Finding, instant: int) -> str:
    for track in _tracks(material, finding):
        if track.channel.phase == finding.phase:
            low, high = within(track, instant - HOUR // 2, instant + HOUR // 2)
            if low is not None:
                name = quantity_words(finding.quantity)
                where = f" (phase {finding.phase[0]})" if finding.phase in LINE_TO_NEUTRAL else ""
                where = where or (f" ({phase_label(finding.phase)})" if finding.phase else "")
                unit = "" if track.unit == "1" else f" {track.unit}"
                return f"In that hour {name}{where} lay between {low:.4g} and {high:.4g}{unit}."
    return ""


def _current(material: Material, instant: int) -> str:
    assert material.gathered is not None
    parts = []
    for phase in material.gathered.phases("current"):
        track = material.gathered.find("current", phase)
        value = track.at(instant) if track is not None else None
        if value is not None and phase != "n":
            parts.append(f"{value:.3g} A on {phase_label(phase)}")
    return f"The current at that moment was {', '.join(parts)}." if parts else ""


def within(track: Track, start: int, end: int) -> tuple[float | None, float | None]:
    """Lowest and highest reading of a track within a span; None where there is none."""
    place = track.between(start, end)
    low, high = track.low[place], track.high[place]
    if not len(low) or np.isnan(low).all():
        return None, None
    return float(np.nanmin(low)), float(np.nanmax(high))
