"""Single orders of a rule as a grid: orders down, phases across, each reading as a share of its limit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import VERDICT_WORDS
from pqcheck.model.verdict import Verdict
from pqcheck.reports.html.judged_criteria import SHAPES, JudgedCriterion
from pqcheck.reports.html.markup import Markup, tag, wide
from pqcheck.reports.plots.labels import phase_label, quantity_title

FEWEST = 4
"""Criteria of one rule from which a grid is worth it."""
STEPS = (25, 50, 75, 100)
"""Shares of the limit [%] at which the tint grows darker; each number stands in its cell."""


def gridded(rows: Iterable[JudgedCriterion]) -> list[list[JudgedCriterion]]:
    """The criteria on single orders, by rule and quantity, where there are enough of them."""
    groups: dict[tuple[str, str, str, str | None], list[JudgedCriterion]] = {}
    for row in rows:
        if row.worst.order is not None:
            key = row.worst.kind, row.worst.table, row.worst.rule, row.worst.quantity
            groups.setdefault(key, []).append(row)
    return [members for members in groups.values() if len(members) >= FEWEST]


def grid_of(members: Sequence[JudgedCriterion]) -> Markup:
    """One grid with its heading."""
    first = members[0].worst
    phases = sorted({row.worst.phase or "" for row in members})
    cells = {(row.worst.order, row.worst.phase or ""): row for row in members}
    orders = sorted({row.worst.order for row in members if row.worst.order is not None})
    heads = tag("tr", tag("th", "Order", scope="col"),
                *(tag("th", phase_label(phase) if phase else "system", scope="col") for phase in phases))
    body = [
        tag("tr", tag("th", str(order), scope="row"), *(_cell(cells.get((order, phase))) for phase in phases))
        for order in orders
    ]
    title = f"{quantity_title(first.quantity or '')} by order, {first.table} {first.rule}"
    inner = tag("table", tag("thead", heads), tag("tbody", *body), class_="orders")
    several = " of several periods the worst" if any(len(row.findings) > 1 for row in members) else ""
    return tag(
        "div", tag("h3", title),
        tag("p", "The reading that decides as a share of its limit in percent;"
                 f"{several + ';' if several else ''} the darker, the nearer to the limit, and beyond it with "
                 f"{SHAPES[Verdict.FAIL]}."),
        wide(inner, title),
    )  # fmt: skip


def share_of_limit(finding: Finding) -> float | None:
    """The reading over its upper limit [%]; None where nothing was judged."""
    if finding.statistic is None or finding.statistic.value is None or finding.limit is None or not finding.limit.high:
        return None
    return 100 * float(finding.statistic.value) / float(finding.limit.high)


def _cell(row: JudgedCriterion | None) -> Markup:
    if row is None:
        return tag("td", "-")
    verdict, share = row.worst.verdict, share_of_limit(row.worst)
    shape = f" {SHAPES[verdict]}" if verdict is not Verdict.PASS else ""
    title = f"{row.worst.title}: {VERDICT_WORDS[verdict]}"
    if share is None:
        return tag("td", shape.strip() or "-", title=title)
    tint = sum(share >= step for step in STEPS)
    return tag("td", f"{share:.0f}{shape}", class_=f"t{tint}", title=title)
