"""One row per criterion: limit, statistic, margin, verdict in word and shape, phase, strip of all periods, link."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding
from pqcheck.model.findings_words import (
    VERDICT_WORDS,
    WHOLE_TABLE,
    clock,
    limit_text,
    margin_percent,
    number,
    outside_text,
    rank,
    reading_text,
    uncertainty_text,
)
from pqcheck.model.verdict import Verdict
from pqcheck.reports.html.judged_criteria import SHAPES, STRIP, WORST_FIRST, JudgedCriterion, verdict_mark
from pqcheck.reports.html.markup import Child, Markup, tag, together, wide
from pqcheck.reports.html.order_grid import grid_of, gridded
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.choose import figure_for
from pqcheck.reports.plots.labels import phase_label

_QUIET = (Verdict.PASS, Verdict.NOT_APPLICABLE)
"""Verdicts of single orders that the grid tells well enough."""
_HEADS = ("Verdict", "Criterion", "Phase", "Limit", "Reading", "Margin", "Outside", "Period", "See")


def criteria_part(rows: Sequence[JudgedCriterion], drawn: Sequence[Drawn], evidence: frozenset[str]) -> Markup:
    """The table, with what the signs mean."""
    # Orders that are met stand in the grid; row by row they are behind it.
    grids = gridded(rows)
    folded = {row.anchor for members in grids for row in members if row.worst.verdict in _QUIET}
    shown = [row for row in rows if row.anchor not in folded]
    inner = _table(shown, drawn, evidence, "criteria-table")
    behind: list[Child] = [grid_of(members) for members in grids]
    if folded:
        rest = [row for row in rows if row.anchor in folded]
        summary = f"The {len(rest)} orders that are met or without a limit, row by row"
        every = wide(_table(rest, drawn, evidence, "criteria-orders"), "Orders row by row")
        behind.append(tag("details", tag("summary", summary), every))
    legend = ", ".join(f"{SHAPES[verdict]} {VERDICT_WORDS[verdict]}" for verdict in WORST_FIRST)
    strips = any(len(row.findings) > 1 for row in rows)
    note = (
        "Where a rule is judged period by period, the row shows the worst one and a strip with one sign a period in "
        f"time order, unless all are alike: {', '.join(f'{STRIP[v]} {VERDICT_WORDS[v]}' for v in WORST_FIRST)}. "
        if strips
        else ""
    )
    return tag(
        "section",
        tag("h2", "Every criterion", id="criteria"),
        tag("p", f"Signs: {legend}. {note}A margin is the distance of the reading to its limit, negative outside. "
                 "The reading is the value of the rank at which the asked share is reached, so reading and verdict "
                 "always agree."),
        wide(inner, "Every criterion"), *behind,
        aria_labelledby="criteria",
    )  # fmt: skip


def _table(
    rows: Sequence[JudgedCriterion], drawn: Sequence[Drawn], evidence: frozenset[str], identity: str
) -> Markup:
    heads = tag("tr", *(tag("th", head, scope="col") for head in _HEADS))
    body = together(_row(row, drawn, evidence) for row in rows)
    return tag("table", tag("thead", heads), tag("tbody", body), class_="criteria", id=identity)


def _row(criterion: JudgedCriterion, drawn: Sequence[Drawn], evidence: frozenset[str]) -> Markup:
    worst = criterion.worst
    margin, share = worst.margin, margin_percent(worst)
    percent = f" ({share:.3g}\u00a0%)" if share is not None else ""
    phase = phase_label(worst.phase) if worst.phase is not None else "-"
    order = tag("small", f" order {worst.order}") if worst.order is not None else None
    marks = f" {', '.join(worst.modifiers).replace('_', ' ')}" if worst.modifiers else ""
    if near := uncertainty_text(worst):
        marks += f" ({near})"
    return tag(
        "tr",
        tag("td", verdict_mark(worst.verdict), tag("small", marks) if marks else None,
            data_sort=rank(worst.verdict)),
        tag("th", short_title(worst),
            tag("small", f" {_rule_words(worst)}"), scope="row"),
        tag("td", phase, order),
        tag("td", limit_text(worst)),
        tag("td", reading_text(worst)),
        tag("td", number(margin.value, margin.unit) + percent if margin is not None else "-",
            data_sort=f"{share:.6g}" if share is not None else "1e9"),
        tag("td", outside_text(worst)),
        tag("td", _period(criterion)),
        tag("td", *_links(criterion, drawn, evidence)),
        id=criterion.anchor,
    )  # fmt: skip


def short_title(finding: Finding) -> str:
    """The title without order and phase, which have a column of their own."""
    return re.sub(r"(, order \d+)?(, phases? [abcn](?: to (?:neutral|[abc]))?)?$", "", finding.title)


def asked_of(finding: Finding) -> str:
    """What the rule asks: share of which values over which period."""
    statistic = finding.statistic
    if statistic is None:
        return "-"
    interval = duration_text(round(statistic.interval_s * 1e6)) + " values" if statistic.interval_s else "values"
    period = f" of the {finding.period.length}" if finding.period is not None else ""
    words = {
        "share_within": f"{number(statistic.percent)} % of {interval}{period}",
        "all_within": f"all {interval}{period}",
        "count_at_most": f"a number of {interval}{period}",
        "longest_run_at_most": f"the longest run of {interval}{period}",
        "report_only": f"{interval}{period}, for information",
    }
    return words.get(statistic.kind, f"{interval}{period}")


def _period(criterion: JudgedCriterion) -> Markup | str:
    worst = criterion.worst
    if worst.period is not None:
        start = clock(worst.period.start).removesuffix(" 00:00")
        text = together([f"{worst.period.length} from ", tag("span", start, class_="day")])
    elif worst.snapshot is not None:
        text = together([f"operating point {worst.snapshot.operating_point or 'given'}"])
    else:
        return "-"
    judged = [finding for finding in criterion.findings if finding.period is not None or finding.snapshot is not None]
    if len(judged) < 2:
        return text
    counted = {verdict: sum(f.verdict is verdict for f in judged) for verdict in WORST_FIRST}
    words = ", ".join(f"{count} {VERDICT_WORDS[verdict]}" for verdict, count in counted.items() if count)
    if len({finding.verdict for finding in judged}) == 1:
        return together([text, tag("small", f" worst of {len(judged)}, all {VERDICT_WORDS[worst.verdict]}")])
    strip = "".join(STRIP[finding.verdict] for finding in judged)
    return together(
        [text, tag("small", f" worst of {len(judged)}: {words}"),
         tag("span", strip, class_="strip", role="img", aria_label=f"{len(judged)} periods: {words}")]
    )  # fmt: skip


def _links(criterion: JudgedCriterion, drawn: Sequence[Drawn], evidence: frozenset[str]) -> list[Markup | str]:
    links: list[Markup | str] = []
    figure = figure_for(criterion.worst, drawn)
    if figure is not None:
        links.append(tag("a", "plot", href=f"#{figure}"))
    if criterion.anchor in evidence:
        links += [" ", tag("a", "times", href=f"#e-{criterion.anchor}")]
    elif criterion.worst.reason is not None:
        links += [" ", tag("a", "why", href="#open")]
    return links or ["-"]


def _rule_words(finding: Finding) -> str:
    """Rule, clause and what is asked; of a whole table its id alone."""
    if finding.rule == WHOLE_TABLE:
        return finding.table
    return f"{finding.table} {finding.rule}, {finding.clause}; {asked_of(finding)}"
