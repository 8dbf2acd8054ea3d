"""Waivers: an accepted exception with a numeric ceiling, a reason and an expiry. A fail becomes waived, nothing else.

The date that counts is an input, never the clock. A waiver holds up to and including the day it expires. A fail that
its waiver does not cover (expired, beyond the ceiling, pending) stays a fail and says why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.limit_tables import LimitTable, Rule
from pqcheck.model.errors import GateError, nearest
from pqcheck.model.findings import Finding, Findings, Reason
from pqcheck.model.findings_words import has_reading, number, reading_text
from pqcheck.model.quantities import EVENTS
from pqcheck.model.reason_codes import sentence
from pqcheck.model.units import UnitError, quantity_of
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site

Standing = Literal["in force", "expired", "exceeded", "not shown", "pending", "rejected", "not yet in force"]

WARN_DAYS = 14
"""Days before its expiry from which a waiver is named, where ``[waivers] warn_days`` says nothing."""

_CODES: dict[str, str] = {
    "in force": "waived",
    "expired": "waiver-expired",
    "exceeded": "waiver-exceeded",
    "not shown": "waiver-not-shown",
    "pending": "waiver-pending",
    "rejected": "waiver-pending",
    "not yet in force": "waiver-pending",
}


_BOUNDS = ("lower-bound", "proven-by-bound", "clipped")
"""Reasons of a fail whose reading is only a lower bound."""


class Waiver(Struct, frozen=True):
    """One entry of a waiver file. `ceiling` and `floor` are as written, value with unit; scopes None = any."""

    place: str
    rule: str
    """``table/rule``."""
    reason: str
    owner: str
    approver: str
    status: str
    created: date
    expires: date
    ceiling: str | None = None
    floor: str | None = None
    ticket: str | None = None
    site: str | None = None
    scenario: str | None = None
    operating_point: str | None = None
    phase: str | None = None
    order: int | None = None

    @property
    def name(self) -> str:
        """What to call it in a sentence."""
        parts = [self.rule]
        parts += [f"phase {self.phase}"] if self.phase else []
        parts += [f"order {self.order}"] if self.order else []
        parts += [f"ticket {self.ticket}"] if self.ticket else []
        return f"{self.place} ({', '.join(parts)})"

    @property
    def bound(self) -> str:
        """``up to 10.5 %`` or ``down to 200 V``."""
        return f"up to {self.ceiling}" if self.ceiling is not None else f"down to {self.floor}"

    def asked_at(self, findings: Findings) -> bool:
        """Whether the waiver is about this site and scenario at all."""
        scenario = findings.site.get("scenario") or {}
        return self.site in (None, findings.site.get("name")) and self.scenario in (None, scenario.get("name"))

    def covers(self, finding: Finding) -> bool:
        """Whether the finding lies in the scope (rule, phase, order, operating point)."""
        point = finding.snapshot.operating_point if finding.snapshot is not None else None
        return (
            finding.kind == "limit"
            and self.rule == f"{finding.table}/{finding.rule}"
            and self.phase in (None, finding.phase)
            and self.order in (None, finding.order)
            and self.operating_point in (None, point)
        )


class Applied(Struct, frozen=True):
    """Findings with the waivers worked in. `used` met a fail, whether they covered it or not."""

    findings: Findings
    used: frozenset[Waiver] = frozenset()


class _Terms(Struct, frozen=True):
    """What a ceiling is a percentage of."""

    rules: Mapping[tuple[str, str], Rule]
    site: Site
    as_of: date


def apply_waivers(
    findings: Findings, waivers: Sequence[Waiver], tables: Sequence[LimitTable], site: Site, as_of: date
) -> Applied:
    """Turn fails that a valid waiver covers into *waived*; give the others the reason why theirs does not.

    `tables` and `site` are those the findings were judged with; they say what a ceiling in percent refers to. Raises
    `GateError` for a rule the tables do not have, two approved waivers for one finding, and a ceiling in a unit that
    does not fit.
    """
    asked = [candidate for candidate in waivers if candidate.asked_at(findings)]
    _check_rules(asked, tables)
    terms = _Terms({(table.id, rule.id): rule for table in tables for rule in table.rules}, site, as_of)
    used: set[Waiver] = set()
    changed = []
    for finding in findings.findings:
        waiver = _waiver_for(finding, asked)
        if waiver is None or finding.verdict is not Verdict.FAIL:
            changed.append(finding)
            continue
        used.add(waiver)
        changed.append(_worked_in(finding, waiver, terms))
    return Applied(replace(findings, findings=tuple(changed)), frozenset(used))


def remarks(waivers: Sequence[Waiver], used: frozenset[Waiver], as_of: date, warn_days: int) -> tuple[str, ...]:
    """Waivers that met no fail, and those that expire soon or have expired."""
    lines = []
    for waiver in waivers:
        if waiver.status != "approved":
            lines.append(f"Waiver {waiver.name} is {waiver.status} and suppresses nothing.")
        elif as_of < waiver.created:
            lines.append(f"Waiver {waiver.name} is not yet in force; it begins on {waiver.created}.")
        elif waiver not in used:
            lines.append(f"Waiver {waiver.name} is unused: nothing that it covers fails. Remove it.")
        elif waiver.expires >= as_of and waiver.expires - as_of <= timedelta(days=warn_days):
            days = (waiver.expires - as_of).days
            when = "today" if days == 0 else f"in {days} day{'s' if days > 1 else ''}"
            lines.append(f"Waiver {waiver.name} expires {when}, on {waiver.expires}; owner {waiver.owner}.")
    return tuple(lines)


def rules_of(table: LimitTable) -> set[str]:
    """Ids of all rules of a table: over time, about events, about loads."""
    over_time, events = {rule.id for rule in table.rules}, {rule.id for rule in table.event_rules}
    return over_time | events | {rule.id for rule in table.load_rules}


def _check_rules(waivers: Sequence[Waiver], tables: Sequence[LimitTable]) -> None:
    known = {table.id: rules_of(table) for table in tables}
    for waiver in waivers:
        table, _, rule = waiver.rule.partition("/")
        if table in known and rule not in known[table]:
            raise GateError(f"{waiver.place}: {table} has no rule {rule!r}{nearest(rule, known[table])}")


def _waiver_for(finding: Finding, waivers: Sequence[Waiver]) -> Waiver | None:
    """The one waiver that is about a finding: an approved one before one that is pending or rejected."""
    about = [waiver for waiver in waivers if waiver.covers(finding)]
    approved = [waiver for waiver in about if waiver.status == "approved"]
    if len(approved) > 1:
        raise GateError(
            f"{approved[0].name} and {approved[1].name} are both for {finding.id}; keep one waiver for one finding"
        )
    return next(iter(approved or about), None)


def _worked_in(finding: Finding, waiver: Waiver, terms: _Terms) -> Finding:
    bound, unit = _bound(finding, waiver, terms)
    standing = _standing(finding, waiver, bound, terms.as_of)
    value = reading_text(finding) if has_reading(finding) else "no reading"
    text, advice = sentence(
        _CODES[standing],
        value=value,
        bound=f"{waiver.bound}{'' if _same(waiver, unit) else f' ({number(float(bound), unit)})'}",
        owner=waiver.owner,
        approver=waiver.approver,
        expires=waiver.expires,
        standing=standing,
        why=waiver.reason.rstrip("."),
        place=waiver.place,
    )
    # That one spectrum stands for the period is said by the snapshot; any other remark on the fail is kept.
    reason = finding.reason
    earlier = f" {reason.text}" if reason is not None and reason.code != "steady-point" else ""
    return finding.replaced(
        verdict=Verdict.WAIVED if standing == "in force" else Verdict.FAIL,
        reason=Reason(_CODES[standing], text + earlier, advice),
        waiver=_document(waiver, standing, bound, unit),
    )


def _standing(finding: Finding, waiver: Waiver, bound: Decimal, as_of: date) -> Standing:
    if waiver.status != "approved":
        return "pending" if waiver.status == "pending" else "rejected"
    if as_of > waiver.expires:
        return "expired"
    if as_of < waiver.created:
        return "not yet in force"
    if finding.statistic is None or finding.statistic.value is None:
        return "exceeded"
    return _standing_of_counts(finding, bound, floor=waiver.floor is not None)


def _standing_of_counts(finding: Finding, bound: Decimal, *, floor: bool) -> Standing:
    """Whether the fail lies on the side of the waiver, within `bound`, and nothing else fails by itself.

    A ceiling excuses nothing at the lower limit, and a floor nothing at the upper one: what lies there, together with
    what lies beyond the bound, has to stay within the allowed number.
    """
    assert finding.statistic is not None and finding.statistic.value is not None
    value = Decimal(repr(finding.statistic.value))
    low = finding.limit.low if finding.limit is not None else None
    same_side = (low is not None and value < Decimal(repr(low))) == floor
    beyond_bound = value < bound if floor else value > bound
    other = _on_the_other_side(finding, floor=floor)
    counts = finding.intervals
    if (same_side and beyond_bound) or (not same_side and not other):
        return "exceeded"
    if finding.reason is not None and finding.reason.code in _BOUNDS:
        return "not shown"
    if counts is None:
        return "in force" if same_side else "exceeded"
    if other > counts.allowed:
        return "exceeded"
    missing = counts.missing if finding.proven else 0
    if not other and not missing and finding.channel != EVENTS:
        return "in force"
    # A window counts as a whole, of which one interval may lie beyond: too many, never too few. One of recorded events
    # is a single event, with its residual.
    beyond = sum(
        window.intervals
        for window in finding.windows
        if (Decimal(repr(window.worst)) < bound if floor else Decimal(repr(window.worst)) > bound)
        and _is_below(finding, window.worst) == floor
    )
    if other + beyond + missing <= counts.allowed:
        return "in force"
    return "exceeded" if finding.channel == EVENTS else "not shown"


def _on_the_other_side(finding: Finding, *, floor: bool) -> int:
    """Intervals outside on the side that the waiver is not about."""
    outside = sum(window.intervals for window in finding.windows)
    if finding.channel == EVENTS:
        below = sum(_is_below(finding, window.worst) for window in finding.windows)
    else:
        limit = finding.limit
        if limit is None or limit.low is None or limit.high is None:
            return 0
        # A window may hold both sides; the intervals below were counted with it.
        below = getattr(finding.windows, "below", 0)
    return outside - below if floor else below


def _is_below(finding: Finding, value: float) -> bool:
    """Whether a reading outside lies below the band; of an event, whether it is a dip."""
    if finding.channel == EVENTS:
        return value < 100
    return finding.limit is not None and finding.limit.low is not None and value < finding.limit.low


def _bound(finding: Finding, waiver: Waiver, terms: _Terms) -> tuple[Decimal, str]:
    """The ceiling or floor in the unit of the finding."""
    text = waiver.ceiling if waiver.ceiling is not None else waiver.floor
    assert text is not None
    unit = finding.statistic.unit if finding.statistic is not None else "%"
    try:
        return quantity_of(text, unit or "1"), unit
    except UnitError as error:
        base = _base(finding, terms)
        if base is None:
            raise GateError(f"{waiver.place}: {error}") from None
    try:
        return quantity_of(text, "%") * base / 100, unit
    except UnitError:
        raise GateError(
            f"{waiver.place}: {text!r} fits neither the unit of the rule ({unit}) nor its percentage; write a value in "
            f"{unit} or in %"
        ) from None


def _base(finding: Finding, terms: _Terms) -> Decimal | None:
    """What 100 % is for the limit of a finding, in the finding's unit."""
    rule = terms.rules.get((finding.table, finding.rule))
    return None if rule is None else base_of(rule, terms.site, finding.phase)


