"""Generated for every row of every shipped table: on the limit, a step in, a step out, the allowed count, one more.

The expectation comes from the sign and the share written in the table and from the definition of the count, not from
the code that judges.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from pqcheck.limit_tables import Condition, LimitRow, LimitTable, Rule, ValueRange, load_table
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.findings import Finding
from pqcheck.model.quantities import QUANTITIES
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from tests.recordings import judged, recording, site

PERIOD_S = {"day": 86_400, "week": 604_800, "recording": 604_800}
STEP = Decimal("1e-6")


@dataclass(frozen=True)
class Case:
    """A rule with the rows that hold together at one site."""

    name: str
    table: LimitTable
    rule: Rule
    rows: tuple[LimitRow, ...]
    place: Site
    phase: str | None


def inside(span: ValueRange) -> Decimal:
    if span.low is not None and span.high is not None:
        return (span.low + span.high) / 2 if span.low != span.high else span.low
    if span.low is not None:
        return span.low * 2 if span.low > 0 else span.low + 1
    return (span.high or Decimal(2)) / 2


def place_for(table: LimitTable, conditions: tuple[Condition, ...], nominal: str | None) -> Site:
    supply: dict[str, Any] = {"nominal_voltage": "400 V", "connection": "wye", "frequency": "50 Hz"}
    pcc: dict[str, Any] = {"is_pcc": True, "maximum_demand_current": "400 A", "short_circuit_current": "12 kA"}
    pcc |= {"demand_basis": "mean of 12 monthly maxima", "rated_current": "100 A"}
    generation: dict[str, Any] = {}
    options: dict[str, Any] = {}
    spans: dict[str, ValueRange] = {}
    for condition in conditions:
        if condition.span is not None:
            old = spans.get(condition.fact, ValueRange())
            spans[condition.fact] = ValueRange(
                max((x for x in (old.low, condition.span.low) if x is not None), default=None), True,
                min((x for x in (old.high, condition.span.high) if x is not None), default=None), True,
            )  # fmt: skip
        elif condition.fact in ("measured_at", "connection"):
            supply[condition.fact] = condition.values[0]
        elif condition.fact.startswith("option:"):
            options[condition.fact.removeprefix("option:")] = condition.values[0]
        elif condition.fact == "generating_facility":
            generation["facility"] = condition.values[0] == "true"
        elif condition.fact == "is_pcc":
            pcc["is_pcc"] = condition.values[0] == "true"
        else:
            raise AssertionError(f"a fact this test does not know: {condition.fact}")
    for fact, span in spans.items():
        value = inside(span)
        if fact == "nominal_voltage":
            supply["nominal_voltage"] = f"{value} V"
            if value > 1000:
                supply["connection"] = "delta"
        elif fact == "nominal_frequency":
            supply["frequency"] = f"{value} Hz"
        elif fact == "short_circuit_ratio":
            pcc["short_circuit_current"] = f"{value * 400} A"
        elif fact == "inverter_share":
            generation["inverter_share_of_average_demand"] = f"{value} %"
        else:
            raise AssertionError(f"a numeric fact this test does not know: {fact}")
    if table.only_these_nominals:
        nominal = next(iter(table.nominals))
    if nominal is not None:
        row = table.nominals[nominal]
        supply["connection"] = row.connections[0]
        line = None if supply["connection"] == "single-phase" else row.line_to_line
        supply["nominal_voltage"] = f"{line or row.line_to_neutral} V"
        if supply["connection"] == "high-leg-delta":
            supply["high_leg"] = "b"
    extra: dict[str, Any] = {"pcc": pcc}
    if generation:
        extra["generation"] = generation
    if options:
        extra["limits"] = {"options": options}
    return site(supply=supply, **extra)


def judged_rows(rule: Rule, rows: list[LimitRow]) -> list[LimitRow]:
    """One row per order (per curve: its first point); rows without a limit on purpose are not on a limit."""
    chosen: list[LimitRow] = []
    seen: set[tuple[Decimal | None, Decimal | None]] = set()
    for row in rows:
        if row.no_limit or row.hertz:
            continue
        if rule.interval_s < 60:
            # A day of 3 s values is long: one order for each limit in the table.
            if (row.low, row.high) not in seen:
                seen.add((row.low, row.high))
                chosen.append(replace(row, orders=row.orders[:1] if row.orders else None))
            continue
        chosen += [replace(row, orders=(order,)) for order in row.orders] if row.orders else [row]
    return chosen


def cases(table: LimitTable) -> Iterator[Case]:
    for rule in table.rules:
        if rule.period.length == "year" or rule.quantity not in QUANTITIES:
            continue
        groups: dict[tuple[Any, ...], list[LimitRow]] = {}
        for row in rule.rows:
            groups.setdefault((row.where, row.nominal, row.line, row.phases), []).append(row)
        for number, ((where, nominal, line, phases), rows) in enumerate(groups.items()):
            chosen = judged_rows(rule, rows)
            if not chosen:
                continue
            place = place_for(table, (*table.applies_if, *rule.applies_if, *where), nominal)
            yield Case(f"{table.id}/{rule.id}/{number}", table, rule, tuple(chosen), place,
                       phase_for(rule, place, line, phases))


def phase_for(rule: Rule, place: Site, line: str | None, phases: tuple[str, ...]) -> str | None:
    if phases:
        return phases[0]
    if rule.phases:
        return rule.phases[0]
    known = QUANTITIES[rule.quantity].phases
    if not known:
        return None
    if "an" not in known:
        return known[0]
    neutral = place.supply.connection != "delta" and line != "line_to_line"
    if place.supply.connection == "high-leg-delta" and place.supply.high_leg == "a":
        return "bn"
    return "an" if neutral else "ab"


def columns_for(case: Case, values: list[np.ndarray]) -> dict[str, np.ndarray]:
    rule = case.rule
    phase = f".{case.phase}" if case.phase else ""
    unit = {"V": "V", "A": "A", "Hz": "Hz", "1": "1", "%": "%"}[QUANTITIES[rule.quantity].unit]
    if rule.reference == "nominal" and rule.quantity == "voltage_harmonic":
        unit = "% of nominal"
    columns = {}
    for row, series in zip(case.rows, values, strict=True):
        order = f".h{row.orders[0]}" if row.orders else ""
        columns[f"{rule.quantity}{phase}{order} [{unit}]"] = series
    if rule.reference == "nominal" and rule.quantity == "voltage_thd":
        nominal = case.place.supply.nominal(case.phase or "")
        columns[f"voltage{phase} [V]"] = np.full(len(values[0]), float(nominal or 0))
    return columns


def limit_and_safe(case: Case, row: LimitRow) -> list[tuple[Decimal, Decimal, Decimal]]:
    """(limit, direction outward, a value well inside) for each side, in the unit of the finding."""
    rule, place = case.rule, case.place
    by = rule.factor
    if rule.reference == "nominal" and rule.quantity == "voltage":
        by *= (place.supply.nominal(case.phase or "") or Decimal(0)) / 100
    elif rule.reference == "nominal_frequency":
        by *= (place.supply.frequency or Decimal(0)) / 100
    elif rule.reference in ("maximum_demand_current", "rated_current") and rule.quantity == "current_harmonic":
        by *= Decimal(4) if rule.reference == "maximum_demand_current" else Decimal(1)
    low = None if row.low is None else row.low * by
    high = None if row.high is None else row.high * by
    if low is not None and high is not None:
        middle = (low + high) / 2
    else:
        middle = high / 2 if high is not None else (low or Decimal(0)) * 2
    sides = []
    if high is not None:
        sides.append((high, Decimal(1), middle))
    if low is not None:
        sides.append((low, Decimal(-1), middle))
    return sides


@pytest.mark.parametrize("table_id", table_ids())
def test_every_row_on_its_limit(table_id: str) -> None:
    wrong = [line for case in cases(load_table(table_id)) for line in wrong_verdicts(case)]
    assert wrong == []


def test_the_cases_reach_nearly_every_row() -> None:
    """1,211 groups of rows, so that a change of `cases` which loses some of them is seen."""
    counts = {table_id: sum(1 for _ in cases(load_table(table_id))) for table_id in table_ids()}
    assert sum(counts.values()) >= 1211
    assert {table_id for table_id, count in counts.items() if not count} == {
        table_id for table_id in table_ids()
        if not any(rule.period.length != "year" and rule.rows for rule in load_table(table_id).rules)
    }  # fmt: skip


def wrong_verdicts(case: Case) -> list[str]:
    """A line for every finding of the case with another verdict than expected."""
    rule = case.rule
    kind = rule.statistic.kind
    sides = [limit_and_safe(case, row) for row in case.rows]
    if kind == "report_only" or rule.indicative:
        middle = [np.full(1008, float(side[0][2]) if side else 1.0) for side in sides]
        return unlike(case, run(case, middle), Verdict.NOT_APPLICABLE, "well inside")
    length = int(PERIOD_S[rule.period.length] / rule.interval_s)
    within = 0
    if kind == "share_within":
        within = int((100 - rule.statistic.percent) * length // 100)
    elif kind == "count_at_most":
        within = rule.statistic.count
    elif kind == "longest_run_at_most":
        within = int(rule.statistic.duration_s // rule.interval_s)
    bad = Verdict.FAIL
    if rule.time_criterion is not None and rule.time_criterion.outside == "inconclusive":
        bad = Verdict.INCONCLUSIVE
    steps = (
        ("on the limit", length, 0, bad if rule.strict else Verdict.PASS),
        ("a step inside", length, -1, Verdict.PASS),
        ("a step outside", length, 1, bad),
        ("the allowed count", within, 1, Verdict.PASS),
        ("one more", within + 1, 1, bad),
    )
    periods: list[tuple[str, list[np.ndarray], Verdict]] = []
    for side in range(max(len(row_sides) for row_sides in sides)):
        for where, count, outward, verdict in steps:
            series = []
            for row_sides in sides:
                limit, direction, safe = row_sides[min(side, len(row_sides) - 1)]
                values = np.full(length, float(safe))
                # Not at the edge of the record, beyond which a run might go on.
                first = min(1, length - count)
                values[first : first + count] = float(limit + direction * outward * STEP * max(abs(limit), Decimal(1)))
                series.append(values)
            periods.append((f"{where}, side {side}", series, verdict))
    if rule.period.length == "recording":
        return [line for where, series, verdict in periods for line in unlike(case, run(case, series), verdict, where)]
    # Days and weeks lie back to back: one recording holds them all.
    joined = zip(*(series for _, series, _ in periods), strict=True)
    findings = run(case, [np.concatenate(parts) for parts in joined])
    starts = sorted({finding.period.start for finding in findings if finding.period})
    if len(starts) != len(periods):
        return [f"{case.name}: {len(starts)} periods instead of {len(periods)}"]
    wrong = []
    for start, (where, _, verdict) in zip(starts, periods, strict=True):
        own = [finding for finding in findings if finding.period and finding.period.start == start]
        wrong += unlike(case, own, verdict, where)
    return wrong


def run(case: Case, values: list[np.ndarray]) -> list[Finding]:
    table = replace(case.table, rules=(case.rule,))
    # Blocks of five days: they end inside the weeks and hold several days.
    made = recording(columns_for(case, values), interval_s=float(case.rule.interval_s), days_per_block=5)
    return [f for f in judged(made, case.place, table) if f.statistic is not None and f.statistic.value is not None]


def unlike(case: Case, findings: list[Finding], verdict: Verdict, where: str) -> list[str]:
    if not findings:
        return [f"{case.name}: nothing was judged {where}"]
    return [
        f"{case.name}: {finding.id} {where} is {finding.verdict}, not {verdict} ({finding.reason})"
        for finding in findings
        if finding.verdict is not verdict
    ]
