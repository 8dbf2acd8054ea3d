"""What would have to be true for a criterion to pass at worst: how much of the new load the limit bears."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec import Struct

from pqcheck.loads.declared import NewLoad, addition_va
from pqcheck.loads.predict import by_place, place, value_of
from pqcheck.loads.study_values import Capacity
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict


class Requirement(Struct, frozen=True):
    """What of the new load would have to be smaller, the share of it that may stay, and the condition in words."""

    subject: str
    share: float
    words: str


def strictest(requirements: Iterable[Requirement | None]) -> list[Requirement]:
    """The smallest share of each subject, smallest first."""
    least: dict[str, Requirement] = {}
    for each in requirements:
        if each is not None and (each.subject not in least or each.share < least[each.subject].share):
            least[each.subject] = each
    return sorted(least.values(), key=lambda each: (each.share, each.subject))


def requirement(
    finding: Finding, findings: Iterable[Finding], loads: Sequence[NewLoad], capacity: Sequence[Capacity] = ()
) -> Requirement | None:
    """The condition under which a prediction that fails or is open would pass with its bound.

    The part of the new loads is what the bound lies above the measurement, taken as proportional to their size.
    """
    ratings = {(each.rating, each.phase or "total"): each for each in capacity}
    entry = ratings.get((finding.rule, finding.phase or "")) if finding.table == "ratings" else None
    if entry is not None and entry.exported > entry.limit:
        return _less_feed_in(entry.limit / entry.exported, loads)
    known = list(findings)
    bounds = [each for each in known if each.channel.endswith("-arithmetic") and place(each) == place(finding)]
    values = [value for each in (finding, *bounds) if (value := value_of(each)) is not None]
    limit, measured = finding.limit, _measured(finding, known, entry)
    if finding.verdict is Verdict.PASS or limit is None or measured is None or not values:
        return None
    highest, lowest = max(values), min(values)
    above = limit.high is not None and highest > limit.high
    value, edge = (highest, limit.high) if above else (lowest, limit.low)
    if edge is None or value == measured or (not above and value >= edge):
        return None
    share = (float(edge) - measured) / (value - measured)
    if share <= 0 and entry is not None and entry.now_least is not None and entry.now_least < entry.limit:
        why = f"only the upper bound of what is there already takes up the limit of {finding.rule}"
        return Requirement("-", 0.0, f"a record whose interval divides the demand interval: {why}")
    if share <= 0:
        return Requirement("-", 0.0, f"less of what is there already: it takes up the limit of {finding.rule} alone")
    if above and finding.quantity == "voltage" and any(load.feeds_in for load in loads):
        # What lifts a voltage is what feeds in.
        return _less_feed_in(share, loads)
    if any(load.bank is not None for load in loads):
        # What a bank amplifies is not proportional to its size, and less of it may amplify more.
        return Requirement("bank", min(share, 1.0), "another size, or detuning, of the capacitor bank")
    return _in_words(finding, min(share, 1.0), loads)


def _less_feed_in(share: float, loads: Sequence[NewLoad]) -> Requirement:
    size = sum(load.rms_va for load in loads if load.feeds_in) / 1000
    return Requirement("feed-in", share, f"a feed-in of at most {size * share:.4g} kVA ({100 * share:.3g} %)")


def _measured(finding: Finding, findings: Sequence[Finding], entry: Capacity | None) -> float | None:
    if finding.table == "ratings":
        return None if entry is None else entry.now
    measured = by_place(each for each in findings if each.kind == "limit")
    return value_of(measured.get(place(finding)))


def _in_words(finding: Finding, share: float, loads: Sequence[NewLoad]) -> Requirement:
    percent = f"{100 * share:.3g} %"
    order, quantity = finding.order, finding.quantity or ""
    if order is not None:
        subject, what = f"order {order}", f"order {order} of the new loads"
        spectra = {round(load.spectrum.percent[order], 9) for load in loads if order in load.spectrum.percent}
    elif quantity.endswith(("_thd", "_tdd", "_trd")):
        subject = what = "total distortion of the new loads"
        spectra = {round(load.spectrum.thd, 9) for load in loads if load.spectrum.percent}
    else:
        size = addition_va(loads) / 1000
        return Requirement("size", share, f"an addition of at most {size * share:.4g} kVA ({percent})")
    if len(spectra) == 1:
        return Requirement(subject, share, f"{what} at most {spectra.pop() * share:.3g} % of their fundamental")
    return Requirement(subject, share, f"{what} at most {percent} of what is declared")
