"""Whether the recorded weeks stand for the year: load against the declared demand, weekdays, holidays."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np

from pqcheck.model.clock import duration_text, to_local
from pqcheck.model.errors import SiteError
from pqcheck.model.recording import DAY
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.vet.check_definition import CHOSEN, PRACTICE, Check, Threshold, thresholds
from pqcheck.vet.outcome import Outcome
from pqcheck.vet.time_base import Grid, TimeBase

FEWEST_DAYS = Threshold(7, "d", PRACTICE, "A shorter recording says nothing about representativeness.")
LOW_PERCENT = Threshold(50, "%", CHOSEN,
                        "Highest 15-minute current over declared demand below which the period was unusual.")
HIGH_PERCENT = Threshold(105, "%", CHOSEN, "The same above which the declared demand is doubtful.")
WORKING_DAYS = Threshold(4, "1", PRACTICE, "Full working days in the recording.")
WEEKEND_DAYS = Threshold(1, "1", PRACTICE, "Full weekend days in the recording.")

CHECK = Check(
    name="representative",
    question="Does the period stand for the year?",
    looks_at="Highest 15-minute mean current against the declared demand; working days, weekend days, declared "
             "holidays.",
    how="A question for the engineer; no verdict is refused.",
    example="The highest mean current over 15 min is 18 % of the declared maximum demand.",
    codes={
        "load-low": "Unusually low load",
        "holidays": "Holidays inside",
        "days-missing": "Working days or weekend missing",
        "demand-exceeded": "Demand above the declared one",
    },
    thresholds=thresholds(globals()),
)

DEMAND_US = 900_000_000
"""Demand is the mean over blocks of 15 minutes."""


def examine(base: TimeBase) -> Iterator[Outcome]:
    """Note or doubt about what the recording stands for; never a reason to refuse a verdict."""
    yield _outcome(base.grid, base.site, base.zone)


def _outcome(grid: Grid, site: Site, zone: str) -> Outcome:
    length = grid.end_us - grid.start_us
    if length < FEWEST_DAYS.value * DAY:
        return Outcome(
            CHECK, Verdict.NOT_APPLICABLE, "-", code="too-short-to-tell",
            text=f"{length / DAY:.2g} days say nothing about how representative the period is.",
            advice="Record at least one full week of normal operation.",
        )
    working, weekend, holidays = days_covered(grid.start_us, grid.end_us, zone, declared_holidays(site))
    cover = f"{working} full working days, {weekend} full weekend days"
    if holidays:
        cover += f" and {len(holidays)} declared holiday{'s' if len(holidays) > 1 else ''} ({', '.join(holidays)})"
    demand = site.pcc.maximum_demand_current if site.pcc else None
    highest = highest_demand(grid)
    if demand is None or highest is None:
        missing = "no 12-month demand is declared" if demand is None else "no phase current was recorded"
        verdict = Verdict.INCONCLUSIVE if holidays else Verdict.NOT_APPLICABLE
        return Outcome(
            CHECK, verdict, "-", code="holidays" if holidays else "no-input",
            text=f"The recording covers {cover}; {missing}, so its load cannot be compared with that of the year.",
            advice="Declare [pcc] maximum_demand_current with its basis.",
        )
    share = 100 * highest / float(demand)
    length_text = duration_text(grid.step_us if DEMAND_US % grid.step_us else DEMAND_US)
    text = f"The highest mean current over {length_text} is {highest:.4g} A, {share:.3g} % of the declared maximum " \
           f"demand {float(demand):g} A; the recording covers {cover}."
    low = share < LOW_PERCENT.value
    few = working < WORKING_DAYS.value or weekend < WEEKEND_DAYS.value
    if low or few or holidays:
        code = "load-low" if low else "holidays" if holidays else "days-missing"
        return Outcome(
            CHECK, Verdict.INCONCLUSIVE, "-", code=code,
            text=text + " It does not stand for a week of normal operation.",
            advice="Verdicts stand for the period recorded; repeat in normal operation before drawing conclusions.",
            value=share, unit="%",
        )
    high = share > HIGH_PERCENT.value
    return Outcome(
        CHECK, Verdict.PASS, "-", code="demand-exceeded" if high else "",
        text=text + " The declared demand is lower than what was recorded." if high else "",
        advice="Check the declared maximum demand." if high else "", value=share, unit="%",
    )


def highest_demand(grid: Grid) -> float | None:
    """Highest clock-aligned 15-minute mean of any phase current [A], or the highest recorded one where 15 minutes
    cannot be formed; None without currents."""
    best: float | None = None
    # Ten minutes cannot become fifteen: then the recorded interval itself is what is compared.
    fits = DEMAND_US % grid.step_us == 0
    group = DEMAND_US // grid.step_us if fits else 1
    lead = int(-grid.start_us % DEMAND_US // grid.step_us) if fits else 0
    for series in grid.recorded("current").values():
        part = series[lead:]
        whole = part.size // group * group
        if not whole:
            continue
        # Whole groups only: a hole must not make a peak of its neighbours.
        means = part[:whole].reshape(-1, group).mean(axis=1)
        if np.isfinite(means).any():
            top = float(np.nanmax(means))
            best = top if best is None else max(best, top)
    return best


def days_covered(
    start_us: int, end_us: int, zone: str, holidays: frozenset[date]
) -> tuple[int, int, tuple[str, ...]]:
    """Full civil working days and weekend days inside the span, and the declared holidays among them."""
    first, last = to_local(start_us, zone), to_local(end_us, zone)
    day = first.date() if first.time().isoformat() == "00:00:00" else first.date() + timedelta(days=1)
    working = weekend = 0
    inside = []
    while day < last.date():
        if day in holidays:
            inside.append(day.isoformat())
        elif day.weekday() >= 5:
            weekend += 1
        else:
            working += 1
        day += timedelta(days=1)
    return working, weekend, tuple(inside)


def declared_holidays(site: Site) -> frozenset[date]:
    """Days under ``[recording] holidays``; SiteError for what is no day."""
    days = [str(day) for day in site.recording.more.get("holidays", ())]
    try:
        return frozenset(date.fromisoformat(day) for day in days)
    except ValueError:
        raise SiteError(f"[recording] holidays = {days} must hold days such as '2031-12-25'") from None
