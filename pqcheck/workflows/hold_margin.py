"""A margin: every limit once more, moved inwards, beside the limits themselves, in one pass over the recording."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal, InvalidOperation

from msgspec.structs import replace

from pqcheck.limit_tables import LimitRow, LimitTable
from pqcheck.model.errors import GateError
from pqcheck.model.findings import Finding, Findings
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site
from pqcheck.workflows.check_recording import check
from pqcheck.workflows.inputs import Recordings

Percent = Decimal | float | int

_TIGHTER = "/tighter"
"""Ends the id of a table whose limits were moved inwards; it never reaches a result."""


def check_margin(margin: Percent | None) -> Decimal | None:
    """The margin in percent. Raises `GateError` for what is no number from 0 to below 100."""
    if margin is None:
        return None
    number = None
    if isinstance(margin, (Decimal, float, int)) and not isinstance(margin, bool):
        try:
            number = Decimal(str(margin))
        except InvalidOperation:
            number = None
    if number is None or not number.is_finite() or not 0 <= number < 100:
        raise GateError(f"a margin of {margin!r} % cannot be; give a number from 0 to below 100, for example 10")
    return number


def check_with_margin(
    recordings: Recordings,
    site: Site,
    tables: Sequence[LimitTable],
    quantities: Iterable[str] | None,
    as_of: date | None,
    margin: Decimal | None,
) -> Findings:
    """`check`, where a pass has to hold with every limit tighter by `margin` percent too."""
    if not margin:
        return check(recordings, site, list(tables), quantities=quantities, as_of=as_of)
    tight = [tighter(table, margin) for table in tables]
    # A time criterion that the site declares for a table holds for its tighter twin too.
    criteria = [
        replace(criterion, table=twin.id)
        for table, twin in zip(tables, tight, strict=True)
        for criterion in site.criteria
        if criterion.table in (table.id, table.base)
    ]
    place = replace(site, criteria=(*site.criteria, *criteria))
    findings = check(recordings, place, [*tables, *tight], quantities=quantities, as_of=as_of)
    held = _with_margin(findings, margin)
    if held.declared_away:
        # Counted over the tables themselves, not over their twins too.
        plain = check(recordings, site, list(tables), quantities=quantities, as_of=as_of)
        held = replace(held, declared_away=plain.declared_away)
    return held


def tighter(table: LimitTable, percent: Decimal) -> LimitTable:
    """The table with every limit moved inwards: by `percent` of the limit, of half the width of a two-sided band.

    A reading on the tighter limit has the margin, also where a reading on the limit itself is outside (IEEE 519). The
    edges of a curve over events move by `percent` of the residual voltage, the rating of a load rule by that of it.
    """
    rules = tuple(
        replace(rule, strict=False, rows=tuple(_tighter_row(row, percent) for row in rule.rows)) for rule in table.rules
    )
    share = percent / 100
    events = tuple(
        replace(
            rule,
            lower=tuple(replace(step, residual=step.residual * (1 + share)) for step in rule.lower),
            upper=tuple(replace(step, residual=step.residual * (1 - share)) for step in rule.upper),
        )
        for rule in table.event_rules
    )
    loads = tuple(replace(rule, share_of_rating=1 - share) for rule in table.load_rules)
    return replace(
        table, id=f"{table.id}{_TIGHTER}", base=table.id, rules=rules, event_rules=events, load_rules=loads
    )


def _tighter_row(row: LimitRow, percent: Decimal) -> LimitRow:
    share, low, high = percent / 100, row.low, row.high
    if row.hertz:
        return replace(row, hertz=tuple((hertz, limit * (1 - share)) for hertz, limit in row.hertz))
    if low is not None and high is not None:
        step = (high - low) / 2 * share
        return replace(row, low=low + step, high=high - step)
    return replace(
        row,
        low=None if low is None else low + abs(low) * share,
        high=None if high is None else high - abs(high) * share,
    )


def _with_margin(findings: Findings, percent: Decimal) -> Findings:
    """Findings of the tables themselves; a pass that the tighter limits do not confirm becomes a fail, or open."""
    tight = {
        finding.id.replace(_TIGHTER, "", 1): finding
        for finding in findings.findings
        if finding.table.endswith(_TIGHTER)
    }
    own = [finding for finding in findings.findings if not finding.table.endswith(_TIGHTER)]
    return replace(
        findings,
        findings=tuple(_held_against(finding, tight.get(finding.id), percent) for finding in own),
        limit_tables=tuple(table for table in findings.limit_tables if not table["id"].endswith(_TIGHTER)),
        margin_percent=float(percent),
    )


def _held_against(finding: Finding, tight: Finding | None, percent: Decimal) -> Finding:
    if finding.kind != "limit" or finding.verdict is not Verdict.PASS:
        return finding
    from pqcheck.judge.decide import hold_against

    decision = hold_against(tight, percent)
    return finding if decision is None else finding.replaced(verdict=decision.verdict, reason=decision.reason)
