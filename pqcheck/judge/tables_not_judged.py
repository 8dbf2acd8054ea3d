"""Tables of which no rule was judged: not in force, not for this place, or left out by the choice of quantities.

A table that somebody named and that judged nothing must not look passed because another one passes. One finding for
the whole table says so, and keeps the result from being a pass.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from pqcheck.judge.decision import reason
from pqcheck.judge.scope import never_judged
from pqcheck.limit_tables import LimitTable
from pqcheck.limit_tables.load_limit_table import table_ids
from pqcheck.model.errors import SiteError, nearest
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import WHOLE_TABLE
from pqcheck.model.verdict import Verdict
from pqcheck.site.site_values import Site


def sets_limits(table: LimitTable) -> bool:
    """Whether anything in the table can fail: tables of classes, and those that only report, set no limit."""
    return (
        any(not never_judged(rule) for rule in table.rules)
        or any(rule.kind == "ride_through" for rule in table.event_rules)
        or bool(table.load_rules)
    )


def tables_not_judged(tables: Sequence[LimitTable], findings: Iterable[Finding], site: Site) -> Iterator[Finding]:
    """An inconclusive finding for each table that sets limits and judged nothing, unless the site allows that.

    None where no table judged anything: then the whole is inconclusive as it is. Raises `SiteError` when
    ``[limits] may_not_apply`` names what is no table.
    """
    _check_names(tables, site)
    about: dict[str, list[Finding]] = {table.id: [] for table in tables}
    judged: set[str] = set()
    for finding in findings:
        if finding.kind == "limit":
            about.setdefault(finding.table, []).append(finding)
            if finding.required:
                judged.add(finding.table)
    if not judged:
        return
    for table in tables:
        if table.id not in judged and table.id not in site.may_not_apply and sets_limits(table):
            yield _finding(table, about[table.id])


def _finding(table: LimitTable, findings: Sequence[Finding]) -> Finding:
    reasons = list(dict.fromkeys(finding.reason.text for finding in findings if finding.reason is not None))
    why = "none of its rules is about the quantities asked for."
    if reasons:
        others = f", and {len(reasons) - 1} other reasons" if len(reasons) > 1 else ""
        why = f"all {len(findings)} are not applicable ({reasons[0].rstrip('.')}{others})."
    return Finding(
        kind="limit",
        table=table.id,
        rule=WHOLE_TABLE,
        clause="",
        title=f"Any rule of {table.standard} {table.edition}",
        quantity=None,
        phase=None,
        order=None,
        verdict=Verdict.INCONCLUSIVE,
        reason=reason("table-not-judged", table=table.id, why=why),
    )


def _check_names(tables: Sequence[LimitTable], site: Site) -> None:
    """What `may_not_apply` names may belong to another run, so shipped tables and those of the site file are known."""
    known = sorted({*(table.id for table in tables), *site.apply, *table_ids()})
    for number, name in enumerate(site.may_not_apply, start=1):
        if name not in known:
            raise SiteError(f"limits.may_not_apply[{number}] = {name!r} is no limit table{nearest(name, known)}")
