"""What passes only while new equipment runs that takes reactive current off: a condition of the answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from msgspec.structs import replace

from pqcheck.loads.capacity import Cases, capacities
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.predict import place, predicted
from pqcheck.loads.predicted_cases import PredictedCases
from pqcheck.loads.recorded_demand import demand_of
from pqcheck.loads.study_values import Capacity, Demand
from pqcheck.loads.superpose import Added
from pqcheck.model.findings import Finding
from pqcheck.model.verdict import Verdict


def relieving(loads: Sequence[NewLoad]) -> list[NewLoad]:
    """Capacitor banks, and loads that draw leading current: what they take off comes back when they rest."""
    return [load for load in loads if load.bank is not None or (not load.feeds_in and (load.reactive_var or 0.0) < 0)]


def counted_on(
    cases: PredictedCases,
    strict: Added,
    demand: Demand,
    capacity: Sequence[Capacity],
    main: Sequence[Finding],
    derated: tuple[Mapping[str, float], Mapping[str, float], Mapping[str, float]],
) -> tuple[str, ...]:
    """The ratings and criteria, in words, that hold at worst with the relieving equipment and fail without it.

    `strict` are the additions at worst, `demand` is that of the record, `capacity` and `main` are what was predicted.
    """
    names = {load.name for load in relieving(strict.loads)}
    if not names:
        return ()
    without = replace(strict, loads=tuple(load for load in strict.loads if load.name not in names))
    if cases.collapses(without):
        return ("What the supply can deliver",)
    return tuple(dict.fromkeys([
        *_ratings(cases, without, demand, capacity, derated), *_criteria(cases, without, main)
    ]))  # fmt: skip


def _ratings(
    cases: PredictedCases,
    without: Added,
    demand: Demand,
    capacity: Sequence[Capacity],
    derated: tuple[Mapping[str, float], Mapping[str, float], Mapping[str, float]],
) -> Iterator[str]:
    kept = {(entry.rating, entry.phase) for entry in capacity if _most(entry) <= entry.limit}
    then = demand_of(cases.record(without), cases.site, round(demand.interval_s * 1e6), others=False)
    for entry in capacities(cases.site, demand, Cases(then, (then,)), derated, cases.measured):
        most = _most(entry)
        if (entry.rating, entry.phase) in kept and most > entry.limit:
            by, unit = (1000, "kVA") if entry.unit == "VA" else (1, entry.unit)
            where = f", phase {entry.phase}" if entry.phase else ""
            yield f"{entry.title}{where} ({most / by:.4g} against {entry.limit / by:.4g} {unit})"


def _most(entry: Capacity) -> float:
    """The most that the demand is with the additions; a bank may take off what is there now."""
    bound = 0.0 if entry.then_bounds is None else entry.then_bounds[0]
    return max(entry.now if entry.then is None else entry.then, bound, entry.with_feed_in or 0.0)


def _criteria(cases: PredictedCases, without: Added, main: Sequence[Finding]) -> Iterator[str]:
    passes = {place(finding) for finding in main if finding.verdict is Verdict.PASS}
    alone = predicted(
        cases.tables, cases.measured_record, cases.site, without, cases.measured, cases.quantities, "-arithmetic",
        with_new=cases.record(without),
    )  # fmt: skip
    for finding in alone:
        if finding.verdict is Verdict.FAIL and place(finding) in passes:
            yield f"{finding.table} {finding.rule}"
