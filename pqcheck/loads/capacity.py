"""Ratings against the largest demand: spare amperes and kVA by phase, now and with the new loads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.loads.channels import phases_of, voltage_sum
from pqcheck.loads.demand_doubts import direction_doubt, doubt_of, unpredicted
from pqcheck.loads.predict import MARK, VARIANTS, bounded, reported_only
from pqcheck.loads.study_values import Capacity, Demand, Loading
from pqcheck.loads.windings import load_of_units, undeclared_units, units_at, winding_load, winding_share
from pqcheck.model.clock import iso
from pqcheck.model.errors import SiteError
from pqcheck.model.findings import Finding, Limit, Margin, Period, Reason, Statistic
from pqcheck.model.reason_codes import sentence
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
    "transformer_k_factor": "K rating of the transformer",
}


MOST_OVERLOAD = 2.0
"""No transformer carries twice its rated power for a demand interval and is still there (house threshold)."""
NO_DIVERSITY = "Everything running at once is an upper bound that the declared schedules rule out"


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
        rated = float(ratings["transformer"])
        yield "transformer", None, "VA", rated
        # Each winding carries its own current: kVA in all say nothing about the phase that is loaded most.
        for phase in phases if len(phases) > 1 else ():
            alike = rated / voltage_sum(phases, site.supply) * winding_share(site)
            yield "transformer", phase, "A", min(units_at(site, phase).values(), default=alike)


def rated_quantity(unit: str) -> str:
    """The quantity that a rating in A or VA limits."""
    return "current" if unit == "A" else "apparent_power"


class Cases(Struct, frozen=True):
    """The demand with the new loads in every case that ratings are compared with."""

    firm: Demand
    """As declared, without what feeds in."""
    strict: tuple[Demand, ...] = ()
    """The same with phase angles and the reaction of present loads at their worst, for each supply it may be."""
    at_once: Demand | None = None
    """Everything running at once on top of that."""
    with_feed_in: Demand | None = None
    relieves: bool = False
    """A new capacitor bank may lower the current that is there for good."""
    feed_in: Mapping[str, float] = {}
    """Nominal amperes by phase of what feeds in, all of it: what is exported while nothing else runs."""
    doubts: Mapping[str, Reason] = {}
    """Why no rating of "current" or "neutral" can be kept with the new loads whatever the demand is."""


def capacities(
    site: Site,
    now: Demand,
    cases: Cases | None,
    derated: tuple[Mapping[str, float], Mapping[str, float], Mapping[str, float]] = ({}, {}, {}),
    others: Sequence[Finding] = (),
) -> list[Capacity]:
    """One entry for each rating (and phase) whose demand was recorded.

    `derated` are the shares of the rated current, by phase, that the harmonics before, after as expected and after at
    worst leave to a winding. `others` are the findings about the recording.
    """
    entries = []
    for name, phase, unit, limit in ratings_of(site):
        entry = _capacity(name, phase, unit, limit, site, now, cases, others)
        if entry is None:
            continue
        entries.append(entry)
        if name != "transformer" or not derated[0]:
            continue
        # All phases together may carry no more than the phase that is derated most.
        share, expected, worst = (
            min(shares.values(), default=None) if phase is None else shares.get(phase) for shares in derated
        )
        if share is not None:
            title, least = TITLES["transformer_derated"], share if worst is None else worst
            note = f"{100 * share:.1f} % with the measured spectrum"
            derated_entry = replace(
                entry, rating="transformer_derated", title=title, limit=limit * least, note=note,
                expected_limit=(entry.expected_limit or limit) * (least if expected is None else max(expected, least)),
            )  # fmt: skip
            entries.append(replace(derated_entry, spare_va=_spare_va(derated_entry, site)))
    return entries


def _capacity(
    name: str,
    phase: str | None,
    unit: str,
    limit: float,
    site: Site,
    now: Demand,
    cases: Cases | None,
    others: Sequence[Finding],
) -> Capacity | None:
    quantity = rated_quantity(unit)
    low, high, at_us = largest_demand(now, quantity, phase)
    if high is None:
        return None
    entry = Capacity(
        name, TITLES[name], phase, unit, limit, high, at_us or 0,
        at_least=low if low != high else None, now_least=low if low != high else None,
        doubt=doubt_of(now, quantity, phase, others, site), direction=direction_doubt(quantity, phase, others, site),
        note="upper bound: the recorded interval does not divide the demand interval" if low != high else "",
    )  # fmt: skip
    wound = name == "transformer" and unit == "A"
    units = units_at(site, phase or "a") if wound else {}
    if units:
        # A line current is the sum of two winding currents: beyond both ratings together one is overloaded.
        entry = replace(
            entry, expected_limit=sum(units.values()), winding=_in_winding(now, phase or "a", limit, site, high),
            note="line current against the smallest unit of the bank that it feeds",
        )  # fmt: skip
    elif wound and site.supply.connection == "delta":
        entry = replace(entry, winding=_in_winding(now, phase or "a", limit, site, high))
    elif wound and winding_share(site) < 1:
        # Whatever the units are, two of them are no more than the whole.
        entry = replace(
            entry, expected_limit=3 * limit, doubt=entry.doubt or undeclared_units(site),
            note="line current against the rated current of a winding, were there three alike",
        )  # fmt: skip
    if cases is not None:
        least, then, then_at_us = largest_demand(cases.firm, quantity, phase)
        if then is not None and then < high and not cases.relieves:
            # A new load that lowers what is there rests at some time: what is there has to fit as well.
            least, then, then_at_us = low, high, at_us
        bounds_of = [(demand, largest_demand(demand, quantity, phase)[1] or 0.0) for demand in cases.strict]
        if entry.winding is not None:
            bounds_of = [(demand, _in_winding(demand, phase or "a", limit, site, most)) for demand, most in bounds_of]
        strict = max((most for _, most in bounds_of), default=None)
        if strict is not None and not cases.relieves:
            strict = max(strict, high if entry.winding is None else entry.winding)
        at_once, with_feed_in = (
            None if demand is None else largest_demand(demand, quantity, phase)[1]
            for demand in (cases.at_once, cases.with_feed_in)
        )
        if units and cases.at_once is not None and at_once is not None:
            at_once = _in_winding(cases.at_once, phase or "a", limit, site, at_once)
        exported = cases.feed_in.get(phase or "", 0.0)
        if strict is not None and unit == "A":
            strict = max(strict, exported)
        if strict is not None:
            strict = max(strict, then or 0.0)
        bounds = None if strict is None else (strict, strict if at_once is None else max(at_once, strict))
        entry = replace(
            entry, then=then, then_at_us=then_at_us, at_least=least if least != then else None, then_bounds=bounds,
            with_feed_in=with_feed_in, exported=exported if unit == "A" else 0.0,
            doubt=(
                entry.doubt or cases.doubts.get("neutral" if phase == "n" else "current")
                or unpredicted(now, (cases.firm, *cases.strict), quantity, phase)
            ),
        )  # fmt: skip
    return replace(entry, spare_va=_spare_va(entry, site))


def _in_winding(demand: Demand, phase: str, limit: float, site: Site, most: float) -> float:
    """The load of the windings that meet in a line as amperes against `limit`; `most` is the largest in that line."""
    if not units_at(site, phase):
        return winding_load(demand, phase, most)
    lines = {line: largest_demand(demand, "current", line)[1] for line in "abcn"}
    if any(lines[line] is None for line in "abc"):
        return float("inf")
    return load_of_units(site, phase, {line: most for line, most in lines.items() if most is not None}, limit)


def _spare_va(entry: Capacity, site: Site) -> float | None:
    if entry.unit != "A" or entry.phase == "n" or site.supply.line_to_neutral is None:
        return None
    return entry.spare * float(site.supply.line_to_neutral)


def check_transformer(site: Site, demand: Demand) -> None:
    """Raise `SiteError` for a transformer that the record shows at more than twice its rating: a unit mistaken."""
    if "transformer" not in site.ratings:
        return
    rated = float(site.ratings["transformer"])
    least = largest_demand(demand, "apparent_power", None)[0]
    if least is not None and least > MOST_OVERLOAD * rated:
        raise SiteError(
            f"[ratings] transformer = {rated / 1000:g} kVA is smaller than the load that the record shows it to carry, "
            f"{least / 1000:.4g} kVA; correct the rating or its unit"
        )


def largest_demand(demand: Demand, quantity: str, phase: str | None) -> tuple[float | None, float | None, int | None]:
    """The least and the most that the largest demand is, and when it was, where that is known.

    All None where nothing was recorded, or a column of it holds no reading at all.
    """
    maximum = demand.maximum(quantity, phase)
    if maximum is None:
        return None, None, None
    peak = maximum.largest
    if peak is not None:
        return peak.value, peak.value, peak.start_us
    return (None, None, None) if maximum.bounds is None else (*maximum.bounds, None)


def rating_findings(
    entries: Sequence[Capacity], demand: Demand, recording: Recording, missing: Sequence[tuple[str, str | None, str]]
) -> list[Finding]:
    """Predictions for the declared ratings: the largest demand with the new loads against each, and its bounds.

    `demand` is that of the record with the additions, `missing` the ratings (name, phase, unit) without a recorded
    demand.
    """
    findings = []
    for entry in entries:
        if entry.then is None:
            continue
        most = max(entry.then, entry.with_feed_in or 0.0)
        expected = entry.expected_limit
        main = _finding(
            entry if expected is None else replace(entry, limit=expected), most, demand, recording, ""
        )
        if entry.at_least is not None and entry.at_least <= entry.limit < most:
            text, advice = sentence(
                "demand-bounded", interval=f"{demand.interval_s / 60:g} min",
                numbers=f"{entry.at_least:.4g} to {most:.4g} {entry.unit} against {entry.limit:.4g} {entry.unit}",
            )  # fmt: skip
            main = main.replaced(verdict=Verdict.INCONCLUSIVE, reason=Reason("demand-bounded", text, advice))
        main = _doubted(main, entry.doubt)
        uppers: list[Finding] = []
        if entry.then_bounds is not None:
            strict, at_once = entry.then_bounds
            upper = _finding(entry, max(most, strict), demand, recording, "-arithmetic")
            (main,), uppers = bounded([main], [_doubted(upper, entry.doubt)])
            if main.reason is not None and main.reason.code == "phase-angles-unknown":
                main = main.replaced(reason=entry.direction or _winding_reason(entry, upper) or main.reason)
            everything = _finding(entry, max(most, at_once), demand, recording, "-no-diversity")
            findings += reported_only([everything], NO_DIVERSITY)
        findings += [main, *uppers]
    findings += [_missing(*rating, demand, recording) for rating in missing]
    return findings


def _winding_reason(entry: Capacity, bound: Finding) -> Reason | None:
    """Why a line current does not decide about a winding of a delta; None for other ratings."""
    if bound.statistic is None or entry.winding is None:
        return None
    value, limit = f"{bound.statistic.value:.4g} A", f"{entry.limit:.4g} A"
    return Reason("winding-not-shown", *sentence("winding-not-shown", value=value, limit=limit))


def _doubted(finding: Finding, doubt: Reason | None) -> Finding:
    """A pass falls where the record does not show the largest demand."""
    if doubt is None or finding.verdict is not Verdict.PASS:
        return finding
    return finding.replaced(verdict=Verdict.INCONCLUSIVE, reason=doubt)


def _finding(entry: Capacity, amount: float, demand: Demand, recording: Recording, variant: str) -> Finding:
    value = round(amount, 6)
    quantity = rated_quantity(entry.unit)
    return Finding(
        kind="prediction",
        table="ratings",
        rule=entry.rating,
        clause="as declared",
        title=f"{entry.title}: largest {demand.interval_s / 60:g}-minute demand; prediction {VARIANTS[variant]}",
        quantity=quantity,
        phase=entry.phase or "total",
        order=None,
        verdict=Verdict.PASS if value <= entry.limit else Verdict.FAIL,
        period=whole_recording(recording),
        channel=f"{quantity}.{entry.phase or 'total'}{MARK}{variant}",
        modifiers=("indicative",),
        statistic=Statistic("all_within", 100.0, demand.interval_s, value, entry.unit),
        limit=Limit(None, entry.limit, entry.unit),
        margin=margin_to(entry.limit, value, entry.unit),
    )


def k_rating_findings(
    expected: Sequence[Loading], at_worst: Sequence[Loading], site: Site, recording: Recording
) -> list[Finding]:
    """The K-factor of the worst winding against the declared K rating, and its bound with the new load in phase."""
    main = _k_rating_finding(expected, site, recording, "")
    # The worst winding may be another one at worst; it is the bound of the same criterion.
    bound = [
        each.replaced(phase=first.phase)
        for first, each in zip(main, _k_rating_finding(at_worst, site, recording, "-arithmetic"), strict=False)
    ]
    mains, bounds = bounded(main, bound)
    return [*mains, *bounds]


def _k_rating_finding(loadings: Sequence[Loading], site: Site, recording: Recording, variant: str) -> list[Finding]:
    """Open where orders that raise the factor are missing."""
    rated = site.ratings.get("transformer_k_factor")
    known = [loading for loading in loadings if loading.k_factor is not None]
    if rated is None or not known:
        return []
    worst = max(known, key=lambda loading: loading.k_factor or 0.0)
    value, limit = round(worst.k_factor or 0.0, 2), float(rated)
    verdict, reason = (Verdict.PASS if value <= limit else Verdict.FAIL), None
    if verdict is Verdict.PASS and worst.missing_orders:
        orders = ", ".join(map(str, worst.missing_orders))
        text, advice = sentence("orders-missing", orders=orders, quantity="current harmonic", where="")
        verdict, reason = Verdict.INCONCLUSIVE, Reason("orders-missing", text, advice)
    return [
        Finding(
            kind="prediction", table="ratings", rule="transformer_k_factor", clause="as declared",
            title=f"{TITLES['transformer_k_factor']}: K-factor of the worst winding; prediction {VARIANTS[variant]}",
            quantity="current", phase=worst.phase, order=None, verdict=verdict, period=whole_recording(recording),
            channel=f"current.{worst.phase}{MARK}{variant}", modifiers=("indicative",), reason=reason,
            statistic=Statistic("all_within", 100.0, None, value, "1"), limit=Limit(None, limit, "1"),
            margin=margin_to(limit, value, "1"),
        )
    ]  # fmt: skip


def _missing(name: str, phase: str | None, unit: str, demand: Demand, recording: Recording) -> Finding:
    """A rating whose demand was not recorded must not look kept."""
    quantity = rated_quantity(unit)
    words = f"the {quantity.replace('_', ' ')}" + (f" of phase {phase}" if phase else "")
    if name in ("transformer_derated", "transformer_k_factor"):
        words = "the harmonics of the current, which load the transformer"
    text, advice = sentence("not-recorded", quantity=words, detail="")
    return Finding(
        kind="prediction",
        table="ratings",
        rule=name,
        clause="as declared",
        title=f"{TITLES[name]}: largest {demand.interval_s / 60:g}-minute demand; prediction {VARIANTS['']}",
        quantity=quantity,
        phase=phase or "total",
        order=None,
        verdict=Verdict.INCONCLUSIVE,
        period=whole_recording(recording),
        channel=f"{quantity}.{phase or 'total'}{MARK}",
        modifiers=("indicative",),
        reason=Reason("not-recorded", text, advice),
        statistic=Statistic("all_within", 100.0, demand.interval_s, None, unit),
    )


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
