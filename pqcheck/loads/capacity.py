"""Ratings against the largest demand: spare amperes and kVA by phase, now and with the new loads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from msgspec.structs import replace

from pqcheck.loads.channels import phases_of
from pqcheck.loads.predict import MARK, VARIANTS
from pqcheck.loads.study_values import Capacity, Demand, Maximum
from pqcheck.model.clock import iso
from pqcheck.model.findings import Finding, Limit, Margin, Period, Statistic
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

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
    phases = phases_of(site.supply)
    for name in ("service", "feeder"):
        if name in ratings:
            for phase in phases:
                yield name, phase, "A", float(ratings[name])
    panels = {**dict.fromkeys(phases, ratings.get("panel")), **ratings.get("panel_phases", {})}
    for phase in phases:
        if panels[phase] is not None:
            yield "panel", phase, "A", float(panels[phase])
    if "neutral" in ratings:
        yield "neutral", "n", "A", float(ratings["neutral"])
    if "transformer" in ratings:
        yield "transformer", None, "VA", float(ratings["transformer"])


def rated_quantity(unit: str) -> str:
    """The quantity that a rating in A or VA limits."""
    return "current" if unit == "A" else "apparent_power"


def capacities(
    site: Site, now: Demand, then: Demand | None, derated: tuple[float | None, float | None] = (None, None)
) -> list[Capacity]:
    """One entry for each rating (and phase) whose demand was recorded.

    `derated` are the transformer powers derated for the harmonics before and after, where they are known.
    """
    entries = []
    for name, phase, unit, limit in ratings_of(site):
        quantity = rated_quantity(unit)
        value, at_us, bounded = _largest(now.maximum(quantity, phase))
        if value is None:
            continue
        value_then, then_at_us, _ = _largest(None if then is None else then.maximum(quantity, phase))
        spare_va = None
        if unit == "A" and phase != "n" and site.supply.line_to_neutral is not None:
            spare = limit - (value if value_then is None else value_then)
            spare_va = spare * float(site.supply.line_to_neutral)
        note = "upper bound: the recorded interval does not divide the demand interval" if bounded else ""
        entry = Capacity(
            name, TITLES[name], phase, unit, limit, value, at_us or 0, value_then, then_at_us,
            spare_va=spare_va, note=note,
        )  # fmt: skip
        entries.append(entry)
        before, after = derated
        if name == "transformer" and before is not None:
            name = "transformer_derated"
            note = f"{before / 1000:.4g} kVA with the measured spectrum"
            limit = before if after is None else after
            entries.append(replace(entry, rating=name, title=TITLES[name], limit=limit, note=note))
    return entries


def _largest(maximum: Maximum | None) -> tuple[float | None, int | None, bool]:
    """The largest demand, when it was, and whether it is only the upper bound of one."""
    if maximum is None:
        return None, None, False
    peak = maximum.largest
    if peak is not None:
        return peak.value, peak.start_us, False
    return None if maximum.bounds is None else maximum.bounds[1], None, True


def rating_findings(
    entries: Sequence[Capacity], demand: Demand, recording: Recording, variant: str = ""
) -> list[Finding]:
    """Predictions for the declared ratings: the largest demand with the new loads against each.

    `demand` is that of the record with the additions.
    """
    findings = []
    for entry in entries:
        if entry.then is None:
            continue
        quantity = rated_quantity(entry.unit)
        value = round(entry.then, 6)
        findings.append(
            Finding(
                kind="prediction",
                table="ratings",
                rule=entry.rating,
                clause="as declared",
                title=f"{entry.title}: largest {demand.interval_s / 60:g}-minute demand; "
                f"prediction {VARIANTS[variant]}",
                quantity=quantity,
                phase=entry.phase or "total",
                order=None,
                verdict=Verdict.PASS if entry.then <= entry.limit else Verdict.FAIL,
                period=whole_recording(recording),
                channel=f"{quantity}.{entry.phase or 'total'}{MARK}{variant}",
                modifiers=("indicative",),
                statistic=Statistic("all_within", 100.0, demand.interval_s, value, entry.unit),
                limit=Limit(None, entry.limit, entry.unit),
                margin=margin_to(entry.limit, value, entry.unit),
            )
        )
    return findings


def whole_recording(recording: Recording) -> Period | None:
    """The period from the first to the last interval of all streams; None for a recording without any."""
    if not recording.streams:
        return None
    start = min(stream.axis.start_us for stream in recording.streams)
    end = max(stream.axis.end_us for stream in recording.streams)
    return Period("recording", iso(start, recording.zone), iso(end, recording.zone))


def margin_to(rating: float, value: float, unit: str) -> Margin:
    """Distance of a demand below a rating, both as they are printed."""
    limit = Decimal(repr(rating))
    margin = limit - Decimal(repr(value))
    return Margin(float(margin), unit, float(round(100 * margin / limit, 6)))
