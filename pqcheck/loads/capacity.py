"""Ratings against the largest demand: spare amperes and kVA by phase, now and with the new loads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from msgspec.structs import replace

from pqcheck.clock import iso
from pqcheck.findings import Finding, Limit, Margin, Period, Statistic, Verdict
from pqcheck.loads.predict import MARK, VARIANTS
from pqcheck.loads.series import phases_of
from pqcheck.loads.values import Capacity, Demand, Maximum
from pqcheck.recording import Recording
from pqcheck.site.model import Site

TITLES = {
    "service": "Service rating",
    "feeder": "Ampacity of the feeder",
    "panel": "Panel rating",
    "neutral": "Rating of the neutral",
    "transformer": "Rated power of the transformer",
    "transformer_derated": "Transformer, derated for its harmonics",
}


def ratings_of(site: Site) -> Iterator[tuple[str, str | None, str, float]]:
    """Declared ratings as (name, phase, unit, value); a panel rating stands once for each phase."""
    ratings: Mapping[str, Any] = site.ratings
    for name in ("service", "feeder"):
        if name in ratings:
            for phase in phases_of(site.supply):
                yield name, phase, "A", float(ratings[name])
    panels = dict(ratings.get("panel_phases", {}))
    for phase in phases_of(site.supply):
        value = panels.get(phase, ratings.get("panel"))
        if value is not None:
            yield "panel", phase, "A", float(value)
    if "neutral" in ratings:
        yield "neutral", "n", "A", float(ratings["neutral"])
    if "transformer" in ratings:
        yield "transformer", None, "VA", float(ratings["transformer"])


def capacities(
    site: Site, now: Demand, then: Demand | None, derated: tuple[float | None, float | None] = (None, None)
) -> list[Capacity]:
    """One entry for each rating (and phase) whose demand was recorded.

    `derated` are the transformer powers derated for the harmonics before and after, where they are known.
    """
    found = []
    for name, phase, unit, limit in ratings_of(site):
        quantity = "current" if unit == "A" else "apparent_power"
        entry = _entry(
            name,
            phase,
            unit,
            limit,
            now.maximum(quantity, phase),
            None if then is None else then.maximum(quantity, phase),
        )
        if entry is None:
            continue
        if unit == "A" and phase != "n" and site.supply.line_to_neutral is not None:
            spare = limit - (entry.now if entry.then is None else entry.then)
            entry = replace(entry, spare_va=spare * float(site.supply.line_to_neutral))
        found.append(entry)
        if name == "transformer" and derated[0] is not None:
            after = derated[0] if derated[1] is None else derated[1]
            note = f"{derated[0] / 1000:.4g} kVA with the measured spectrum"
            found.append(
                replace(
                    entry, rating="transformer_derated", title=TITLES["transformer_derated"], limit=after, note=note
                )
            )
    return found


def _entry(
    name: str, phase: str | None, unit: str, limit: float, now: Maximum | None, then: Maximum | None
) -> Capacity | None:
    if now is None:
        return None
    peak = now.largest
    note = ""
    if peak is None:
        if now.bounds is None:
            return None
        value, at = now.bounds[1], 0
        note = "upper bound: the recorded interval does not divide the demand interval"
    else:
        value, at = peak.value, peak.start_us
    later = None if then is None else then.largest
    later_value = later.value if later is not None else None if then is None or then.bounds is None else then.bounds[1]
    return Capacity(
        name, TITLES[name], phase, unit, limit, value, at,
        later_value, None if later is None else later.start_us, note=note,
    )  # fmt: skip


def rating_findings(entries: list[Capacity], demand: Demand, recording: Recording, variant: str = "") -> list[Finding]:
    """Predictions for the declared ratings: the largest demand with the new loads against each.

    `demand` is that of the record with the additions.
    """
    found = []
    for one in entries:
        if one.then is None:
            continue
        margin = Decimal(repr(one.limit)) - Decimal(repr(round(one.then, 6)))
        verdict = Verdict.PASS if one.then <= one.limit else Verdict.FAIL
        quantity = "current" if one.unit == "A" else "apparent_power"
        channel = f"{quantity}.{one.phase or 'total'}{MARK}{variant}"
        period = None
        if recording.streams:
            start = min(stream.axis.start_us for stream in recording.streams)
            end = max(stream.axis.end_us for stream in recording.streams)
            period = Period("recording", iso(start, recording.zone), iso(end, recording.zone))
        found.append(
            Finding(
                kind="prediction",
                table="ratings",
                rule=one.rating,
                clause="as declared",
                title=f"{one.title}: largest {demand.interval_s / 60:g}-minute demand; prediction {VARIANTS[variant]}",
                quantity=quantity,
                phase=one.phase or "total",
                order=None,
                verdict=verdict,
                period=period,
                channel=channel,
                modifiers=("indicative",),
                statistic=Statistic("all_within", 100.0, demand.interval_s, round(one.then, 6), one.unit),
                limit=Limit(None, one.limit, one.unit),
                margin=Margin(float(margin), one.unit, float(round(100 * margin / Decimal(repr(one.limit)), 6))),
            )
        )
    return found
