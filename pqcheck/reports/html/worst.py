"""What the worst hour looked like: one small figure and one sentence for the first page."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from pqcheck.clock import HOUR, iso, parse_iso
from pqcheck.findings import Finding, Verdict
from pqcheck.findings_words import by_loss, required, worst_window
from pqcheck.observing.gather import Track
from pqcheck.quantities import LINE_TO_LINE, LINE_TO_NEUTRAL
from pqcheck.reports.html.markup import Markup, figure_element, tag, together
from pqcheck.reports.plain import date_words, quantity_words
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.labels import bands_of, phase_label, phase_line
from pqcheck.reports.plots.material import Material
from pqcheck.reports.plots.trend import Curve, Frame, Panel, trend

_SEARCHED = 20_000
_LEAST_POINTS = 24


def worst_instant(material: Material) -> tuple[Finding, int] | None:
    """The finding and the moment furthest beyond (or nearest to) a limit; None when nothing tells."""
    asked = [one for one in required(material.findings) if one.kind == "limit" and one.windows]
    failed = [one for one in asked if one.verdict in (Verdict.FAIL, Verdict.WAIVED)]
    # The voltage is what people feel; other quantities only where no voltage is outside.
    for one in sorted(by_loss(failed or asked), key=lambda one: one.quantity != "voltage"):
        return one, parse_iso(worst_window(one, _SEARCHED).worst_at)[0]
    return None


def worst_hour_figure(material: Material) -> Drawn | None:
    """The hour around the worst moment, at the finest resolution kept, with what it is about and the current."""
    found = worst_instant(material)
    gathered = material.gathered
    if found is None or gathered is None:
        return None
    one, instant = found
    tracks = _tracks(material, one)
    if not tracks:
        return None
    step = max(track.step_us for track in tracks)
    half = max(HOUR // 2, _LEAST_POINTS // 2 * step)
    frame = Frame(instant - half, instant + half, gathered.zone)
    unit = one.statistic.unit if one.statistic is not None else ""
    hour = ((instant - HOUR // 2, instant + HOUR // 2),)
    fits = all(track.unit == unit for track in tracks)
    floor = 0.3 * float(material.site.supply.line_to_neutral or 0) if one.quantity == "voltage" else None
    panels = [
        Panel(
            _title(one), tracks[0].unit, tuple(_curve(track, frame) for track in tracks),
            bands_of([one]) if fits else (), hour, floor,
        )
    ]  # fmt: skip
    currents = [track for phase in "abc" if (track := gathered.find("current", phase)) is not None]
    if currents and one.quantity != "current":
        panels.append(Panel("Current", "A", tuple(_curve(track, frame) for track in currents), (), hour))
    name = quantity_words(one.quantity)
    return trend(
        "fig-worst-hour", "The worst hour", panels, frame,
        f"Line chart of {name} around the worst moment, {_when(instant, gathered.zone)}"
        + (", with the current below." if len(panels) > 1 else "."),
        f"The tinted hour is the worst one; {'broken lines are the limits' if fits else 'values as recorded'}.",
    )  # fmt: skip


def _title(one: Finding) -> str:
    from pqcheck.reports.plots.labels import quantity_title

    return quantity_title(one.quantity or "voltage") + (f", order {one.order}" if one.order else "")


def _tracks(material: Material, one: Finding) -> list[Track]:
    gathered = material.gathered
    assert gathered is not None and one.quantity is not None
    if one.phase is None:
        track = gathered.find(one.quantity)
        return [track] if track is not None else []
    same = ("ab", "bc", "ca") if one.phase in LINE_TO_LINE else ("an", "bn", "cn", "a", "b", "c")
    found = (gathered.find(one.quantity, phase, one.order) for phase in same)
    return [track for track in found if track is not None]


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
    found = worst_instant(material)
    if found is None or drawn is None or material.gathered is None:
        return Markup("")
    one, instant = found
    text = f"It was worst on {_when(instant, material.gathered.zone)}."
    words = [_between(material, one, instant)]
    current = _current(material, instant)
    if current:
        words.append(current)
    said = tag("p", " ".join([text, *words]))
    return together([tag("h3", "The worst hour"), said, figure_element(drawn, small=True)])


def _between(material: Material, one: Finding, instant: int) -> str:
    for track in _tracks(material, one):
        if track.channel.phase == one.phase:
            place = track.between(instant - HOUR // 2, instant + HOUR // 2)
            low, high = track.low[place], track.high[place]
            if len(low) and not np.isnan(low).all():
                name = quantity_words(one.quantity)
                where = f" (phase {one.phase[0]})" if one.phase in LINE_TO_NEUTRAL else ""
                where = where or (f" ({phase_label(one.phase)})" if one.phase else "")
                unit = "" if track.unit == "1" else f" {track.unit}"
                return f"In that hour {name}{where} lay between {np.nanmin(low):.4g} and {np.nanmax(high):.4g}{unit}."
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
