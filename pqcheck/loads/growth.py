"""IEEE 519 with a demand that grows: IL and the row of Isc/IL with the new load, and what IL alone changes."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.judge.site_facts import ask
from pqcheck.limit_tables import LimitTable
from pqcheck.loads.channels import voltage_sum
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.predict import by_place, value_of, verdicts
from pqcheck.loads.study_values import Growth
from pqcheck.loads.superpose import Added
from pqcheck.model.findings import Finding
from pqcheck.model.recording import Recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

_RANGES = "passes for"
CURRENTS = ("current_harmonic", "current_tdd")


class DemandGrowth(Struct, frozen=True):
    """Declared and grown demand current in A, their rows, and each current criterion under both.

    `alone` are criteria that the *measured* record, without any new load, would meet under the grown demand current and
    does not meet under the declared one: no harmonic ampere less, only a larger divisor.
    """

    declared: Decimal
    grown: Decimal
    ratio: Decimal | None
    ratio_grown: Decimal | None
    row: str
    row_grown: str
    rows: tuple[Growth, ...]
    alone: tuple[str, ...]


def grown_site(site: Site, loads: Sequence[NewLoad]) -> Site | None:
    """The site with the fundamental current of all new loads on top of IL; None without IL or without growth."""
    pcc = site.pcc
    if pcc is None or pcc.maximum_demand_current is None:
        return None
    new = sum(
        load.apparent_va / voltage_sum(load.phases, site.supply) for load in loads
        if not load.feeds_in and load.bank is None
    )
    if not new:
        return None
    grown = pcc.maximum_demand_current + Decimal(repr(round(new, 3)))
    return replace(site, pcc=replace(pcc, maximum_demand_current=grown))


def demand_growth(
    tables: Sequence[LimitTable],
    recording: Recording,
    site: Site,
    added: Added,
    measured: Sequence[Finding],
    predicted: Sequence[Finding],
    grown_predictions: Sequence[Finding],
) -> DemandGrowth | None:
    """Current criteria as measured, predicted under the declared IL, and predicted under the grown one."""
    larger = grown_site(site, added.loads)
    concerned = [table for table in tables if any(rule.reference == "maximum_demand_current" for rule in table.rules)]
    if larger is None or larger.pcc is None or site.pcc is None or not concerned:
        return None
    declared, grown = site.pcc.maximum_demand_current, larger.pcc.maximum_demand_current
    assert declared is not None and grown is not None
    nothing = Added((), None, recorded_demand=float(declared))
    then, later = by_place(predicted), by_place(grown_predictions)
    without = by_place(verdicts(concerned, recording, larger, nothing, CURRENTS))
    rows, alone = [], []
    for key, finding in by_place(measured).items():
        if finding.verdict is Verdict.FAIL and key in without and without[key].verdict is Verdict.PASS:
            alone.append(f"{finding.table} {finding.rule}, {finding.channel}")
        if finding.quantity not in CURRENTS or key not in then or key not in later:
            continue
        mine, theirs = then[key], later[key]
        rows.append(
            Growth(
                f"{finding.table} {finding.rule}", finding.channel, mine.statistic.unit if mine.statistic else "",
                finding.verdict.value, mine.verdict.value, theirs.verdict.value, value_of(mine), value_of(theirs),
                _limit(mine), _limit(theirs), _break_even(mine),
            )
        )  # fmt: skip
    short = site.pcc.short_circuit_current
    return DemandGrowth(
        declared,
        grown,
        None if short is None else short / declared,
        None if short is None else short / grown,
        _row(concerned, site),
        _row(concerned, larger),
        tuple(rows),
        tuple(sorted(alone)),
    )


def _break_even(finding: Finding) -> str:
    """The ranges of the demand current that judging states in the title of a current finding."""
    start = finding.title.find(_RANGES)
    return "" if start < 0 else finding.title[start:].split(";")[0]


def _limit(finding: Finding) -> str:
    limit = finding.limit
    return "-" if limit is None or limit.high is None else f"{limit.high:.6g} {limit.unit}"


def _row(tables: Sequence[LimitTable], site: Site) -> str:
    """The label of the row in force."""
    for table in tables:
        # The rule of the total first: its rows carry the label of the table row alone.
        for rule in sorted(table.rules, key=lambda rule: rule.quantity != "current_tdd"):
            if rule.reference == "maximum_demand_current":
                for row in rule.rows:
                    if row.label and ask(site, row.where).holds:
                        return row.label
    return "-"
