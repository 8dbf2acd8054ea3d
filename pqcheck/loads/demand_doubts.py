"""Whether the record shows the largest demand: gaps, readings that are mere bounds, currents that were not measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pqcheck.loads.channels import phases_of
from pqcheck.loads.study_values import Demand, Seen
from pqcheck.model.findings import Finding, Reason
from pqcheck.model.reason_codes import sentence
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

DIRECTION = ("reversed-current", "swapped-currents")
"""Doubts about direction or phase, which leave the size of a current alone; with a new load the angle counts."""
MOVED = "swapped-currents"
"""It changes which phase carries what, where phases differ in rating or in new load."""
_COUNTED_HERE = ("gap", "interruption")
"""Doubts about missing readings, which are counted from the demand itself."""
_MAKES = {"current": ("current",), "apparent_power": ("current", "voltage", "apparent_power")}
"""What a rated quantity is formed from."""


def doubt_of(
    demand: Demand, quantity: str, phase: str | None, others: Sequence[Finding], site: Site
) -> Reason | None:
    """Why the largest demand of a quantity (`phase` None: of all phases) is not shown; None where it is.

    `others` are the findings about the recording. A gap is no doubt under a declared coverage that the record meets.
    """
    by_phase = "panel_phases" in site.ratings or any(0 < len(load["phases"]) < 3 for load in site.new_load)
    for reason in _doubts(quantity, phase, others, site):
        moved = phase is not None and by_phase and reason.code == MOVED
        if moved or reason.code not in (*DIRECTION, *_COUNTED_HERE):
            return reason
    if quantity in _MAKES and phase != "n" and renewable_source(site):
        why = "generation on site feeds a part of the load, which is all there is to carry once it rests"
        advice = "Record the load by itself or with the generation off; where the record is of the load alone, declare "
        return _not_shown(why, advice + "[load_study] renewable_source = false.")
    seen = next((seen for seen in demand.seen if (seen.quantity, seen.phase) == (quantity, phase)), None)
    if seen is None:
        return None
    doubt = reading_doubt(seen)
    if doubt is not None or not seen.missing:
        return doubt
    valid = 100 * (seen.expected - seen.missing)
    if site.coverage is not None and valid >= site.coverage.at_least_percent * seen.expected:
        return None
    return _not_shown(
        f"{seen.missing} of {seen.expected} intervals have no value",
        "Record again without gaps, exclude what is documented, or declare [coverage] with the policy it comes from.",
    )


def unpredicted(now: Demand, cases: Sequence[Demand], quantity: str, phase: str | None) -> Reason | None:
    """Why the largest demand with new loads is not shown though that of now is: it was not predicted throughout."""

    def missing(demand: Demand) -> int:
        return sum(seen.missing for seen in demand.seen if (seen.quantity, seen.phase) == (quantity, phase))

    lost = max((missing(demand) for demand in cases), default=0) - missing(now)
    if lost <= 0:
        return None
    return _not_shown(
        f"with the new load, {lost} intervals cannot be predicted, since what that is worked out from has gaps there",
        "Record angles and harmonics without gaps as well.",
    )


def direction_doubt(quantity: str, phase: str | None, others: Sequence[Finding], site: Site) -> Reason | None:
    """Why the angle of a current is not to be trusted; None where it is."""
    doubts = _doubts(quantity, phase, others, site)
    return next((reason for reason in doubts if reason.code in DIRECTION), None)


def renewable_source(site: Site) -> bool | None:
    """Whether a renewable source feeds load; None undeclared. Declared generation is one unless declared to be none."""
    declared: bool | None = site.load_study.get("renewable_source")
    generates = site.generation.facility or bool(site.generation.inverter_share)
    return True if declared is None and generates else declared


def angles_doubted(others: Sequence[Finding], site: Site) -> frozenset[str]:
    """The phases whose clamps may be turned or on another phase."""
    return frozenset(phase for phase in phases_of(site.supply) if direction_doubt("current", phase, others, site))


def _doubts(quantity: str, phase: str | None, others: Sequence[Finding], site: Site) -> Iterator[Reason]:
    """What the findings about the recording doubt of the columns that a rated quantity is formed from."""
    for finding in others:
        doubtful = finding.kind == "recording" and finding.verdict in (Verdict.REFUSED, Verdict.INCONCLUSIVE)
        if not doubtful or finding.reason is None or finding.quantity not in _MAKES[quantity]:
            continue
        mine = phase is None or finding.phase in (None, phase, f"{phase}n")
        carried = finding.phase is None or finding.phase[0] in phases_of(site.supply) or finding.phase == phase
        if mine and carried:
            yield finding.reason


def reading_doubt(seen: Seen) -> Reason | None:
    """Why readings that are there do not show the largest demand: they never move, or are mere bounds."""
    if seen.steady is not None and seen.quantity == "current":
        # A load may rest, and then nothing shows that the clamp was closed around it: what it may draw is not shown.
        text = f"current.{seen.phase} holds {seen.steady:.6g} A in all {seen.expected - seen.missing} readings: it was "
        text += "not measured, or its resolution is too coarse to show that it moves."
        return Reason("never-moves", text, "Check the clamp against a handheld reading, and record again.")
    if not seen.bounded:
        return None
    why = f"{seen.bounded} of {seen.expected} readings are only lower bounds"
    return _not_shown(why, "Record again with a range that fits.")


def _not_shown(why: str, advice: str) -> Reason:
    return Reason("demand-not-shown", *sentence("demand-not-shown", why=why, advice=advice))