def base_of(rule: Rule, site: Site, phase: str | None) -> Decimal | None:
    """What 100 % is for the limit of a rule, in the unit of its findings; None where that is not declared."""
    if rule.reference == "nominal":
        return site.supply.nominal(phase or "")
    if rule.reference == "nominal_frequency":
        return site.supply.frequency
    if site.pcc is None:
        return None
    if rule.reference == "maximum_demand_current":
        return site.pcc.maximum_demand_current
    return site.pcc.rated_current if rule.reference == "rated_current" else None


def _same(waiver: Waiver, unit: str) -> bool:
    text = waiver.ceiling if waiver.ceiling is not None else waiver.floor
    return text is not None and text.strip().endswith(unit)


def _document(waiver: Waiver, standing: Standing, bound: Decimal, unit: str) -> dict[str, Any]:
    """The waiver as it stands in a findings file."""
    return {
        "standing": standing,
        "rule": waiver.rule,
        "ceiling": None if waiver.ceiling is None else float(bound),
        "floor": None if waiver.floor is None else float(bound),
        "unit": unit,
        "reason": waiver.reason,
        "owner": waiver.owner,
        "approver": waiver.approver,
        "created": waiver.created.isoformat(),
        "expires": waiver.expires.isoformat(),
        "ticket": waiver.ticket,
    }
