"""One row per criterion: limit, statistic, margin, verdict in word and shape, phase, strip of all periods, link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from pqcheck.model.clock import duration_text
from pqcheck.model.findings import Finding, Findings
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
from pqcheck.model.verdict import ROLL_UP, Verdict
from pqcheck.reports.html.markup import Markup, tag, together, wide
from pqcheck.reports.plots.canvas import Drawn
from pqcheck.reports.plots.choose import figure_for
from pqcheck.reports.plots.labels import phase_label

SHAPES: Mapping[Verdict, str] = {
    Verdict.PASS: "✓",
    Verdict.FAIL: "✕",
    Verdict.INCONCLUSIVE: "?",
    Verdict.REFUSED: "⊘",
    Verdict.NOT_APPLICABLE: "\u2013",
    Verdict.WAIVED: "◇",
}
STRIP: Mapping[Verdict, str] = {
    Verdict.PASS: "·",
    Verdict.FAIL: "■",
    Verdict.INCONCLUSIVE: "?",
    Verdict.REFUSED: "\u00d7",
    Verdict.NOT_APPLICABLE: "-",
    Verdict.WAIVED: "w",
}
_WORST_FIRST = (*ROLL_UP, Verdict.NOT_APPLICABLE)


class JudgedCriterion(Struct, frozen=True):
    """One rule on one channel: its findings in time order and the worst of them."""

    findings: tuple[Finding, ...]
    worst: Finding
    anchor: str


def criteria(findings: Findings) -> list[JudgedCriterion]:
    """Every rule and channel once: worst verdict first, then in the order of the findings file."""
    groups: dict[tuple[object, ...], list[Finding]] = {}
    for finding in findings.findings:
        if finding.kind in ("limit", "prediction"):
            # Findings that judged nothing (missing orders, a missing phase) have no period and stand beside the others.
            key = (
                finding.kind,
                finding.table,
                finding.rule,
                finding.quantity,
                finding.channel,
                finding.phase,
                finding.order,
                finding.period is None,
            )
            groups.setdefault(key, []).append(finding)
    made = [
        JudgedCriterion(tuple(members), _worst(members), f"c{number}")
        for number, members in enumerate(groups.values(), 1)
    ]
    return sorted(made, key=lambda row: rank(row.worst.verdict))


def _worst(members: Sequence[Finding]) -> Finding:
    def key(finding: Finding) -> tuple[int, float]:
        margin = margin_percent(finding)
        return rank(finding.verdict), margin if margin is not None else float("inf")

    return min(members, key=key)


def verdict_mark(verdict: Verdict) -> Markup:
    """Verdict in shape and word; the colour is only a third sign."""
    return tag(
        "span", tag("span", SHAPES[verdict], aria_hidden="true", class_="shape"), f" {VERDICT_WORDS[verdict]}",
        class_=f"verdict v-{verdict.value}",
    )  # fmt: skip


_HEADS = ("Verdict", "Criterion", "Phase", "Limit", "Reading", "Margin", "Outside", "Period", "See")


def criteria_part(rows: Sequence[JudgedCriterion], drawn: Sequence[Drawn], evidence: frozenset[str]) -> Markup:
    """The table, with what the signs mean."""
    heads = tag("tr", *(tag("th", head, scope="col") for head in _HEADS))
    body = together(_row(row, drawn, evidence) for row in rows)
    inner = tag("table", tag("thead", heads), tag("tbody", body), class_="criteria", id="criteria-table")
    legend = ", ".join(f"{SHAPES[verdict]} {VERDICT_WORDS[verdict]}" for verdict in _WORST_FIRST)
    strips = any(len(row.findings) > 1 for row in rows)
    note = (
        "Where a rule is judged period by period, the row shows the worst one and a strip with one sign a period in "
        f"time order, unless all are alike: {', '.join(f'{STRIP[v]} {VERDICT_WORDS[v]}' for v in _WORST_FIRST)}. "
        if strips
        else ""
    )
    return tag(
        "section",
        tag("h2", "Every criterion", id="criteria"),
        tag("p", f"Signs: {legend}. {note}A margin is the distance of the reading to its limit, negative outside. "
                 "The reading is the value of the rank at which the asked share is reached, so reading and verdict "
                 "always agree."),
        wide(inner, "Every criterion"),
        aria_labelledby="criteria",
    )  # fmt: skip


def _row(criterion: JudgedCriterion, drawn: Sequence[Drawn], evidence: frozenset[str]) -> Markup:
    worst = criterion.worst
    margin, share = worst.margin, margin_percent(worst)
    percent = f" ({share:.3g} %)" if share is not None else ""
    phase = phase_label(worst.phase) if worst.phase is not None else "-"
    marks = f" {', '.join(worst.modifiers).replace('_', ' ')}" if worst.modifiers else ""
    if near := uncertainty_text(worst):
        marks += f" ({near})"
    return tag(
        "tr",
        tag("td", verdict_mark(worst.verdict), tag("small", marks) if marks else None,
            data_sort=rank(worst.verdict)),
        tag("th", worst.title,
            tag("small", f" {_rule_words(worst)}"), scope="row"),
        tag("td", phase),
        tag("td", limit_text(worst)),
        tag("td", reading_text(worst)),
        tag("td", number(margin.value, margin.unit) + percent if margin is not None else "-",
            data_sort=f"{share:.6g}" if share is not None else "1e9"),
        tag("td", outside_text(worst)),
        tag("td", _period(criterion)),
        tag("td", *_links(criterion, drawn, evidence)),
        id=criterion.anchor,
    )  # fmt: skip


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
    counted = {verdict: sum(f.verdict is verdict for f in judged) for verdict in _WORST_FIRST}
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
